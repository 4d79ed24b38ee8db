"""How odd each capture is: `odd_pct` against its group's pattern, and a calibrated p-value.

An uncertain figure is not a fault. A capture that was read less surely than its group usually is (few steps of the
scope, few repeats) scatters more than the group's healthy captures do, so its gap is judged by

    judged = odd * sqrt(V / (V + max(e^2 - e_usual^2, 0))),

V the variance of the gap in healthy captures, e the standard error of this capture's gap and e_usual that of the
group's captures: the gap in units of the scatter it really has, put back on the group's scale. Captures read as
surely as usual are judged by their gap itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.records.matrix import NAMED, NONE, PAIR, Layout, Readings, mirrored, readings_of
from models.records.shop import Shop
from models.spread.null import widest_gap
from models.spread.result import GroupFit
from models.spread.swing import swing_of
from models.stats.arrays import Bools, Floats, Ints
from models.stats.conformal import conformal_p_leave_one_out, p_floor
from models.stats.robust import nanmedian

MIN_CALIBRATION = 19
"""Calibration captures below which no conformal p-value can reach 0.05."""

OWN_CALIBRATION = 99
"""Calibration captures from which a group stands alone: its p-values then reach 0.01. Below, the captures of
all groups calibrate together, each on its own group's scale, which reaches further."""

CAPTURE_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "odd_pct": pl.Float64(),
    "odd_se_pct": pl.Float64(),
    "judged_pct": pl.Float64(),
    "odd_position": pl.Int64(),
    "odd_element": pl.Int64(),
    "odd_companion": pl.Int64(),
    "p_value": pl.Float64(),
    "p_basis": pl.String(),
    "p_floor": pl.Float64(),
    "model_p": pl.Float64(),
    "group": pl.String(),
}
ELEMENT_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "position": pl.Int64(),
    "group_pct": pl.Float64(),
    "deviation_pct": pl.Float64(),
}


@dataclass(frozen=True, slots=True)
class Scores:
    """What scoring gives, larger = odder.

    Attributes:
        captures: one row a readable capture: `odd_pct` with the standard error of the reading; `judged_pct`,
            what p-values and thresholds look at; where it is (position; element and companion as far as they
            are named); the calibrated `p_value` with the set it was calibrated on and its floor; and
            `model_p`, the same chance under the normal spread alone.
        elements: one row a capture and position: the group's usual value and the deviation.
    """

    captures: pl.DataFrame
    elements: pl.DataFrame


def score_captures(fit: GroupFit, shop: Shop) -> Scores:
    """Score every readable capture against its group.

    Args:
        fit: from `fit_groups`; groups the fit does not know are left out.
        shop: of the fit's test, elements of the fit's measure.
    """
    readings = readings_of(shop, fit.measure)
    rows, _ = readings.relative_pct.shape
    expected = _expected(fit, readings)
    deviation = readings.relative_pct - expected
    if fit.measure.cycle_pct:
        # captures scored apart from those the level was learnt from may lie on another branch
        half = fit.measure.cycle_pct / 2
        deviation = (deviation + half) % (2 * half) - half
    odd, at_column = widest_gap(deviation, either=fit.measure.direction == "either")
    error = _gap_error(readings.se_pct, np.maximum(at_column, 0)) if rows else np.zeros(0)
    judged = odd * _certainty(fit, readings, error)
    alone = judged * _left_out_factor(fit, readings)
    model_p = np.full(rows, np.nan)
    for at, layout in enumerate(readings.layouts):
        member = np.flatnonzero(readings.group == at)
        if member.size and layout.group in fit.nulls:
            model_p[member] = fit.nulls[layout.group].survival(alone[member])
    calibrated = _calibrate(readings, alone, model_p, fit.settings.draws)
    gaps = _Gaps(odd, error, judged, at_column)
    table = _capture_table(readings, gaps, model_p, calibrated)
    at_cell = np.nonzero(np.isfinite(deviation))
    side = -1.0 if fit.measure.direction == "high" else 1.0
    cells = pl.DataFrame(
        {
            "capture_file": readings.capture_file.gather(at_cell[0]),
            "position": at_cell[1] + 1,
            "group_pct": mirrored(expected[at_cell], fit.measure),
            "deviation_pct": side * deviation[at_cell],
        },
        schema=ELEMENT_SCHEMA,
    )
    return Scores(table, cells)


