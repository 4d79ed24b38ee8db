"""Does the page's sentence on how slow the coaching list is agree with what the shop's own charts then do?

    python -m tests.bench.bench_power [--shops 20] [--seed 500]

Simulated shops with one, two or four judged calls a week: a technician's 'right calls' fall from 95 to 75 %.
A quiet year tells the page what it says (`power.delays`, at a chance of 25 %); then shops are drawn anew in which one
technician falls after a year (one at a time: what is usual is learnt from the others), the shop's own charts run
for two years more, and the weeks from the fall to the first alarm are counted.
"""

# ruff: noqa: T201
from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl

from models.people.coaching import CoachingList, needs_coaching
from models.people.power import Delay, delays
from models.people.skill import technicians
from models.records.topics import CALLS
from tests.simulated_shop import START, Trouble, skill_shop

FALL_DAY = 364
WORSE = 0.25


def quiet_and_fallen(
    seed: int, captures_a_week: float, *, people: int = 6, weeks: int = 156
) -> tuple[Delay, list[float], int]:
    """One shop: what the page says at the end of the quiet year, and the weeks each technician's chart took.

    Returns:
        the page's answer on calls; weeks from the fall to the alarm of those found within the two years after it;
        how many technicians fell.
    """
    quiet = skill_shop(
        seed, people=people, newcomer=False, weeks=52, captures_a_week=captures_a_week, right=0.95, between_sd=0.0,
        confirmed=(0.6, 0.6),
    )  # fmt: skip
    skills = technicians(quiet.shop, as_of=quiet.as_of)
    found = needs_coaching(skills, quiet.shop, as_of=quiet.as_of)
    calls = replace(found, chart_points=found.chart_points.filter(pl.col("topic") == CALLS))
    (said,) = delays(calls, skills, worse=WORSE)
    planted = tuple(Trouble(f"tech {chr(97 + i)}", CALLS, FALL_DAY, WORSE) for i in range(people))
    # one falls at a time: what is usual is learnt from the others, and all of them falling would move it
    taken: list[float] = []
    for number, trouble in enumerate(planted):
        fallen = skill_shop(
            seed + 1000 * (number + 1), (trouble,), people=people, newcomer=False, weeks=weeks,
            captures_a_week=captures_a_week, right=0.95, between_sd=0.0, confirmed=(0.6, 0.6),
        )  # fmt: skip
        later = needs_coaching(skills, fallen.shop, as_of=fallen.as_of)
        week = _first_alarm(later, trouble.technician)
        if week is not None:
            taken.append(week)
    return said, taken, people


def _first_alarm(found: CoachingList, who: str) -> float | None:
    """Weeks from the fall to the first alarm about calls that came after it."""
    fall = (START + timedelta(days=FALL_DAY)).date()
    days = [i.signal.at.date() for i in found.items if (i.technician, i.topic) == (who, CALLS)]
    days += [
        at
        for name, topic, at in found.past.select("technician", "topic", "at").iter_rows()
        if (name, topic) == (who, CALLS)
    ]
    after = [day for day in days if day >= fall]
    return (min(after) - fall).days / 7 if after else None


def main() -> None:
    """Print for one, two and four judged calls a week what the page says and what happened."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=20)
    parser.add_argument("--seed", type=int, default=500)
    asked = parser.parse_args()
    for captures_a_week in (2.7, 5.5, 11.0):
        said, taken, fell = [], [], 0
        for shop in range(asked.shops):
            answer, weeks, people = quiet_and_fallen(asked.seed + shop, captures_a_week)
            said.append(answer)
            taken += weeks
            fell += people
        never = fell - len(taken)
        ordered = np.array(sorted(taken) + [np.inf] * never)
        half, nine = (float(np.quantile(ordered, share, method="nearest")) for share in (0.5, 0.9))
        again = np.random.default_rng(1).choice(ordered, (2000, ordered.size))
        error = float(np.std(np.quantile(again, 0.5, axis=1, method="nearest")))
        page = float(np.median([one.weeks or np.nan for one in said]))
        late = float(np.median([one.weeks_nine_in_ten or np.nan for one in said]))
        print(
            f"{np.median([one.a_week for one in said]):.1f} judged calls a week: the page says {page:.1f} weeks (nine "
            f"in ten: {late:.0f}); the charts took {half:.1f} (standard error {error:.1f}; nine in ten: {nine:.0f}), "
            f"said by taken {page / half:.2f} and {late / nine:.2f}; {fell} technicians fell, {never} never found",
            flush=True,
        )


if __name__ == "__main__":
    main()
