"""Coaching sessions that did nothing, held after a bad month: how often they are called a success.

    python -m tests.bench.bench_sessions [--shops 40] [--seed 300]

People are coached when a month had twice the shop's share of trouble; nothing changes afterwards. 2.5 of 100
would be right. The second run has people who truly halve their odds of trouble at the session.
"""

from __future__ import annotations

import argparse
from datetime import timedelta

import polars as pl

from models.people.before_after import before_after
from models.people.watch import observations
from models.records import schemas
from tests.simulated_shop import START, TEST, Trouble, frame_of, skill_shop


def run(shops: int, seed: int, *, between: float, topic: str, pace: float) -> None:
    """Count and print."""
    counts = {"sessions": 0, "plain": 0, "honest": 0, "plain worse": 0, "honest worse": 0}
    for at in range(shops):
        made = skill_shop(seed + at, between_sd=between, newcomer=False, captures_a_week=pace, usable=0.85)
        end = made.shop.captures["captured_at"].max()
        work = observations(made.shop, end).filter(pl.col("topic") == topic)  # type: ignore[arg-type]
        work = work.with_columns(day=pl.col("at").dt.date())
        usual, sessions = work["trouble"].mean(), []
        for name in work["technician"].unique().sort():
            for day in range(120, 250, 7):
                last = START.date() + timedelta(days=day)
                month = work.filter(
                    (pl.col("technician") == name) & pl.col("day").is_between(last - timedelta(days=27), last)
                )
                if month.height >= 3 and month["trouble"].mean() >= 2 * usual:  # type: ignore[operator]
                    sessions.append(
                        {"session": name, "technician": name, "held_on": last, "topic": topic, "test": TEST}
                    )
                    break
        shop = made.shop.with_frames(coaching=frame_of(schemas.COACHING, sessions))
        for row in before_after(shop, as_of=made.as_of):
            plain, honest = row.change, row.change_allowing
            if plain.high is None or plain.low is None or honest.high is None or honest.low is None:
                continue
            counts["sessions"] += 1
            counts["plain"] += plain.high < 0
            counts["honest"] += honest.high < 0
            counts["plain worse"] += plain.low > 0
            counts["honest worse"] += honest.low > 0
    n = counts["sessions"]
    print(  # noqa: T201
        f"{topic}, people differ by {between}, {pace} captures a week: {n} sessions that did nothing; 'clearly less' "
        f"plain {counts['plain'] / n:.1%}, shown {counts['honest'] / n:.1%}; 'clearly more' plain "
        f"{counts['plain worse'] / n:.1%}, shown {counts['honest worse'] / n:.1%}"
    )


def gains(shops: int, seed: int) -> None:
    """How often a true gain is seen: trouble in 45 of 100 hookups, none beyond the usual after the session."""
    seen = {"plain": 0, "honest": 0}
    for at in range(shops):
        made = skill_shop(
            seed + at, (Trouble("tech b", "hookup", 40, 0.45, ends_day=200),), newcomer=False,
            coaching=(("tech b", "hookup", 199),),
        )  # fmt: skip
        (row,) = before_after(made.shop, as_of=made.as_of)
        seen["plain"] += (row.change.high or 0.0) < 0
        seen["honest"] += (row.change_allowing.high or 0.0) < 0
    print(f"a true gain is seen in {seen['plain']} of {shops} plain, {seen['honest']} as shown")  # noqa: T201


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=40)
    parser.add_argument("--seed", type=int, default=300)
    chosen = parser.parse_args()
    for between, topic, pace in (
        (0.2, "usable captures", 3.0),
        (0.6, "usable captures", 3.0),
        (0.6, "hookup", 4.0),
    ):
        run(chosen.shops, chosen.seed, between=between, topic=topic, pace=pace)
    gains(chosen.shops, chosen.seed)


if __name__ == "__main__":
    main()
