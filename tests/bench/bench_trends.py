"""How often the interval of a person's change a month holds the truth, by history and pace.

    python -m tests.bench.bench_trends [--people 2500] [--seed 7]

Histories: flat, linear, a step half way, and a learning curve that levels off, over a year of 25 to 250 pieces of
work; 93 to 97 of 100 is the goal. 2500 people leave a standard error of 0.4 points. The last column is how wide
the interval is, in points of a hundred a month.
"""

from __future__ import annotations

import argparse

from tests.test_trends import HISTORIES, coverage


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=2500)
    parser.add_argument("--seed", type=int, default=7)
    chosen = parser.parse_args()
    for pace in (0.5, 0.75, 1.0, 2.0, 5.0):
        found = {kind: coverage(kind, chosen.people, pace, seed=chosen.seed) for kind in HISTORIES}
        said = ", ".join(f"{kind} {held:.1%} ({100 * width:.1f})" for kind, (held, width) in found.items())
        print(f"{52 * pace:.0f} pieces of work in a year: {said}", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
