"""Every group's captures classified as healthy and odd, with what swings taken off first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.records.matrix import NAMED, NONE, PAIR, Readings
from models.spread.mixture import classify_captures, rough_spread
from models.spread.posterior import SIGMA_PCT, GroupSums, group_sums, no_sums
from models.spread.swing import alternation, contrasts_lost, own_swing_variance, shared_swings, swing_of

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Shaping:
    """The captures of one group that shape it, by element number (or position where none is named)."""

    rows: Ints
    level_pct: Floats
    se_pct: Floats
    kind: int


@dataclass(frozen=True, slots=True)
class ClassifiedGroup:
    """One group, classified.

    Attributes:
        shaping: the captures, as they were read.
        sign: what swings, +1 and -1 by column (see `models.spread.swing`).
        swing_pct: standard deviation of the swing, 0 where there is none.
        healthy: probability of each capture of being healthy.
        odd_share: share of odd captures, None without captures.
        pattern_pct, spread_pct: as the classification found them.
        swing_variance: of this group's own captures.
        sums: for the posterior.
        level_pct: of one thing, the level its sums are measured from; 0 for elements beside each other.
    """

    shaping: Shaping
    sign: Floats
    swing_pct: float
    healthy: Floats
    odd_share: float | None
    pattern_pct: Floats
    spread_pct: float
    swing_variance: float
    sums: GroupSums
    level_pct: float = 0.0


def classify_first(
    readings: Readings, strata: Ints, *, usual_spread_pct: float, either: bool = False
) -> list[ClassifiedGroup]:
    """Classify every group twice: as read, then with the swing found so taken off."""
    shaping = [shape_group(readings, at) for at in range(len(readings.layouts))]
    rough = [
        rough_spread(one.level_pct, np.median(one.level_pct, axis=0)) for one in shaping if one.rows.size >= 5
    ]
    usual = usual_spread_pct
    if rough:
        usual = float(np.clip(np.median(rough), 0.4 * usual, 3.0 * usual))
    found = []
    for at, one in enumerate(shaping):
        layout = readings.layouts[at]
        sign = alternation(layout)
        if one.kind == NONE and sign.any():
            sign = np.where(np.arange(layout.elements) % 2 == 0, 1.0, -1.0)
        found.append(_classify(readings, one, sign, 0.0, usual, np.zeros(layout.elements), usual, either))
    starts = [one.spread_pct for one in found]
    return classify_again(readings, strata, found, starts, either=either)


def classify_again(
    readings: Readings,
    strata: Ints,
    before: list[ClassifiedGroup],
    starts: list[float],
    *,
    either: bool = False,
) -> list[ClassifiedGroup]:
    """Classify every group anew from its own spread, with the swings of the last classification.

    Args:
        strata: codes of like layouts; starts: spread of each group to start from, in %.
    """
    swings = shared_swings(
        [one.swing_variance for one in before],
        [float(one.healthy.sum()) for one in before],
        strata,
        [bool(one.sign.any()) for one in before],
    )
    return [
        _classify(readings, one.shaping, one.sign, swing, start, one.pattern_pct, one.spread_pct, either)
        for one, swing, start in zip(before, swings, starts, strict=True)
    ]


def _classify(
    readings: Readings,
    shaping: Shaping,
    sign: Floats,
    swing_pct: float,
    start_pct: float,
    pattern_pct: Floats,
    spread_pct: float,
    either: bool,
) -> ClassifiedGroup:
    n = sign.size
    if shaping.rows.size == 0:
        nothing = np.zeros(0)
        return ClassifiedGroup(
            shaping, sign, swing_pct, nothing, None, np.zeros(n), start_pct, 0.0, no_sums(n)
        )
    label = readings.healthy_label[shaping.rows]
    level = shaping.level_pct - shaping.level_pct.mean(axis=1, keepdims=True)
    swing = swing_of(level - pattern_pct, sign, swing_pct, spread_pct)
    steady = level - swing[:, None] * sign
    contrasts = n - 1.0 - contrasts_lost(swing_pct, spread_pct, n)
    found = classify_captures(
        steady, label, spread_start_pct=start_pct, grid_pct=SIGMA_PCT, contrasts=contrasts, either=either
    )
    sums = group_sums(
        steady,
        shaping.se_pct,
        found.healthy,
        readings.vehicle[shaping.rows],
        contrasts=contrasts,
        doubt=found.doubt_log_likelihood,
    )
    return ClassifiedGroup(
        shaping=shaping,
        sign=sign,
        swing_pct=swing_pct,
        healthy=found.healthy,
        odd_share=found.odd_share,
        pattern_pct=found.pattern_pct,
        spread_pct=found.spread_pct,
        swing_variance=own_swing_variance(level - found.pattern_pct, sign, found.healthy),
        sums=sums,
    )


def shape_group(readings: Readings, group: int) -> Shaping:
    """Pick the captures that can shape the pattern: named elements first, then pairs, then positions."""
    count = readings.layouts[group].elements
    member = readings.group == group
    named = np.flatnonzero(member & (readings.identified == NAMED))
    pair = np.flatnonzero(member & (readings.identified == PAIR))
    nameless = np.flatnonzero(member & (readings.identified == NONE))
    kind = NAMED
    rows = named
    if named.size < 5 and pair.size:
        rows, kind = np.sort(np.concatenate([named, pair])), (NAMED if named.size > pair.size else PAIR)
    if rows.size < 5 and nameless.size > rows.size:
        rows, kind = nameless, NONE
    value = readings.relative_pct[rows, :count]
    error = readings.se_pct[rows, :count]
    if kind != NONE:
        place = np.argsort(readings.element[rows, :count], axis=1)
        value = np.take_along_axis(value, place, axis=1)
        error = np.take_along_axis(error, place, axis=1)
    return Shaping(rows, value, error, kind)
