"""Known-good captures of a family over the crank angle, and past captures most like a given one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboard import data
from dashboard.shared import words
from dashboard.views.capture.answer import job_outcome
from dashboard.views.spread.answer import fitted, quantile_band, scored
from models.spread.nearest import nearest, turned
from models.thresholds.gauge import GaugeCheck, deviation_against_gauge

LEAST_FOR_BAND = 3
MOST_OVERLAID = 40
NEIGHBOURS = 6
MOST_LISTED = 500


@dataclass(frozen=True, slots=True)
class Overlay:
    """What is drawn over the crank angle.

    Attributes:
        good: capture_file, angle_deg, ripple: known-good mean cycles.
        band: angle_deg, low, middle, high; empty below `LEAST_FOR_BAND` captures.
        n: known-good captures behind it. basis: what they are, in words.
        firings: angle_deg, name: where each cylinder fires.
        chosen: angle_deg, ripple of the capture laid over it; empty without one.
    """

    good: pl.DataFrame
    band: pl.DataFrame
    n: int
    basis: str
    firings: pl.DataFrame
    chosen: pl.DataFrame


def cycles_of(stamp: str, family: str) -> tuple[list[str], np.ndarray[Any, np.dtype[np.float64]]]:
    """Mean cycles of a family's captures on the commonest grid: names and shape (captures, angles).

    All begin with the first cylinder of the firing order, whichever cylinder the sync was on; a capture
    whose cylinders have no names begins with its own first event.
    """
    rows = data.frame(stamp, "mean_cycles", engine_family=family)
    rows = rows.with_columns(size=pl.col("mean_cycle").list.len())
    if rows.is_empty():
        return [], np.zeros((0, 0))
    size = rows["size"].mode().max()
    rows = rows.filter(pl.col("size") == size)
    starts = dict(_firings(data.frames(stamp), family).select("name", "angle_deg").iter_rows())
    first = rows["first_cylinder"].cast(pl.String).to_list()
    start_deg = np.array([starts.get(name, 0.0) for name in first])
    shapes = np.stack(rows["mean_cycle"].to_list()).astype(np.float64)
    return rows["capture_file"].to_list(), turned(shapes, start_deg)


def overlay(stamp: str, frames: dict[str, pl.DataFrame], family: str, capture_file: str | None) -> Overlay:
    """Known-good mean cycles of a family, their normal range, and one capture over them."""
    names, cycles = cycles_of(stamp, family)
    good, basis = _known_good(data.fit_stamp(stamp), family, names)
    angles = np.arange(cycles.shape[1]) * (720.0 / max(1, cycles.shape[1]))
    at = [place for place, name in enumerate(names) if name in good and np.isfinite(cycles[place]).all()]
    drawn = at[-MOST_OVERLAID:]
    schema = {"capture_file": pl.String, "angle_deg": pl.Float64, "ripple": pl.Float64}
    lines = pl.concat(
        [
            pl.DataFrame({"capture_file": names[i], "angle_deg": angles, "ripple": cycles[i]}, schema=schema)
            for i in drawn
        ]
        or [pl.DataFrame(schema=schema)]
    )
    band = pl.DataFrame(
        schema={"angle_deg": pl.Float64, "low": pl.Float64, "middle": pl.Float64, "high": pl.Float64}
    )
    if len(at) >= LEAST_FOR_BAND:
        low, middle, high = quantile_band(cycles[at])
        band = pl.DataFrame({"angle_deg": angles, "low": low, "middle": middle, "high": high})
    chosen = pl.DataFrame(schema={"angle_deg": pl.Float64, "ripple": pl.Float64})
    if capture_file in names:
        chosen = pl.DataFrame({"angle_deg": angles, "ripple": cycles[names.index(capture_file)]})
    return Overlay(lines, band, len(at), basis, _firings(frames, family), chosen)


def _known_good(fit_stamp: str, family: str, names: list[str]) -> tuple[set[str], str]:
    healthy = fitted(fit_stamp).healthy.filter(pl.col("engine_family") == family)
    known = set(healthy.filter(pl.col("label") == "known healthy")["capture_file"]) & set(names)
    if len(known) >= LEAST_FOR_BAND:
        return known, "known-good captures (made as such, or confirmed even)"
    looks = set(healthy.filter(pl.col("healthy_probability") > 0.5)["capture_file"]) & set(names)
    return looks | known, "captures that look healthy (too few are known to be)"


def _firings(frames: dict[str, pl.DataFrame], family: str) -> pl.DataFrame:
    schema = {"angle_deg": pl.Float64, "name": pl.String}
    found = frames["families"].filter(pl.col("engine_family") == family)
    if found.is_empty():
        return pl.DataFrame(schema=schema)
    row = found.row(0, named=True)
    order = str(row["firing_order"]).split("-")
    given = str(row["firing_intervals_deg"] or "")
    steps = [float(part) for part in given.split("-")] if given else [720.0 / len(order)] * len(order)
    angles = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    named = row["sync_kind"] != "distributor"
    return pl.DataFrame(
        {"angle_deg": angles, "name": order if named else [f"no. {i + 1}" for i in range(len(order))]},
        schema=schema,
    )


def family_captures(frames: dict[str, pl.DataFrame], family: str) -> list[str]:
    """The family's newest captures that were read, newest first."""
    return (
        frames["captures"]
        .filter((pl.col("engine_family") == family) & (pl.col("status") == "read"))
        .sort("captured_at", descending=True, nulls_last=True)
        .head(MOST_LISTED)["capture_file"]
        .to_list()
    )


