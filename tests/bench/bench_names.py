"""Whom do the digest and the report name where nobody differs, and how often does the list say it would?

    python -m tests.bench.bench_names [--shops 20] [--seed 7000]

Shops without trouble (ordinary people, bad captures retaken on the same car and failing again) go through a year;
every fourth Sunday the lines of the digest and the text of the report are made as they are for a mail, and the names in
'People to sit down with' and 'Sit down with' are counted: each person and alarm once. Beside it stands what the
coaching list states of itself. A second run with planted trouble shows that the counting can find a name.
"""

# ruff: noqa: T201
from __future__ import annotations

import argparse
import datetime as dt

from dashboard.documents.digest import lists
from models.people.coaching import CoachingList, needs_coaching
from models.people.skill import TechnicianSkill, technicians
from pipelines.reports.report import _technician
from pipelines.reports.text import _technicians
from pipelines.reports.waiting import WeekWaits, person_items
from tests.simulated_shop import START, SkillShop, Trouble, skill_shop

TITLE = "People to sit down with"


def named_in_digest(found: CoachingList) -> list[str]:
    """Names in the digest's list of people, were everything on the coaching list new in that week."""
    waits = WeekWaits(new=tuple(person_items(found.items, {})), closed=0, older={}, given=0)
    lines = dict(lists(waits)).get(TITLE, [])
    return [line.split(",")[0] for line in lines if not line.startswith("and ")]


def named_in_report(skills: tuple[TechnicianSkill, ...], found: CoachingList) -> list[str]:
    """Names the report's text says to sit down with."""
    text = "\n".join(_technicians([_technician(skill, found) for skill in skills]))
    return [part.split(":")[0].strip() for part in text.split("Sit down with ")[1:]]


def a_year(made: SkillShop, every_weeks: int = 4) -> tuple[set[str], set[str], float]:
    """One shop's year.

    Returns:
        names with the alarm's day as the digests told them; the same of the reports; what the list states of itself.
    """
    skills = technicians(made.shop, as_of=made.as_of)
    digest: set[str] = set()
    report: set[str] = set()
    stated = 0.0
    for week in range(every_weeks, 53, every_weeks):
        sunday = START.date() + dt.timedelta(days=7 * week - 1)
        found = needs_coaching(skills, made.shop, as_of=min(sunday, made.as_of))
        alarms = {
            (item.technician, item.topic): f"{item.technician} {item.topic} {item.since}"
            for item in found.items
        }
        for into, names in ((digest, named_in_digest(found)), (report, named_in_report(skills, found))):
            into |= {key for (who, _), key in alarms.items() if who in names}
            into |= {f"{who} without an alarm" for who in names if who not in {name for name, _ in alarms}}
        stated = found.false_alarm_per_year
    return digest, report, stated


def main() -> None:
    """Print names told and names stated."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=20)
    parser.add_argument("--seed", type=int, default=7000)
    asked = parser.parse_args()
    for title, planted in (("nobody differs", ()), ("one differs", (Trouble("tech b", "hookup", 140, 0.5),))):
        digests = reports = astray = 0
        stated = 0.0
        for shop in range(asked.shops):
            made = skill_shop(asked.seed + shop, planted, newcomer=False, between_sd=0.1, retakes=(0.7, 0.6))
            digest, report, rate = a_year(made)
            digests, reports, stated = digests + len(digest), reports + len(report), stated + rate
            astray += sum("without an alarm" in key for key in digest | report)
        people = 8 * asked.shops
        print(
            f"{title}: {people} technician-years, named in digests {digests} ({digests / people:.1%}), in reports "
            f"{reports} ({reports / people:.1%}), the list states at most {stated:.1f} ({stated / people:.1%}); "
            f"named without an alarm: {astray}",
            flush=True,
        )


if __name__ == "__main__":
    main()
