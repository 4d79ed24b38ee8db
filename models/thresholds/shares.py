"""Shares of healthy and of odd captures at a limit, with their intervals, corrected for who gets followed up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records.shop import Shop
from models.spread.scoring import Scores
from models.stats.results import Estimate
from models.thresholds.curves import (
    band,
    bootstrap_times,
    drawn_weights,
    effective,
    healthy_weight,
    odd_weight,
    share_at_least,
    vehicle_codes,
)
from models.thresholds.evidence import Weights, confirmation_weights, evidence
from models.thresholds.follow_up import MIN_UNFLAGGED, enough_unflagged, looks_healthy

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_ONE_SIDED = (
    "Only {} captures {} that looked healthy are known to be what they are, at least {} from their whole range are "
    "needed: captures that are followed up because they look odd cannot say it alone."
)

MIN_OWN = 5
"""Confirmed captures of each sort a group needs before its proposal is said to rest on its outcomes."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a limit does in one group: share of healthy captures it flags, share of odd ones it finds."""

    false_alarm: Estimate
    detection: Estimate


def share_estimate(
    odd_pct: Floats, members: Ints, weight: Floats, drawn: list[Floats], limit: float, sort: str
) -> Estimate:
    n = int(members.size)
    if n < MIN_OWN:
        return Estimate.nothing(n, f"{n} captures {sort} in this group; at least {MIN_OWN} are needed.")
    at = np.array([limit])
    share = share_at_least(odd_pct[members], weight[members], at)
    again = (
        share_at_least(odd_pct[members], np.stack([one[members] for one in drawn]), at)
        if drawn
        else np.zeros((0, 1))
    )
    low, high = band(share, again, effective(weight[members]))
    return Estimate(n, float(share[0]), float(low[0]), float(high[0]))


class _Costs(dict[str, Cost]):
    """Groups without a limit answer that there is nothing to say."""

    def __missing__(self, key: str) -> Cost:
        nothing = Estimate.nothing(0, f"No limit is in force for {key}.")
        return Cost(nothing, nothing)


def costs_at(
    scores: Scores | pl.DataFrame,
    shop: Shop,
    limits: Mapping[str, float],
    *,
    draws: int = 200,
    seed: int = 20251125,
) -> Mapping[str, Cost]:
    """False alarms and detection of given limits, corrected for who gets followed up.

    Where only captures that looked odd were confirmed neither can be known, and the answer says so.

    Args:
        scores: capture scores, from `score_captures` or the warehouse.
        limits: X by group, in %.

    Returns:
        by group; a group without a limit answers with `Estimate.nothing`.
    """
    rows = evidence(scores, shop)
    weighting: Weights = confirmation_weights(rows)
    looks = looks_healthy(rows, limits)
    enough, unflagged = enough_unflagged(rows, looks)
    times = bootstrap_times(vehicle_codes(rows), draws, seed)
    redrawn = drawn_weights(rows, times, weighting)
    healthy, odd = healthy_weight(rows, weighting), odd_weight(rows, weighting)
    drawn_healthy = [healthy_weight(rows, one) * row for one, row in zip(redrawn, times, strict=True)]
    drawn_odd = [odd_weight(rows, one) * row for one, row in zip(redrawn, times, strict=True)]
    value = rows["odd_pct"].to_numpy()
    flagged_alone = ~looks & rows["in_question"].to_numpy()
    found = _Costs()
    for name, limit in limits.items():
        member = (rows["group"] == name).fill_null(False).to_numpy()
        good, bad = np.flatnonzero(member & (healthy > 0)), np.flatnonzero(member & (odd > 0))
        quiet = int((~flagged_alone[good]).sum())
        alarm = share_estimate(value, good, healthy, drawn_healthy, limit, "known healthy")
        if alarm.estimate is not None and quiet < MIN_OWN:
            alarm = Estimate.nothing(alarm.n, _ONE_SIDED.format(quiet, "of this group", MIN_OWN))
        detection = share_estimate(value, bad, odd, drawn_odd, limit, "confirmed odd")
        if detection.estimate is not None and not enough:
            why = _ONE_SIDED.format(unflagged, "of the shop", MIN_UNFLAGGED)
            detection = Estimate.nothing(detection.n, why)
        found[name] = Cost(false_alarm=alarm, detection=detection)
    return found
