"""The captures of one week that stand out, how sure that list is, and all captures of the week."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data, fits
from dashboard.shared import captures, kinds_told, subjects, words
from dashboard.shared.filters import Filters, Subject
from models.outliers.discoveries import discoveries
from models.outliers.exchangeable import exchangeability
from pipelines.kinds import kinds

Frames = Mapping[str, pl.DataFrame]

MOST_LINES = 12
WEEK = dt.timedelta(days=7)


def week_before(monday: dt.date) -> dt.date:
    """The Monday before."""
    return monday - WEEK


def week_after(monday: dt.date) -> dt.date:
    """The Monday after."""
    return monday + WEEK


def all_of(frames: Frames, monday: dt.date, chosen: Filters) -> pl.DataFrame:
    """Every capture of a week that the filters let through, ready to show."""
    day = pl.col("captured_at").dt.date()
    rows = frames["captures"].filter((day >= monday) & (day < monday + WEEK) & (day <= chosen.as_of))
    for column, value in (("group", chosen.group), ("technician", chosen.technician)):
        if value is not None:
            rows = rows.filter(pl.col(column) == value)
    flags = data.only(frames, rows)["scores"].group_by("capture_file").agg(flagged=pl.col("flagged").any())
    return (
        rows.join(flags, on="capture_file", how="left")
        .sort("captured_at", "capture_file")
        .select(
            "capture_file",
            day.alias("day"),
            pl.col("test").map_elements(kinds_told.title, return_dtype=pl.String),
            "group",
            "technician",
            "repair_order",
            pl.col("purpose").str.replace_all("_", " "),
            "status",
            captures.verdict_word().alias("verdict"),
        )
    )


def newest_week(frames: Frames, about: Subject, as_of: dt.date) -> dt.date:
    """The Monday of the newest week with a capture of the test up to a day; of the day itself without one."""
    newest = subjects.captures_of(frames, about, None, as_of)["captured_at"].dt.date().max()
    day = newest if isinstance(newest, dt.date) else as_of
    return day - dt.timedelta(days=day.weekday())


def condition(stamp: str, test: str, measure: str) -> str:
    """Whether known-good captures are made like paid ones, on which the week's share of healthy ones rests."""
    return _condition(stamp, test, measure, data.sight())


@st.cache_resource(max_entries=6, show_spinner=False)
def _condition(stamp: str, test: str, measure: str, sight: str) -> str:  # noqa: ARG001
    scores = fits.scores(stamp, test, measure).captures
    shop, made = data.shop_of_test(stamp, test, measure), kinds()[test].made_features
    own = shop.with_frames(features=shop.features.filter(pl.col("feature").is_in(made)))
    return exchangeability(scores, own).sentence


def this_week(
    frames: Frames, outcomes: pl.DataFrame, about: Subject, monday: dt.date, chosen: Filters, rate_pct: float
) -> tuple[pl.DataFrame, str]:
    """The captures of a week that stand out, and how sure that list is.

    Args:
        outcomes: one row an order and test, as `Shop` holds them.

    Returns:
        capture_file, day, group, technician, why_listed, gap_pct, what, outcome, reasons; and a
        sentence with the false discovery rate, or why it cannot be held.
    """
    end = min(chosen.as_of, monday + dt.timedelta(days=6))
    week = subjects.captures_of(frames, about, None, end).filter(pl.col("captured_at").dt.date() >= monday)
    own = data.only(frames, week)
    found = discoveries(week, own["scores"], rate_pct)
    judged = (
        week.join(subjects.scores_of(frames, about, week), on="capture_file", how="inner")
        .join(own["outliers"].select("capture_file", "reasons"), on="capture_file", how="left")
        .join(
            found.select("capture_file", "discovery", "reachable", why_not="why"),
            on="capture_file",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.col("discovery").fill_null(False), pl.col("reachable").fill_null(False))
    )
    for column, value in (("group", chosen.group), ("technician", chosen.technician)):
        if value is not None:
            judged = judged.filter(pl.col(column) == value)
    listed = judged.filter(pl.col("flagged").fill_null(False) | pl.col("discovery"))
    known = captures.outcomes_of(outcomes, about.test)
    shown = pl.DataFrame(
        [
            {
                "capture_file": row["capture_file"],
                "day": words.day(row["captured_at"]),
                "group": row["group"],
                "technician": row["technician"],
                "why_listed": _why_listed(row),
                "gap_pct": words.odd_bound(about.measure, row["odd_pct"]),
                "what": _what(row, about),
                "outcome": captures.job_outcome(about.kind, row, known[row["repair_order"]])
                if row["repair_order"] in known
                else "Not confirmed yet.",
                "reasons": " ".join(captures.reasons(row["reasons"])),
            }
            for row in listed.sort("odd_pct", descending=True, nulls_last=True).iter_rows(named=True)
        ],
        schema=_WEEK_SCHEMA,
    )
    return shown, _rate_sentence(judged, int(judged["discovery"].sum()), rate_pct, monday)


_WEEK_SCHEMA = {
    "capture_file": pl.String,
    "day": pl.String,
    "group": pl.String,
    "technician": pl.String,
    "why_listed": pl.String,
    "gap_pct": pl.Float64,
    "what": pl.String,
    "outcome": pl.String,
    "reasons": pl.String,
}


def _why_listed(row: dict[str, Any]) -> str:
    named = (("beyond the threshold", row["flagged"]), ("further off than chance explains", row["discovery"]))
    return " and ".join(text for text, holds in named if holds)


def _what(row: dict[str, Any], about: Subject) -> str:
    which = words.oddest(about.kind, row["odd_element"], row["odd_position"], row["odd_companion"])
    gap = words.odd_bound(about.measure, row["odd_pct"])
    return (
        f"The {words.extreme(about.measure)}, {which}, sits {words.number(gap, 1)} % "
        f"{words.stands(about.kind, about.measure)}."
    )


def week_lines(rows: pl.DataFrame) -> list[str]:
    """The week's listed captures, a line each, as many as one can read."""
    return [
        f"**{row['group']}**, {row['technician'] or 'nobody named'}, {row['day']}: {row['what']} {row['outcome']}"
        for row in rows.head(MOST_LINES).iter_rows(named=True)
    ]


def reason_lines(rows: pl.DataFrame) -> list[str]:
    """What else is unusual about the listed captures, for whoever wants to know."""
    return [
        f"**{row['capture_file']}**: {row['reasons']}"
        for row in rows.head(MOST_LINES).iter_rows(named=True)
        if row["reasons"]
    ]


def _rate_sentence(judged: pl.DataFrame, found: int, rate_pct: float, monday: dt.date) -> str:
    count = words.plural(judged.height, "capture")
    start = f"Week of {monday}: {count} compared. "
    short = judged.filter(~pl.col("reachable") & pl.col("why_not").is_not_null())
    if judged.height and short.height == judged.height and not found:
        return (
            f"{start}Too few captures are known to be healthy to tell a lone odd one from chance; until then "
            "only the threshold decides."
        )
    return (
        f"{start}Of those called further off than chance explains ({found}), at most {words.number(rate_pct)} in 100 "
        "are healthy ones on average."
    )
