"""From which X on is a cylinder odd, for this family, and what does that X cost?

Expected cost of one capture in question, with prevalence pi of weak cylinders:

    cost(X) = pi * cost_miss * (1 - detection(X)) + (1 - pi) * cost_false_alarm * false_alarm(X)

(Elkan C. 2001, The foundations of cost-sensitive learning, IJCAI, section 2, written as a curve.)
Curves of few captures are steps that jump about, so the proposal steadies them: false alarms by the
family's normal spread, detection by the odd captures of the whole shop, each giving way to the family's
own confirmed captures as they come in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.spread.null import Null
from models.spread.result import FamilyFit
from models.spread.scoring import Scores
from models.stats.results import Estimate
from models.thresholds.costs import COST_GRID_PCT, MIN_SHOP, Draw, ShopCurves, family_curves
from models.thresholds.curves import (
    ThresholdCurves,
    band,
    bootstrap_times,
    curves,
    drawn_weights,
    effective,
    healthy_weight,
    odd_weight,
    share_at_least,
    vehicle_codes,
)
from models.thresholds.evidence import Weights, confirmation_weights, evidence
from models.thresholds.whatif import WhatIf, what_if

__all__ = [
    "Cost",
    "Proposal",
    "ThresholdCurves",
    "WhatIf",
    "costs_at",
    "curves",
    "evidence",
    "propose",
    "what_if",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MIN_OWN = 5
"""Confirmed captures of each sort a family needs before its proposal is said to rest on its outcomes."""

RECENT_WEEKS = 12


@dataclass(frozen=True, slots=True)
class Cost:
    """What a limit does in one family: share of healthy captures it flags, share of odd ones it finds."""

    false_alarm: Estimate
    detection: Estimate


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed limit for one family.

    Attributes:
        threshold_pct: X, in % of `odd_pct`; low, high: its 95 % interval.
        basis: 'outcomes' (the family's own), 'outcomes of all families' or 'normal spread'.
        why: a sentence for the record of decisions.
        flags_per_week: captures a week at or beyond X, over the last `RECENT_WEEKS` weeks on record.
        false_alarm, detection: at X.
        prevalence: share of weak cylinders among the captures in question, None where nothing says.
        cost: DataFrame(threshold_pct, expected_cost, detection, false_alarm): the steadied curves;
            empty for basis 'normal spread', where no cost could be weighed.
        cost_miss, cost_false_alarm: what was asked with.
    """

    engine_family: str
    threshold_pct: float
    low: float
    high: float
    basis: str
    why: str
    flags_per_week: float
    false_alarm: Estimate
    detection: Estimate
    prevalence: float | None
    cost: pl.DataFrame
    cost_miss: float
    cost_false_alarm: float


def propose(
    fit: FamilyFit,
    scores: Scores | pl.DataFrame,
    captures: pl.DataFrame,
    outcomes: pl.DataFrame,
    *,
    cost_miss: float,
    cost_false_alarm: float,
    draws: int = 200,
    seed: int = 20251125,
) -> tuple[Proposal, ...]:
    """Propose a limit for every family of the fit.

    Where the shop has too few captures confirmed odd, the limit is the normal-spread one, which flags
    about `fit.settings.false_alarm_share` of healthy captures.

    Args:
        cost_miss: cost of a weak cylinder that is not flagged; cost_false_alarm: of a gauge test that was
            not needed. Same unit, > 0.

    Raises:
        ValueError: a cost is not a positive finite number.
    """
    for name, value in (("cost_miss", cost_miss), ("cost_false_alarm", cost_false_alarm)):
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"{name} is a positive number, not {value!r}")
    rows = evidence(scores, captures, outcomes)
    weighting = confirmation_weights(rows)
    times = bootstrap_times(vehicle_codes(rows), draws, seed)
    asked = rows["in_question"].to_numpy().astype(np.float64)
    whole = Draw(healthy_weight(rows, weighting), odd_weight(rows, weighting), asked)
    again = [
        Draw(healthy_weight(rows, one) * row, odd_weight(rows, one) * row, asked * row)
        for one, row in zip(drawn_weights(rows, times, weighting), times, strict=True)
    ]
    names = fit.stats["engine_family"].to_list()
    code = rows["engine_family"].replace_strict(
        names, list(range(len(names))), default=-1, return_dtype=pl.Int64
    )
    family = code.fill_null(-1).to_numpy()
    shop = ShopCurves.of(rows, whole, again, family, len(names))
    rng = np.random.default_rng(seed + 1)
    found = []
    for at, stat in enumerate(fit.stats.iter_rows(named=True)):
        null = fit.nulls[stat["engine_family"]]
        wide = np.log(stat["spread_high"] / stat["spread_low"]) / (2 * 1.96)
        stretch = np.exp(wide * rng.standard_normal(len(again)))
        found.append(
            _propose_one(fit, at, null, stretch, rows, whole, again, shop, cost_miss, cost_false_alarm)
        )
    return tuple(found)


