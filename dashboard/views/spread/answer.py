"""Normal spread: a group's pattern and spread, and this week's captures that stand out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboard.shared import captures, words
from dashboard.shared.filters import Subject
from models.outliers.discoveries import discoveries
from models.spread.fit import GroupFit
from models.stats.results import Estimate

Frames = Mapping[str, pl.DataFrame]

MOST_DRAWN = 3000
MOST_LINES = 12
BASIS_WORDS = {
    "confirmed": "captures with confirmed outcomes",
    "known_good": "known-good captures",
    "all, robust": "all its captures, odd ones held apart",
    "borrowed": "what the test's other groups do",
}


def overview(frames: Frames, fit: GroupFit, about: Subject) -> pl.DataFrame:
    """All groups by name: spread with interval, what it rests on, and the threshold in force."""
    limits = {row["group"]: row for row in in_force(frames, about).iter_rows(named=True)}
    rows = []
    for row in fit.stats.sort("group").iter_rows(named=True):
        limit = limits.get(row["group"])
        rows.append(
            {
                about.group_noun: row["group"],
                "captures": row["captures"],
                "known good": row["known_good"],
                f"spread of healthy {about.kind.element.nouns}": f"{words.number(row['spread_pct'], 1)} % "
                f"({words.number(row['spread_low'], 1)} to {words.number(row['spread_high'], 1)})",
                "rests on": BASIS_WORDS.get(row["basis"], row["basis"]),
                "own evidence": words.percent(row["own_weight"]),
                "odd from": "none yet"
                if limit is None
                else f"{words.number(limit['threshold_pct'], 1)} % ({limit['source']})",
            }
        )
    return pl.DataFrame(rows)


def in_force(frames: Frames, about: Subject) -> pl.DataFrame:
    """The thresholds in force of the test's measure, one a group."""
    return frames["thresholds_in_force"].filter(
        (pl.col("test") == about.test) & (pl.col("measure") == about.measure.name)
    )


def limit_of(frames: Frames, about: Subject, group: str) -> float | None:
    """The threshold in force of one group, in %, or None."""
    found = in_force(frames, about).filter(pl.col("group") == group)["threshold_pct"]
    return float(found[0]) if len(found) else None


def spread_rows(fit: GroupFit) -> pl.DataFrame:
    """Spread by group, by name: name (with n), spread_pct, low, high."""
    return fit.stats.sort("group").select(
        pl.format("{} (n = {})", "group", "captures").alias("name"),
        "spread_pct",
        pl.col("spread_low").alias("low"),
        pl.col("spread_high").alias("high"),
    )


def stats_of(fit: GroupFit, name: str) -> dict[str, Any] | None:
    """A group's statistics, or None where it was not fitted."""
    found = fit.stats.filter(pl.col("group") == name)
    return found.row(0, named=True) if found.height else None


def sentences(row: dict[str, Any], about: Subject) -> list[str]:
    """A group's normal spread in plain sentences, with n and interval."""
    noun, count = about.kind.element.noun, words.plural(row["captures"], "capture")
    lines = [
        f"A healthy {noun} of this group scatters by {words.number(row['spread_pct'], 1)} % about its usual value "
        f"(one standard deviation; 95 % interval {words.number(row['spread_low'], 1)} to "
        f"{words.number(row['spread_high'], 1)} %, n = {count}, {row['known_good']} of them known to be healthy).",
        f"{words.percent(row['own_weight'])} of that comes from this group's own captures, the rest is borrowed from "
        f"the other groups of this test. It rests on {BASIS_WORDS.get(row['basis'], row['basis'])}.",
    ]
    if row.get("odd_limit_pct") is not None and row["elements"] > 1:
        lines.append(
            f"The {words.extreme(about.measure)} {noun} of a healthy one usually sits "
            f"{words.number(row['odd_usual_pct'], 1)} % {words.stands(about.kind, about.measure)}, and beyond "
            f"{words.number(row['odd_limit_pct'], 1)} % in only about one healthy capture of 100."
        )
    drift = Estimate.nothing(row["captures"], "Too little to say whether it drifts")
    if row["drift_pct_per_month"] is not None:
        drift = Estimate(row["captures"], row["drift_pct_per_month"], row["drift_low"], row["drift_high"])
    moving = {0: "no clear drift", 1: "rising against the others", -1: "falling against the others"}[
        words.clear_sign(drift)
    ]
    if drift.estimate is None:
        lines.append(f"{words.figure(drift, '')}.")
    else:
        which = "" if row.get("drift_element") is None else f"{noun} {row['drift_element']}: "
        lines.append(
            f"Over time, {which}{moving}, {words.figure(drift, ' % a month', digits=2, signed=True)}."
        )
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


def pattern_rows(fit: GroupFit, name: str) -> pl.DataFrame:
    """Usual value by element: name, pattern_pct, low, high, predict_low, predict_high."""
    return (
        fit.pattern.filter(pl.col("group") == name)
        .sort("element")
        .with_columns(pl.col("element").cast(pl.String).alias("name"))
    )


