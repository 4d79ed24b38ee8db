"""Scoped against not scoped: the crude difference, and the one between comparable orders.

The adjusted figure answers: how would the comeback risk differ had *all* these orders been scoped, or
none, if the orders differed only in what the log records? Orders too young for the window count through the
weight of the orders that were watched (inverse probability of being watched; the follow-up an order could
have had is known from its closing day, so nothing has to be modelled for it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.jobs.crossfit import cross_fitted
from models.jobs.returns import Covariates, covariates, recorded
from models.jobs.wording import EValue, caution_sentence, headline_of
from models.stats.adjustment import (
    Z95,
    Contrast,
    doubly_robust,
    doubly_robust_in_group,
    e_value,
    e_value_of_limit,
    ip_weighted,
    standardised,
    weighted_gap,
)
from models.stats.intervals import combine_difference
from models.stats.logistic import NotConverged
from models.stats.results import Estimate
from models.stats.sequential import sequential_bound
from models.stats.survival import log_rank, risk_at

Floats = npt.NDArray[np.float64]

METHOD = (
    "doubly robust: inverse-probability weighting and standardisation combined and cross-fitted, orders too "
    "young for the window replaced by weighting, standard error over vehicles"
)
_COMPARABLE = (0.05, 0.95)
_LEAST_ORDERS = 20
_LEAST_COMEBACKS = 5

OVERLAP_SCHEMA = {
    "chance_low": pl.Float64,
    "chance_high": pl.Float64,
    "scoped": pl.Int64,
    "not_scoped": pl.Int64,
}
BALANCE_SCHEMA = {"covariate": pl.String, "gap_before": pl.Float64, "gap_after": pl.Float64}
METHOD_SCHEMA = {"method": pl.String, "risk_difference": pl.Float64, "low": pl.Float64, "high": pl.Float64}


@dataclass(frozen=True, slots=True)
class Group:
    """Orders of one group: how many, how many came back within the window, and the risk (Kaplan-Meier)."""

    orders: int
    comebacks: int
    risk: Estimate


@dataclass(frozen=True, slots=True)
class Crude:
    """The groups as they are, however different their jobs: `risk_difference` is scoped minus not."""

    scoped: Group
    not_scoped: Group
    risk_difference: Estimate
    log_rank_p: float | None


@dataclass(frozen=True, slots=True)
class Adjusted:
    """The difference between comparable orders.

    Attributes:
        scoped_risk, not_scoped_risk: risk if all orders had been scoped, and if none.
        risk_difference: scoped minus not scoped, in parts of one.
        over_looks: the same with a bound that holds however often it is looked at (`sequential_bound`),
            each side at `LOOKS_LEVEL`: what a headline may rest on.
        answer: `yes` (scoped jobs come back less), `no` (more) or `not clear`, by `over_looks`.
        headline: the answer in words.
        method, adjusted_for, caution: sentences for the page. not_recorded: what could not be allowed for.
        e_value: None where there is no estimate.
        comparable: share of orders whose chance of being scoped lies in 0.05 to 0.95.
        overlap: chance_low, chance_high, scoped, not_scoped: both groups by chance of being scoped.
        balance: covariate, gap_before, gap_after: standardised mean differences.
        by_method: method, risk_difference, low, high: the same by other roads (null without an interval).
    """

    scoped_risk: Estimate
    not_scoped_risk: Estimate
    risk_difference: Estimate
    over_looks: Estimate
    answer: str
    headline: str
    method: str
    adjusted_for: tuple[str, ...]
    not_recorded: tuple[str, ...]
    caution: str
    e_value: EValue | None
    comparable: float | None
    overlap: pl.DataFrame
    balance: pl.DataFrame
    by_method: pl.DataFrame


def group_of(orders: pl.DataFrame, *, window_days: int, least_n: int = 5) -> Group:
    """Count and risk of a group of `returns.watched_orders`."""
    days, back = orders["days"].to_numpy(), orders["returned"].to_numpy()
    return Group(
        orders=orders.height,
        comebacks=int((back & (days <= window_days)).sum()),
        risk=risk_at(days, back, window=float(window_days), least_n=least_n),
    )


def risk_difference(first: Estimate, second: Estimate) -> Estimate:
    """`first - second` of two independent risks, limits combined as Newcombe does."""
    n = first.n + second.n
    if first.estimate is None or second.estimate is None:
        return Estimate.nothing(n, first.why or second.why or "Too little to say.")
    if first.low is None or first.high is None or second.low is None or second.high is None:
        return Estimate.nothing(n, "One of the two groups has no interval.")
    value, low, high = combine_difference(
        (first.estimate, first.low, first.high), (second.estimate, second.low, second.high)
    )
    return Estimate(n=n, estimate=value, low=low, high=high)


def crude(watched: pl.DataFrame, *, window_days: int) -> Crude:
    """The crude comparison of `returns.watched_orders`."""
    scoped = group_of(watched.filter("scoped"), window_days=window_days)
    other = group_of(watched.filter(~pl.col("scoped")), window_days=window_days)
    p_value = None
    if scoped.orders and other.orders and scoped.comebacks + other.comebacks:
        days = watched["days"].to_numpy()
        inside = watched["returned"].to_numpy() & (days <= window_days)
        p_value = log_rank(np.minimum(days, window_days), inside, watched["scoped"].to_numpy()).p_value
    return Crude(scoped, other, risk_difference(scoped.risk, other.risk), p_value)


def watched_weights(
    potential: Floats, end: Floats, seen: npt.NDArray[np.bool_], scoped: npt.NDArray[np.bool_]
) -> Floats:
    """Inverse probability of having been watched up to `end`, 0 where the order was not.

    Args:
        potential: days each order could have been watched, shape (n,). end: days to its comeback or to
            the window's end. seen: whether that was reached. scoped: group, weights are made within it.
    """
    weights = np.zeros(potential.size)
    for arm in (scoped, ~scoped):
        if not arm.any():
            continue
        sorted_days = np.sort(potential[arm])
        at_least = 1 - np.searchsorted(sorted_days, end[arm], side="left") / sorted_days.size
        weights[arm] = np.where(seen[arm], 1 / np.maximum(at_least, 1 / sorted_days.size), 0.0)
    return weights


def has_begun(watched: pl.DataFrame) -> npt.NDArray[np.bool_]:
    """True for orders opened after their technician's first scoped one, shape (orders,).

    The first scoped order itself is out too: it is scoped by definition, the later ones are not.
    """
    first = pl.col("opened_at").filter(pl.col("scoped")).min().over("technician")
    return watched.select(b=(pl.col("opened_at") > first).fill_null(False))["b"].to_numpy().astype(bool)


def _nothing(watched: pl.DataFrame, why: str, caution: str) -> Adjusted:
    none = Estimate.nothing(watched.height, why)
    known, missing = recorded(watched)
    return Adjusted(
        none, none, none, none, "not clear", "Too little to say", METHOD, known, missing, caution, None, None,
        pl.DataFrame(schema=OVERLAP_SCHEMA), pl.DataFrame(schema=BALANCE_SCHEMA), pl.DataFrame(schema=METHOD_SCHEMA),
    )  # fmt: skip


def adjusted(watched: pl.DataFrame, potential_days: Floats, *, window_days: int, seed: int = 20) -> Adjusted:
    """The adjusted comparison of `returns.watched_orders`.

    Args:
        potential_days: days each order could have been watched (closing to as-of), shape (orders,).
        seed: of the folds of the cross-fit.

    Orders of a technician who had not begun to scope are left out: none of them could have been
    scoped, so there is nothing to compare them with (see `stepped` for those).
    """
    begun = has_begun(watched)
    return _compare(watched.filter(begun), potential_days[begun], window_days, seed)


@dataclass(frozen=True, slots=True)
class _Prepared:
    """Design, group, comeback within the window and weight of having been watched, by order."""

    design: Covariates
    scoped: npt.NDArray[np.bool_]
    inside: npt.NDArray[np.bool_]
    weights: Floats


def _prepared(watched: pl.DataFrame, potential_days: Floats, window_days: int) -> _Prepared:
    scoped = watched["scoped"].to_numpy()
    days, back = watched["days"].to_numpy(), watched["returned"].to_numpy()
    inside = back & (days <= window_days)
    end = np.where(inside, days, float(window_days))
    seen = inside | (potential_days >= window_days)
    return _Prepared(covariates(watched), scoped, inside, watched_weights(potential_days, end, seen, scoped))


def difference_in_group(
    watched: pl.DataFrame, potential_days: Floats, *, window_days: int, seed: int
) -> Estimate:
    """Comeback risk of the orders with `scoped` true, minus what comparable others would lead one to expect.

    Doubly robust, over the kind of orders that *group* has; for a small group against a large one, where a
    difference over all orders would hang on a few. `n` is the group's size.
    """
    ready = _prepared(watched, potential_days, window_days)
    n = int(ready.scoped.sum())
    try:
        fitted = cross_fitted(
            ready.design, ready.scoped, ready.inside.astype(float), ready.weights, seed=seed
        )
    except NotConverged:
        return Estimate.nothing(n, "The model of these orders did not settle.")
    value, se = doubly_robust_in_group(
        ready.inside,
        ready.scoped,
        fitted.chance,
        fitted.if_not,
        watched=ready.weights,
        cluster=ready.design.cluster,
    )
    return Estimate(n=n, estimate=value, low=value - Z95 * se, high=value + Z95 * se)


def _compare(watched: pl.DataFrame, potential_days: Floats, window_days: int, seed: int) -> Adjusted:
    n = watched.height
    ready = _prepared(watched, potential_days, window_days) if n else None
    scoped = watched["scoped"].to_numpy()
    inside = ready.inside if ready else np.zeros(0, dtype=bool)
    fewest = int(min(scoped.sum(), (~scoped).sum())) if n else 0
    if ready is None or fewest < _LEAST_ORDERS or int(inside.sum()) < _LEAST_COMEBACKS:
        why = (
            f"Too little to compare: {int(scoped.sum())} scoped and {n - int(scoped.sum())} other orders with "
            f"{int(inside.sum())} comebacks; at least {_LEAST_ORDERS} of each and {_LEAST_COMEBACKS} comebacks needed."
        )
        return _nothing(watched, why, f"No comparison is shown. {why}")
    design, weights = ready.design, ready.weights
    try:
        fitted = cross_fitted(design, scoped, inside.astype(float), weights, seed=seed)
    except NotConverged:
        why = "The model of who gets scoped did not settle, so nothing comparable can be shown."
        return _nothing(watched, why, f"No comparison is shown. {why}")
    chance = fitted.chance
    contrast = doubly_robust(
        inside, scoped, chance, fitted.if_scoped, fitted.if_not, watched=weights, cluster=design.cluster
    )
    weighting = ip_weighted(inside, scoped, chance, watched=weights)
    gap = standardised(fitted.if_scoped, fitted.if_not)
    difference = Estimate(n=n, estimate=contrast.difference, low=contrast.low, high=contrast.high)
    over_looks = sequential_bound(contrast.difference, contrast.se, n)
    answer, headline = headline_of(over_looks)
    known, missing = recorded(watched)
    strength = _strength(contrast, design.cluster)
    comparable = float(np.mean((chance > _COMPARABLE[0]) & (chance < _COMPARABLE[1])))
    return Adjusted(
        scoped_risk=_risk(contrast, 0, int(scoped.sum())),
        not_scoped_risk=_risk(contrast, 1, int((~scoped).sum())),
        risk_difference=difference,
        over_looks=over_looks,
        answer=answer,
        headline=headline,
        method=METHOD,
        adjusted_for=known,
        not_recorded=missing,
        caution=caution_sentence(difference, strength, comparable, known, missing),
        e_value=strength,
        comparable=comparable,
        overlap=_overlap(chance, scoped),
        balance=_balance(design, scoped, chance),
        by_method=pl.DataFrame(
            {
                "method": ["doubly robust", "weighting alone", "standardisation alone"],
                "risk_difference": [contrast.difference, weighting.difference, gap],
                "low": [contrast.low, weighting.low, None],
                "high": [contrast.high, weighting.high, None],
            },
            schema=METHOD_SCHEMA,
        ),
    )


def _risk(contrast: Contrast, arm: int, n: int) -> Estimate:
    value = contrast.treated if arm == 0 else contrast.untreated
    half = Z95 * float(np.sqrt(np.sum(contrast.influence[arm] ** 2)) / contrast.influence.shape[1])
    return Estimate(n=n, estimate=value, low=max(0.0, value - half), high=min(1.0, value + half))


def _strength(contrast: Contrast, cluster: npt.NDArray[np.int64]) -> EValue | None:
    if contrast.treated <= 0 or contrast.untreated <= 0:
        return None
    log_ratio, se = contrast.log_ratio(cluster)
    low, high = np.exp(log_ratio - 1.96 * se), np.exp(log_ratio + 1.96 * se)
    return EValue(e_value(float(np.exp(log_ratio))), e_value_of_limit(float(low), float(high)))


def _balance(design: Covariates, scoped: npt.NDArray[np.bool_], chance: Floats) -> pl.DataFrame:
    """Standardised mean differences between the groups before and after weighting."""
    rows = design.x.shape[0]
    count = np.concatenate([np.bincount(design.cell[arm], minlength=rows) for arm in (scoped, ~scoped)])
    inverse = np.where(scoped, 1 / chance, 1 / (1 - chance))
    weight = np.concatenate(
        [np.bincount(design.cell[arm], weights=inverse[arm], minlength=rows) for arm in (scoped, ~scoped)]
    )
    x = np.vstack([design.x[:, 1:]] * 2)
    treated = np.repeat([1.0, 0.0], rows)
    return pl.DataFrame(
        {
            "covariate": list(design.names[1:]),
            "gap_before": weighted_gap(x, treated, counts=count),
            "gap_after": weighted_gap(x, treated, weight, counts=count),
        },
        schema=BALANCE_SCHEMA,
    )


def _overlap(chance: Floats, scoped: npt.NDArray[np.bool_]) -> pl.DataFrame:
    edges = np.linspace(0.0, 1.0, 21)
    return pl.DataFrame(
        {
            "chance_low": edges[:-1],
            "chance_high": edges[1:],
            "scoped": np.histogram(chance[scoped], edges)[0],
            "not_scoped": np.histogram(chance[~scoped], edges)[0],
        },
        schema=OVERLAP_SCHEMA,
    )
