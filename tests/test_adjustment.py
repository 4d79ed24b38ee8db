"""The adjustment against the published worked examples of causal inference."""

from __future__ import annotations

import causaldata
import numpy as np
import pytest
import statsmodels.api as sm

from models.stats.adjustment import (
    doubly_robust,
    doubly_robust_in_group,
    e_value,
    e_value_of_limit,
    ip_weighted,
    propensity,
    standardised,
    weighted_gap,
)
from models.stats.intervals import combine_difference
from models.stats.logistic import dummies, fit_logistic


def _nhefs() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """Covariates with intercept, quit smoking, weight change, cigarettes a day (1566 people)."""
    data = causaldata.nhefs_complete.load_pandas().data
    number = {c: data[c].astype(float).to_numpy() for c in ("age", "smokeintensity", "smokeyrs", "wt71")}
    code = {c: data[c].astype(int).to_numpy() for c in ("sex", "race", "education", "exercise", "active")}
    parts = [np.ones(len(data)), code["sex"], code["race"], number["age"], number["age"] ** 2]
    for name, levels in (("education", 5), ("exercise", 3), ("active", 3)):
        first = code[name] - code[name].min()
        parts += list(dummies(first.astype(np.int64), levels).T)
    for name in ("smokeintensity", "smokeyrs", "wt71"):
        parts += [number[name], number[name] ** 2]
    return (
        np.column_stack(parts),
        data["qsmk"].astype(float).to_numpy(),
        data["wt82_71"].astype(float).to_numpy(),
        number["smokeintensity"],
    )


def test_nhefs_by_weighting() -> None:
    # Hernan & Robins (2020) Causal Inference: What If, Program 12.2 (companion output): log likelihood
    # -838.44842, coefficients of age .1212052 and -.0008246, weights 1.05 to 16.70, effect 3.440535 (0.5258294)
    x, quit_smoking, gain, _ = _nhefs()
    assert (x.shape[0], int(quit_smoking.sum())) == (1566, 403)
    fit = fit_logistic(x, quit_smoking)
    assert fit.log_likelihood == pytest.approx(-838.44842, abs=1e-4)
    assert fit.coefficients[3] == pytest.approx(0.1212052, abs=1e-6)
    assert fit.coefficients[4] == pytest.approx(-0.0008246, abs=1e-6)
    chance = propensity(x, quit_smoking)
    weights = np.where(quit_smoking > 0, 1 / chance, 1 / (1 - chance))
    assert (weights.mean(), weights.min(), weights.max()) == pytest.approx(
        (1.996284, 1.053742, 16.70009), abs=1e-5
    )
    effect = ip_weighted(gain, quit_smoking, chance)
    assert effect.difference == pytest.approx(3.440535, abs=1e-5)
    assert effect.se == pytest.approx(0.5258294, abs=5e-4)
    crude = gain[quit_smoking > 0].mean() - gain[quit_smoking == 0].mean()
    assert crude == pytest.approx(2.5, abs=0.05)
    # the groups come together
    before = np.abs(weighted_gap(x[:, 1:], quit_smoking))
    after = np.abs(weighted_gap(x[:, 1:], quit_smoking, weights))
    assert before.max() > 0.2
    assert after.max() < 0.05


def test_nhefs_by_standardisation_and_by_both() -> None:
    # Programs 13.1, 13.3: coefficients 2.559594 and .0466628, standardised difference 3.5
    x, quit_smoking, gain, intensity = _nhefs()

    def design(a: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]
        return np.column_stack([x, a, a * intensity])

    fit = sm.OLS(gain, design(quit_smoking)).fit()
    assert fit.params[-2:] == pytest.approx([2.559594, 0.0466628], abs=1e-6)
    one, none = fit.predict(design(np.ones(1566))), fit.predict(design(np.zeros(1566)))
    assert standardised(one, none) == pytest.approx(3.517374, abs=1e-5)
    assert (one.mean(), none.mean()) == pytest.approx((5.273587, 1.756213), abs=1e-5)
    # doubly robust: worked out for these data by an independent program, not printed in the book
    both = doubly_robust(gain, quit_smoking, propensity(x, quit_smoking), one, none)
    assert both.difference == pytest.approx(3.457284, abs=1e-5)
    assert both.se == pytest.approx(0.4888, abs=2e-4)


