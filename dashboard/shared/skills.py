"""A technician's figures in words, for the trainer's page and the printed sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.shared import captures, words
from models.people.coaching import CoachingItem
from models.people.skill import TechnicianSkill
from models.stats.results import Estimate
from pipelines.kinds import checks

TOPIC_WORDS: dict[str, str] = {
    "usable captures": "getting captures that can be read",
    "hookup": "hooking up the way the shop does",
    "calls": "calling what the capture shows",
    "scope use": "reaching for the scope on jobs that suit it",
}


FUNNELS: dict[str, str] = {
    "usable": "usable captures",
    "hookup": "hookup as the shop does it",
    "calls": "confirmed calls that were right",
    "adoption": "eligible jobs scoped",
}
"""What the funnels can show, by the models' names (`models.people.counts.FUNNELS`, and why not more)."""
CONFIRMED_ALONE = (
    "Only calls with an outcome are counted here, and which calls get one hangs on the call: an odd one is followed up "
    "more often than an even one. The figure corrected for that is `right calls` in the table below."
)
BEYOND_CHANCE = "Agreement beyond chance (1 = full, 0 = chance)"


def check_words(name: str) -> str:
    """A setup check as a noun phrase, as the kinds declare it."""
    known = checks().get(name)
    return known.short if known is not None else name.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a technician's figures: what, the sentence with n and interval, the raw estimate."""

    what: str
    sentence: str
    estimate: Estimate


def lines(skill: TechnicianSkill) -> tuple[Line, ...]:
    """A technician's figures in a fixed order, never sorted by value."""
    return (
        Line("Usable captures", words.share(skill.usable), skill.usable),
        Line("Hookup as the shop does it", words.share(skill.hookup), skill.hookup),
        Line("Right calls", words.share(skill.corrected.right), skill.corrected.right),
        Line("Faulty ones found", words.share(skill.corrected.sensitivity), skill.corrected.sensitivity),
        Line("Sound ones cleared", words.share(skill.corrected.specificity), skill.corrected.specificity),
        Line(
            BEYOND_CHANCE,
            words.figure(skill.kappa, "", digits=2),
            skill.kappa,
        ),
        Line("Calls left unsure", words.share(skill.unsure), skill.unsure),
        Line("Calls that an outcome has judged", words.share(skill.confirmed), skill.confirmed),
        Line("Jobs scoped, of the shop's mix", words.share(skill.adoption), skill.adoption),
        Line(
            "Repeats on one vehicle scatter by",
            words.figure(skill.repeatability, " %", digits=1),
            skill.repeatability,
        ),
        Line(
            "Usable captures, change a month",
            words.points(skill.usable_per_month),
            skill.usable_per_month,
        ),
        Line(
            "Right calls among confirmed ones, change a month",
            words.points(skill.calls_per_month),
            skill.calls_per_month,
        ),
    )


def drills_sentence(skill: TechnicianSkill) -> str:
    """Drills asked for and done, in words."""
    drills = skill.drills
    if not drills.target and not drills.extra:
        return "No drill was asked for in a week that is over."
    text = f"{drills.done} of {words.plural(drills.target, 'drill capture')} asked for were done"
    return f"{text}, and {drills.extra} more on top." if drills.extra else f"{text}."


def item_evidence(item: CoachingItem) -> str:
    """The evidence with setup checks in words."""
    text = item.evidence
    if item.detail:
        text = text.replace(item.detail, f"'{check_words(item.detail)}'")
    return text


def curve_rows(curves: pl.DataFrame) -> pl.DataFrame:
    """A technician's weekly share and its trend in percent: week, monday (as text), share_pct, n, fitted, low, high."""
    return curves.select(
        "week",
        pl.col("week").cast(pl.String).alias("monday"),
        (100 * pl.col("share")).alias("share_pct"),
        pl.col("trials").alias("n"),
        (100 * pl.col("fitted")).alias("fitted"),
        (100 * pl.col("low")).alias("low"),
        (100 * pl.col("high")).alias("high"),
    )


def capture_words(frames: Mapping[str, pl.DataFrame], capture_file: str) -> dict[str, Any] | None:
    """What the sheet says of a capture to sit down over: file, day, why."""
    own = pl.col("capture_file") == capture_file
    found = frames["captures"].filter(own)
    if found.is_empty():
        return None
    row = found.row(0, named=True)
    details = frames["checks"].filter(own & (pl.col("severity") != "note"))["detail"].to_list()
    why = details[0] if details else (row["reason"] or captures.called(row))
    return {"capture_file": capture_file, "day": words.day(row["captured_at"]), "why": why}
