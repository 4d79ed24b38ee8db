"""Partial pooling against published posteriors and against its own limits."""

from __future__ import annotations

import numpy as np
import pytest

from models.stats.pooling import ScalePrior, pool_grid, pool_log_scale, pool_normal

# Rubin D.B. (1981), J. Educ. Statist. 6:377-401, Table 1, rounded as in Bayesian Data Analysis, section 5.5.
COACHING = [28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0]
ERRORS = [15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0]


def test_eight_schools_with_flat_priors() -> None:
    """Pooled mean 7.7 (4.1) is in print; the posterior was worked out by an independent quadrature."""
    assert (sum(COACHING), sum(ERRORS)) == (70.0, 100.0)
    weight = 1.0 / np.array(ERRORS) ** 2
    assert float(weight @ np.array(COACHING) / weight.sum()) == pytest.approx(7.7, abs=0.05)
    assert weight.sum() ** -0.5 == pytest.approx(4.1, abs=0.05)
    pool = pool_normal(COACHING, ERRORS, grid=20_000)
    assert pool.tau_mean == pytest.approx(6.575, abs=0.01)
    assert (pool.mu_mean, pool.mu_sd) == pytest.approx((7.932, 5.178), abs=0.01)
    assert pool.mean == pytest.approx([11.40, 7.89, 6.13, 7.64, 5.13, 6.14, 10.67, 8.46], abs=0.01)
    assert pool.sd == pytest.approx([8.34, 6.27, 7.77, 6.55, 6.36, 6.71, 6.79, 7.89], abs=0.01)
    median = pool.tau[np.searchsorted(np.cumsum(pool.tau_weight), 0.5)]
    assert median == pytest.approx(5.238, abs=0.02)


def test_eight_schools_with_weak_priors() -> None:
    """mu ~ N(0, 5), tau ~ half-Cauchy(0, 5), by an independent quadrature."""
    pool = pool_normal(COACHING, ERRORS, mu_prior=(0.0, 5.0), tau_scale=5.0)
    assert (pool.mu_mean, pool.mu_sd) == pytest.approx((4.40, 3.32), abs=0.02)
    assert (pool.tau_mean, pool.tau_sd) == pytest.approx((3.60, 3.22), abs=0.02)
    assert pool.mean == pytest.approx([6.21, 4.94, 3.93, 4.76, 3.62, 4.04, 6.30, 4.85], abs=0.02)


def test_no_spread_between_strata_is_never_taken_for_certain() -> None:
    """The DerSimonian-Laird moment estimate is exactly 0 here; the posterior is not."""
    weight = 1.0 / np.array(ERRORS) ** 2
    centre = float(weight @ np.array(COACHING) / weight.sum())
    q = float(weight @ (np.array(COACHING) - centre) ** 2)
    assert q < 7.0
    pool = pool_normal(COACHING, ERRORS)
    assert pool.tau_weight[pool.tau > 1.0].sum() > 0.8
    assert np.all(pool.sd > 4.1)
    same = pool_normal([5.0] * 8, ERRORS, mu_prior=(0.0, 10.0), tau_scale=5.0)
    assert same.tau_mean > 0.5


def test_own_weight_runs_from_all_borrowed_to_all_own() -> None:
    errors = [1e-3, 5.0, np.inf]
    pool = pool_normal([10.0, 10.0, 0.0], errors, mu_prior=(0.0, 5.0), tau_scale=5.0)
    assert pool.own_weight[0] == pytest.approx(1.0, abs=1e-3)
    assert 0.0 < pool.own_weight[1] < 1.0
    assert pool.own_weight[2] == 0.0
    assert pool.mean[0] == pytest.approx(10.0, abs=1e-3)
    assert pool.mean[2] == pytest.approx(pool.mu_mean, abs=1e-6)
    assert pool.sd[2] > pool.sd[1] > pool.sd[0]


@pytest.mark.parametrize(
    ("y", "se"), [([1.0, 2.0], [1.0, 1.0]), ([1.0, 2.0, 3.0], [1.0, 1.0]), ([1.0] * 3, [1.0, 0.0, 1.0])]
)
def test_what_makes_no_sense_is_refused(y: list[float], se: list[float]) -> None:
    with pytest.raises(ValueError, match=r"three groups|same shape|positive"):
        pool_normal(y, se)


