"""Steadied curves behind the expected cost: what a group's few confirmed captures cannot say alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit, ndtr

from models.stats.arrays import Floats, Ints
from models.stats.pooling import pool_normal
from models.thresholds.curves import effective, share_at_least

COST_GRID_PCT: Floats = np.round(np.arange(1.0, 40.01, 0.1), 1)

HEALTHY_WORTH = 30.0
"""Captures' worth of trust in the normal spread when it meets the group's own healthy captures (a choice)."""

ODD_WORTH = 10.0
"""The same for the shop's odd captures against the group's own (a choice)."""

MIN_SHOP = 12
"""Captures confirmed odd in the shop below which no cost is weighed (a choice)."""


def detection_kernel(odd_pct: Floats, grid_pct: Floats) -> Floats:
    """Share of each odd capture that lies at or beyond each X, smoothed by a normal kernel; shape (n, k).

    Bandwidth by the rule of thumb 0.9 min(sd, IQR/1.34) n^(-1/5) (Silverman B.W. 1986, Density Estimation,
    section 3.4.2), at least half a percent. Made once, it serves every draw of the weights.

    Args:
        odd_pct: shape (n,).
    """
    if odd_pct.size == 0:
        return np.zeros((0, grid_pct.size))
    quarter, three = np.quantile(odd_pct, [0.25, 0.75])
    scale = min(float(np.std(odd_pct)), float(three - quarter) / 1.34) or float(np.std(odd_pct))
    width = max(0.9 * scale * odd_pct.size ** (-0.2), 0.5)
    return np.asarray(ndtr((odd_pct[:, None] - grid_pct[None, :]) / width))


def smoothed_detection(kernel: Floats, weight: Floats) -> Floats:
    """Weighted share of odd captures at or beyond each X.

    Args:
        kernel: of `detection_kernel`, shape (n, k); weight: shape (n,) or (draws, n).

    Returns:
        shape (k,) or (draws, k); NaN where the weights sum to 0.
    """
    total = weight.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(weight @ kernel / (total if weight.ndim == 1 else total[:, None]))


@dataclass(frozen=True, slots=True)
class Draw:
    """Weights of one reading of the evidence (the data as they are, or one bootstrap draw)."""

    healthy: Floats
    odd: Floats
    asked: Floats


@dataclass(frozen=True, slots=True)
class ShopCurves:
    """Odd captures of all groups together; prevalence by group, shape (groups,) or (draws, groups).

    `unflagged_n` counts confirmed captures that looked healthy, `enough` says whether costs can be weighed;
    `draw` and `drawn` are the weights behind them: the evidence as it is, by row, and its bootstrap draws, over the
    `spoken` rows only (those that weigh anything).
    """

    odd_n: int
    unflagged_n: int
    enough: bool
    detection: Floats
    drawn_detection: Floats
    prevalence: Floats
    drawn_prevalence: Floats
    draw: Draw
    spoken: Ints
    drawn: list[Draw]


def share_odd(draw: Draw, group: Ints, groups: int, noise: Floats | None = None) -> tuple[float, Floats]:
    """Weighted share of odd among the confirmed captures in question: of the shop, and of each group.

    The groups are partially pooled on the logit scale (`models.stats.pooling.pool_normal`), each with the
    standard error of its effective number of captures, one more capture of the shop's share added to it.

    Args:
        group: code of each row's group, shape (captures,), -1 for none; groups: how many there are.
        noise: standard normal numbers, shape (groups,): each group's share is then a draw from what is
            known of it instead of its middle.

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
    shop = float(np.clip(odd.sum() / total, 0.01, 0.99))
    # half a capture of each sort, as usual with a logit, would make a rare fault far too common
    own_share = np.where(by_all > 0, by_odd / np.where(by_all > 0, by_all, 1.0), shop)
    share = (own_share * worth + shop) / (worth + 1.0)
    error = np.where(worth > 0, 1.0 / np.sqrt((worth + 1.0) * share * (1.0 - share)), np.inf)
    pool = pool_normal(logit(share), error, mu_prior=(float(logit(shop)), 0.5), tau_scale=0.5, grid=200)
    level = pool.mean if noise is None else pool.mean + pool.sd * noise
    return float(odd.sum() / total), np.asarray(expit(level))


def group_curves(
    odd_pct: Floats,
    healthy_rows: Ints,
    odd_rows: Ints,
    healthy: Floats,
    odd: Floats,
    alarm: Floats,
    detection: Floats,
    kernel: Floats,
) -> tuple[Floats, Floats]:
    """False alarms and detection on the cost grid, the group's own captures against what steadies them.

    Args:
        kernel: of the odd rows, from `detection_kernel`.
    """
    if healthy[healthy_rows].sum() > 0:
        worth = effective(healthy[healthy_rows])
        own = share_at_least(odd_pct[healthy_rows], healthy[healthy_rows], COST_GRID_PCT)
        alarm = (worth * own + HEALTHY_WORTH * alarm) / (worth + HEALTHY_WORTH)
    if odd[odd_rows].sum() > 0:
        worth = effective(odd[odd_rows])
        own = smoothed_detection(kernel, odd[odd_rows])
        detection = (worth * own + ODD_WORTH * detection) / (worth + ODD_WORTH)
    return alarm, detection
