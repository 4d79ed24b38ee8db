"""Partial pooling of shares against published examples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.stats.shrinkage import beta_binomial_log_likelihood, hyper_grid, pool_shares

DATA = Path(__file__).parent / "data"


def _spelled(text: str) -> np.ndarray:  # type: ignore[type-arg]
    parts = (piece.split("x") for piece in text.split())
    return np.array([float(p[-1]) for p in parts for _ in range(int(p[0]) if len(p) == 2 else 1)])


# 71 groups of rats: Tarone R. (1982) Biometrics 38:215-220, as in Gelman et al., Bayesian Data Analysis,
# 3rd ed., section 5.1; "14x0" stands for fourteen zeros
TUMOURS = _spelled(
    "14x0 8x1 9x2 1 5 2 5 3 2 7 7 3 3 2 9 10 7x4 10 4 4 4 5 11 12 5 5 6 5 6 6 6 6 16 15 15 9 4"
)
RATS = _spelled(
    "7x20 4x19 18 18 17 4x20 19 19 18 18 25 24 23 6x20 10 49 19 46 27 17 49 47 20 20 13 48 50 7x20 48 19 19 "
    "19 22 46 49 20 20 23 19 22 20 20 20 52 46 47 24 14"
)


def test_the_rats_were_typed_right() -> None:
    assert (TUMOURS.size, RATS.size, TUMOURS.sum(), RATS.sum()) == (71, 71, 267, 1739)


def test_full_bayes_of_the_rats() -> None:
    # the book's section 5.3: E alpha 2.4, E beta 14.3
    pooled = pool_shares(TUMOURS, RATS)
    assert pooled.alpha == pytest.approx(2.403, abs=0.05)
    assert pooled.beta == pytest.approx(14.320, abs=0.15)
    # the last group, 4 of 14 (computed by a grid of our own and an independent one, not printed)
    assert pooled.mean[70] == pytest.approx(0.2109, abs=0.002)
    assert pooled.low[70] < pooled.mean[70] < pooled.high[70]


def test_the_posterior_mode_of_the_rats() -> None:
    # the book's section 5.3: mode of (log alpha/beta, log(alpha + beta)) at (-1.79, 2.74)
    a, b, weight = hyper_grid(TUMOURS, RATS)
    best = int(np.argmax(weight))
    assert np.log(a[best] / b[best]) == pytest.approx(-1.79, abs=0.04)
    assert np.log(a[best] + b[best]) == pytest.approx(2.74, abs=0.12)
    assert weight.sum() == pytest.approx(1.0)


def test_the_likelihood_at_its_known_maximum() -> None:
    # maximum-likelihood fit of the same data, worked out by two routes: alpha 2.3416, beta 14.1148
    at_best = beta_binomial_log_likelihood(TUMOURS, RATS, 2.3416, 14.1148)
    assert at_best == pytest.approx(-730.3385, abs=1e-3)
    nearby = beta_binomial_log_likelihood(TUMOURS, RATS, [2.2, 2.5, 2.3416], [14.1148, 14.1148, 15.0])
    assert (nearby < at_best).all()


def test_moments_of_the_rats_are_in_reach() -> None:
    # the book's section 5.1: alpha 1.4, beta 8.6 by moments of the 70 historical groups
    rates = TUMOURS[:70] / RATS[:70]
    assert (rates.mean(), rates.std(ddof=1)) == pytest.approx((0.136, 0.103), abs=5e-4)
    assert pool_shares(TUMOURS[:70], RATS[:70]).usual_mean == pytest.approx(rates.mean(), abs=0.01)


def _james_stein(rates: np.ndarray, variance: float) -> tuple[np.ndarray, float]:  # type: ignore[type-arg]
    """The plain estimator of 1977, a slow twin for the pooling: factor 1 - (k - 3) variance / S."""
    spread = ((rates - rates.mean()) ** 2).sum()
    factor = 1 - (rates.size - 3) * variance / spread
    return rates.mean() + factor * (rates - rates.mean()), factor


def test_baseball() -> None:
    # Efron & Morris (1977) Scientific American 236(5):119-127 (factor .212); estimates as in Efron (2010),
    # Large-Scale Inference, Table 1.1
    hits, later = np.loadtxt(DATA / "efron_morris_1975.csv", delimiter=",", skiprows=3, unpack=True)
    assert (hits.size, hits.sum(), later.sum()) == (18, 215, pytest.approx(4.771, abs=1e-9))
    rates = hits / 45
    centre = rates.mean()
    twin, factor = _james_stein(rates, centre * (1 - centre) / 45)
    assert factor == pytest.approx(0.212, abs=5e-4)
    printed = [0.294, 0.289, 0.285, 0.280, 0.275, 0.275, 0.270, 0.266, 0.261, 0.261]
    printed += [0.256] * 5 + [0.252, 0.247, 0.242]
    assert twin == pytest.approx(printed, abs=5e-4)
    error = ((rates - later) ** 2).sum()
    assert ((twin - later) ** 2).sum() / error == pytest.approx(0.28, abs=5e-3)
    # the pooling that ships lies close to it and does as well on the rest of the season
    pooled = pool_shares(hits, np.full(18, 45))
    assert pooled.mean == pytest.approx(twin, abs=0.012)
    assert ((pooled.mean - later) ** 2).sum() / error < 0.33
    assert np.mean((pooled.low <= later) & (later <= pooled.high)) >= 0.9


def test_the_weight_at_both_ends() -> None:
    events, trials = np.array([0.0, 3.0, 450.0, 45.0]), np.array([0.0, 3.0, 500.0, 50.0])
    pooled = pool_shares(events, trials)
    assert pooled.own_weight[0] == 0
    assert pooled.own_weight[2] > 0.5
    assert (np.argsort(pooled.own_weight) == [0, 1, 3, 2]).all()
    # nobody's own figure: the house's
    assert pooled.mean[0] == pytest.approx(pooled.usual_mean, abs=0.01)
    assert pooled.mean[2] == pytest.approx(0.9, abs=0.02)


def test_three_captures_are_neither_best_nor_worst() -> None:
    pooled = pool_shares([3, 44, 41, 46, 39], [3, 50, 50, 50, 50])
    assert pooled.mean[0] < pooled.mean[3]
    one_right = pool_shares([1, 44, 41, 46, 30], [3, 50, 50, 50, 50])
    assert one_right.mean[0] > 0.5  # far above its own third
    assert one_right.low[0] < one_right.low[4]
    assert one_right.high[0] > one_right.usual_mean  # and nothing that sets it apart
    assert pooled.high[0] - pooled.low[0] > pooled.high[1] - pooled.low[1]


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(11)
    held = []
    for _ in range(60):
        truth = rng.beta(12, 3, 8)
        trials = rng.integers(5, 60, 8)
        pooled = pool_shares(rng.binomial(trials, truth), trials)
        held.append((pooled.low <= truth) & (truth <= pooled.high))
    assert 0.92 <= np.mean(held) <= 0.98


def test_bad_counts_are_refused() -> None:
    with pytest.raises(ValueError, match="events"):
        pool_shares([4], [3])
    assert pool_shares([], []).mean.size == 0