X = np.linspace(-3.0, 3.0, 241)
PRIOR = ScalePrior(centre=0.0, centre_sd=0.5, stratum_sd=0.25, group_sd=0.35)


def known(at: float, sd: float) -> np.ndarray:
    """Log likelihood of one group whose own data say `at`, give or take `sd`."""
    return -0.5 * ((X - at) / sd) ** 2


def mean_of(log_weight: np.ndarray) -> float:
    weight = np.exp(log_weight - log_weight.max())
    return float(weight @ X / weight.sum())


def sd_of(log_weight: np.ndarray) -> float:
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return float(np.sqrt(weight @ (X - weight @ X) ** 2))


def test_a_group_borrows_from_its_stratum_before_the_shop() -> None:
    likes = np.stack([known(0.6, 0.05)] * 4 + [known(-0.4, 0.05)] * 4 + [np.zeros_like(X)] * 2)
    stratum = np.array([0, 0, 0, 0, 1, 1, 1, 1, 0, 1])
    prior = pool_log_scale(likes, X, stratum, PRIOR)
    assert mean_of(prior[8]) == pytest.approx(0.6, abs=0.15)
    assert mean_of(prior[9]) == pytest.approx(-0.4, abs=0.15)
    assert np.exp(prior).sum(axis=1) == pytest.approx(np.ones(10), abs=1e-6)


def test_what_others_say_leaves_the_groups_own_data_out() -> None:
    rest = [known(0.0, 0.05)] * 5
    low = pool_log_scale(np.stack([known(-0.8, 0.05), *rest]), X, np.zeros(6, dtype=np.int64), PRIOR)
    high = pool_log_scale(np.stack([known(0.8, 0.05), *rest]), X, np.zeros(6, dtype=np.int64), PRIOR)
    assert low[0] == pytest.approx(high[0], abs=1e-9)
    assert not np.allclose(low[1], high[1])


def test_without_any_data_the_prior_is_what_is_left() -> None:
    prior = pool_log_scale(np.zeros((1, X.size)), X, np.zeros(1, dtype=np.int64), PRIOR)
    assert mean_of(prior[0]) == pytest.approx(0.0, abs=0.01)
    # centre, stratum and group scatter add: half-normals of scale s have mean square s^2.
    assert sd_of(prior[0]) == pytest.approx(np.sqrt(0.5**2 + 0.25**2 + 0.35**2), rel=0.1)


def test_three_levels_agree_with_sampling() -> None:
    """The same posterior by self-normalised importance sampling of the priors, 400,000 draws."""
    likes = np.stack([known(0.5, 0.2), known(0.2, 0.3), known(-0.3, 0.2), np.zeros_like(X)])
    stratum = np.array([0, 0, 1, 1])
    prior = pool_log_scale(likes, X, stratum, PRIOR)
    rng = np.random.default_rng(8)
    draws = 400_000
    m0 = rng.normal(0.0, 0.5, draws)
    kappa = np.abs(rng.normal(0.0, 0.25, draws))
    omega = np.abs(rng.normal(0.0, 0.35, draws))
    centre = m0[:, None] + kappa[:, None] * rng.standard_normal((draws, 2))
    x = centre[:, stratum] + omega[:, None] * rng.standard_normal((draws, 4))
    weight = np.exp(-0.5 * (((x[:, :3] - [0.5, 0.2, -0.3]) / [0.2, 0.3, 0.2]) ** 2).sum(axis=1))
    weight /= weight.sum()
    for group in range(4):
        posterior = prior[group] + likes[group]
        assert mean_of(posterior) == pytest.approx(float(weight @ x[:, group]), abs=0.02)
        spread = np.sqrt(weight @ (x[:, group] - weight @ x[:, group]) ** 2)
        assert sd_of(posterior) == pytest.approx(float(spread), rel=0.08)


def test_two_levels_leave_one_out_as_well() -> None:
    likes = np.stack([known(1.0, 0.05)] * 3 + [np.zeros_like(X)])
    prior = pool_grid(likes, X, centre=(0.0, 1.0), group_sd=0.3)
    assert mean_of(prior[3]) == pytest.approx(1.0, abs=0.1)
    likes[0] = known(-1.0, 0.05)
    assert pool_grid(likes, X, centre=(0.0, 1.0), group_sd=0.3)[0] == pytest.approx(prior[0], abs=1e-9)