def _propose_one(
    fit: FamilyFit,
    family: int,
    null: Null,
    stretch: Floats,
    rows: pl.DataFrame,
    whole: Draw,
    again: list[Draw],
    shop: ShopCurves,
    cost_miss: float,
    cost_false_alarm: float,
) -> Proposal:
    stat: dict[str, object] = fit.stats.row(family, named=True)
    name = str(stat["engine_family"])
    member = (rows["engine_family"] == name).fill_null(False).to_numpy()
    odd_pct = rows["odd_pct"].to_numpy()
    healthy_rows = np.flatnonzero(member & (whole.healthy > 0))
    odd_rows = np.flatnonzero(member & (whole.odd > 0))
    grid = COST_GRID_PCT
    prevalence: float | None = None
    cost = pl.DataFrame(
        schema=dict.fromkeys(("threshold_pct", "expected_cost", "detection", "false_alarm"), pl.Float64)
    )
    share = fit.settings.false_alarm_share
    if shop.odd_n < MIN_SHOP:
        limit = null.quantile(1.0 - share)
        low, high = (float(q) for q in np.quantile(limit * stretch, [0.025, 0.975]))
        basis = "normal spread"
        why = (
            f"The shop has {shop.odd_n} captures confirmed odd, too few to weigh costs: {limit:.1f} % is what "
            f"about {share:.0%} of healthy captures of this family reach ({stat['basis']})."
        )
    else:
        alarm = null.survival(grid)
        curves_at = family_curves(
            odd_pct, healthy_rows, odd_rows, whole.healthy, whole.odd, alarm, shop.detection
        )
        prevalence = float(shop.prevalence[family])
        expected = (
            prevalence * cost_miss * (1 - curves_at[1]) + (1 - prevalence) * cost_false_alarm * curves_at[0]
        )
        limit = float(grid[int(np.argmin(expected))])
        limits = []
        for at, one in enumerate(again):
            pi = float(shop.drawn_prevalence[at, family])
            if not np.isfinite(pi):
                continue
            drawn = family_curves(
                odd_pct,
                healthy_rows,
                odd_rows,
                one.healthy,
                one.odd,
                null.survival(grid / stretch[at]),
                shop.drawn_detection[at],
            )
            expense = pi * cost_miss * (1 - drawn[1]) + (1 - pi) * cost_false_alarm * drawn[0]
            limits.append(grid[int(np.argmin(expense))])
        low, high = (float(q) for q in np.quantile(limits, [0.025, 0.975]))
        low, high = min(low, limit), max(high, limit)
        enough = odd_rows.size >= MIN_OWN and healthy_rows.size >= MIN_OWN
        basis = "outcomes" if enough else "outcomes of all families"
        cost = pl.DataFrame(
            {
                "threshold_pct": grid,
                "expected_cost": expected,
                "detection": curves_at[1],
                "false_alarm": curves_at[0],
            }
        )
        why = (
            f"{limit:.1f} % has the lowest expected cost when a miss costs {cost_miss:g} and an unneeded test "
            f"{cost_false_alarm:g}, with weak cylinders in {prevalence:.0%} of captures; {odd_rows.size} captures "
            f"confirmed odd and {healthy_rows.size} known healthy are this family's own, {shop.odd_n} odd ones the "
            "whole shop's; corrected for odd-looking captures being followed up more often."
        )
    limit = round(limit, 1)
    return Proposal(
        engine_family=name,
        threshold_pct=limit,
        low=min(round(low, 1), limit),
        high=max(round(high, 1), limit),
        basis=basis,
        why=why,
        flags_per_week=_flags_per_week(rows.filter(pl.Series(member)), limit),
        false_alarm=_false_alarm(odd_pct, healthy_rows, whole, again, limit, null, stretch, stat),
        detection=_share_estimate(
            odd_pct, odd_rows, whole.odd, [one.odd for one in again], limit, "confirmed odd"
        ),
        prevalence=prevalence,
        cost=cost,
        cost_miss=cost_miss,
        cost_false_alarm=cost_false_alarm,
    )


