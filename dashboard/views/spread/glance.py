"""Beside the normal spread of a test: who captures it, and which of its captures are odd."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import polars as pl

from dashboard.shared import subjects, words
from dashboard.shared.filters import Subject

Frames = Mapping[str, pl.DataFrame]
RECENT = dt.timedelta(weeks=8)
MOST_ODD = 200


def who(frames: Frames, about: Subject, group: str | None, as_of: dt.date) -> pl.DataFrame:
    """Who captures the test, in order of name: technician, captures, of the last 8 weeks, newest."""
    rows = subjects.captures_of(frames, about, group, as_of).filter(
        pl.col("status").is_in(["read", "unusable"])
    )
    day = pl.col("captured_at").dt.date()
    return (
        rows.with_columns(pl.col("technician").fill_null("nobody named"))
        .group_by("technician")
        .agg(
            pl.len().cast(pl.Int64).alias("captures"),
            (day > as_of - RECENT).sum().cast(pl.Int64).alias("in 8 weeks"),
            day.max().alias("newest"),
        )
        .sort("technician")
    )


def openable(frames: Frames, name: str) -> bool:
    """Whether that name in `who` has a list of captures of its own."""
    return name in frames["captures"]["technician"].drop_nulls()


def odd(frames: Frames, about: Subject, group: str | None, as_of: dt.date) -> pl.DataFrame:
    """The captures the limit in force flags, the newest first: which, gap_pct, group, day, technician, capture_file."""
    flagged = frames["flagged_scores"].filter(pl.col("measure") == about.measure.name)
    rows = (
        subjects.captures_of(frames, about, group, as_of)
        .join(flagged, on="capture_file", how="inner")
        .sort("captured_at", "capture_file", descending=[True, False])
        .head(MOST_ODD)
    )
    return pl.DataFrame(
        [
            {
                "which": words.oddest(
                    about.kind, row["odd_element"], row["odd_position"], row["odd_companion"]
                ),
                "gap_pct": words.odd_bound(about.measure, row["odd_pct"]),
                "group": row["group"],
                "day": row["captured_at"].date(),
                "technician": row["technician"],
                "capture_file": row["capture_file"],
            }
            for row in rows.iter_rows(named=True)
        ],
        schema={
            "which": pl.String, "gap_pct": pl.Float64, "group": pl.String, "day": pl.Date, "technician": pl.String,
            "capture_file": pl.String,
        },
    )  # fmt: skip


def sentence(people: pl.DataFrame, found: pl.DataFrame, about: Subject) -> str:
    """Who and how many, before the tables."""
    total = int(people["captures"].sum())
    if not total:
        return f"Nobody has captured {about.kind.title.lower()} yet."
    odd_ones = f"{MOST_ODD} or more" if found.height == MOST_ODD else words.number(found.height)
    return (
        f"{words.plural(total, 'capture')} by {words.plural(people.height, 'name')}; {odd_ones} of them are odd by the "
        f"limits in force ({about.measure.title.lower()})."
    )