def _expected(fit: GroupFit, readings: Readings) -> Floats:
    """The group's usual value at each position, with what the capture swings by; NaN where there is none."""
    expected = np.full(readings.relative_pct.shape, np.nan)
    for at, layout in enumerate(readings.layouts):
        member = np.flatnonzero(readings.group == at)
        if member.size == 0 or layout.group not in fit.nulls:
            continue
        stat = fit.stats.filter(pl.col("group") == layout.group).row(0, named=True)
        n, spread = layout.elements, stat["spread_pct"]
        pattern = mirrored(fit.pattern_of(layout.group), fit.measure)
        usual = expected_pattern(readings, member, layout, pattern, spread)
        # By position: whichever half comes first, a swing is as likely one way as the other.
        sign = np.where(np.arange(n) % 2 == 0, 1.0, -1.0) * (n % 2 == 0)
        swing = swing_of(readings.relative_pct[member, :n] - usual, sign, stat["swing_pct"], spread)
        expected[member, :n] = usual + swing[:, None] * sign
    return expected


@dataclass(frozen=True, slots=True)
class _Gaps:
    """The oddest element of each capture: its gap, standard error, judged gap and column (-1 = none)."""

    odd: Floats
    error: Floats
    judged: Floats
    at_column: Ints


def _certainty(fit: GroupFit, readings: Readings, error: Floats) -> Floats:
    """Share of a gap that counts, 0 to 1: 1 where the capture was read as surely as its group usually is."""
    known = {row["group"]: row for row in fit.stats.iter_rows(named=True)}
    spread, usual = np.full(len(readings.layouts), np.nan), np.zeros(len(readings.layouts))
    for at, layout in enumerate(readings.layouts):
        stat = known.get(layout.group)
        if stat is None:
            continue
        spread[at] = stat["spread_pct"] * _gap_over_one(layout.elements)
        usual[at] = (stat["reading_se_pct"] or 0.0) * _gap_over_one(layout.elements)
    own = readings.group
    excess = np.maximum(np.nan_to_num(error) ** 2 - usual[own] ** 2, 0.0) if own.size else np.zeros(0)
    variance = spread[own] ** 2 if own.size else np.zeros(0)
    return np.asarray(np.sqrt(variance / (variance + excess)))


def _gap_over_one(elements: int) -> float:
    """Standard error of one element minus the median of the others, in standard errors of one element."""
    return float(_gap_error(np.ones((1, elements)), np.zeros(1, dtype=np.int64))[0])


def _capture_table(
    readings: Readings, gaps: _Gaps, model_p: Floats, calibrated: tuple[Floats, list[str], Floats]
) -> pl.DataFrame:
    p_value, basis, floor = calibrated
    rows = gaps.odd.size
    row, column, found = np.arange(rows), np.maximum(gaps.at_column, 0), gaps.at_column >= 0
    names = pl.Series([layout.group for layout in readings.layouts], dtype=pl.String)
    table = pl.DataFrame(
        {
            "capture_file": readings.capture_file,
            "odd_pct": gaps.odd,
            "odd_se_pct": gaps.error,
            "judged_pct": gaps.judged,
            "odd_position": np.where(found, column + 1, 0),
            "odd_element": readings.element[row, column] if rows else np.zeros(0, dtype=np.int64),
            "odd_companion": readings.companion[row, column] if rows else np.zeros(0, dtype=np.int64),
            "p_value": p_value,
            "p_basis": basis,
            "p_floor": floor,
            "model_p": model_p,
            "group": names.gather(readings.group),
        },
        schema=CAPTURE_SCHEMA,
    )
    zero = pl.col("odd_position", "odd_element", "odd_companion")
    table = table.with_columns(pl.when(zero > 0).then(zero), pl.col(pl.Float64).fill_nan(None))
    return table.filter(pl.col("odd_pct").is_not_null())


def expected_pattern(
    readings: Readings, member: Ints, layout: Layout, pattern_pct: Floats, spread_pct: float
) -> Floats:
    """The group's usual value at each position of some captures.

    Where elements are named there is nothing to choose. An index that names pairs leaves two
    alignments, no pulse leaves as many as there are elements: then the usual value is the mean over the
    alignments, each weighted by how well the capture fits it (bounded loss, so that a weak element does
    not decide). Where all fit alike that mean is flat.

    Args:
        member: rows of `readings`, all of the group; pattern_pct: by element number, shape (N,).

    Returns:
        shape (len(member), N), in %.
    """
    n = layout.elements
    identified = readings.identified[member]
    expected = np.full((member.size, n), 100.0)
    named = identified == NAMED
    expected[named] = pattern_pct[readings.element[member[named], :n] - 1]
    pair = np.flatnonzero(identified == PAIR)
    if pair.size:
        here = readings.element[member[pair], :n]
        other = readings.companion[member[pair], :n]
        swapped = np.where(other > 0, other, here)
        choices = np.stack([pattern_pct[here - 1], pattern_pct[swapped - 1]], axis=1)
        expected[pair] = _weigh(readings.relative_pct[member[pair], :n], choices, spread_pct)
    nameless = np.flatnonzero(identified == NONE)
    if nameless.size:
        order = np.array(layout.sequence) - 1
        turns = np.stack([pattern_pct[np.roll(order, -turn)] for turn in range(n)])
        choices = np.broadcast_to(turns, (nameless.size, n, n))
        expected[nameless] = _weigh(readings.relative_pct[member[nameless], :n], choices, spread_pct)
    return expected


