"""The technicians of the invented shop, what they are planted to do, and how they were coached.

All of them are made up. A probability that changes stands as steps `(from date, value)`, the last step that has
begun counts; between `ramp` steps it moves in a straight line.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

Steps = tuple[tuple[date, float], ...]

FIRST_DAY = date(2025, 11, 3)
LAST_DAY = date(2026, 10, 30)

USUAL_SLIPS: dict[str, float] = {
    "reversed_leads": 0.014,
    "swapped_channels": 0.015,
    "ac_coupled": 0.012,
    "no_attenuator": 0.015,
    "coarse_resolution": 0.010,
    "low_sample_rate": 0.012,
    "clipped": 0.008,
    "no_sync": 0.018,
    "too_short": 0.020,
    "engine_started": 0.020,
    "wrong_gain": 0.006,
}
"""Probability of each mistake in one capture of an average technician; at most one happens."""


def at(steps: Steps, on: date, *, ramp: bool = False) -> float:
    """Value of `steps` at a date; with `ramp` straight lines join the steps."""
    value = steps[0][1]
    for (begin, low), (end, high) in zip(steps, (*steps[1:], (date.max, steps[-1][1])), strict=True):
        if on < begin:
            break
        share = (on - begin).days / max((end - begin).days, 1) if ramp and end != date.max else 0.0
        value = low + (high - low) * share
    return value


@dataclass(frozen=True, slots=True)
class Person:
    """One technician.

    Attributes:
        role: what is planted, in a word.
        share: of the shop's repair orders while here.
        adoption: probability of scoping an eligible job of middling difficulty.
        slip_factor: multiplies `USUAL_SLIPS`.
        own_slips: mistakes with probabilities of their own, over time; they replace the usual ones.
        learns: whether `own_slips` move in straight lines (somebody who learns) instead of steps.
        sensitivity: probability of calling a plainly odd engine odd.
        false_odd: probability of calling an even one odd.
        names_right: probability of naming the right element when calling it odd.
        off_house: probability of another hookup than the shop's standing one, logged as it was.
        scope: index of the scope mostly used.
        capture_cap: most captures in the year; None = no cap.
    """

    name: str
    role: str
    started_on: date
    share: float
    adoption: Steps
    slip_factor: float = 1.0
    own_slips: dict[str, Steps] = field(default_factory=dict)
    learns: bool = False
    sensitivity: float = 0.9
    false_odd: float = 0.07
    names_right: float = 0.92
    off_house: float = 0.03
    scope: int = 0
    capture_cap: int | None = None

    def slips_on(self, on: date) -> dict[str, float]:
        """Probability of each mistake at a date."""
        usual = {kind: self.slip_factor * chance for kind, chance in USUAL_SLIPS.items()}
        own = {kind: at(steps, on, ramp=self.learns) for kind, steps in self.own_slips.items()}
        return usual | own


HOOKUP_COACHED = date(2026, 4, 15)
CALLS_COACHED = date(2026, 3, 11)
USABLE_COACHED = date(2026, 2, 18)

PEOPLE: tuple[Person, ...] = (
    Person("anselm", "steady", date(2019, 5, 6), 0.15, ((FIRST_DAY, 0.34),), scope=0),
    Person(
        "bryony",
        "keeps the channel AC coupled until coached",
        date(2021, 9, 1),
        0.15,
        ((FIRST_DAY, 0.42),),
        own_slips={"ac_coupled": ((FIRST_DAY, 0.45), (HOOKUP_COACHED, 0.03))},
        scope=1,
    ),
    Person(
        "corin",
        "calls poorly, before and after coaching",
        date(2018, 2, 12),
        0.15,
        ((FIRST_DAY, 0.62),),
        sensitivity=0.5,
        false_odd=0.42,
        names_right=0.65,
        scope=0,
    ),
    Person("delphine", "hardly scopes", date(2014, 1, 7), 0.15, ((FIRST_DAY, 0.04),), scope=2),
    Person(
        "edda",
        "newcomer",
        date(2026, 10, 5),
        0.10,
        ((FIRST_DAY, 0.2),),
        slip_factor=2.0,
        scope=0,
        capture_cap=3,
    ),
    Person(
        "farlow",
        "strong",
        date(2016, 8, 1),
        0.16,
        ((FIRST_DAY, 0.66),),
        slip_factor=0.15,
        sensitivity=0.98,
        false_odd=0.02,
        names_right=0.99,
        off_house=0.12,
        scope=2,
    ),
    Person(
        "greta",
        "beginner who learns",
        date(2026, 1, 12),
        0.14,
        ((FIRST_DAY, 0.3), (date(2026, 4, 1), 0.45)),
        own_slips={
            "too_short": ((date(2026, 1, 12), 0.40), (date(2026, 6, 30), 0.03)),
            "no_sync": ((date(2026, 1, 12), 0.15), (date(2026, 6, 30), 0.02)),
        },
        learns=True,
        sensitivity=0.82,
        false_odd=0.10,
        scope=1,
    ),
    Person(
        "hollis",
        "began to scope in March",
        date(2012, 3, 19),
        0.15,
        ((FIRST_DAY, 0.02), (date(2026, 3, 2), 0.5)),
        off_house=0.2,
        scope=2,
    ),
)

COACHING: tuple[tuple[str, str, date, str], ...] = (
    ("session-1", "greta", USABLE_COACHED, "usable captures"),
    ("session-2", "corin", CALLS_COACHED, "calls"),
    ("session-3", "bryony", HOOKUP_COACHED, "hookup"),
)
"""Session, technician, day, topic."""

DRILL_WEEKS: tuple[tuple[str, date, int, int, float], ...] = (
    ("bryony", date(2025, 11, 3), 7, 5, 0.80),
    ("corin", date(2025, 11, 3), 7, 5, 0.62),
    ("greta", date(2026, 1, 12), 12, 5, 0.88),
    ("hollis", date(2026, 3, 2), 6, 5, 0.85),
    ("edda", date(2026, 10, 12), 2, 5, 0.25),
    ("", date(2026, 1, 5), 8, 2, 0.50),
)
"""Technician (empty = everybody), first Monday, weeks, captures a week asked for, share that is done. Beginners have
the habit of five cars a week; everybody is asked for two in a week, every five weeks."""
EVERYBODY_EVERY_WEEKS = 5
