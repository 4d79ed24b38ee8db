"""Known-good captures of a group over one turn of the sequence, and past captures most like a given one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboard import data, fits
from dashboard.shared import captures, limits, words
from dashboard.shared.filters import Subject
from models.spread.fit import GroupFit
from models.spread.nearest import nearest, turned
from models.stats.results import Estimate
from models.thresholds.gauge import GaugeCheck, deviation_against_gauge

Frames = Mapping[str, pl.DataFrame]
Z95 = 1.959964
TURN_DEG = 720.0  # what `turned` calls one turn of the sequence
LEAST_FOR_BAND = 3
MOST_OVERLAID = 40
NEIGHBOURS = 6
MOST_LISTED = 500


@dataclass(frozen=True, slots=True)
class Overlay:
    """What is drawn over one turn of the sequence, along the kind's own axis.

    Attributes:
        good: capture_file, along, level: known-good mean shapes.
        band: along, low, middle, high; empty below `LEAST_FOR_BAND` captures.
        n: known-good captures behind it. basis: what they are, in words.
        events: along, name: where each element's event lies.
        chosen: along, level of the capture laid over it; empty without one.
    """

    good: pl.DataFrame
    band: pl.DataFrame
    n: int
    basis: str
    events: pl.DataFrame
    chosen: pl.DataFrame


def follow_over(frames: Mapping[str, pl.DataFrame], state: Any) -> None:
    """Where the address names a capture to lay over: its own test and group are what the page is about."""
    asked = state.pop("over_asked", None)
    if asked is None:
        return
    row = frames["captures"].filter(pl.col("capture_file") == asked).select("test", "group").rows(named=True)
    if row and row[0]["group"]:
        state["subject"] = row[0]["test"]
        state["kept_group"] = state["group"] = row[0]["group"]


def shapes_of(
    stamp: str, about: Subject, group: str
) -> tuple[list[str], np.ndarray[Any, np.dtype[np.float64]]]:
    """Mean shapes of a group's captures on the commonest grid: names and shape (captures, points).

    All begin with the first element of the sequence, whichever element the index pulse was on; a capture
    whose elements have no names begins with its own first event.
    """
    rows = data.frame(stamp, "mean_shapes", test=about.test, group=group)
    rows = rows.with_columns(size=pl.col("mean_shape").list.len())
    if rows.is_empty():
        return [], np.zeros((0, 0))
    size = rows["size"].mode().max()
    rows = rows.filter(pl.col("size") == size)
    starts = dict(places(data.frames(stamp), about, group).select("element", "place").iter_rows())
    start = np.array([starts.get(element, 0.0) for element in rows["first_element"].to_list()])
    shapes = np.stack(rows["mean_shape"].to_list()).astype(np.float64)
    return rows["capture_file"].to_list(), turned(shapes, TURN_DEG * start)


def overlay(stamp: str, frames: Frames, about: Subject, group: str, capture_file: str | None) -> Overlay:
    """Known-good mean shapes of a group, their normal range, and one capture over them."""
    names, shapes = shapes_of(stamp, about, group)
    good, basis = _known_good(fits.fit(stamp, about.test, about.measure.name), group, names)
    along = np.arange(shapes.shape[1]) * (about.kind.figure.span / max(1, shapes.shape[1]))
    at = [place for place, name in enumerate(names) if name in good and np.isfinite(shapes[place]).all()]
    drawn = at[-MOST_OVERLAID:]
    schema = {"capture_file": pl.String, "along": pl.Float64, "level": pl.Float64}
    lines = pl.concat(
        [
            pl.DataFrame({"capture_file": names[i], "along": along, "level": shapes[i]}, schema=schema)
            for i in drawn
        ]
        or [pl.DataFrame(schema=schema)]
    )
    band = pl.DataFrame(
        schema={"along": pl.Float64, "low": pl.Float64, "middle": pl.Float64, "high": pl.Float64}
    )
    if len(at) >= LEAST_FOR_BAND:
        low, middle, high = normal_band(shapes[at])
        band = pl.DataFrame({"along": along, "low": low, "middle": middle, "high": high})
    chosen = pl.DataFrame(schema={"along": pl.Float64, "level": pl.Float64})
    if capture_file in names:
        chosen = pl.DataFrame({"along": along, "level": shapes[names.index(capture_file)]})
    return Overlay(lines, band, len(at), basis, _events(frames, about, group), chosen)


def normal_band(
    shapes: np.ndarray[Any, np.dtype[np.float64]],
) -> tuple[
    np.ndarray[Any, np.dtype[np.float64]],
    np.ndarray[Any, np.dtype[np.float64]],
    np.ndarray[Any, np.dtype[np.float64]],
]:
    """Low, middle and high of the normal range over captures, point by point: mean ± 1.96 standard deviations.

    Args:
        shapes: shape (captures, points).
    """
    middle = shapes.mean(axis=0)
    half = Z95 * shapes.std(axis=0, ddof=1) * np.sqrt(1 + 1 / shapes.shape[0])
    return middle - half, middle, middle + half


def _known_good(fit: GroupFit, group: str, names: list[str]) -> tuple[set[str], str]:
    healthy = fit.healthy.filter(pl.col("group") == group)
    known = set(healthy.filter(pl.col("label") == "known healthy")["capture_file"]) & set(names)
    if len(known) >= LEAST_FOR_BAND:
        return known, "captures known to be healthy (made as known good, or confirmed even)"
    looks = set(healthy.filter(pl.col("healthy_probability") > 0.5)["capture_file"]) & set(names)
    return looks | known, "captures that look healthy (too few are known to be)"


def places(frames: Frames, about: Subject, group: str) -> pl.DataFrame:
    """Where each element of a group lies on one turn: element, place (0 to 1), in sequence."""
    found = frames["comparison_groups"].filter((pl.col("test") == about.test) & (pl.col("group") == group))
    return found.select(pl.col("sequence").alias("element"), pl.col("places").alias("place")).explode(
        "element", "place"
    )


def _events(frames: Frames, about: Subject, group: str) -> pl.DataFrame:
    """Where each element's event lies along the figure's axis: along, name."""
    named = not _nameless(frames, about, group)
    return places(frames, about, group).select(
        (about.kind.figure.span * pl.col("place")).alias("along"),
        pl.col("element").cast(pl.String).alias("name")
        if named
        else pl.format("no. {}", pl.int_range(1, pl.len() + 1)).alias("name"),
    )


def _nameless(frames: Frames, about: Subject, group: str) -> bool:
    """Whether no reading of the group ever names an element."""
    naming = _naming(frames, about, group)
    return naming.height > 0 and not naming["named"][0]


def _naming(frames: Frames, about: Subject, group: str) -> pl.DataFrame:
    """How the group's elements are identified: one row, or none where nothing was read."""
    return frames["group_naming"].filter((pl.col("test") == about.test) & (pl.col("group") == group))