def _weigh(value: Floats, choices: Floats, spread_pct: float) -> Floats:
    residual = value[:, None, :] - choices
    residual = residual - nanmedian(residual, axis=2, keepdims=True)
    loss = np.sum(np.minimum((residual / spread_pct) ** 2 / 2.0, 4.5), axis=2)
    weight = np.exp(loss.min(axis=1, keepdims=True) - loss)
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(np.einsum("ar,arp->ap", weight, choices))


def _gap_error(se_pct: Floats, column: Ints) -> Floats:
    """Standard error of the lowest element minus the median of the others, from the reading alone.

    The median of m normal values has about pi/2 times the variance of their mean, less for few values
    (factor 1 at two, where median and mean agree).
    """
    variance = np.where(np.isfinite(se_pct), se_pct, np.nan) ** 2
    if variance.shape[1] == 1:
        return np.asarray(np.sqrt(variance[:, 0]))
    own = variance[np.arange(variance.shape[0]), column]
    counts = np.isfinite(variance).sum(axis=1)
    rest = np.nansum(variance, axis=1) - np.nan_to_num(own)
    others = np.maximum(counts - 1, 1)
    efficiency = 1.0 + (np.pi / 2 - 1.0) * np.maximum(others - 2, 0) / (others + 1.0)
    return np.asarray(np.sqrt(own + efficiency * rest / others**2))


def _left_out_factor(fit: GroupFit, readings: Readings) -> Floats:
    """How much odder each capture would look had it not helped to shape its group's pattern.

    Leaving one of K equal captures out of a mean multiplies its distance to that mean by K/(K - 1).
    """
    weight = (
        readings.capture_file.to_frame("capture_file")
        .join(
            fit.healthy.select("capture_file", "healthy_probability"),
            on="capture_file",
            how="left",
            maintain_order="left",
        )["healthy_probability"]
        .fill_null(0.0)
        .to_numpy()
    )
    known = dict(zip(fit.stats["group"], fit.stats["healthy_captures"], strict=True))
    total = np.array([known.get(layout.group, 0.0) for layout in readings.layouts])
    if total.size == 0:
        return np.ones(weight.size)
    # + 1: the pattern is held towards even by about one capture's worth of prior.
    return np.asarray(1.0 / (1.0 - weight / (total[readings.group] + 1.0)))


def _calibrate(
    readings: Readings, odd_pct: Floats, model_p: Floats, draws: int
) -> tuple[Floats, list[str], Floats]:
    """Conformal within the group, over all groups, or the normal spread alone: whichever can speak."""
    rows = odd_pct.size
    p = np.maximum(model_p, 1.0 / (draws + 1.0))
    basis = np.full(rows, "", dtype=object)
    basis[:] = f"no calibration set of {MIN_CALIBRATION}: normal spread alone"
    floor = np.full(rows, 1.0 / (draws + 1.0))
    healthy = readings.healthy_label > 0
    everything, text = _calibration_set(readings.known_good, healthy)
    size = int(everything.sum())
    if size >= MIN_CALIBRATION:
        # -log of the model's p puts groups of any spread and element count on one scale.
        p = conformal_p_leave_one_out(-np.log(np.maximum(model_p, 1e-300)), everything)
        basis[:] = f"{size} {text} of all groups, each on its own group's scale"
        floor[:] = p_floor(size)
    for group in range(len(readings.layouts)):
        member = readings.group == group
        own, text = _calibration_set(readings.known_good & member, healthy & member)
        size = int(own.sum())
        if size >= OWN_CALIBRATION:
            p[member] = conformal_p_leave_one_out(odd_pct[member], own[member])
            basis[member] = f"{size} {text} of this group"
            floor[member] = p_floor(size)
    return p, basis.tolist(), floor


def _calibration_set(known_good: Bools, healthy: Bools) -> tuple[Bools, str]:
    """Known-good captures alone where there are enough: those confirmed even were mostly picked for looking odd."""
    if known_good.sum() >= MIN_CALIBRATION:
        return known_good, "known-good captures"
    return healthy, "captures known good or confirmed even"
