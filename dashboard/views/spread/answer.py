"""Normal spread: a group's pattern and spread, and this week's captures that stand out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any, NoReturn

import polars as pl

from dashboard import data
from dashboard.shared import captures, go, subjects, words
from dashboard.shared.filters import Subject
from models.spread.fit import GroupFit
from models.stats.results import Estimate

Frames = Mapping[str, pl.DataFrame]

MOST_DRAWN = 3000
MOST_LINES = 12
BASIS_WORDS = {
    "confirmed": "captures with confirmed outcomes",
    "known_good": "captures known to be healthy",
    "all, robust": "all its captures, odd ones held apart",
    "borrowed": "what the test's other groups do",
}


def overview(thresholds: pl.DataFrame, fit: GroupFit, about: Subject) -> pl.DataFrame:
    """All groups by name: spread with interval, what it rests on, and the threshold in force."""
    limits = {row["group"]: row for row in in_force(thresholds, about).iter_rows(named=True)}
    rows = []
    several = any(layout.family or layout.apart for layout in fit.layouts)
    for row in fit.stats.sort("group").iter_rows(named=True):
        limit = limits.get(row["group"])
        rows.append(
            {
                about.group_noun: row["group"],
                "compared": row["captures"],
                "known healthy": row["known_good"],
                f"spread of healthy {about.kind.element.nouns}": f"{words.fine(row['spread_pct'])} % "
                f"({words.fine(row['spread_low'])} to {words.fine(row['spread_high'])})",
                "rests on": BASIS_WORDS.get(row["basis"], row["basis"]),
                "own evidence": words.percent(row["own_weight"]),
                **({"from other shops": _from_shops(row)} if several else {}),
                "odd from": "none yet"
                if limit is None
                else f"{words.number(limit['threshold_pct'], 1)} % ({limit['source']})",
            }
        )
    return pl.DataFrame(rows)


def _from_shops(row: dict[str, Any]) -> str:
    """How much of a group's spread comes from the same family in other shops."""
    return "none has the same" if row["shop_weight"] is None else words.percent(row["shop_weight"])


def in_force(thresholds: pl.DataFrame, about: Subject) -> pl.DataFrame:
    """The thresholds in force of the test's measure, one a group."""
    return thresholds.filter((pl.col("test") == about.test) & (pl.col("measure") == about.measure.name))


def limit_of(thresholds: pl.DataFrame, about: Subject, group: str) -> float | None:
    """The threshold in force of one group, in %, or None."""
    found = in_force(thresholds, about).filter(pl.col("group") == group)["threshold_pct"]
    return float(found[0]) if len(found) else None


def spread_rows(fit: GroupFit) -> pl.DataFrame:
    """Spread by group, by name: name (with n), spread_pct, low, high."""
    return fit.stats.sort("group").select(
        pl.format("{} (n = {})", "group", "captures").alias("name"),
        "group",
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
        f"A healthy {noun} of this group scatters by {words.fine(row['spread_pct'])} % about its usual value "
        f"(one standard deviation; 95 % interval {words.fine(row['spread_low'])} to "
        f"{words.fine(row['spread_high'])} %, n = {count}, {row['known_good']} of them known to be healthy).",
        f"{words.percent(row['own_weight'])} of that comes from this group's own captures, "
        + ("" if row["shop_weight"] is None else f"{_from_shops(row)} from the same in other shops, ")
        + "the rest is borrowed from the other groups of this test. It rests on "
        + f"{BASIS_WORDS.get(row['basis'], row['basis'])}.",
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


def reading_points(frames: Frames, about: Subject, name: str, as_of: dt.date) -> pl.DataFrame:
    """Every named element of the group's newest captures: name, relative_pct (not below 0), capture_file, verdict."""
    newest = subjects.captures_of(frames, about, name, as_of).tail(MOST_DRAWN // 6)
    flagged = subjects.scores_of(frames, about, newest).select("capture_file", "flagged", "flagged_elements")
    return (
        data.only(frames, newest)["element_scores"]
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
    # Those that were read have a score, but for the few that came after the last fit.
    rows = subjects.captures_of(frames, about, name, as_of).filter(pl.col("status") == "read")
    newest = rows.tail(2 * MOST_DRAWN)
    return (
        newest.select("capture_file", "captured_at", "technician", "group")
        .join(
            subjects.scores_of(frames, about, newest).select(
                "capture_file", "odd_pct", "flagged", "threshold_pct"
            ),
            on="capture_file",
        )
        .with_columns(pl.col("odd_pct").clip(upper_bound=top), verdict=captures.verdict_word())
        .sort("captured_at")
        .tail(MOST_DRAWN)
    )


def pattern_sentence(rows: pl.DataFrame, about: Subject, name: str) -> str:
    """The chart of a group's usual values for whoever cannot see it."""
    noun = about.kind.element.noun
    parts = [
        f"{noun} {row['name']} {words.number(row['pattern_pct'], 1)} %"
        for row in rows.head(12).iter_rows(named=True)
    ]
    return f"Usual value of each {noun} of {name} with the range of healthy captures: {', '.join(parts)}."


def to_captures(group: str) -> Callable[[Any], NoReturn]:
    """What a click on a piece of the spread leads to: the group's captures."""
    return lambda _: go.captures_of_group(group)


def parts_sentence(rows: pl.DataFrame) -> str:
    """What the spread is made of, for whoever cannot see the chart."""
    parts = [f"{part} {words.number(value, 2)} %" for part, value in rows.iter_rows()]
    return f"What the spread is made of, in standard deviations: {', '.join(parts)}."


def history_sentence(rows: pl.DataFrame, limit: float | None, about: Subject, name: str) -> str:
    """The chart of a group's captures over time for whoever cannot see it."""
    odd = rows.filter(pl.col("verdict") == "odd").height
    stands = "no threshold stands" if limit is None else f"odd from {words.number(limit, 1)} %"
    gap = words.gap_title(about.kind, about.measure).lower()
    return f"{words.plural(rows.height, 'capture')} of {name} over time, {gap}: {odd} odd, {stands}."


def week_caption(rows: pl.DataFrame) -> str:
    """What the marks of the history mean."""
    return (
        f"n = {words.number(rows.height)} captures. The dashed line is the threshold in force now; a capture keeps the "
        "version it was judged by."
    )
