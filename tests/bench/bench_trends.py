"""How often the interval of a person's change a month holds the truth, by history and pace.

    python -m tests.bench.bench_trends [--people 2000]

Histories: flat, linear, a step half way, and a learning curve that levels off. 93 to 97 of 100 is the goal.
"""

from __future__ import annotations

import argparse

from tests.test_trends import HISTORIES, coverage


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=2000)
    chosen = parser.parse_args()
    for pace in (1.0, 2.0, 5.0):
        shares = {kind: coverage(kind, chosen.people, pace) for kind in HISTORIES}
        print(f"{pace:g} pieces of work a week: " + ", ".join(f"{k} {v:.1%}" for k, v in shares.items()))  # noqa: T201


if __name__ == "__main__":
    main()
