"""The penalised logistic regression against statsmodels and at its ends."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from models.stats.logistic import NotConverged, dummies, fit_logistic


def _data(seed: int = 2) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(400), rng.normal(size=(400, 3))])
    return x, (rng.random(400) < 1 / (1 + np.exp(-(x @ [-1, 0.8, 0, -0.5])))).astype(float)


def test_without_penalty_it_is_maximum_likelihood() -> None:
    x, y = _data()
    ours, theirs = fit_logistic(x, y), sm.Logit(y, x).fit(disp=0)
    assert ours.coefficients == pytest.approx(theirs.params, abs=1e-7)
    assert ours.covariance == pytest.approx(theirs.cov_params(), abs=1e-7)
    assert ours.log_likelihood == pytest.approx(theirs.llf)
    assert ours.chance(x) == pytest.approx(theirs.predict(x))


def test_counts_are_the_same_as_rows() -> None:
    x, y = _data()
    grouped = np.repeat(x[:50], 4, axis=0)
    outcome = y[:200]
    counted = fit_logistic(x[:50], outcome.reshape(50, 4).sum(axis=1), trials=np.full(50, 4.0))
    assert counted.coefficients == pytest.approx(fit_logistic(grouped, outcome).coefficients, abs=1e-6)


def test_the_penalty_at_both_ends() -> None:
    x, y = _data()
    strong = fit_logistic(x, y, penalty=np.array([0, 1e7, 1e7, 1e7]))
    assert strong.coefficients[1:] == pytest.approx(0, abs=1e-4)
    assert strong.chance(x) == pytest.approx(y.mean(), abs=1e-3)
    weak = fit_logistic(x, y, penalty=1e-9)
    assert weak.coefficients == pytest.approx(fit_logistic(x, y).coefficients, abs=1e-5)


def test_separation_is_said_and_a_penalty_answers_it() -> None:
    x = np.column_stack([np.ones(20), np.repeat([0.0, 1.0], 10)])
    y = np.repeat([0.0, 1.0], 10)
    with pytest.raises(NotConverged):
        fit_logistic(x, y)
    assert np.isfinite(fit_logistic(x, y, penalty=np.array([0.0, 0.5])).coefficients).all()
    with pytest.raises(NotConverged, match="singular"):
        fit_logistic(np.ones((20, 2)), y)


def test_dummies() -> None:
    assert (dummies(np.array([0, 2, 1]), 3) == [[0, 0], [0, 1], [1, 0]]).all()
    assert dummies(np.array([0, 0]), 1).shape == (2, 0)
