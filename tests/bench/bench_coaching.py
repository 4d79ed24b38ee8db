"""Recovery of planted technicians over simulated shops: found, falsely named, and how many weeks it took.

    python tests/bench/bench_coaching.py [--shops 50] [--seed 3000]

Each shop has eight technicians and a year: one whose hookups go wrong from day 140, one whose captures become
unusable from day 140, one whose calls are poor all year, one who hardly scopes all year, one newcomer with
three captures and three ordinary ones. A second run with nobody planted shows the list's own error.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from models.people.coaching import CoachingList, needs_coaching
from models.people.skill import technicians
from tests.simulated_shop import START, SkillShop, Trouble, skill_shop

PLANTED = (
    Trouble("tech b", "hookup", 140, 0.45),
    Trouble("tech c", "calls", 0, 0.45),
    Trouble("tech d", "scope use", 0, 0.92),
    Trouble("tech e", "usable captures", 140, 0.45),
)


@dataclass
class Tally:
    """Counts over the shops."""

    shops: int = 0
    standing: dict[str, int] = field(default_factory=dict)
    ever: dict[str, int] = field(default_factory=dict)
    weeks: dict[str, list[float]] = field(default_factory=dict)
    false: int = 0
    stated: float = 0.0

    def add(self, shop: SkillShop, found: CoachingList) -> None:
        """Count one shop's list, and what was on it during the year."""
        self.shops += 1
        self.stated += found.false_alarm_per_year
        truth = {(t.technician, t.topic): t for t in shop.trouble}
        # captures that cannot be used fail a hookup check too: that second line is no false name
        excused = {(t.technician, "hookup") for t in shop.trouble if t.topic == "usable captures"}
        for item in found.items:
            if (item.technician, item.topic) in truth:
                self.standing[item.topic] = self.standing.get(item.topic, 0) + 1
        seen: set[tuple[str, str]] = set()
        for who, topic, day in sorted(_alarms(found), key=lambda alarm: alarm[2]):
            planted = truth.get((who, topic))
            if planted is None or day < START.date() + timedelta(days=planted.begins_day):
                self.false += (who, topic) not in excused
            elif (who, topic) not in seen:
                seen.add((who, topic))
                self.ever[topic] = self.ever.get(topic, 0) + 1
                began = START.date() + timedelta(days=planted.begins_day)
                self.weeks.setdefault(topic, []).append((day - began).days / 7)


def _alarms(found: CoachingList) -> Iterable[tuple[str, str, date]]:
    yield from ((i.technician, i.topic, i.signal.at.date()) for i in found.items)
    yield from found.past.select("technician", "topic", "at").iter_rows()


def run(shops: int, seed: int, planted: tuple[Trouble, ...]) -> Tally:
    """Simulate the shops and count."""
    tally = Tally()
    for i in range(shops):
        shop = skill_shop(seed + i, planted)
        skills = technicians(shop.shop, as_of=shop.as_of)
        tally.add(shop, needs_coaching(skills, shop.shop, as_of=shop.as_of))
    return tally


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=50)
    parser.add_argument("--seed", type=int, default=3000)
    chosen = parser.parse_args()
    begin = time.perf_counter()
    with_trouble = run(chosen.shops, chosen.seed, PLANTED)
    for planted in PLANTED:
        weeks = with_trouble.weeks.get(planted.topic, [])
        middle = f"{np.median(weeks):.0f} (nine in ten by {np.quantile(weeks, 0.9):.0f})" if weeks else "-"
        print(  # noqa: T201
            f"{planted.topic}: found {with_trouble.ever.get(planted.topic, 0)} of {chosen.shops}, on the list at "
            f"the end {with_trouble.standing.get(planted.topic, 0)}, weeks it took: {middle}"
        )
    print(f"falsely named: {with_trouble.false} times in {chosen.shops} shop-years")  # noqa: T201
    ordinary = run(chosen.shops, chosen.seed + 10_000, ())
    print(  # noqa: T201
        f"nobody planted: falsely named {ordinary.false} times in {chosen.shops} shop-years "
        f"(stated at most {ordinary.stated:.1f})"
    )
    print(f"{time.perf_counter() - begin:.0f} s")  # noqa: T201


if __name__ == "__main__":
    main()
