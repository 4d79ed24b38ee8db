"""What waits for a person, as one list: narrowed, ordered, counted and put into words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from dashboard.shared import waits, words
from pipelines.reports.waiting import FILE, JOB, PERSON, SORTS, THRESHOLD, Item
from pipelines.warehouse.marks import Mark

Frames = Mapping[str, pl.DataFrame]

__all__ = ["FILE", "JOB", "PERSON", "THRESHOLD", "Item"]
ALL = "all"
OLDEST, COSTLIEST = "oldest", "costliest"
ORDERS = {OLDEST: "the oldest first", COSTLIEST: "the costliest first"}
ANYBODY, NOBODY = "anybody", "nobody yet"


def people(frames: Frames) -> list[str]:
    """Every technician on record, by name."""
    return sorted({*frames["technicians"]["technician"], *frames["captures"]["technician"].drop_nulls()})


def open_ones(items: Sequence[Item], *, closed: bool = False) -> list[Item]:
    """What still waits, or with `closed` what was done or dismissed."""
    return [item for item in items if item.open != closed]


def counted(items: Sequence[Item]) -> dict[str, str]:
    """The choices of what to show, with how many there are of each."""
    counts = {sort: sum(item.sort == sort for item in items) for sort in SORTS}
    return {ALL: f"All {len(items)}"} | {
        sort: f"{waits.SORT_WORDS[sort]} {count}" for sort, count in counts.items()
    }


def narrowed(items: Sequence[Item], sort: str, whom: str, order: str, as_of: dt.date) -> list[Item]:
    """The items of a sort, for a name, in the order asked for; what has no age or cost comes last."""
    found = [item for item in items if sort in (ALL, item.sort)]
    if whom == NOBODY:
        found = [item for item in found if not item.mark.assigned_to]
    elif whom != ANYBODY:
        found = [item for item in found if item.mark.assigned_to == whom]

    def age(item: Item) -> float:
        days = item.days(as_of)
        return -1.0 if days is None else float(days)

    def stake(item: Item) -> float:
        return -1.0 if item.stake is None else item.stake

    keys = (stake, age) if order == COSTLIEST else (age, stake)
    return sorted(found, key=lambda item: (*(-key(item) for key in keys), item.name))


def assigned(items: Sequence[Item]) -> list[str]:
    """Whom things are assigned to."""
    return sorted({item.mark.assigned_to for item in items if item.mark.assigned_to})


def table(items: Sequence[Item], as_of: dt.date, currency: str) -> pl.DataFrame:
    """The list as it is shown."""
    schema = {
        "waits_days": pl.Int64, "what": pl.String, "name": pl.String, "stake": pl.String, "for": pl.String,
        "says": pl.String, "decided": pl.String,
    }  # fmt: skip
    rows = [
        {
            "waits_days": item.days(as_of), "what": item.sort, "name": waits.name(item), 
            "stake": "" if item.stake is None else words.money(item.stake, currency),
            "for": item.mark.assigned_to or "", "says": waits.says(item), "decided": decision(item.mark),
        }
        for item in items
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


def decision(mark: Mark) -> str:
    """What somebody decided, in words; empty where nobody has."""
    if mark.state == "open":
        return ""
    why = f": {mark.reason}" if mark.reason else ""
    return f"{mark.state} by {mark.entered_by}, {words.day(mark.entered_at)}{why}"


def headline(items: Sequence[Item], as_of: dt.date, currency: str) -> str:
    """How much waits, how long, and what it may cost."""
    if not items:
        return "Nothing waits for anybody."
    jobs = [item for item in items if item.sort == JOB]
    said = [f"{words.plural(len(items), 'thing')} wait" + ("s" if len(items) == 1 else "")]
    ages = [days for item in items if (days := item.days(as_of)) is not None]
    if ages:
        said.append(f"the oldest for {words.plural(max(ages), 'day')}")
    if jobs:
        stake = sum(item.stake or 0.0 for item in jobs)
        said.append(
            f"{words.plural(len(jobs), 'flagged job')} without an outcome may cost about "
            f"{words.money(stake, currency)} if the faults are missed"
        )
    return "; ".join(said) + "."


def elements_of_capture(frames: Frames, row: Mapping[str, Any]) -> int:
    """How many alike elements the thing on a capture has; 1 where nobody knows."""
    own = frames["comparison_groups"].filter(
        (pl.col("test") == row["test"]) & (pl.col("group") == row["group"])
    )
    return max(1, int(own["elements"][0])) if own.height and own["elements"][0] is not None else 1


def capture_row(frames: Frames, capture_file: str) -> dict[str, Any]:
    """A capture's row."""
    return frames["captures"].filter(pl.col("capture_file") == capture_file).row(0, named=True)
