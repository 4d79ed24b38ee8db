"""Which capture the page shows: the list to choose from, and the choice kept."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data
from dashboard.shared import captures, words
from pipelines.kinds import kind

Frames = Mapping[str, pl.DataFrame]
MOST_LISTED = 1000
UNKNOWN = "too little to say"


def chooser(rows: pl.DataFrame, frames: Frames, filters: Any) -> pl.DataFrame:
    """Captures that the filters let through, the newest `MOST_LISTED` of them, with what a person chooses by.

    Args:
        rows: of the `captures` frame.
    """
    frame = rows
    for column, value in (
        ("group", filters.group),
        ("technician", filters.technician),
        ("test", filters.test),
    ):
        if value is not None:
            frame = frame.filter(pl.col(column) == value)
    # a capture without a row in the log has no time and stays choosable
    frame = frame.filter(pl.col("captured_at").is_null() | (pl.col("captured_at").dt.date() <= filters.as_of))
    titles = {name: known.title for name in frame["test"].unique() if (known := kind(name or ""))}
    newest = frame.sort("captured_at", descending=True, nulls_last=True).head(MOST_LISTED)
    judged = (
        data.only(frames, newest)["scores"]
        .group_by("capture_file")
        .agg(odd_pct=pl.col("odd_pct").filter(pl.col("rank") == 0).first(), flagged=pl.col("flagged").any())
    )
    return newest.join(judged, on="capture_file", how="left", maintain_order="left").select(
        "capture_file",
        "captured_at",
        pl.col("test").replace(titles),
        "group",
        "technician",
        "vehicle",
        "repair_order",
        "purpose",
        "status",
        captures.verdict_word().replace(UNKNOWN, "–").alias("verdict"),
        "odd_pct",
        "call",
    )


def chooser_title(listed: pl.DataFrame) -> str:
    """How many captures there are to choose from."""
    if listed.height >= MOST_LISTED:
        return f"Choose among the newest {words.number(MOST_LISTED)} captures (filters on the left reach the others)"
    return f"Choose among {words.plural(listed.height, 'capture')}"


def with_one_more(listed: pl.DataFrame, frames: Frames, capture_file: str) -> pl.DataFrame:
    """The chooser's rows with one capture on top that the filters would leave out."""
    own = frames["captures"].filter(pl.col("capture_file") == capture_file)
    everything = Everything()
    return pl.concat([chooser(own, frames, everything), listed])


@dataclass(frozen=True, slots=True)
class Everything:
    """Filters that let everything through."""

    group: None = None
    technician: None = None
    test: None = None
    as_of: dt.date = dt.date.max


def remember_choice(event: Any, listed: pl.DataFrame, state: Any) -> None:
    """Take over the row picked in the chooser, once, so that a later choice elsewhere stands."""
    rows = list(event.selection.rows) if event is not None and hasattr(event, "selection") else []
    picked = listed["capture_file"][rows[0]] if rows and rows[0] < listed.height else None
    if picked is not None and picked != state.get("capture_picked"):
        state["capture"] = picked
    state["capture_picked"] = picked


def pick(names: list[str], state: Any) -> str | None:
    """The capture the page shows: the one chosen, else the newest; none where the address asked for one in vain."""
    if state.get("capture") in names:
        state["capture_asked_in_vain"] = False
    elif not state.get("capture_asked_in_vain"):
        state["capture"] = names[0]
    else:
        state["capture"] = None
    chosen: str | None = st.selectbox(
        "Capture", names, index=None, key="capture", placeholder="Choose a capture"
    )
    return chosen
