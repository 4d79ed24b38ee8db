"""Classifying the captures of one thing: one value a capture, held against its group's own known-good spread.

The same classification as `models.spread.mixture` in one dimension, with the same priors: a capture is healthy (its
value scatters about the group's level with one standard deviation), apart (it stands off by an unknown amount, mostly
on the side where faults stand), or wild. Where a test compares elements beside each other a capture's own level is a
nuisance; here the level is all there is, so it needs captures of its group before anything can be called odd.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from models.records.matrix import NAMED, Readings
from models.spread.classes import ClassifiedGroup, Shaping
from models.spread.mixture import HIGH_SHARE, ODD_PRIOR, SPREAD_DOF, WILD_SD_PCT, WILD_SHARE, gap_log_density
from models.spread.posterior import group_sums, no_sums
from models.stats.robust import shorth_middle

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ITERATIONS = 60


def classify_levels(readings: Readings, group: int, start_pct: float, either: bool) -> ClassifiedGroup:
    """Classify one group's captures of one thing.

    Args:
        readings: one column, a fault on the low side; group: index into `readings.layouts`.
        start_pct: the spread usual in the shop, the weak prior's centre, in %.
        either: a fault may stand on either side.
    """
    rows = np.flatnonzero((readings.group == group) & np.isfinite(readings.relative_pct[:, 0]))
    value, se = readings.relative_pct[rows, :1], readings.se_pct[rows, :1]
    shaping = Shaping(rows, value, se, NAMED)
    sign = np.zeros(1)
    if rows.size == 0:
        nothing = np.zeros(0)
        return ClassifiedGroup(
            shaping, sign, 0.0, nothing, None, np.zeros(1), start_pct, 0.0, no_sums(1), level_pct=100.0
        )
    label = readings.healthy_label[rows]
    level, spread, odd_share, healthy = _likeliest(value[:, 0], label, start_pct, either)
    sums = group_sums(value - level, se, healthy, readings.vehicle[rows], contrasts=1.0)
    return ClassifiedGroup(
        shaping, sign, 0.0, healthy, odd_share, np.zeros(1), spread, 0.0, sums, level_pct=level
    )


def _likeliest(
    value: Floats, label: Ints, start_pct: float, either: bool
) -> tuple[float, float, float, Floats]:
    """Level, spread, share of odd captures and probability of being healthy, from the likeliest of several starts."""
    known = value[label > 0]
    starts = [float(np.median(value)), float(shorth_middle(value[:, None])[0])]
    if known.size:
        starts.append(float(np.median(known)))
    found = [_from_start(value, label, start, start_pct, 0.5 if either else HIGH_SHARE) for start in starts]
    best = max(found, key=lambda one: one[4])
    return best[:4]


def _from_start(
    value: Floats, label: Ints, level: float, start_pct: float, high_share: float
) -> tuple[float, float, float, Floats, float]:
    spread, odd_share = start_pct, 0.3
    a, b = ODD_PRIOR
    healthy = np.zeros(value.size)
    likelihood = np.zeros(value.size)
    for _ in range(ITERATIONS):
        healthy, likelihood = _probability(value - level, label, spread, odd_share, high_share)
        weight = float(healthy.sum())
        unknown = label == 0
        share = float((1.0 - healthy[unknown]).sum())
        odd_share = float(np.clip((share + a - 1.0) / (unknown.sum() + a + b - 2.0), 0.01, 0.9))
        new_level = float(healthy @ value) / weight if weight > 1e-9 else level
        square = float(healthy @ (value - new_level) ** 2)
        new_spread = float(
            np.sqrt((square + SPREAD_DOF * start_pct**2) / (max(weight - 1.0, 0.0) + SPREAD_DOF))
        )
        done = abs(new_spread - spread) < 1e-4 * spread and abs(new_level - level) < 1e-4
        level, spread = new_level, new_spread
        if done:
            break
    prior = -0.5 * SPREAD_DOF * (2 * np.log(spread) + start_pct**2 / spread**2)
    prior += (a - 1) * np.log(odd_share) + (b - 1) * np.log(1 - odd_share)
    return level, spread, odd_share, healthy, float(likelihood.sum()) + float(prior)


def _probability(
    residual_pct: Floats, label: Ints, spread_pct: float, odd_share: float, high_share: float
) -> tuple[Floats, Floats]:
    def normal(sd: float) -> Floats:
        return np.asarray(-0.5 * np.log(2 * np.pi * sd**2) - residual_pct**2 / (2 * sd**2))

    apart = gap_log_density(-residual_pct, spread_pct, high_share) + np.log(1.0 - WILD_SHARE)
    odd = np.logaddexp(apart, normal(WILD_SD_PCT) + np.log(WILD_SHARE)) + np.log(odd_share)
    good = normal(spread_pct) + np.log(1.0 - odd_share)
    both = np.logaddexp(odd, good)
    probability = np.where(label > 0, 1.0, np.where(label < 0, 0.0, np.exp(good - both)))
    return probability, np.where(label > 0, good, np.where(label < 0, odd, both))