# Hernan & Robins (2020), Table 2.2: twenty people, L, A, Y in the order of the table
GREEK = "000 001 000 000 010 010 010 011 101 101 100 111 111 111 111 111 111 110 110 110"


def test_where_the_whole_difference_is_who_was_treated() -> None:
    # crude risks 7/13 and 3/7; standardised and weighted risks are both 0.5, difference 0
    rows = np.array([[int(c) for c in word] for word in GREEK.split()], dtype=float)
    level, treated, outcome = rows.T
    assert rows.sum(axis=0).tolist() == [12, 13, 10]
    assert outcome[treated == 1].mean() == pytest.approx(7 / 13)
    assert outcome[treated == 0].mean() == pytest.approx(3 / 7)
    x = np.column_stack([np.ones(20), level])
    chance = propensity(x, treated)
    assert chance[level == 1] == pytest.approx(0.75)
    weighted = ip_weighted(outcome, treated, chance)
    assert (weighted.treated, weighted.untreated, weighted.difference) == pytest.approx(
        (0.5, 0.5, 0.0), abs=1e-8
    )
    saturated = np.column_stack([x, treated, treated * level])
    # the strata hold 1/4 and 2/3 in both arms, so the saturated fit is finite
    fit = fit_logistic(saturated, outcome)
    one, none = (fit.chance(np.column_stack([x, np.full(20, a), a * level])) for a in (1.0, 0.0))
    assert standardised(one, none) == pytest.approx(0.0, abs=1e-8)
    assert doubly_robust(outcome, treated, chance, one, none).difference == pytest.approx(0.0, abs=1e-8)


def test_effect_in_the_treated() -> None:
    # the same twenty: among the treated 7/13 had the outcome, and by level the untreated have 1/4 and 2/3,
    # which is 4/13 * 1/4 + 9/13 * 2/3 = 7/13 expected of the treated
    rows = np.array([[int(c) for c in word] for word in GREEK.split()], dtype=float)
    level, treated, outcome = rows.T
    chance = propensity(np.column_stack([np.ones(20), level]), treated)
    value, se = doubly_robust_in_group(outcome, treated, chance, np.where(level == 1, 2 / 3, 1 / 4))
    assert value == pytest.approx(0.0, abs=1e-8)
    assert se > 0
    # with the outcome model wrong the weights alone put it right
    wrong, _ = doubly_robust_in_group(outcome, treated, chance, np.full(20, 0.3))
    assert wrong == pytest.approx(0.0, abs=1e-6)
    # and the other way round
    flat, _ = doubly_robust_in_group(outcome, treated, np.full(20, 0.65), np.where(level == 1, 2 / 3, 1 / 4))
    assert flat == pytest.approx(0.0, abs=1e-8)


# Bickel, Hammel & O'Connell (1975) Science 187:398-404: admitted and rejected men, then women, by department
BERKELEY = np.array(
    [
        [512, 313, 89, 19],
        [353, 207, 17, 8],
        [120, 205, 202, 391],
        [138, 279, 131, 244],
        [53, 138, 94, 299],
        [22, 351, 24, 317],
    ],
    dtype=float,
)


