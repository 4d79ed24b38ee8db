"""How well ignition captures are read: random captures of the independent simulator, and the time against a parser.

Engines, coils and the troubles of scope, hookup and file are drawn in `tests/independent_ignition_captures.py`, which
shares nothing with the reader. An element's score is its distance from the median one over the spread of healthy ones
and the reading's own error. A capture is odd where a true value lies 10 % or more from the others (5 to 10 % is not
judged), and flagged above a limit set on other healthy captures (their 99 % quantile, seeds apart). Two elements have
no odd one. Run from the checkout:

    python -m tests.bench.bench_ignition [first seed] [captures]
"""

from __future__ import annotations

import sys

from pipelines.kinds.ignition_primary import KIND
from tests.bench.elements import Case, report, work
from tests.independent_ignition_captures import capture

CHECKS = (
    "no_strikes", "no_sync", "one_coil", "too_short", "clipped", "ac_coupled", "reversed_leads", "coarse_resolution",
    "low_sample_rate", "swapped_channels", "family_doubtful", "scale_doubtful",
)  # fmt: skip


def read_case(seed: int, clean: bool, fault: str | None = None) -> Case:
    """Draw and read one capture."""
    wave, hookup, family, truth = capture(seed, fault=fault, clean=clean)
    return Case(seed, clean, wave, hookup, family, truth, KIND.read(wave, hookup, family))


def main() -> None:
    """Print the figures."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 500_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    report(KIND, work(read_case, first, count), work(read_case, first + 50_000, count // 2, "none"), CHECKS)


if __name__ == "__main__":
    main()