def captures_of(frames: Frames, about: Subject, group: str) -> list[str]:
    """The group's newest captures that were read, newest first."""
    return (
        frames["captures"]
        .filter((pl.col("test") == about.test) & (pl.col("group") == group) & (pl.col("status") == "read"))
        .sort("captured_at", descending=True, nulls_last=True)
        .head(MOST_LISTED)["capture_file"]
        .to_list()
    )


def laid_over(frames: Frames, about: Subject, capture_file: str) -> tuple[str, str]:
    """Verdict of the capture that is laid over, and how far off it is, in a sentence."""
    own = data.only(frames, pl.DataFrame({"capture_file": [capture_file]}))["scores"].filter(
        (pl.col("capture_file") == capture_file) & (pl.col("measure") == about.measure.name)
    )
    if own.is_empty():
        return "too little to say", "not compared with its group yet."
    row = own.row(0, named=True)
    which = words.oddest(about.kind, row["odd_element"], row["odd_position"], row["odd_companion"])
    gap = words.number(words.odd_bound(about.measure, row["odd_pct"]), 1)
    verdict = {True: "odd", False: "usual", None: "too little to say"}[row["flagged"]]
    word = {"odd": "Odd", "usual": "Even"}.get(verdict, "No threshold stands yet")
    return verdict, f"{word}: {which} sits {gap} % {words.stands(about.kind, about.measure)}."


def neighbours(stamp: str, about: Subject, group: str, capture_file: str) -> pl.DataFrame:
    """Past captures of the group most like one, nearest first, with what was confirmed on them."""
    return _neighbours(stamp, about, about.test, about.measure.name, group, capture_file, data.sight())