def test_berkeley_turns_round_once_departments_are_allowed_for() -> None:
    # admitted crude: 44.5 % of men and 30.4 % of women; directly standardised 38.73 % and 43.00 %
    # (standardised shares worked out by an independent program)
    assert BERKELEY.sum() == 4526
    department = np.repeat(np.arange(6), 2)
    man = np.tile([1.0, 0.0], 6)
    admitted, rejected = BERKELEY[:, [0, 2]].ravel(), BERKELEY[:, [1, 3]].ravel()
    trials = admitted + rejected
    crude = [admitted[man == m].sum() / trials[man == m].sum() for m in (1, 0)]
    assert crude == pytest.approx([0.445, 0.304], abs=5e-4)
    blocks = dummies(department, 6, drop_first=False)
    saturated = np.column_stack([blocks, blocks * man[:, None]])
    fit = fit_logistic(saturated, admitted, trials=trials)
    one, none = (
        fit.chance(np.column_stack([blocks, blocks])),
        fit.chance(np.column_stack([blocks, 0 * blocks])),
    )
    assert np.average(one, weights=trials) == pytest.approx(0.3873, abs=5e-5)
    assert np.average(none, weights=trials) == pytest.approx(0.4300, abs=5e-5)
    # and the same through weighting person by person
    count = BERKELEY.astype(int).ravel()
    sex = np.repeat(np.tile([1.0, 1.0, 0.0, 0.0], 6), count)
    outcome = np.repeat(np.tile([1.0, 0.0, 1.0, 0.0], 6), count)
    where = np.repeat(np.repeat(np.arange(6), 4), count)
    weighted = ip_weighted(outcome, sex, propensity(dummies(where, 6, drop_first=False), sex))
    assert (weighted.treated, weighted.untreated) == pytest.approx((0.3873, 0.4300), abs=5e-5)


def test_the_common_odds_ratio_of_berkeley() -> None:
    # Mantel-Haenszel .9047 (.7719 to 1.0603); the maximum-likelihood common odds ratio lies close to it
    table = sm.stats.StratifiedTable([row.reshape(2, 2) for row in BERKELEY])
    assert table.oddsratio_pooled == pytest.approx(0.9046968, abs=1e-6)
    department = np.repeat(np.arange(6), 2)
    x = np.column_stack([dummies(department, 6, drop_first=False), np.tile([1.0, 0.0], 6)])
    admitted, rejected = BERKELEY[:, [0, 2]].ravel(), BERKELEY[:, [1, 3]].ravel()
    fit = fit_logistic(x, admitted, trials=admitted + rejected)
    assert np.exp(fit.coefficients[-1]) == pytest.approx(0.9047, abs=2e-3)
    assert fit.covariance[-1, -1] ** 0.5 == pytest.approx(0.0809890, abs=5e-4)


def test_e_values() -> None:
    # VanderWeele & Ding (2017) Ann. Intern. Med. 167:268-274
    assert e_value(3.9) == pytest.approx(7.26, abs=5e-3)
    assert e_value(10.73) == pytest.approx(20.95, abs=5e-3)
    assert e_value_of_limit(1.8, 8.7) == pytest.approx(3.0, abs=5e-3)
    assert e_value(0.80) == pytest.approx(1.81, abs=5e-3)
    assert e_value_of_limit(0.71, 0.91) == pytest.approx(1.43, abs=5e-3)
    assert e_value_of_limit(0.9, 1.3) == 1.0
    assert e_value(1.0) == 1.0
    with pytest.raises(ValueError, match="positive"):
        e_value(0.0)


def test_clusters_widen_the_interval() -> None:
    rng = np.random.default_rng(3)
    outcome = np.repeat(rng.random(200) < 0.3, 4).astype(float)
    treated = np.repeat(rng.random(200) < 0.5, 4).astype(float)
    half = np.full(800, 0.5)
    flat = np.full(800, 0.3)
    alone = doubly_robust(outcome, treated, half, flat, flat)
    together = doubly_robust(outcome, treated, half, flat, flat, cluster=np.repeat(np.arange(200), 4))
    assert together.difference == alone.difference
    assert together.se == pytest.approx(2 * alone.se, rel=0.02)


def test_a_censored_row_needs_no_outcome() -> None:
    outcome = np.array([1.0, 0.0, np.nan, 0.0, 1.0, 0.0])
    watched = np.array([1.0, 1.0, 0.0, 1.0, 1.0, 1.0])
    half = np.full(6, 0.5)
    result = doubly_robust(outcome, [1, 1, 1, 0, 0, 0], half, half, half, watched=watched)
    assert np.isfinite([result.difference, result.se]).all()


def test_differences_combine_like_newcombes() -> None:
    # Newcombe (1998) Table II, method 10: 56/70 - 48/80 gives .0524 to .3339, from the two Wilson intervals
    value, low, high = combine_difference((0.8, 0.69177, 0.87696), (0.6, 0.49038, 0.70042))
    assert (value, low, high) == pytest.approx((0.2, 0.0524, 0.3339), abs=2e-4)
