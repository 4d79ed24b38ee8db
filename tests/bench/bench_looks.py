"""Comebacks over a year of looks: how often a shop where scoping changes nothing is told that it helps.

    python -m tests.bench.bench_looks [--shops 30] [--orders 1200] [--seed 8000]

One look a month from April on, by a plain 95 % interval and by the bound behind the headline; then how often a
true effect is seen within the year; then coverage where older cars are scoped more and come back more, with and
without the model year in the log.
"""

from __future__ import annotations

import argparse
from datetime import date

from models.jobs.comebacks import comebacks
from tests.simulated_shop import comeback_shop

MONTHS = [date(2025, month, 1) for month in range(4, 13)] + [date(2026, 1, 5)]


def looks(shops: int, orders: int, seed: int, effect: float) -> tuple[int, int]:
    """Shops told 'yes' at some look: plain, and as shown."""
    plain = shown = 0
    for at in range(shops):
        shop = comeback_shop(seed + at, effect=effect, orders=orders).shop
        found = [comebacks(shop, as_of=day).adjusted for day in MONTHS]
        plain += any(one.risk_difference.high is not None and one.risk_difference.high < 0 for one in found)
        shown += any(one.answer == "yes" for one in found)
    return plain, shown


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=30)
    parser.add_argument("--orders", type=int, default=1200)
    parser.add_argument("--seed", type=int, default=8000)
    chosen = parser.parse_args()
    for word, effect in (("no effect", 0.0), ("a log odds ratio of -0.9", -0.9)):
        plain, shown = looks(chosen.shops, chosen.orders, chosen.seed, effect)
        print(  # noqa: T201
            f"{word}: told 'yes' at some look of the year, plain interval {plain}, as shown {shown} of {chosen.shops}"
        )
    for years in (True, False):
        held = 0
        for at in range(chosen.shops):
            made = comeback_shop(
                chosen.seed + 500 + at, age_effect=1.2, model_years=years, orders=chosen.orders
            )
            gap = comebacks(made.shop, as_of=MONTHS[-1]).adjusted.risk_difference
            held += (gap.low or 0.0) <= made.truth <= (gap.high or 0.0)
        word = "known" if years else "unknown"
        print(f"age confounds, model year {word}: interval holds in {held} of {chosen.shops}")  # noqa: T201


if __name__ == "__main__":
    main()
