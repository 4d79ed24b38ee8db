"""Comparing two groups that were not assigned by chance.

Three roads to the same question, 'how would the risk differ if *all* these orders had been scoped, or
none': weighting by the inverse propensity, standardisation (the g-formula), and both at once (augmented
inverse-probability weighting, right if either of the two models is). Hernan & Robins, *Causal Inference: What
If* (2020), chapters 12, 13; Robins, Rotnitzky & Zhao, JASA 89:846-866 (1994). None of them allows for what
was not recorded: the E-value (VanderWeele & Ding, Ann. Intern. Med. 167:268-274, 2017) says how strong that
would have to be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.stats.logistic import fit_logistic

Floats = npt.NDArray[np.float64]

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Contrast:
    """Mean outcome if everybody were treated and if nobody were, and their difference.

    Attributes:
        treated, untreated, difference: in the unit of the outcome.
        se: standard error of the difference. low, high: 95 % interval of it.
        influence: influence of each row on (treated, untreated), shape (2, n), centred.
    """

    treated: float
    untreated: float
    difference: float
    se: float
    low: float
    high: float
    influence: Floats

    def log_ratio(self, cluster: npt.NDArray[np.int64] | None = None) -> tuple[float, float]:
        """Log of treated / untreated and its standard error (delta method).

        Raises:
            ValueError: where one of the two means is not positive.
        """
        if self.treated <= 0 or self.untreated <= 0:
            raise ValueError("a ratio needs two positive risks")
        parts = self.influence[0] / self.treated - self.influence[1] / self.untreated
        return math.log(self.treated / self.untreated), _clustered_se(parts, cluster)


def _clustered_se(influence: Floats, cluster: npt.NDArray[np.int64] | None) -> float:
    """SE of the mean of `influence`, rows of one cluster taken together."""
    n = influence.size
    sums = influence if cluster is None else np.bincount(cluster, weights=influence)
    return float(np.sqrt(np.sum(sums**2)) / n)


def propensity(x: Floats, treated: npt.ArrayLike, *, penalty: Floats | float = 0.0) -> Floats:
    """Chance of being treated given the covariates `x` (rows, p; intercept included), shape (rows,).

    Raises:
        models.logistic.NotConverged: under complete separation without a penalty.
    """
    return fit_logistic(x, np.asarray(treated, dtype=float), penalty=penalty).chance(x)


def ip_weighted(
    outcome: npt.ArrayLike, treated: npt.ArrayLike, chance: Floats, *, watched: Floats | None = None
) -> Contrast:
    """Difference of inverse-probability weighted means (weights normalised within each group).

    Args:
        outcome, treated: shape (n,). chance: propensity, shape (n,), inside (0, 1).
        watched: weight of each row for having been watched (inverse probability of not being censored;
            0 for a censored row), shape (n,), default 1.

    Returns:
        The contrast; the SE treats the propensity as known, which is on the wide side.
    """
    y, a = np.asarray(outcome, dtype=float), np.asarray(treated, dtype=float)
    seen = np.ones(y.size) if watched is None else watched
    w1, w0 = seen * a / chance, seen * (1 - a) / (1 - chance)
    m1, m0 = float(w1 @ y / w1.sum()), float(w0 @ y / w0.sum())
    influence = np.stack([w1 * (y - m1) / w1.mean(), w0 * (y - m0) / w0.mean()])
    return _contrast(m1, m0, influence, None)


def standardised(predicted_treated: Floats, predicted_untreated: Floats) -> float:
    """Mean difference of the outcome model's predictions with everybody treated and nobody (g-formula)."""
    return float(np.mean(predicted_treated - predicted_untreated))


