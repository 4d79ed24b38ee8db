"""From which X on is an element odd, for this group, and what does that X cost?

Expected cost of one capture in question, with prevalence pi of weak elements:

    cost(X) = pi * cost_miss * (1 - detection(X)) + (1 - pi) * cost_false_alarm * false_alarm(X)

(Elkan C. 2001, The foundations of cost-sensitive learning, IJCAI, section 2, written as a curve.)
Curves of few captures are steps that jump about, so the proposal steadies them: false alarms by the
group's normal spread, detection by the odd captures of the whole shop, each giving way to the group's
own confirmed captures as they come in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records.shop import Shop
from models.spread.null import Null
from models.spread.result import GroupFit
from models.spread.scoring import Scores
from models.stats.results import Estimate
from models.thresholds.costs import COST_GRID_PCT, MIN_SHOP, Draw, GroupEvidence, ShopCurves
from models.thresholds.curves import (
    Draws,
    ThresholdCurves,
    band,
    curves,
    effective,
    healthy_weight,
    odd_weight,
    share_at_least,
)
from models.thresholds.evidence import confirmation_weights, evidence
from models.thresholds.whatif import WhatIf, what_if

__all__ = [
    "Cost",
    "Costs",
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
Bools = npt.NDArray[np.bool_]

COST_SCHEMA: dict[str, pl.DataType] = dict.fromkeys(
    ("threshold_pct", "expected_cost", "detection", "false_alarm"), pl.Float64()
)

MIN_OWN = 5
"""Confirmed captures of each sort a group needs before its proposal is said to rest on its outcomes."""

RECENT_WEEKS = 12


@dataclass(frozen=True, slots=True)
class Cost:
    """What a limit does in one group: share of healthy captures it flags, share of odd ones it finds."""

    false_alarm: Estimate
    detection: Estimate


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed limit for one group.

    Attributes:
        threshold_pct: X, in % of `odd_pct`; low, high: its 95 % interval.
        basis: 'outcomes' (the group's own), 'outcomes of all groups' or 'normal spread'.
        why: a sentence for the record of decisions.
        flags_per_week: captures a week at or beyond X, over the last `RECENT_WEEKS` weeks on record.
        false_alarm, detection: at X.
        prevalence: share of weak elements among the captures in question, None where nothing says.
        cost: DataFrame(threshold_pct, expected_cost, detection, false_alarm): the steadied curves;
            empty for basis 'normal spread', where no cost could be weighed.
        cost_miss, cost_false_alarm: what was asked with.
    """

    group: str
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


@dataclass(frozen=True, slots=True)
class Costs:
    """What a miss and an unneeded test cost, in one currency.

    Raises:
        ValueError: a cost is not a positive finite number.
    """

    miss: float
    false_alarm: float

    def __post_init__(self) -> None:
        for name, value in (("cost_miss", self.miss), ("cost_false_alarm", self.false_alarm)):
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"{name} is a positive number, not {value!r}")

    def expected(self, prevalence: float, false_alarm: Floats, detection: Floats) -> Floats:
        """Expected cost of one capture in question, by X."""
        return np.asarray(
            prevalence * self.miss * (1 - detection) + (1 - prevalence) * self.false_alarm * false_alarm
        )


