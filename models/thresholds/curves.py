"""Detection and false alarms against the limit X, per group, with bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.stats.intervals import wilson_many
from models.thresholds.evidence import EVEN, ODD, Weights, confirmation_weights

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

GRID_PCT: Floats = np.round(np.arange(0.0, 40.01, 0.25), 2)

SCHEMA: dict[str, pl.DataType] = {
    "group": pl.String(),
    "threshold_pct": pl.Float64(),
    "what": pl.String(),
    "how": pl.String(),
    "share": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "n": pl.Int64(),
    "effective_n": pl.Float64(),
}
WEIGHT_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "group": pl.String(),
    "odd_pct": pl.Float64(),
    "confirmed": pl.Int64(),
    "chance": pl.Float64(),
    "weight": pl.Float64(),
}


@dataclass(frozen=True, slots=True)
class ThresholdCurves:
    """Shares against X.

    Attributes:
        curves: one row a group, X, `what` ('detection' of captures confirmed odd, 'false_alarm' among
            captures of healthy engines) and `how` ('naive': confirmed captures counted as they are;
            'corrected': weighted by one over the chance of being confirmed, known-good captures added to
            the healthy ones). [low, high] is the 95 % band, `n` the captures behind it.
        weights: the confirmed captures with their chance of being confirmed and their weight.
        weighting: how the weights came out.
    """

    curves: pl.DataFrame
    weights: pl.DataFrame
    weighting: Weights


def vehicle_codes(rows: pl.DataFrame) -> Ints:
    """Code of each row's vehicle, the unit that is drawn in the bootstrap."""
    name = pl.coalesce(
        pl.lit("v:") + pl.col("group") + pl.lit(":") + pl.col("vehicle"),
        pl.lit("c:") + pl.col("capture_file"),
    )
    return rows.select(name.rank("dense")).to_series().to_numpy().astype(np.int64) - 1


MOST_CELLS = 5_000_000
"""Rows times draws of one bootstrap; beyond it there are fewer draws, but never fewer than 50."""


