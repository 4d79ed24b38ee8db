"""How well injector captures are read: random captures of the independent simulator, and the time against a parser.

Engines, injectors and the troubles of scope, hookup and file are drawn in `tests/independent_injector_captures.py`,
which shares nothing with the reader. The figures are those of `tests/bench/elements.py`: a capture is odd where a true
value lies 10 % or more from the others (5 to 10 % is not judged). Run from the checkout:

    python -m tests.bench.bench_injector [first seed] [captures]
"""

from __future__ import annotations

import sys

from pipelines.kinds.injector import KIND
from tests.bench.elements import Case, report, work
from tests.independent_injector_captures import capture

CHECKS = (
    "no_pulses", "no_sync", "one_injector", "too_short", "clipped", "ac_coupled", "reversed_leads",
    "coarse_resolution", "low_sample_rate", "swapped_channels", "family_doubtful", "scale_doubtful",
)  # fmt: skip


def read_case(seed: int, clean: bool, fault: str | None = None) -> Case:
    """Draw and read one capture."""
    wave, hookup, family, truth = capture(seed, fault=fault, clean=clean)
    return Case(seed, clean, wave, hookup, family, truth, KIND.read(wave, hookup, family))


def main() -> None:
    """Print the figures."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 600_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    report(KIND, work(read_case, first, count), work(read_case, first + 50_000, count // 2, "none"), CHECKS)


if __name__ == "__main__":
    main()
