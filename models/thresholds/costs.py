"""Steadied curves behind the expected cost: what a group's few confirmed captures cannot say alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import expit, logit, ndtr

from models.stats.pooling import pool_normal
from models.thresholds.curves import Draws, effective, share_at_least

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

COST_GRID_PCT: Floats = np.round(np.arange(1.0, 40.01, 0.1), 1)

HEALTHY_WORTH = 30.0
"""Captures' worth of trust in the normal spread when it meets the group's own healthy captures (a choice)."""

ODD_WORTH = 10.0
"""The same for the shop's odd captures against the group's own (a choice)."""

_PIECE = 16_384

MIN_SHOP = 12
"""Captures confirmed odd in the shop below which no cost is weighed (a choice)."""


def smoothed_detection(odd_pct: Floats, weight: Floats, grid_pct: Floats) -> Floats:
    """Weighted share of odd captures at or beyond each X, smoothed by a normal kernel.

    Bandwidth by the rule of thumb 0.9 min(sd, IQR/1.34) n^(-1/5) (Silverman B.W. 1986, Density Estimation,
    section 3.4.2), at least half a percent.

    Args:
        odd_pct: shape (n,), n >= 1; weight: shape (n,) or (draws, n).

    Returns:
        shape (k,) or (draws, k); NaN where the weights sum to 0.
    """
    width = _bandwidth(odd_pct)
    mass = np.zeros((*weight.shape[:-1], grid_pct.size))
    # A piece at a time: captures times grid are many in a large shop.
    for start in range(0, odd_pct.size, _PIECE):
        piece = slice(start, start + _PIECE)
        part = weight[..., piece] @ _kernel(odd_pct[piece], grid_pct, width)
        mass = part if start == 0 else mass + part
    total = weight.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(mass / (total if weight.ndim == 1 else total[:, None]))


def _bandwidth(odd_pct: Floats) -> float:
    quarter, three = np.quantile(odd_pct, [0.25, 0.75])
    scale = min(float(np.std(odd_pct)), float(three - quarter) / 1.34) or float(np.std(odd_pct))
    return float(max(0.9 * scale * odd_pct.size ** (-0.2), 0.5))


def _kernel(odd_pct: Floats, grid_pct: Floats, width: float) -> Floats:
    table = odd_pct[:, None] - grid_pct[None, :]
    table /= width
    return np.asarray(ndtr(table, out=table))


@dataclass(frozen=True, slots=True)
class Draw:
    """Weights of one reading of the evidence (the data as they are, or one bootstrap draw)."""

    healthy: Floats
    odd: Floats
    asked: Floats


@dataclass(frozen=True, slots=True)
class ShopCurves:
    """Odd captures of all groups together; prevalence by group, shape (groups,) or (draws, groups)."""

    odd_n: int
    detection: Floats
    drawn_detection: Floats
    prevalence: Floats
    drawn_prevalence: Floats

    @classmethod
    def of(cls, rows: pl.DataFrame, whole: Draw, drawing: Draws, group: Ints, groups: int) -> ShopCurves:
        odd = np.flatnonzero(whole.odd > 0)
        if odd.size < MIN_SHOP:
            empty = np.zeros(0)
            return cls(int(odd.size), empty, empty, empty, empty)
        value = rows["odd_pct"].to_numpy()[odd]
        every = np.arange(rows.height)
        again = (
            Draw(drawing.healthy(at, every), drawing.odd(at, every), whole.asked * drawing.times[at])
            for at in range(len(drawing))
        )
        return cls(
            odd_n=int(odd.size),
            detection=smoothed_detection(value, whole.odd[odd], COST_GRID_PCT),
            drawn_detection=smoothed_detection(value, drawing.all_odd(odd), COST_GRID_PCT),
            prevalence=share_odd(whole, group, groups)[1],
            drawn_prevalence=np.stack([share_odd(one, group, groups)[1] for one in again]),
        )


def share_odd(draw: Draw, group: Ints, groups: int) -> tuple[float, Floats]:
    """Weighted share of odd among the confirmed captures in question: of the shop, and of each group.

    The groups are partially pooled on the logit scale (`models.stats.pooling.pool_normal`), each with the
    standard error of its effective number of captures, one more capture of the shop's share added to it.

    Args:
        group: code of each row's group, shape (captures,), -1 for none; groups: how many there are.

    Returns:
        the shop's share (NaN without a confirmed capture) and shape (groups,).
    """
    asked = draw.asked > 0
    odd, even = np.where(asked, draw.odd, 0.0), np.where(asked, draw.healthy, 0.0)
    total = float(odd.sum() + even.sum())
    if total <= 0:
        return float("nan"), np.full(groups, np.nan)
    own = asked & (group >= 0)
    by_odd = np.bincount(group[own], weights=odd[own], minlength=groups)
    by_all = by_odd + np.bincount(group[own], weights=even[own], minlength=groups)
    square = np.bincount(group[own], weights=(odd**2 + even**2)[own], minlength=groups)
    worth = np.where(square > 0, by_all**2 / np.where(square > 0, square, 1.0), 0.0)
    share = (np.where(by_all > 0, by_odd / np.where(by_all > 0, by_all, 1.0), 0.5) * worth + 0.5) / (
        worth + 1.0
    )
    error = np.where(worth > 0, 1.0 / np.sqrt((worth + 1.0) * share * (1.0 - share)), np.inf)
    shop = float(np.clip(odd.sum() / total, 0.01, 0.99))
    pool = pool_normal(logit(share), error, mu_prior=(float(logit(shop)), 0.5), tau_scale=0.5, grid=200)
    return float(odd.sum() / total), np.asarray(expit(pool.mean))


@dataclass(frozen=True, slots=True)
class GroupEvidence:
    """One group's captures known healthy and confirmed odd, sorted and smoothed once for all draws.

    Attributes:
        healthy_pct, odd_pct: their oddness. kernel: of `odd_pct` on the cost grid, (odd, grid); None for none.
    """

    healthy_pct: Floats
    odd_pct: Floats
    kernel: Floats | None

    @classmethod
    def of(cls, healthy_pct: Floats, odd_pct: Floats) -> GroupEvidence:
        kernel = _kernel(odd_pct, COST_GRID_PCT, _bandwidth(odd_pct)) if odd_pct.size else None
        return cls(healthy_pct, odd_pct, kernel)

    def curves(self, healthy: Floats, odd: Floats, alarm: Floats, detection: Floats) -> tuple[Floats, Floats]:
        """False alarms and detection on the cost grid, the group's own captures against what steadies them.

        Args:
            healthy, odd: weights of the captures, shapes of `healthy_pct` and `odd_pct`.
            alarm, detection: what steadies, shape (grid,).
        """
        if healthy.sum() > 0:
            worth = effective(healthy)
            own = share_at_least(self.healthy_pct, healthy, COST_GRID_PCT)
            alarm = (worth * own + HEALTHY_WORTH * alarm) / (worth + HEALTHY_WORTH)
        if self.kernel is not None and odd.sum() > 0:
            worth = effective(odd)
            own = odd @ self.kernel / odd.sum()
            detection = (worth * own + ODD_WORTH * detection) / (worth + ODD_WORTH)
        return alarm, detection