def bootstrap_times(vehicle: Ints, draws: int, seed: int) -> Floats:
    """How often each row counts in each draw: vehicles are drawn with replacement.

    Returns:
        shape (draws, rows); fewer draws than asked for where there are very many rows.
    """
    draws = min(draws, max(50, MOST_CELLS // max(vehicle.size, 1)))
    rng = np.random.default_rng(seed)
    count = int(vehicle.max(initial=-1)) + 1
    times = (
        rng.multinomial(count, np.full(count, 1.0 / max(count, 1)), size=draws)
        if count
        else np.zeros((draws, 0))
    )
    return np.asarray(times[:, vehicle], dtype=np.float64)


def share_at_least(odd_pct: Floats, weight: Floats, grid_pct: Floats) -> Floats:
    """Weighted share of captures at or beyond each X.

    Args:
        odd_pct: shape (n,); weight: shape (n,) or (draws, n); grid_pct: shape (k,), ascending.

    Returns:
        shape (k,) or (draws, k); NaN where the weights sum to 0.
    """
    order = np.argsort(odd_pct, kind="stable")
    ordered = weight[..., order]
    below = np.concatenate([np.zeros((*ordered.shape[:-1], 1)), np.cumsum(ordered, axis=-1)], axis=-1)
    total = below[..., -1:]
    at = np.searchsorted(odd_pct[order], grid_pct, side="left")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((total - below[..., at]) / total)


def band(share: Floats, drawn: Floats, effective_n: float) -> tuple[Floats, Floats]:
    """95 % band from bootstrap draws; the Wilson interval where the draws cannot see.

    With no event (or nothing but events) every draw gives the same share; there and wherever it is wider
    the Wilson interval on the effective number of captures counts.

    Args:
        share: shape (k,); drawn: shape (draws, k).
    """
    usable = drawn[np.isfinite(drawn).all(axis=1)]
    wilson_low, wilson_high = wilson_many(
        np.clip(share, 0, 1) * effective_n, np.full(share.size, effective_n)
    )
    if usable.shape[0] < 20:
        return wilson_low, wilson_high
    low, high = np.quantile(usable, [0.025, 0.975], axis=0)
    return np.minimum(low, wilson_low), np.maximum(high, wilson_high)


def effective(weight: Floats) -> float:
    """(sum w)^2 / sum w^2."""
    square = float(np.sum(weight**2))
    return float(weight.sum()) ** 2 / square if square > 0 else 0.0


def healthy_weight(rows: pl.DataFrame, weighting: Weights) -> Floats:
    """Weights of the healthy captures: confirmed even ones, and known-good ones at weight 1."""
    confirmed = rows["confirmed"].to_numpy()
    good = (rows["purpose"] == "known_good").fill_null(False).to_numpy() & (confirmed != ODD)
    return np.where(good, 1.0, np.where(confirmed == EVEN, weighting.weight, 0.0))


def odd_weight(rows: pl.DataFrame, weighting: Weights) -> Floats:
    """Weights of the captures confirmed odd."""
    return np.where(rows["confirmed"].to_numpy() == ODD, weighting.weight, 0.0)


def drawn_weights(rows: pl.DataFrame, times: Floats, weighting: Weights) -> list[Weights]:
    """The weights of each bootstrap draw, fitted anew (not for very many captures, where it changes nothing)."""
    if rows.height > 5_000 or weighting.why is not None:
        return [weighting] * times.shape[0]
    return [confirmation_weights(rows, times=row) for row in times]


def curves(
    rows: pl.DataFrame, *, grid_pct: Floats | None = None, draws: int = 200, seed: int = 20251125
) -> ThresholdCurves:
    """Curves of every group that has a confirmed capture.

    Args:
        rows: from `evidence`.
        grid_pct: values of X, ascending, in %.
        draws: bootstrap draws (vehicles with replacement; the weights are fitted anew in each).
    """
    grid = GRID_PCT if grid_pct is None else np.asarray(grid_pct, dtype=np.float64)
    weighting = confirmation_weights(rows)
    times = bootstrap_times(vehicle_codes(rows), draws, seed)
    redrawn = drawn_weights(rows, times, weighting)
    odd = rows["odd_pct"].to_numpy()
    confirmed = rows["confirmed"].to_numpy()
    asked = rows["in_question"].to_numpy()
    naive = {"detection": (confirmed == ODD) & asked, "false_alarm": (confirmed == EVEN) & asked}
    pick = {"detection": odd_weight, "false_alarm": healthy_weight}
    parts: list[pl.DataFrame] = []
    for name in rows["group"].unique().drop_nulls().sort():
        group = (rows["group"] == name).fill_null(False).to_numpy()
        for what in ("detection", "false_alarm"):
            for how in ("naive", "corrected"):
                base = naive[what].astype(np.float64) if how == "naive" else pick[what](rows, weighting)
                member = np.flatnonzero(group & (base > 0))
                if member.size == 0:
                    continue
                again = (
                    np.ones((times.shape[0], member.size))
                    if how == "naive"
                    else np.stack([pick[what](rows, one)[member] for one in redrawn])
                )
                share = share_at_least(odd[member], base[member], grid)
                drawn = share_at_least(odd[member], again * times[:, member], grid)
                worth = effective(base[member])
                low, high = band(share, drawn, worth)
                parts.append(
                    pl.DataFrame(
                        {
                            "group": pl.repeat(name, grid.size, eager=True),
                            "threshold_pct": grid,
                            "what": pl.repeat(what, grid.size, eager=True),
                            "how": pl.repeat(how, grid.size, eager=True),
                            "share": share,
                            "low": low,
                            "high": high,
                            "n": pl.repeat(member.size, grid.size, eager=True, dtype=pl.Int64),
                            "effective_n": pl.repeat(worth, grid.size, eager=True, dtype=pl.Float64),
                        },
                        schema=SCHEMA,
                    )
                )
    shown = rows.select("capture_file", "group", "odd_pct", "confirmed").with_columns(
        pl.Series("chance", weighting.chance, dtype=pl.Float64).fill_nan(None),
        pl.Series("weight", weighting.weight, dtype=pl.Float64),
    )
    return ThresholdCurves(
        curves=pl.concat(parts) if parts else pl.DataFrame(schema=SCHEMA),
        weights=shown.filter(pl.col("weight") > 0).cast(pl.Schema(WEIGHT_SCHEMA)),
        weighting=weighting,
    )
