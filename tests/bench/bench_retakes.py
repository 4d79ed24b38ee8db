"""How often an ordinary technician is named where bad captures are taken again: by pieces of work, and one by one.

    python -m tests.bench.bench_retakes [--shops 30] [--seed 7000]

Shops of eight ordinary technicians and a year. A bad capture is retaken in nine of ten cases and fails again
in seven of ten, up to three times. Named means on the list at any time of the year, topics about captures.
"""

from __future__ import annotations

import argparse

import polars as pl

from models.people.coaching import needs_coaching
from models.people.skill import technicians
from models.records.shop import Shop
from tests.simulated_shop import SkillShop, skill_shop

ABOUT_CAPTURES = ("usable captures", "hookup")


def named(made: SkillShop, shop: Shop) -> int:
    """Technicians named in the year for the topics about captures."""
    found = needs_coaching(technicians(shop, as_of=made.as_of), shop, as_of=made.as_of)
    alarms = {(i.technician, i.topic) for i in found.items} | set(
        found.past.select("technician", "topic").rows()
    )
    return len({name for name, topic in alarms if topic in ABOUT_CAPTURES})


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=30)
    parser.add_argument("--seed", type=int, default=7000)
    chosen = parser.parse_args()
    for word, retakes in (("no retakes", (0.0, 0.0)), ("retakes", (0.9, 0.7))):
        counts = {"by pieces of work": 0, "one by one": 0}
        for at in range(chosen.shops):
            made = skill_shop(chosen.seed + at, retakes=retakes)
            alone = made.shop.captures.with_columns(vehicle=pl.lit(None, pl.String))
            counts["by pieces of work"] += named(made, made.shop)
            counts["one by one"] += named(made, made.shop.with_frames(captures=alone))
        people = 7 * chosen.shops  # the newcomer has too few captures to be watched
        for how, count in counts.items():
            print(f"{word}, {how}: {count} of {people} technicians named in a year ({count / people:.1%})")  # noqa: T201


if __name__ == "__main__":
    main()
