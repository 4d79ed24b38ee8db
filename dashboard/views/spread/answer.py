"""Normal spread: a family's pattern and spread, and this week's captures that stand out."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboard import data
from dashboard.shared import words
from dashboard.views.capture.answer import job_outcome, reasons
from models.outliers.discoveries import weekly_discoveries
from models.spread.fit import FamilyFit, Scores, fit_families, score_captures
from models.stats.results import Estimate

MOST_DRAWN = 3000
MOST_LINES = 12
BASIS_WORDS = {
    "confirmed": "captures with confirmed outcomes",
    "known_good": "known-good captures",
    "all, robust": "all its captures, odd ones held apart",
    "borrowed": "the shop's other families",
}


@st.cache_resource(max_entries=3, show_spinner="Learning what spread is normal")
def fitted(fit_stamp: str) -> FamilyFit:
    """The families' fit, kept until the next fit: a decision or a coaching day does not change it."""
    del fit_stamp  # the key alone
    frames = data.frames(data.stamp())
    return fit_families(frames["captures"], frames["cylinders"], frames["families"], frames["outcomes"])


@st.cache_resource(max_entries=3, show_spinner=False)
def scored(fit_stamp: str) -> Scores:
    """Every capture against the fit."""
    frames = data.frames(data.stamp())
    return score_captures(
        fitted(fit_stamp), frames["captures"], frames["cylinders"], frames["families"], frames["outcomes"]
    )


def overview(frames: dict[str, pl.DataFrame], fit: FamilyFit) -> pl.DataFrame:
    """All families by name: spread with interval, what it rests on, and the threshold in force."""
    limits = {row["engine_family"]: row for row in frames["thresholds_in_force"].iter_rows(named=True)}
    rows = []
    for row in fit.stats.sort("engine_family").iter_rows(named=True):
        limit = limits.get(row["engine_family"])
        rows.append(
            {
                "engine family": row["engine_family"],
                "captures": row["captures"],
                "known good": row["known_good"],
                "spread of healthy cylinders": f"{words.number(row['spread_pct'], 1)} % "
                f"({words.number(row['spread_low'], 1)} to {words.number(row['spread_high'], 1)})",
                "rests on": BASIS_WORDS.get(row["basis"], row["basis"]),
                "own evidence": words.percent(row["own_weight"]),
                "odd from": "none yet"
                if limit is None
                else f"{words.number(limit['threshold_pct'], 1)} % ({limit['source']})",
            }
        )
    return pl.DataFrame(rows)


def spread_rows(fit: FamilyFit) -> pl.DataFrame:
    """Spread by family, by name: name (with n), spread_pct, low, high."""
    return fit.stats.sort("engine_family").select(
        pl.format("{} (n = {})", "engine_family", "captures").alias("name"),
        "spread_pct",
        pl.col("spread_low").alias("low"),
        pl.col("spread_high").alias("high"),
    )


def family(fit: FamilyFit, name: str) -> dict[str, Any] | None:
    """A family's statistics, or None where it is not defined."""
    found = fit.stats.filter(pl.col("engine_family") == name)
    return found.row(0, named=True) if found.height else None


def family_sentences(row: dict[str, Any]) -> list[str]:
    """A family's normal spread in plain sentences, with n and interval."""
    count = words.plural(row["captures"], "capture")
    lines = [
        f"A healthy cylinder of this family scatters by {words.number(row['spread_pct'], 1)} % about its usual value "
        f"(one standard deviation; 95 % interval {words.number(row['spread_low'], 1)} to "
        f"{words.number(row['spread_high'], 1)} %, n = {count}, {row['known_good']} of them known to be healthy).",
        f"{words.percent(row['own_weight'])} of that comes from this family's own captures, the rest is borrowed from "
        f"the shop's other engines. It rests on {BASIS_WORDS.get(row['basis'], row['basis'])}.",
    ]
    if row.get("odd_limit_pct") is not None:
        lines.append(
            f"The lowest cylinder of a healthy engine usually sits {words.number(row['odd_usual_pct'], 1)} % below the "
            f"others, and beyond {words.number(row['odd_limit_pct'], 1)} % in only about one healthy capture of 100."
        )
    drift = Estimate.nothing(row["captures"], "Too little to say whether it drifts")
    if row["drift_pct_per_month"] is not None:
        drift = Estimate(row["captures"], row["drift_pct_per_month"], row["drift_low"], row["drift_high"])
    moving = {0: "no clear drift", 1: "the gap is growing", -1: "the gap is shrinking"}[
        words.clear_sign(drift)
    ]
    if drift.estimate is None:
        lines.append(f"{words.figure(drift, '')}.")
    else:
        lines.append(f"Over time: {moving}, {words.figure(drift, ' % a month', digits=2, signed=True)}.")
    return lines