def propose(
    fit: GroupFit,
    scores: Scores | pl.DataFrame,
    shop: Shop,
    costs: Costs,
    *,
    draws: int = 200,
    seed: int = 20251125,
) -> tuple[Proposal, ...]:
    """Propose a limit for every group of the fit.

    Where the shop has too few captures confirmed odd, the limit is the normal-spread one, which flags
    about `fit.settings.false_alarm_share` of healthy captures.

    Args:
        scores: of the fit's measure; shop: of the fit's test.
        costs: of an odd element that is not flagged, and of a confirming test that was not needed.
    """
    rows = evidence(scores, shop)
    weighting = confirmation_weights(rows)
    drawing = Draws(rows, weighting, draws, seed)
    asked = rows["in_question"].to_numpy().astype(np.float64)
    whole = Draw(healthy_weight(rows, weighting), odd_weight(rows, weighting), asked)
    names = fit.stats["group"].to_list()
    code = rows["group"].replace_strict(names, list(range(len(names))), default=-1, return_dtype=pl.Int64)
    group = code.fill_null(-1).to_numpy()
    together = ShopCurves.of(rows, whole, drawing, group, len(names))
    rng = np.random.default_rng(seed + 1)
    found = []
    for at, stat in enumerate(fit.stats.iter_rows(named=True)):
        wide = np.log(stat["spread_high"] / stat["spread_low"]) / (2 * 1.96)
        stretch = np.exp(wide * rng.standard_normal(len(drawing)))
        found.append(_propose_one(_Case.of(fit, at, stat, stretch, rows, whole, drawing), together, costs))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Case:
    """One group's evidence: rows known healthy and confirmed odd, the weights, and their bootstrap draws."""

    fit: GroupFit
    at: int
    stat: dict[str, Any]
    stretch: Floats
    rows: pl.DataFrame
    member: Bools
    odd_pct: Floats
    healthy_rows: Ints
    odd_rows: Ints
    whole: Draw
    drawing: Draws
    own: GroupEvidence

    @classmethod
    def of(
        cls,
        fit: GroupFit,
        at: int,
        stat: dict[str, Any],
        stretch: Floats,
        rows: pl.DataFrame,
        whole: Draw,
        drawing: Draws,
    ) -> _Case:
        member = (rows["group"] == stat["group"]).fill_null(False).to_numpy()
        odd_pct = rows["odd_pct"].to_numpy()
        healthy = np.flatnonzero(member & (whole.healthy > 0))
        odd = np.flatnonzero(member & (whole.odd > 0))
        own = GroupEvidence.of(odd_pct[healthy], odd_pct[odd])
        return cls(fit, at, stat, stretch, rows, member, odd_pct, healthy, odd, whole, drawing, own)

    @property
    def null(self) -> Null:
        return self.fit.nulls[str(self.stat["group"])]


@dataclass(frozen=True, slots=True)
class _Limit:
    limit: float
    low: float
    high: float
    basis: str
    why: str
    prevalence: float | None
    cost: pl.DataFrame


def _propose_one(case: _Case, together: ShopCurves, costs: Costs) -> Proposal:
    found = _from_spread(case, together) if together.odd_n < MIN_SHOP else _from_costs(case, together, costs)
    limit = round(found.limit, 1)
    return Proposal(
        group=str(case.stat["group"]),
        threshold_pct=limit,
        low=min(round(found.low, 1), limit),
        high=max(round(found.high, 1), limit),
        basis=found.basis,
        why=found.why,
        flags_per_week=_flags_per_week(case.rows.filter(pl.Series(case.member)), limit),
        false_alarm=_false_alarm(case, limit),
        detection=_share_estimate(
            case.odd_pct,
            case.odd_rows,
            case.whole.odd,
            case.drawing.all_odd,
            limit,
            "confirmed odd",
        ),
        prevalence=found.prevalence,
        cost=found.cost,
        cost_miss=costs.miss,
        cost_false_alarm=costs.false_alarm,
    )


def _from_spread(case: _Case, together: ShopCurves) -> _Limit:
    """The limit of the normal spread, where the shop has too few outcomes to weigh costs."""
    share = case.fit.settings.false_alarm_share
    limit = case.null.quantile(1.0 - share)
    low, high = (float(q) for q in np.quantile(limit * case.stretch, [0.025, 0.975]))
    why = (
        f"The shop has {together.odd_n} captures confirmed odd, too few to weigh costs: {limit:.1f} % is what "
        f"about {share:.0%} of healthy captures of this group reach ({case.stat['basis']})."
    )
    return _Limit(limit, low, high, "normal spread", why, None, pl.DataFrame(schema=COST_SCHEMA))


def _from_costs(case: _Case, together: ShopCurves, costs: Costs) -> _Limit:
    """The limit of the lowest expected cost."""
    grid = COST_GRID_PCT
    alarm, detection = case.own.curves(
        case.whole.healthy[case.healthy_rows],
        case.whole.odd[case.odd_rows],
        case.null.survival(grid),
        together.detection,
    )
    prevalence = float(together.prevalence[case.at])
    expected = costs.expected(prevalence, alarm, detection)
    limit = float(grid[int(np.argmin(expected))])
    limits = _redrawn_limits(case, together, costs)
    low, high = (float(q) for q in np.quantile(limits, [0.025, 0.975]))
    enough = case.odd_rows.size >= MIN_OWN and case.healthy_rows.size >= MIN_OWN
    why = (
        f"{limit:.1f} % has the lowest expected cost when a miss costs {costs.miss:g} and an unneeded test "
        f"{costs.false_alarm:g}, with a fault in {prevalence:.0%} of captures; {case.odd_rows.size} captures "
        f"confirmed odd and {case.healthy_rows.size} known healthy are this group's own, {together.odd_n} odd ones "
        "the whole shop's; corrected for odd-looking captures being followed up more often."
    )
    return _Limit(
        limit,
        min(low, limit),
        max(high, limit),
        "outcomes" if enough else "outcomes of all groups",
        why,
        prevalence,
        pl.DataFrame(
            {
                "threshold_pct": grid,
                "expected_cost": expected,
                "detection": detection,
                "false_alarm": alarm,
            },
            schema=COST_SCHEMA,
        ),
    )