def captures_of(frames: Frames, about: Subject, group: str | None, as_of: dt.date) -> pl.DataFrame:
    """The test's captures up to a day, of one group where one is named, oldest first."""
    rows = frames["captures"].filter(
        (pl.col("test") == about.test) & (pl.col("captured_at").dt.date() <= as_of)
    )
    if group is not None:
        rows = rows.filter(pl.col("group") == group)
    return rows.sort("captured_at")


def scores_of(frames: Frames, about: Subject) -> pl.DataFrame:
    """The scores of the page's measure."""
    return frames["scores"].filter(pl.col("measure") == about.measure.name)


def reading_points(frames: Frames, about: Subject, name: str, as_of: dt.date) -> pl.DataFrame:
    """Every named element of the group's newest captures: name, relative_pct (not below 0), capture_file, verdict."""
    newest = captures_of(frames, about, name, as_of).tail(MOST_DRAWN // 6)
    flagged = scores_of(frames, about).select("capture_file", "flagged", "flagged_elements")
    return (
        frames["element_scores"]
        .filter(pl.col("element").is_not_null() & (pl.col("measure") == about.measure.name))
        .join(newest.select("capture_file"), on="capture_file", how="semi")
        .join(flagged, on="capture_file", how="left")
        .select(
            pl.col("element").cast(pl.String).alias("name"),
            pl.col("relative_pct").clip(lower_bound=0.0),
            "capture_file",
            pl.when(pl.col("flagged").is_null())
            .then(pl.lit("too little to say"))
            .when(pl.col("flagged_elements").list.contains(pl.col("element")))
            .then(pl.lit("odd"))
            .otherwise(pl.lit("usual"))
            .alias("verdict"),
        )
    )


def history(frames: Frames, about: Subject, name: str | None, as_of: dt.date) -> pl.DataFrame:
    """How far each capture's oddest element stood off, over time."""
    top = 100.0 if about.measure.direction == "low" else None
    return (
        captures_of(frames, about, name, as_of)
        .select("capture_file", "captured_at", "technician", "group")
        .join(
            scores_of(frames, about).select("capture_file", "odd_pct", "flagged", "threshold_pct"),
            on="capture_file",
        )
        .with_columns(pl.col("odd_pct").clip(upper_bound=top), verdict=captures.verdict_word())
        .sort("captured_at")
        .tail(MOST_DRAWN)
    )


def newest_week(frames: Frames, about: Subject, as_of: dt.date) -> dt.date:
    """The Monday of the newest week with a capture of the test up to a day; of the day itself without one."""
    newest = captures_of(frames, about, None, as_of)["captured_at"].dt.date().max()
    day = newest if isinstance(newest, dt.date) else as_of
    return day - dt.timedelta(days=day.weekday())


def this_week(
    frames: Frames, outcomes: pl.DataFrame, about: Subject, as_of: dt.date, group: str | None, rate_pct: float
) -> tuple[pl.DataFrame, str]:
    """The captures of the newest week that stand out, and how sure that list is.

    Args:
        outcomes: one row an order and test, as `Shop` holds them.

    Returns:
        capture_file, day, group, technician, why_listed, gap_pct, what, outcome; and a
        sentence with the false discovery rate, or why it cannot be held.
    """
    monday = newest_week(frames, about, as_of)
    week = captures_of(frames, about, None, as_of).filter(pl.col("captured_at").dt.date() >= monday)
    found = discoveries(week, frames["scores"], rate_pct)
    judged = (
        week.join(scores_of(frames, about), on="capture_file", how="inner")
        .join(frames["outliers"].select("capture_file", "reasons"), on="capture_file", how="left")
        .join(
            found.select("capture_file", "discovery", "reachable", why_not="why"),
            on="capture_file",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.col("discovery").fill_null(False), pl.col("reachable").fill_null(False))
    )
    if group is not None:
        judged = judged.filter(pl.col("group") == group)
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
}


def _why_listed(row: dict[str, Any]) -> str:
    named = (("beyond the threshold", row["flagged"]), ("further off than chance explains", row["discovery"]))
    return " and ".join(text for text, holds in named if holds)


def _what(row: dict[str, Any], about: Subject) -> str:
    which = words.oddest(about.kind, row["odd_element"], row["odd_position"], row["odd_companion"])
    gap = words.odd_bound(about.measure, row["odd_pct"])
    text = (
        f"The {words.extreme(about.measure)}, {which}, sits {words.number(gap, 1)} % "
        f"{words.stands(about.kind, about.measure)}."
    )
    return " ".join([text, *captures.reasons(row["reasons"])])


def week_lines(rows: pl.DataFrame) -> list[str]:
    """The week's listed captures in full sentences, as many as one can read."""
    return [
        f"**{row['capture_file']}** ({row['group']}, {row['technician'] or 'nobody named'}, {row['day']}), "
        f"{row['why_listed']}: {row['what']} {row['outcome']}"
        for row in rows.head(MOST_LINES).iter_rows(named=True)
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


def week_caption(rows: pl.DataFrame) -> str:
    """What the marks of the history mean."""
    return (
        f"n = {words.number(rows.height)} captures. The dashed line is the threshold in force now; a capture keeps the "
        "version it was judged by."
    )