@st.cache_resource(max_entries=32, show_spinner=False)
def neighbours(stamp: str, family: str, capture_file: str) -> pl.DataFrame:
    """Past captures of the family most like one, nearest first, with what was confirmed on them."""
    frames = data.frames(stamp)
    schema = {
        "capture_file": pl.String,
        "distance": pl.Float64,
        "day": pl.String,
        "technician": pl.String,
        "lowest below others": pl.String,
        "confirmed": pl.String,
    }
    names, cycles = cycles_of(stamp, family)
    if capture_file not in names:
        return pl.DataFrame(schema=schema)
    own = names.index(capture_file)
    if not np.isfinite(cycles[own]).all():
        return pl.DataFrame(schema=schema)
    deviations = _deviations(frames, names)
    extra = {}
    if deviations is not None and np.isfinite(deviations[own]).all():
        extra = {"deviations_pct": deviations, "query_deviation_pct": deviations[own]}
    found = nearest(cycles, cycles[own], NEIGHBOURS, leave_out=own, **extra)
    captures = {row["capture_file"]: row for row in frames["captures"].iter_rows(named=True)}
    outcomes = {row["repair_order"]: row for row in frames["outcomes"].iter_rows(named=True)}
    odd = dict(frames["scores"].select("capture_file", "odd_pct").iter_rows())
    rows = []
    for place, distance in zip(found.index, found.distance, strict=True):
        row = captures[names[place]]
        low = odd.get(row["capture_file"])
        rows.append(
            (
                row["capture_file"],
                float(distance),
                words.day(row["captured_at"]),
                row["technician"],
                "unknown" if low is None else f"{words.number(low, 1)} %",
                job_outcome(row, outcomes[row["repair_order"]])
                if row["repair_order"] in outcomes
                else "Nothing confirmed.",
            )
        )
    return pl.DataFrame(rows, schema=schema, orient="row")


def _deviations(
    frames: dict[str, pl.DataFrame], names: list[str]
) -> np.ndarray[Any, np.dtype[np.float64]] | None:
    # by cylinder, since positions count from wherever the sync was; by position where nothing has a name
    scores = frames["cylinder_scores"].filter(pl.col("capture_file").is_in(names))
    if scores.is_empty():
        return None
    named = pl.coalesce("cylinder", "firing_position").alias("of")
    wide = scores.with_columns(named).pivot(on="of", index="capture_file", values="deviation_pct")
    table = pl.DataFrame({"capture_file": names}).join(
        wide, on="capture_file", how="left", maintain_order="left"
    )
    return table.drop("capture_file").to_numpy().astype(np.float64)


@st.cache_resource(max_entries=3, show_spinner="Comparing with gauge readings")
def gauge(stamp: str) -> GaugeCheck:
    """Deviation against gauge loss, by family."""
    frames = data.frames(stamp)
    return deviation_against_gauge(
        scored(data.fit_stamp(stamp)), frames["captures"], frames["cylinders"], frames["outcomes"]
    )


def overlay_caption(found: Overlay) -> str:
    """What lies under the capture, with n."""
    text = f"n = {words.number(found.n)} {found.basis}"
    if found.band.is_empty():
        return f"{text}; too few for a band of normal spread ({LEAST_FOR_BAND} are needed)."
    return (
        f"{text}; band: where 95 of 100 such captures lie at each angle, line: their mean. One ripple is the mean "
        "height of this capture's own events, so only the shape is compared."
    )


def sync_caption(frames: dict[str, pl.DataFrame], family: str) -> str | None:
    """What the sync signal of this family leaves open, or None."""
    found = frames["families"].filter(pl.col("engine_family") == family)
    kind = found["sync_kind"][0] if found.height else ""
    if kind == "distributor":
        return "A distributor's pulse names no cylinder: each capture begins with its own first event."
    if kind == "waste_spark":
        return "A waste-spark pulse comes twice in a cycle: a capture may lie half a cycle further on."
    return None


def gauge_points(check: GaugeCheck, family: str) -> pl.DataFrame:
    """The family's points of the gauge check."""
    return check.points.filter(pl.col("engine_family") == family)