def _redrawn_limits(case: _Case, together: ShopCurves, costs: Costs) -> list[float]:
    """The limit of each bootstrap draw of the shop's evidence."""
    grid = COST_GRID_PCT
    limits = []
    for at in range(len(case.drawing)):
        prevalence = float(together.drawn_prevalence[at, case.at])
        if not np.isfinite(prevalence):
            continue
        alarm, detection = case.own.curves(
            case.drawing.healthy(at, case.healthy_rows),
            case.drawing.odd(at, case.odd_rows),
            case.null.survival(grid / case.stretch[at]),
            together.drawn_detection[at],
        )
        limits.append(float(grid[int(np.argmin(costs.expected(prevalence, alarm, detection)))]))
    return limits


def _flags_per_week(rows: pl.DataFrame, limit: float) -> float:
    when = rows["captured_at"].drop_nulls()
    if when.len() == 0:
        return 0.0
    days = (when.max() - when.min()).total_seconds() / 86400.0  # type: ignore[union-attr, operator]
    weeks = min(float(RECENT_WEEKS), max(days / 7.0, 1.0))
    recent = rows.filter(pl.col("captured_at") > pl.lit(when.max()) - pl.duration(days=7 * weeks))
    return float((recent["odd_pct"] >= limit).sum()) / weeks


def _share_estimate(
    odd_pct: Floats, members: Ints, weight: Floats, drawn: Callable[[Ints], Floats], limit: float, sort: str
) -> Estimate:
    n = int(members.size)
    if n < MIN_OWN:
        return Estimate.nothing(n, f"{n} captures {sort} in this group; at least {MIN_OWN} are needed.")
    at = np.array([limit])
    share = share_at_least(odd_pct[members], weight[members], at)
    again = share_at_least(odd_pct[members], drawn(members), at)
    low, high = band(share, again, effective(weight[members]))
    return Estimate(n, float(share[0]), float(low[0]), float(high[0]))


def _false_alarm(case: _Case, limit: float) -> Estimate:
    if case.healthy_rows.size >= MIN_OWN:
        return _share_estimate(
            case.odd_pct,
            case.healthy_rows,
            case.whole.healthy,
            case.drawing.all_healthy,
            limit,
            "known healthy",
        )
    looks = round(float(case.stat["healthy_captures"] or 0.0))
    spread = case.null.survival(limit / case.stretch)
    share = float(case.null.survival(np.array([limit]))[0])
    low, high = (float(q) for q in np.quantile(spread, [0.025, 0.975]))
    return Estimate(looks, share, min(low, share), max(high, share))


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

    Args:
        scores: capture scores, from `score_captures` or the warehouse.
        limits: X by group, in %.

    Returns:
        by group; a group without a limit answers with `Estimate.nothing`.
    """
    rows = evidence(scores, shop)
    weighting = confirmation_weights(rows)
    drawing = Draws(rows, weighting, draws, seed)
    healthy, odd = healthy_weight(rows, weighting), odd_weight(rows, weighting)
    value = rows["odd_pct"].to_numpy()
    found = _Costs()
    for name, limit in limits.items():
        member = (rows["group"] == name).fill_null(False).to_numpy()
        found[name] = Cost(
            false_alarm=_share_estimate(
                value,
                np.flatnonzero(member & (healthy > 0)),
                healthy,
                drawing.all_healthy,
                limit,
                "known healthy",
            ),
            detection=_share_estimate(
                value, np.flatnonzero(member & (odd > 0)), odd, drawing.all_odd, limit, "confirmed odd"
            ),
        )
    return found
