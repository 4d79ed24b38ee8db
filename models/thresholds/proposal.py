"""From which X on is an element odd, for this group, and what does that X cost?

Expected cost of one capture in question, with prevalence pi of weak elements:

    cost(X) = pi * cost_miss * (1 - detection(X)) + (1 - pi) * cost_false_alarm * false_alarm(X)

(Elkan C. 2001, The foundations of cost-sensitive learning, IJCAI, section 2, written as a curve.)
Curves of few captures are steps that jump about, so the proposal steadies them: false alarms by the
group's normal spread, detection by the odd captures of the whole shop, each giving way to the group's
own confirmed captures as they come in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from models.records.shop import Shop
from models.spread.result import GroupFit
from models.spread.scoring import Scores
from models.stats.results import Estimate
from models.thresholds.costs import HEALTHY_WORTH
from models.thresholds.curves import ThresholdCurves, bootstrap_times, curves, vehicle_codes
from models.thresholds.evidence import confirmation_weights, evidence
from models.thresholds.follow_up import looks_healthy
from models.thresholds.limits import COST_SCHEMA, Case, Costs, ends, from_costs, from_spread, shop_curves
from models.thresholds.shares import MIN_OWN, Cost, costs_at, share_estimate
from models.thresholds.whatif import WhatIf, what_if

__all__ = [
    "COST_SCHEMA",
    "MIN_OWN",
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

MOST_HEALTHY_FLAGGED = 0.05
"""A proposed limit that would flag more of the captures believed healthy does not pass without a look (a choice)."""

RECENT_WEEKS = 12

_OF_THE_LARGEST = 0.65
"""Standard deviation of the largest of 4 to 8 normal values, whose own is 1: 0.70 to 0.61 (Tippett L.H.C. 1925,
Biometrika 17:364-387; worked out by quadrature)."""


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
        believed_healthy_flagged: share of the captures believed healthy that X would flag.
        needs_look: why the proposal must not come into force unseen, a sentence; None where it may.
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
    believed_healthy_flagged: float
    needs_look: str | None


def propose(
    fit: GroupFit,
    scores: Scores | pl.DataFrame,
    shop: Shop,
    costs: Costs,
    *,
    draws: int = 200,
    seed: int = 20251125,
    most_healthy_flagged: float = MOST_HEALTHY_FLAGGED,
) -> tuple[Proposal, ...]:
    """Propose a limit for every group of the fit.

    Where the shop has too few captures confirmed odd, or too few confirmed among those that looked healthy,
    the limit is the normal-spread one, which flags about `fit.settings.false_alarm_share` of healthy captures.

    Args:
        scores: of the fit's measure; shop: of the fit's test.
        costs: of an odd element that is not flagged, and of a confirming test that was not needed.
        most_healthy_flagged: a limit that would flag more than this share of the captures believed healthy
            is marked with `needs_look`.
    """
    rows = evidence(scores, shop)
    weighting = confirmation_weights(rows)
    times = bootstrap_times(vehicle_codes(rows), draws, seed)
    names = fit.stats["group"].to_list()
    limits = dict(fit.stats.select("group", "odd_limit_pct").iter_rows())
    looks = looks_healthy(rows, limits)
    together = shop_curves(rows, weighting, times, looks, names, seed=seed + 2)
    stretched = np.random.default_rng(seed + 1)
    found = []
    for at, stat in enumerate(fit.stats.iter_rows(named=True)):
        stretch = np.exp(_doubt(fit, stat) * stretched.standard_normal(len(together.drawn)))
        found.append(
            _propose_one(Case.of(fit, at, stat, stretch, rows, together), costs, most_healthy_flagged)
        )
    return tuple(found)


def _doubt(fit: GroupFit, stat: dict[str, Any]) -> float:
    """Standard error of the logarithm of the distance healthy captures reach.

    It hangs on the spread, and on the pattern they are held against: where that is off, one element of healthy
    captures lies nearer the limit than the others. The largest of N errors has a standard deviation of about
    `_OF_THE_LARGEST` of one.
    """
    spread = np.log(stat["spread_high"] / stat["spread_low"]) / (2 * 1.96)
    rows = fit.pattern.filter((pl.col("group") == stat["group"]) & (pl.col("high") > pl.col("low")))
    if rows.height == 0:
        return float(spread)
    error = float((rows["high"] - rows["low"]).to_numpy().mean()) / (2 * 1.96)
    return float(np.hypot(spread, _OF_THE_LARGEST * error / stat["odd_limit_pct"]))


def _propose_one(case: Case, costs: Costs, most_healthy_flagged: float) -> Proposal:
    found = from_costs(case, costs) if case.together.enough else from_spread(case)
    limit = round(found.limit, 1)
    flagged = _believed_healthy_flagged(case, limit)
    return Proposal(
        group=str(case.stat["group"]),
        threshold_pct=limit,
        low=min(round(found.low, 1), limit),
        high=max(round(found.high, 1), limit),
        basis=found.basis,
        why=found.why,
        flags_per_week=_flags_per_week(case.rows.filter(pl.Series(case.member)), limit),
        false_alarm=_false_alarm(case, limit),
        detection=share_estimate(
            case.odd_pct[case.spoken],
            case.at(case.odd_rows),
            case.whole.odd[case.spoken],
            [one.odd for one in case.again],
            limit,
            "confirmed odd",
        ),
        prevalence=found.prevalence,
        cost=found.cost,
        cost_miss=costs.miss,
        cost_false_alarm=costs.false_alarm,
        believed_healthy_flagged=flagged,
        needs_look=None
        if flagged <= most_healthy_flagged
        else f"A limit of {limit:.1f} % would flag {flagged:.0%} of the captures believed healthy in this group, more "
        f"than the {most_healthy_flagged:.0%} that may pass without a look: somebody has to put it in force by hand.",
    )


def _believed_healthy_flagged(case: Case, limit: float) -> float:
    """Share of captures believed healthy at or beyond the limit.

    The larger of two answers: of the group's normal spread, and of its captures counted as far as the fit
    takes them for healthy (those of the spread worth `HEALTHY_WORTH` more captures).
    """
    spread = float(case.null.survival(np.array([limit]))[0])
    believed = case.rows.select("capture_file", "odd_pct").join(
        case.fit.healthy.filter(pl.col("group") == case.stat["group"]), on="capture_file", how="inner"
    )
    weight = believed["healthy_probability"].to_numpy()
    beyond = float(weight[believed["odd_pct"].to_numpy() >= limit].sum())
    return max(spread, (beyond + HEALTHY_WORTH * spread) / (float(weight.sum()) + HEALTHY_WORTH))


def _flags_per_week(rows: pl.DataFrame, limit: float) -> float:
    when = rows["captured_at"].drop_nulls()
    if when.len() == 0:
        return 0.0
    days = (when.max() - when.min()).total_seconds() / 86400.0  # type: ignore[union-attr, operator]
    weeks = min(float(RECENT_WEEKS), max(days / 7.0, 1.0))
    recent = rows.filter(pl.col("captured_at") > pl.lit(when.max()) - pl.duration(days=7 * weeks))
    return float((recent["odd_pct"] >= limit).sum()) / weeks


def _false_alarm(case: Case, limit: float) -> Estimate:
    if case.healthy_rows.size >= MIN_OWN:
        return share_estimate(
            case.odd_pct[case.spoken], case.at(case.healthy_rows), case.whole.healthy[case.spoken],
            [one.healthy for one in case.again], limit, "known healthy",
        )  # fmt: skip
    looks = round(float(case.stat["healthy_captures"] or 0.0))
    spread = case.null.survival(limit / case.stretch)
    share = float(case.null.survival(np.array([limit]))[0])
    low, high = ends(spread)
    return Estimate(looks, share, min(low, share), max(high, share))