def doubly_robust(
    outcome: npt.ArrayLike,
    treated: npt.ArrayLike,
    chance: Floats,
    predicted_treated: Floats,
    predicted_untreated: Floats,
    *,
    watched: Floats | None = None,
    cluster: npt.NDArray[np.int64] | None = None,
) -> Contrast:
    """Augmented inverse-probability weighting.

    Args:
        outcome, treated, chance, watched: as in `ip_weighted`.
        predicted_treated, predicted_untreated: outcome model's predictions for every row, shape (n,).
        cluster: codes 0.. of what belongs together (orders of one vehicle), shape (n,).

    Returns:
        The contrast, with the standard error from its influence function.
    """
    y, a = np.asarray(outcome, dtype=float), np.asarray(treated, dtype=float)
    seen = np.ones(y.size) if watched is None else watched
    # a censored row has weight 0; its unknown outcome must not turn 0 into NaN
    y = np.where(seen > 0, y, 0.0)
    one = predicted_treated + seen * a / chance * (y - predicted_treated)
    none = predicted_untreated + seen * (1 - a) / (1 - chance) * (y - predicted_untreated)
    m1, m0 = float(one.mean()), float(none.mean())
    return _contrast(m1, m0, np.stack([one - m1, none - m0]), cluster)


def doubly_robust_in_group(
    outcome: npt.ArrayLike,
    treated: npt.ArrayLike,
    chance: Floats,
    predicted_untreated: Floats,
    *,
    watched: Floats | None = None,
    cluster: npt.NDArray[np.int64] | None = None,
) -> tuple[float, float]:
    """Mean outcome of the treated minus what the untreated lead one to expect *of them*, and its SE.

    The doubly robust effect in the treated: untreated rows count by their odds of having been treated
    (Mercatanti & Li, Ann. Appl. Stat. 8:2485-2508, 2014). Arguments as in `doubly_robust`.
    """
    y, a = np.asarray(outcome, dtype=float), np.asarray(treated, dtype=float)
    seen = np.ones(y.size) if watched is None else watched
    rest = np.where(seen > 0, y - predicted_untreated, 0.0) * seen
    part = a * rest - (1 - a) * chance / (1 - chance) * rest
    share = float(a.mean())
    value = float(part.mean()) / share
    return value, _clustered_se((part - a * value) / share, cluster)


def _contrast(m1: float, m0: float, influence: Floats, cluster: npt.NDArray[np.int64] | None) -> Contrast:
    se = _clustered_se(influence[0] - influence[1], cluster)
    return Contrast(m1, m0, m1 - m0, se, m1 - m0 - Z95 * se, m1 - m0 + Z95 * se, influence)


def e_value(ratio: float) -> float:
    """E-value of a risk ratio: RR + sqrt(RR (RR - 1)), of 1/RR below 1.

    The strength of association, as a risk ratio, that something unrecorded would need with both the
    treatment and the outcome to explain the ratio away.

    Raises:
        ValueError: for a ratio that is not positive.
    """
    if not ratio > 0:
        raise ValueError(f"a risk ratio is positive, not {ratio}")
    rr = max(ratio, 1 / ratio)
    return rr + math.sqrt(rr * (rr - 1))


def e_value_of_limit(low: float, high: float) -> float:
    """E-value of the limit nearer to 1; 1 where the interval holds 1 already."""
    if low <= 1 <= high:
        return 1.0
    return e_value(high if high < 1 else low)


def weighted_gap(
    x: Floats, treated: npt.ArrayLike, weights: Floats | None = None, *, counts: npt.ArrayLike | None = None
) -> Floats:
    """Standardised mean difference of each covariate between the groups, shape (p,).

    In units of the pooled SD before weighting; below 0.1 is commonly taken as balanced (Austin, Stat.
    Med. 28:3083-3107, 2009).

    Args:
        weights: total weight of each row, default `counts`. counts: observations in each row, default 1.
    """
    a = np.asarray(treated, dtype=bool)
    n = np.ones(a.size) if counts is None else np.asarray(counts, dtype=float)
    w = n if weights is None else weights
    plain = [np.average(x[arm], axis=0, weights=n[arm]) for arm in (a, ~a)]
    spread = [
        np.average((x[arm] - mean) ** 2, axis=0, weights=n[arm])
        for arm, mean in zip((a, ~a), plain, strict=True)
    ]
    sd = np.sqrt((spread[0] + spread[1]) / 2)
    gap = np.average(x[a], axis=0, weights=w[a]) - np.average(x[~a], axis=0, weights=w[~a])
    return np.asarray(np.divide(gap, sd, out=np.zeros_like(gap), where=sd > 0))
