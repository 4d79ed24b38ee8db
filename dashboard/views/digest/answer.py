"""One week for reading on Monday: what changed, and what needs a decision."""

from __future__ import annotations

import datetime as dt

import polars as pl
import streamlit as st

from dashboard.documents.digest import (
    digest_name,
    flag_row,
    lists,
    practice_sentence,
    settled,
    share_text,
)
from dashboard.shared import waits, words
from pipelines.reports.waiting import JOB, WeekWaits, of_week
from pipelines.reports.week import BEFORE_WEEKS, Week, last_over

__all__ = ["lists"]

WEEK = dt.timedelta(days=7)
NARROW = {
    name: st.column_config.TextColumn(width=pixels)
    for name, pixels in (("what", 125), ("this week", 100), (f"the {BEFORE_WEEKS} weeks before", 115))
}
"""Widths of `changes` with which a phone shows both sides."""


def default_week(newest: dt.date) -> dt.date:
    """The Monday of the last week that was over on the newest day on record."""
    return last_over(newest)


def week_before(monday: dt.date) -> dt.date:
    """The Monday before."""
    return monday - WEEK


def week_after(monday: dt.date) -> dt.date:
    """The Monday after."""
    return monday + WEEK


def waits_of(stamp: str, week: Week) -> WeekWaits:
    """What of the week waits for somebody today, and how much older is still open, as this person may see it."""
    items = waits.listed(stamp, week.coaching, week.sunday)
    return of_week(items, week.monday, newest=week.newest, new_alarms=week.new)


def flags(found: WeekWaits) -> pl.DataFrame:
    """The week's flagged jobs without an outcome, ready to show."""
    rows = [flag_row(item) for item in found.of(JOB)]
    schema = dict.fromkeys(
        (
            "job",
            "which",
            "how far off",
            "odd from",
            "technician",
            "given to",
            "test",
            "group",
            "vehicle",
            "capture",
        ),
        pl.String,
    )
    return pl.DataFrame(
        [
            (
                row["repair_order"],
                row["named"],
                f"{words.number(row['gap_pct'], 1)} % {row['stands']}",
                f"{words.number(row['threshold_pct'], 1)} %",
                row["technician"],
                row["given"].strip(" ()").removeprefix("given to "),
                row["title"],
                row["group"],
                row["vehicle"],
                row["capture_file"],
            )
            for row in rows
        ],
        schema=schema,
        orient="row",
    )


def shown(found: pl.DataFrame) -> list[str]:
    """The columns of `flags` a page has room for: the capture opens by its row, an empty column says nothing."""
    return [name for name in found.columns if name != "capture" and (found[name] != "").any()]


def flags_sentence(week: Week, found: WeekWaits) -> str:
    """How many of the week's flagged jobs wait for an outcome, and how many are settled."""
    count, done = len(found.of(JOB)), settled(week)
    practice = f" {said}" if (said := practice_sentence(week)) else ""
    if not count and not done:
        return f"No job of this week has a flagged capture.{practice}"
    return (
        f"{words.plural(count, 'flagged job')} of this week {'waits' if count == 1 else 'wait'} for an outcome; "
        f"{words.number(done)} settled.{practice}"
    )


def closed_sentence(found: WeekWaits) -> str:
    """How many things of the week were done or dismissed; empty where none was."""
    if not found.closed:
        return ""
    was = "was" if found.closed == 1 else "were"
    return f"{words.plural(found.closed, 'thing')} of this week {was} done or dismissed."


def drill_line(week: Week) -> str:
    """Whose drills of the week fell short."""
    return "; ".join(f"{name} {done} of {target}" for name, done, target in week.drills_short)


def changes(week: Week) -> pl.DataFrame:
    """The week beside the weeks before it, ready to show."""
    return pl.DataFrame(
        [(one.what, share_text(one.now), share_text(one.before)) for one in week.changes],
        schema=dict.fromkeys(("what", "this week", f"the {BEFORE_WEEKS} weeks before"), pl.String),
        orient="row",
    )


def file_name(week: Week) -> str:
    """What the digest's file is called."""
    return digest_name(week)