def parts_rows(row: dict[str, Any]) -> pl.DataFrame:
    """What the spread is made of: part, spread_pct."""
    known = [
        ("between vehicles", row["between_vehicle_pct"]),
        ("between repeats of one vehicle", row["within_vehicle_pct"]),
        ("reading error", row["reading_se_pct"]),
    ]
    return pl.DataFrame(
        [(name, value) for name, value in known if value is not None],
        schema={"part": pl.String, "spread_pct": pl.Float64},
        orient="row",
    )


def pattern_rows(fit: FamilyFit, name: str) -> pl.DataFrame:
    """Usual value by cylinder: name, pattern_pct, low, high, predict_low, predict_high."""
    return (
        fit.pattern.filter(pl.col("engine_family") == name)
        .sort("cylinder")
        .with_columns(pl.col("cylinder").cast(pl.String).alias("name"))
    )


def reading_points(frames: dict[str, pl.DataFrame], name: str, as_of: dt.date) -> pl.DataFrame:
    """Every named cylinder of the family's newest captures: name, relative_pct, capture_file, verdict."""
    captures = (
        frames["captures"]
        .filter((pl.col("engine_family") == name) & (pl.col("captured_at").dt.date() <= as_of))
        .sort("captured_at")
        .tail(MOST_DRAWN // 6)
    )
    return (
        frames["cylinder_scores"]
        .filter(pl.col("cylinder").is_not_null())
        .join(captures.select("capture_file"), on="capture_file", how="semi")
        .join(
            frames["scores"].select("capture_file", "flagged", "flagged_cylinders"),
            on="capture_file",
            how="left",
        )
        .select(
            pl.col("cylinder").cast(pl.String).alias("name"),
            "relative_pct",
            "capture_file",
            pl.when(pl.col("flagged").is_null())
            .then(pl.lit("too little to say"))
            .when(pl.col("flagged_cylinders").list.contains(pl.col("cylinder")))
            .then(pl.lit("odd"))
            .otherwise(pl.lit("usual"))
            .alias("verdict"),
        )
    )


def history(frames: dict[str, pl.DataFrame], name: str | None, as_of: dt.date) -> pl.DataFrame:
    """How far each capture's lowest cylinder sat below the others, over time."""
    captures = frames["captures"].filter(pl.col("captured_at").dt.date() <= as_of)
    if name is not None:
        captures = captures.filter(pl.col("engine_family") == name)
    return (
        captures.select("capture_file", "captured_at", "technician", "engine_family")
        .join(
            frames["scores"].select("capture_file", "odd_pct", "flagged", "threshold_pct"), on="capture_file"
        )
        .with_columns(
            verdict=pl.when(pl.col("flagged").is_null())
            .then(pl.lit("too little to say"))
            .when("flagged")
            .then(pl.lit("odd"))
            .otherwise(pl.lit("usual"))
        )
        .sort("captured_at")
        .tail(MOST_DRAWN)
    )


def newest_week(frames: dict[str, pl.DataFrame], as_of: dt.date) -> dt.date:
    """The Monday of the newest week with a capture up to a day; of the day itself without one."""
    days = frames["captures"]["captured_at"].dt.date().drop_nulls()
    newest = days.filter(days <= as_of).max()
    day = newest if isinstance(newest, dt.date) else as_of
    return day - dt.timedelta(days=day.weekday())


def this_week(
    frames: dict[str, pl.DataFrame], as_of: dt.date, family_name: str | None, rate_pct: float
) -> tuple[pl.DataFrame, str]:
    """The captures of the newest week that stand out, and how sure that list is.

    Returns:
        capture_file, day, engine_family, technician, why_listed, lowest_pct, what, outcome; and a
        sentence with the false discovery rate, or why it cannot be held.
    """
    monday = newest_week(frames, as_of)
    week = frames["captures"].filter(
        pl.col("captured_at").dt.date().is_between(monday, min(as_of, monday + dt.timedelta(days=6)))
    )
    rows = week.join(frames["scores"], on="capture_file", how="inner")
    found = weekly_discoveries(
        rows["outlier_p"].to_list(),
        [monday] * rows.height,
        q=rate_pct / 100,
        calibration_n=rows["calibration_n"].fill_null(0).to_list(),
    )
    judged = rows.with_columns(
        found["discovery"].fill_null(False), found["reachable"], found["why"].alias("why_not")
    )
    if family_name is not None:
        judged = judged.filter(pl.col("engine_family") == family_name)
    listed = judged.filter(pl.col("flagged").fill_null(False) | pl.col("discovery"))
    outcomes = {row["repair_order"]: row for row in frames["outcomes"].iter_rows(named=True)}
    shown = pl.DataFrame(
        [
            {
                "capture_file": row["capture_file"],
                "day": words.day(row["captured_at"]),
                "engine_family": row["engine_family"],
                "technician": row["technician"],
                "why_listed": " and ".join(
                    text
                    for text, holds in (
                        ("a low cylinder", row["flagged"]),
                        ("unlike its family", row["discovery"]),
                    )
                    if holds
                ),
                "lowest_pct": row["odd_pct"],
                "what": " ".join(reasons(row["reasons"])) or _lowest(row),
                "outcome": job_outcome(row, outcomes[row["repair_order"]])
                if row["repair_order"] in outcomes
                else "Not confirmed yet.",
            }
            for row in listed.sort("odd_pct", descending=True, nulls_last=True).iter_rows(named=True)
        ],
        schema=_WEEK_SCHEMA,
    )
    return shown, _rate_sentence(judged, int(judged["discovery"].sum()), rate_pct, monday)


_WEEK_SCHEMA = {
    "capture_file": pl.String,
    "day": pl.String,
    "engine_family": pl.String,
    "technician": pl.String,
    "why_listed": pl.String,
    "lowest_pct": pl.Float64,
    "what": pl.String,
    "outcome": pl.String,
}


def week_lines(rows: pl.DataFrame) -> list[str]:
    """The week's listed captures in full sentences, as many as one can read."""
    return [
        f"**{row['capture_file']}** ({row['engine_family']}, {row['technician'] or 'nobody named'}, {row['day']}), "
        f"for {row['why_listed']}: {row['what']} {row['outcome']}"
        for row in rows.head(MOST_LINES).iter_rows(named=True)
    ]


def _lowest(row: dict[str, Any]) -> str:
    where = "an unnamed cylinder" if row["odd_cylinder"] is None else f"cylinder {row['odd_cylinder']}"
    if row["odd_companion"] is not None:
        where += f" or {row['odd_companion']}"
    return f"The lowest, {where}, sits {words.number(row['odd_pct'], 1)} % below the others."


def _rate_sentence(judged: pl.DataFrame, found: int, rate_pct: float, monday: dt.date) -> str:
    count = words.plural(judged.height, "capture")
    start = f"Week of {monday}: {count} compared. "
    short = judged.filter(~pl.col("reachable"))
    if judged.height and short.height == judged.height and not found:
        return (
            f"{start}{short['why_not'][0]} Until then only the threshold decides; nothing is called unlike its "
            "family on such thin grounds."
        )
    text = (
        f"{start}Of those called unlike their family ({found}), at most {words.number(rate_pct)} in 100 are healthy "
        "ones on average (Benjamini-Hochberg over the week)."
    )
    if short.height:
        text += f" A lone odd capture would not have been found that week for {short.height} of them: "
        text += str(short["why_not"][0]).removeprefix("Cannot be reached with this calibration size: ")
    return text


def week_caption(rows: pl.DataFrame) -> str:
    """What the marks of the history mean."""
    return (
        f"n = {words.number(rows.height)} captures. The dashed line is the threshold in force now; a capture keeps the "
        "version it was judged by."
    )


def quantile_band(cycles: np.ndarray[Any, np.dtype[np.float64]]) -> tuple[Any, Any, Any]:
    """Low, middle and high of the normal range over captures, angle by angle: mean ± 1.96 standard deviations.

    Args:
        cycles: shape (captures, angles).
    """
    middle = cycles.mean(axis=0)
    half = 1.959964 * cycles.std(axis=0, ddof=1) * np.sqrt(1 + 1 / cycles.shape[0])
    return middle - half, middle, middle + half