def _flags_per_week(rows: pl.DataFrame, limit: float) -> float:
    when = rows["captured_at"].drop_nulls()
    if when.len() == 0:
        return 0.0
    days = (when.max() - when.min()).total_seconds() / 86400.0  # type: ignore[union-attr, operator]
    weeks = min(float(RECENT_WEEKS), max(days / 7.0, 1.0))
    recent = rows.filter(pl.col("captured_at") > pl.lit(when.max()) - pl.duration(days=7 * weeks))
    return float((recent["odd_pct"] >= limit).sum()) / weeks


def _share_estimate(
    odd_pct: Floats, members: Ints, weight: Floats, drawn: list[Floats], limit: float, sort: str
) -> Estimate:
    n = int(members.size)
    if n < MIN_OWN:
        return Estimate.nothing(n, f"{n} captures {sort} in this family; at least {MIN_OWN} are needed.")
    at = np.array([limit])
    share = share_at_least(odd_pct[members], weight[members], at)
    again = (
        share_at_least(odd_pct[members], np.stack([one[members] for one in drawn]), at)
        if drawn
        else np.zeros((0, 1))
    )
    low, high = band(share, again, effective(weight[members]))
    return Estimate(n, float(share[0]), float(low[0]), float(high[0]))


def _false_alarm(
    odd_pct: Floats,
    members: Ints,
    whole: Draw,
    again: list[Draw],
    limit: float,
    null: Null,
    stretch: Floats,
    stat: dict[str, object],
) -> Estimate:
    if members.size >= MIN_OWN:
        return _share_estimate(
            odd_pct, members, whole.healthy, [one.healthy for one in again], limit, "known healthy"
        )
    looks = round(float(stat["healthy_captures"] or 0.0))  # type: ignore[arg-type]
    spread = null.survival(limit / stretch)
    share = float(null.survival(np.array([limit]))[0])
    low, high = (float(q) for q in np.quantile(spread, [0.025, 0.975]))
    return Estimate(looks, share, min(low, share), max(high, share))


class _Costs(dict[str, Cost]):
    """Families without a limit answer that there is nothing to say."""

    def __missing__(self, key: str) -> Cost:
        nothing = Estimate.nothing(0, f"No limit is in force for {key}.")
        return Cost(nothing, nothing)


def costs_at(
    scores: Scores | pl.DataFrame,
    captures: pl.DataFrame,
    outcomes: pl.DataFrame,
    limits: Mapping[str, float],
    *,
    draws: int = 200,
    seed: int = 20251125,
) -> Mapping[str, Cost]:
    """False alarms and detection of given limits, corrected for who gets followed up.

    Args:
        scores: capture scores, from `score_captures` or the warehouse.
        limits: X by family, in %.

    Returns:
        by family; a family without a limit answers with `Estimate.nothing`.
    """
    rows = evidence(scores, captures, outcomes)
    weighting: Weights = confirmation_weights(rows)
    times = bootstrap_times(vehicle_codes(rows), draws, seed)
    redrawn = drawn_weights(rows, times, weighting)
    healthy, odd = healthy_weight(rows, weighting), odd_weight(rows, weighting)
    drawn_healthy = [healthy_weight(rows, one) * row for one, row in zip(redrawn, times, strict=True)]
    drawn_odd = [odd_weight(rows, one) * row for one, row in zip(redrawn, times, strict=True)]
    value = rows["odd_pct"].to_numpy()
    found = _Costs()
    for name, limit in limits.items():
        member = (rows["engine_family"] == name).fill_null(False).to_numpy()
        found[name] = Cost(
            false_alarm=_share_estimate(
                value, np.flatnonzero(member & (healthy > 0)), healthy, drawn_healthy, limit, "known healthy"
            ),
            detection=_share_estimate(
                value, np.flatnonzero(member & (odd > 0)), odd, drawn_odd, limit, "confirmed odd"
            ),
        )
    return found
