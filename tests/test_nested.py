"""Members within families: against the nested random-effects model in closed form, and against its own limits."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from models.stats.nested import MEMBER_STEPS, pool_nested
from models.stats.pooling import ScalePrior, pool_log_scale, scale_grids

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


def closed_form(
    y: np.ndarray,
    se: np.ndarray,
    family: np.ndarray,
    stratum: np.ndarray,
    prior: ScalePrior,
    member_sd: float,
) -> tuple[np.ndarray, np.ndarray, float]:
    """Posterior mean and sd of every group, and the mean of nu, with normal data.

    Given (kappa, omega, nu) everything is normal: x has the covariance of the nested random-effects model (centre +
    stratum + family + member), its posterior mean is the best linear unbiased predictor, y's evidence is a multivariate
    normal density. Only the three standard deviations are summed over.
    """
    _, _, kappas, omegas = scale_grids(prior)
    several = np.array([np.sum(family == one) > 1 for one in family])
    mean, square, total, nus = np.zeros(y.size), np.zeros(y.size), 0.0, 0.0
    for kappa, omega, step in itertools.product(kappas, omegas, MEMBER_STEPS):
        nu = member_sd * step
        cov = (
            np.full((y.size, y.size), prior.centre_sd**2)
            + kappa**2 * (stratum[:, None] == stratum[None, :])
            + omega**2 * (family[:, None] == family[None, :])
            + nu**2 * np.diag(several)
        )
        seen = cov + np.diag(se**2)
        _, log_det = np.linalg.slogdet(seen)
        off = y - prior.centre
        log_weight = -0.5 * (off @ np.linalg.solve(seen, off) + log_det)
        log_weight -= 0.5 * ((kappa / prior.stratum_sd) ** 2 + (omega / prior.group_sd) ** 2 + step**2)
        weight = float(np.exp(log_weight))
        gain = np.linalg.solve(seen, cov).T
        centre = prior.centre + gain @ off
        mean += weight * centre
        square += weight * (np.diag(cov - gain @ cov) + centre**2)
        total += weight
        nus += weight * nu
    mean /= total
    return mean, np.sqrt(square / total - mean**2), nus / total


@pytest.mark.parametrize("seed", range(6))
def test_a_nested_design_agrees_with_its_closed_form(seed: int) -> None:
    rng = np.random.default_rng(seed)
    family = np.repeat(np.arange(5), [3, 3, 2, 2, 1] if seed % 2 else 3)
    stratum = np.where(family < 3, 0, 1)
    centre = rng.normal(0.0, 0.3, 5)[family]
    y = centre + rng.normal(0.0, [0.05, 0.25, 0.5][seed % 3], family.size)
    se = rng.uniform(0.08, 0.3, family.size)
    likes = np.stack([known(at, sd) for at, sd in zip(y, se, strict=True)])
    found = pool_nested(likes, X, family, stratum, PRIOR, 0.3)
    mean, sd, nu = closed_form(y, se, family, stratum, PRIOR, 0.3)
    posterior = found.prior + likes
    assert [mean_of(row) for row in posterior] == pytest.approx(mean, abs=0.006)
    assert [sd_of(row) for row in posterior] == pytest.approx(sd, rel=0.03)
    assert found.member_sd == pytest.approx(nu, rel=0.03)


def test_what_others_say_leaves_a_groups_own_data_out() -> None:
    family, stratum = np.array([0, 0, 1, 1, 2]), np.zeros(5, dtype=np.int64)
    likes = [known(-0.5, 0.1), known(0.1, 0.1), known(0.0, 0.1), known(0.2, 0.1), known(0.3, 0.1)]
    one = pool_nested(np.stack(likes), X, family, stratum, PRIOR, 0.3)
    likes[0] = known(0.9, 0.05)
    other = pool_nested(np.stack(likes), X, family, stratum, PRIOR, 0.3)
    assert one.prior[0] == pytest.approx(other.prior[0], abs=1e-9)
    assert mean_of(other.prior[1]) > mean_of(one.prior[1]) + 0.2
    assert one.without[0] == pytest.approx(other.without[0], abs=1e-9)
    assert np.exp(one.prior).sum(axis=1) == pytest.approx(np.ones(5))


@pytest.mark.parametrize("seed", range(4))
def test_what_is_expected_of_any_member_agrees_with_its_closed_form(seed: int) -> None:
    """Given (kappa, omega, nu): the stratum's centre given all data but the group's own, and omega and nu about it."""
    rng = np.random.default_rng(seed)
    family, stratum = np.repeat(np.arange(4), 3), np.repeat([0, 1], 6)
    y = rng.normal(0.0, 0.3, 4)[family] + rng.normal(0.0, [0.05, 0.5][seed % 2], 12)
    se = rng.uniform(0.08, 0.3, 12)
    found = pool_nested(
        np.stack([known(*one) for one in zip(y, se, strict=True)]), X, family, stratum, PRIOR, 0.3
    )
    rest = np.arange(12) > 0
    _, _, kappas, omegas = scale_grids(PRIOR)
    mean = square = total = 0.0
    for kappa, omega, step in itertools.product(kappas, omegas, MEMBER_STEPS):
        centre = PRIOR.centre_sd**2 + kappa**2 * (stratum[:, None] == stratum[None, :])
        cov = centre + omega**2 * (family[:, None] == family[None, :]) + (0.3 * step) ** 2 * np.eye(12)
        seen = (cov + np.diag(se**2))[np.ix_(rest, rest)]
        weight = np.exp(
            -0.5 * (y[rest] @ np.linalg.solve(seen, y[rest]) + np.linalg.slogdet(seen)[1])
            - 0.5 * ((kappa / PRIOR.stratum_sd) ** 2 + (omega / PRIOR.group_sd) ** 2 + step**2)
        )
        gain = np.linalg.solve(seen, centre[0, rest])
        at = gain @ y[rest]
        var = centre[0, 0] - gain @ centre[0, rest] + omega**2 + (0.3 * step) ** 2
        mean, square, total = mean + weight * at, square + weight * (var + at**2), total + weight
    assert mean_of(found.without[0]) == pytest.approx(mean / total, abs=0.01)
    assert sd_of(found.without[0]) == pytest.approx(np.sqrt(square / total - (mean / total) ** 2), rel=0.03)
    assert sd_of(found.prior[0]) < sd_of(found.without[0])


def test_families_of_one_member_are_pooled_as_ever() -> None:
    rng = np.random.default_rng(3)
    likes = np.stack([known(at, 0.2) for at in rng.normal(0.0, 0.5, 6)])
    stratum = np.array([0, 0, 0, 1, 1, 1])
    found = pool_nested(likes, X, np.arange(6), stratum, PRIOR, 0.3)
    before = pool_log_scale(likes, X, stratum, PRIOR)
    assert np.exp(found.prior) == pytest.approx(np.exp(before), abs=1e-12)
    assert found.without == pytest.approx(found.prior)


def test_no_variance_between_members_is_one_group_of_all_their_data() -> None:
    rng = np.random.default_rng(4)
    likes = np.stack([known(at, 0.3) for at in rng.normal(0.2, 0.4, 6)])
    family, stratum = np.array([0, 0, 0, 1, 1, 2]), np.zeros(6, dtype=np.int64)
    found = pool_nested(likes, X, family, stratum, PRIOR, 1e-6)
    merged = np.stack([likes[family == one].sum(axis=0) for one in range(3)])
    whole = pool_log_scale(merged, X, np.zeros(3, dtype=np.int64), PRIOR) + merged
    for group, one in enumerate(family):
        posterior = found.prior[group] + likes[group]
        assert mean_of(posterior) == pytest.approx(mean_of(whole[one]), abs=1e-6)
        assert sd_of(posterior) == pytest.approx(sd_of(whole[one]), rel=1e-6)


def test_a_huge_variance_between_members_leaves_each_its_own() -> None:
    likes = np.stack([known(-0.6, 0.2), known(0.9, 0.2), known(0.1, 0.2), known(0.3, 0.2)])
    found = pool_nested(likes, X, np.array([0, 0, 1, 1]), np.zeros(4, dtype=np.int64), PRIOR, 1e3)
    for group, at in enumerate((-0.6, 0.9, 0.1, 0.3)):
        posterior = found.prior[group] + likes[group]
        assert (mean_of(posterior), sd_of(posterior)) == pytest.approx((at, 0.2), abs=2e-3)


def test_a_family_in_two_strata_is_refused() -> None:
    with pytest.raises(ValueError, match="one stratum"):
        pool_nested(np.zeros((2, X.size)), X, np.array([0, 0]), np.array([0, 1]), PRIOR, 0.3)


def test_a_balanced_design_agrees_with_a_mixed_model() -> None:
    """30 families of 4 members, 5 observations each: statsmodels' MixedLM by REML, variance between families, between
    members and of an observation; and its predictions of every member."""
    rng = np.random.default_rng(11)
    family = np.repeat(np.arange(30), 4)
    member = rng.normal(0.0, 0.45, 30)[family] + rng.normal(0.0, 0.3, family.size)
    values = member[:, None] + rng.normal(0.0, 0.4, (family.size, 5))
    table = pd.DataFrame(
        {"y": values.ravel(), "family": np.repeat(family, 5), "member": np.repeat(np.arange(family.size), 5)}
    )
    fit = smf.mixedlm(
        "y ~ 1", table, groups="family", re_formula="1", vc_formula={"member": "0 + C(member)"}
    ).fit(reml=True)
    between_members = float(np.sqrt(fit.vcomp[0]))
    y = values.mean(axis=1)
    se = float(np.sqrt(fit.scale / 5))
    likes = np.stack([known(at, se) for at in y])
    wide = ScalePrior(centre=0.0, centre_sd=0.6, stratum_sd=0.02, group_sd=0.5)
    found = pool_nested(likes, X, family, np.zeros(family.size, dtype=np.int64), wide, 0.4)
    assert found.member_sd == pytest.approx(between_members, rel=0.1)
    predicted = [
        float(
            fit.params["Intercept"] + fit.random_effects[one].iloc[0] + fit.random_effects[one].iloc[1 + at]
        )
        for one in range(30)
        for at in range(4)
    ]
    ours = [mean_of(row) for row in found.prior + likes]
    assert ours == pytest.approx(predicted, abs=0.03)
    assert np.std(np.array(ours) - y) > 0.02  # it does borrow