@st.cache_resource(max_entries=32, show_spinner=False)
def _neighbours(
    stamp: str,
    _about: Subject,
    test: str,
    measure: str,
    group: str,
    capture_file: str,
    sight: str,  # noqa: ARG001
) -> pl.DataFrame:
    frames = data.frames(stamp)
    about, outcomes = _about, captures.outcomes_of(data.outcomes(stamp), test)
    schema = {
        "capture_file": pl.String,
        "distance": pl.Float64,
        "day": pl.String,
        "technician": pl.String,
        "furthest off": pl.String,
        "confirmed": pl.String,
    }
    names, shapes = shapes_of(stamp, about, group)
    if capture_file not in names:
        return pl.DataFrame(schema=schema)
    own = names.index(capture_file)
    if not np.isfinite(shapes[own]).all():
        return pl.DataFrame(schema=schema)
    deviations = _deviations(frames, measure, names)
    extra = {}
    if deviations is not None and np.isfinite(deviations[own]).all():
        extra = {"deviations_pct": deviations, "query_deviation_pct": deviations[own]}
    found = nearest(shapes, shapes[own], NEIGHBOURS, leave_out=own, **extra)
    near = data.only(frames, pl.DataFrame({"capture_file": [names[place] for place in found.index]}))
    logged = {row["capture_file"]: row for row in near["captures"].iter_rows(named=True)}
    odd = dict(
        near["scores"].filter(pl.col("measure") == measure).select("capture_file", "odd_pct").iter_rows()
    )
    rows = []
    for place, distance in zip(found.index, found.distance, strict=True):
        row = logged[names[place]]
        low = odd.get(row["capture_file"])
        rows.append(
            (
                row["capture_file"],
                float(distance),
                words.day(row["captured_at"]),
                row["technician"],
                "unknown" if low is None else f"{words.number(words.odd_bound(about.measure, low), 1)} %",
                captures.job_outcome(about.kind, row, outcomes[row["repair_order"]])
                if row["repair_order"] in outcomes
                else "Nothing confirmed.",
            )
        )
    return pl.DataFrame(rows, schema=schema, orient="row")


def _deviations(
    frames: Frames, measure: str, names: list[str]
) -> np.ndarray[Any, np.dtype[np.float64]] | None:
    # by element, since positions count from wherever the index pulse was; by position where nothing has a name
    scores = data.only(frames, pl.DataFrame({"capture_file": names}))["element_scores"].filter(
        (pl.col("measure") == measure) & pl.col("capture_file").is_in(names)
    )
    if scores.is_empty():
        return None
    named = pl.coalesce("element", "position").alias("of")
    wide = scores.with_columns(named).pivot(on="of", index="capture_file", values="deviation_pct")
    table = pl.DataFrame({"capture_file": names}).join(
        wide, on="capture_file", how="left", maintain_order="left"
    )
    return table.drop("capture_file").to_numpy().astype(np.float64)


def gauge(stamp: str, test: str, measure: str) -> GaugeCheck | None:
    """Deviation against gauge loss, by group; None where no outcome of the test carries a gauge reading."""
    for found in limits.gauge(stamp, test, measure):
        return found
    return _gauge(stamp, test, measure, data.sight())


@st.cache_resource(max_entries=3, show_spinner="Comparing with gauge readings")
def _gauge(stamp: str, test: str, measure: str, sight: str) -> GaugeCheck | None:  # noqa: ARG001
    shop = data.shop_of_test(stamp, test, measure)
    if not shop.outcomes["gauge_kpa"].list.len().sum():
        return None
    return deviation_against_gauge(fits.scores(stamp, test, measure), shop)


def overlay_caption(found: Overlay) -> str:
    """What lies under the capture, with n."""
    text = f"n = {words.number(found.n)} {found.basis}"
    if found.band.is_empty():
        return f"{text}; too few for a band of normal spread ({LEAST_FOR_BAND} are needed)."
    return (
        f"{text}; band: where 95 of 100 such captures lie at each point, line: their mean. Only the shape is "
        "compared: each capture is on its own scale."
    )


def naming_caption(frames: Frames, about: Subject, group: str) -> str | None:
    """What the index pulse of this group's captures leaves open, or None."""
    if _nameless(frames, about, group):
        return f"No {about.kind.element.noun} of this group can be named: each capture begins with its own first event."
    if _naming(frames, about, group)["pairs"].any():
        return "An index pulse that comes twice a turn leaves two candidates: a capture may lie half a turn further on."
    return None


def gauge_points(check: GaugeCheck, group: str) -> pl.DataFrame:
    """The group's points of the gauge check; for the eye nothing sits more than 100 % below the usual."""
    rows = check.points.filter(pl.col("group") == group)
    return rows.with_columns(pl.col("deviation_pct").clip(lower_bound=-100.0))


def overlay_sentence(found: Overlay, group: str, over: str | None, sentence: str) -> str:
    """The overlay for whoever cannot see it."""
    text = f"Mean shapes of {words.number(found.n)} {found.basis} of {group} over one turn of the sequence"
    return f"{text}, with {over} laid over them. {sentence}" if over and found.chosen.height else f"{text}."


def overlay_rows(found: Overlay) -> pl.DataFrame:
    """The overlay's band and the capture over it, point by point, for the table."""
    rows = found.band
    if found.chosen.height:
        over = found.chosen.rename({"level": "this capture"})
        rows = rows.join(over, on="along", how="full", coalesce=True) if rows.height else over
    return rows if rows.height else found.good


def gauge_sentence(points: pl.DataFrame, agreement: Estimate) -> str:
    """The gauge chart for whoever cannot see it."""
    return (
        f"Deviation from the usual against loss on the gauge, {words.plural(points.height, 'point')}; rank correlation "
        f"{words.figure(agreement, '', digits=2)}."
    )
