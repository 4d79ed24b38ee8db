"""What waits for a person, in words: for the list of what waits, the digest and the mail."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboard import access, data
from dashboard.shared import skills, words
from models.people.coaching import CoachingItem
from pipelines.kinds import kind, kinds
from pipelines.reports.waiting import FILE, FRAMES, JOB, PERSON, SORTS, THRESHOLD, Item, WeekWaits, waiting

SORT_WORDS = {
    JOB: "Flagged jobs without an outcome", FILE: "Files and rows", THRESHOLD: "Thresholds to accept",
    PERSON: "People to sit down with",
}  # fmt: skip
_COUNTED = {
    JOB: ("flagged job without an outcome", "flagged jobs without an outcome"),
    FILE: ("file or row", "files or rows"),
    THRESHOLD: ("threshold to accept", "thresholds to accept"),
    PERSON: ("name on the coaching list", "names on the coaching list"),
}
WHERE = "on the page 'What waits for somebody'"


def listed(
    stamp: str, coaching: Sequence[CoachingItem], as_of: dt.date, *, stakes: bool = False
) -> tuple[Item, ...]:
    """Everything that waits on a day or was decided about, as far as the person who looks may see it.

    Args:
        coaching: the list of that day, as they may see it. stakes: also what a flagged job may cost.
    """
    looks = access.present()
    topics = tuple((item.technician, item.topic) for item in coaching)
    return _listed(stamp, as_of, looks.sight, topics, stakes, coaching)


@st.cache_resource(max_entries=6, show_spinner=False)
def _listed(
    stamp: str,
    as_of: dt.date,
    sight: str,  # noqa: ARG001  (the key for the person, whose rows these are)
    topics: tuple[tuple[str, str], ...],  # noqa: ARG001  (the key for the list)
    stakes: bool,
    _coaching: Sequence[CoachingItem],
) -> tuple[Item, ...]:
    flagged = data.frame(stamp, "flagged_scores")
    rows = {name: data.frame(stamp, name) for name in FRAMES if name != "scores"} | {"scores": flagged}
    healthy = _healthy(stamp, rows["captures"], flagged) if stakes else None
    decided = data.decided(stamp)
    cost = float(data.settings(stamp)["cost_miss"]) if stakes else 0.0
    return tuple(waiting(rows, data.outcomes(stamp), _coaching, decided, as_of, healthy, cost))


def _healthy(stamp: str, captures: pl.DataFrame, flagged: pl.DataFrame) -> dict[tuple[str, str], float]:
    """The last fit's probability that a flagged capture is healthy, by capture and measure."""
    found: dict[tuple[str, str], float] = {}
    tests = captures.join(flagged, on="capture_file", how="semi")["test"].drop_nulls().unique().sort()
    for known in (kinds()[test] for test in tests if test in kinds()):
        for measure in known.measures:
            rows = data.frame(stamp, "health", measure=measure.name, test=known.name)
            rows = rows.join(flagged, on="capture_file", how="semi").drop_nulls("healthy_probability")
            for name, chance in rows.select("capture_file", "healthy_probability").iter_rows():
                found[name, measure.name] = float(chance)
    return found


def name(item: Item) -> str:
    """What the thing is called."""
    if item.sort == PERSON:
        topic = item.facts["topic"]
        return f"{item.name}, {skills.TOPIC_WORDS.get(topic, topic)}"
    return item.name


def says(item: Item) -> str:
    """What is to be done, a sentence."""
    return {JOB: _flag, FILE: _file, THRESHOLD: _threshold, PERSON: _person}[item.sort](item.facts)


def given(item: Item) -> str:
    """` (given to Ann)`, or nothing."""
    return f" (given to {item.mark.assigned_to})" if item.mark.assigned_to else ""


def older(waits: WeekWaits) -> str:
    """What is older and still open, as one count; empty where there is none."""
    if not waits.older:
        return ""
    parts = [words.plural(waits.older[sort], *_COUNTED[sort]) for sort in SORTS if sort in waits.older]
    whom = f" ({words.number(waits.given)} of them given to a name)" if waits.given else ""
    return f"Older and still open: {_and(parts)}{whom}. They stand {WHERE}."


def _and(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def which(row: dict[str, Any]) -> tuple[str, float]:
    """The flagged elements of a flagged capture in words, and how far off the furthest is, in percent."""
    known = kind(row["test"])
    if known is None:
        return "", row["odd_pct"]
    named = words.elements(known, row["flagged_elements"] or [])
    if not row["flagged_elements"]:
        named = words.oddest(known, row["odd_element"], row["odd_position"], row["odd_companion"])
    return named, words.odd_bound(known.measure(row["measure"]), row["odd_pct"])


def _flag(row: dict[str, Any]) -> str:
    named, gap = which(row)
    called = row["call"] or ""
    known = kind(row["test"])
    if known is not None:
        called = known.wording.calls.get(called, called)
    said = f"; {row['technician'] or 'the technician'} said: {called}" if called else ""
    text = f"{named}: {words.number(gap, 1)} % off{said}. What was it?"
    return text[0].upper() + text[1:]


def _file(facts: dict[str, Any]) -> str:
    status = str(facts["status"])
    return f"{status[0].upper()}{status[1:]}: {facts['reason']}"


def _threshold(row: dict[str, Any]) -> str:
    proposed = f"{words.number(row['proposed_pct'], 1)} %"
    if row["source"] == "set":
        now = f"{row['set_by']} set {words.number(row['threshold_pct'], 1)} %"
        return f"{now}; the captures so far propose {proposed}."
    return f"Odd from {proposed} on is proposed and in force; nobody has accepted it yet."


def _person(facts: dict[str, Any]) -> str:
    return skills.item_evidence(facts["item"])
