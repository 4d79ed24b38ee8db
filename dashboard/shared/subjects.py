"""The captures and scores of what a page is about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import polars as pl

from dashboard import data
from dashboard.shared.filters import Subject

Frames = Mapping[str, pl.DataFrame]


def captures_of(frames: Frames, about: Subject, group: str | None, as_of: dt.date) -> pl.DataFrame:
    """The test's captures up to a day, of one group where one is named, oldest first."""
    rows = frames["captures"].filter(
        (pl.col("test") == about.test) & (pl.col("captured_at").dt.date() <= as_of)
    )
    if group is not None:
        rows = rows.filter(pl.col("group") == group)
    return rows.sort("captured_at")


def scores_of(frames: Frames, about: Subject, rows: pl.DataFrame) -> pl.DataFrame:
    """The scores of some captures by the page's measure."""
    return data.only(frames, rows)["scores"].filter(pl.col("measure") == about.measure.name)
