"""Posterior of one group's pattern and spread, given its healthy captures and all other groups.

Model, on the contrasts between a capture's elements (each capture's own level is a nuisance):

    y_vi = delta + u_v + w_vi,   delta ~ N(0, tau_f^2),  u_v ~ N(0, rho sigma_f^2),  w_vi ~ N(0, (1-rho) sigma_f^2)

delta is the group's pattern, u what one vehicle keeps over its captures, w what changes from capture to
capture (the reading error is part of it). With the pattern integrated out the likelihood of
(sigma, rho, tau) has a closed form in a few sums, so the posterior is computed on a grid. Groups share
sigma over strata of like layout, and tau and rho over the shop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.stats.arrays import Floats, Ints
from models.stats.nested import pool_nested
from models.stats.pooling import ScalePrior, pool_grid, pool_log_scale

SIGMA_PCT = np.exp(np.linspace(np.log(0.15), np.log(15.0), 185))
RHO = np.array([0.02, 0.12, 0.25, 0.38, 0.5, 0.62, 0.75, 0.86, 0.94])
TAU_PCT = np.exp(np.linspace(np.log(0.1), np.log(14.0), 15))

SIGMA_PRIOR = ScalePrior(centre=float(np.log(1.5)), centre_sd=0.3, stratum_sd=0.2, group_sd=0.4)
"""Healthy elements scatter by about 1.5 %, give or take a third (common practice, no source)."""

SHOP_SD = 0.25
"""Scale of a half-normal prior of nu, the standard deviation of log sigma between shops that have the same family: what
one hookup or scope does to the readings of another's differs by a quarter or so (a choice, no source)."""

TAU_PRIOR = (float(np.log(0.8)), 0.6, 0.6)
"""Centre, its standard deviation, and the standard deviation between groups of log tau (a choice)."""

RHO_PRIOR = (0.0, 1.0, 0.6)
"""The same for the logit of rho: half of the variance belongs to the vehicle, weakly held (a choice)."""


WORTH = 0.85
"""What a group's captures count for, of 1: they were classified by the same readings, and a likelihood that
takes them as independent and normal is a little too sure. Set so that 95 % intervals of the spread cover
95 % in simulated shops (tests/bench/bench_coverage.py)."""


@dataclass(frozen=True, slots=True)
class GroupSums:
    """All that the likelihood needs of one group.

    Attributes:
        elements: N; 1 where the test looks at one thing.
        captures: sum of the healthy probabilities.
        vehicle_weight: that sum by vehicle, shape (vehicles,).
        vehicle_mean: weighted mean contrast by vehicle, shape (vehicles, N), in %.
        within_square: weighted square distance of captures to their vehicle's mean, in %^2.
        within_dof: captures beyond the first of each vehicle, weighted.
        reading_variance: mean square reading error of one element, in %^2.
        contrasts: independent contrasts a capture holds, N - 1 less what taking off a swing costs.
        classifying: further log likelihood over `SIGMA_PCT`, from being unsure which captures are healthy.
    """

    elements: int
    captures: float
    vehicle_weight: Floats
    vehicle_mean: Floats
    within_square: float
    within_dof: float
    reading_variance: float
    contrasts: float
    doubt: Floats | None = None

    @property
    def free(self) -> int:
        """Free numbers in a pattern: contrasts between elements, or the level itself of one thing."""
        return max(self.elements - 1, 1)


def group_sums(
    level_pct: Floats,
    se_pct: Floats,
    healthy: Floats,
    vehicle: Ints,
    *,
    contrasts: float | None = None,
    doubt: Floats | None = None,
) -> GroupSums:
    """Sum up one group's captures.

    Args:
        level_pct: shape (captures, N), readings minus the capture's mean, by element.
        se_pct: shape (captures, N); healthy: shape (captures,), probabilities; vehicle: codes.
    """
    n = level_pct.shape[1]
    use = healthy > 0.02
    level_pct, se_pct, healthy, vehicle = level_pct[use], se_pct[use], healthy[use], vehicle[use]
    _, code = np.unique(vehicle, return_inverse=True)
    count = int(code.max(initial=-1)) + 1
    weight = np.bincount(code, weights=healthy, minlength=count).astype(np.float64)
    mean = (
        np.stack(
            [np.bincount(code, weights=healthy * level_pct[:, c], minlength=count) for c in range(n)], axis=1
        )
        / np.maximum(weight, 1e-12)[:, None]
    )
    square = float(healthy @ np.sum((level_pct - mean[code]) ** 2, axis=1))
    effective = np.bincount(code, weights=healthy**2, minlength=count) / np.maximum(weight, 1e-12)
    with np.errstate(all="ignore"):
        error = np.where(np.isfinite(se_pct), np.clip(se_pct, 0.0, 20.0), np.nan) ** 2
    known = np.isfinite(error).all(axis=1)
    variance = float(np.average(error[known].mean(axis=1), weights=healthy[known])) if known.any() else np.nan
    return GroupSums(
        elements=n,
        captures=float(healthy.sum()),
        vehicle_weight=weight,
        vehicle_mean=mean,
        within_square=square,
        within_dof=float(np.sum(weight - effective)),
        reading_variance=variance,
        contrasts=max(n - 1.0, 1.0) if contrasts is None else contrasts,
        doubt=doubt,
    )


def no_sums(elements: int) -> GroupSums:
    """A group of which nothing is known."""
    return GroupSums(
        elements, 0.0, np.zeros(0), np.zeros((0, elements)), 0.0, 0.0, float("nan"), max(elements - 1.0, 1.0)
    )


@dataclass(frozen=True, slots=True)
class Posterior:
    """One group's posterior on the grid.

    Attributes:
        sigma_prior: what the other groups say, over `SIGMA_PCT`; sigma: with the group's own data.
        sigma_alone: what they would say did nobody know where this family lies (`models.stats.nested`).
        rho, tau: marginals over `RHO`, `TAU_PCT`.
        draws_sigma, draws_rho: shape (draws,); draws_pattern: shape (draws, N), contrasts in %.
        pattern_pct: posterior mean contrast, shape (N,).
    """

    sigma_prior: Floats
    sigma: Floats
    rho: Floats
    tau: Floats
    draws_sigma: Floats
    draws_rho: Floats
    draws_pattern: Floats
    pattern_pct: Floats
    sigma_alone: Floats

    @property
    def own_weight(self) -> float:
        """Share of the uncertainty about the spread that the group's own captures removed, 0 to 1."""
        return float(np.clip(1.0 - _variance(self.sigma) / _variance(self.sigma_prior), 0.0, 1.0))

    @property
    def shop_weight(self) -> float:
        """Of what is left to borrow, the share that comes from the same family in other shops, 0 to 1.

        With `own_weight`, and what comes from the other families, it makes 1.
        """
        removed = 1.0 - _variance(self.sigma_prior) / _variance(self.sigma_alone)
        return float(np.clip((1.0 - self.own_weight) * removed, 0.0, 1.0))

    def sigma_quantile(self, share: float) -> float:
        """Quantile of the spread in %."""
        edge = np.concatenate([[0.0], np.cumsum(self.sigma)])
        x = np.log(SIGMA_PCT)
        step = x[1] - x[0]
        at = np.interp(share, edge, np.concatenate([x - step / 2, [x[-1] + step / 2]]))
        return float(np.exp(at))


def _variance(weight: Floats) -> float:
    """Of log sigma, under weights over `SIGMA_PCT` that sum to 1."""
    x = np.log(SIGMA_PCT)
    mean = float(weight @ x)
    return float(weight @ (x - mean) ** 2)


def log_likelihood(sums: GroupSums) -> Floats:
    """Log likelihood over (sigma, rho, tau), the pattern integrated out; flat without captures."""
    shape = (SIGMA_PCT.size, RHO.size, TAU_PCT.size)
    if sums.vehicle_weight.size == 0:
        # Not one healthy capture; the sound elements of odd ones still say something about the spread.
        return np.zeros(shape) + (0.0 if sums.doubt is None else sums.doubt[:, None, None])
    dof = sums.contrasts
    var = (SIGMA_PCT**2)[:, None]
    k = RHO[:, None] + (1.0 - RHO)[:, None] / sums.vehicle_weight[None, :]
    precision = 1.0 / k
    total = precision.sum(axis=1)
    centre = precision @ sums.vehicle_mean / total[:, None]
    distance = np.sum((sums.vehicle_mean[None] - centre[:, None]) ** 2, axis=2)
    between = np.sum(precision * distance, axis=1)
    part = np.minimum(sums.vehicle_weight, 1.0)
    vehicles = float(part.sum())
    inner = -0.5 * dof * sums.within_dof * np.log(var * (1.0 - RHO))
    inner = inner - sums.within_square / (2.0 * var * (1.0 - RHO))
    inner = inner - 0.5 * dof * max(vehicles - min(1.0, vehicles), 0.0) * np.log(var) - between / (2.0 * var)
    inner = inner - 0.5 * dof * (np.sum(part * np.log(k), axis=1) + np.log(total))
    pattern_var = TAU_PCT[None, None, :] ** 2 + var[:, :, None] / total[None, :, None]
    square = np.sum(centre**2, axis=1)[None, :, None]
    if sums.doubt is not None:
        inner = inner + sums.doubt[:, None]
    known = 0.5 * sums.free * np.log(pattern_var) + square / (2.0 * pattern_var)
    return np.asarray(WORTH * (inner[:, :, None] - known))


def _log_sum(values: Floats, axis: tuple[int, ...]) -> Floats:
    top = values.max(axis=axis, keepdims=True)
    return np.asarray(np.log(np.sum(np.exp(values - top), axis=axis)) + np.squeeze(top, axis=axis))


def fit_posteriors(
    sums: list[GroupSums],
    stratum: Ints,
    *,
    family: Ints | None = None,
    draws: int = 4000,
    seed: int = 20251125,
) -> list[Posterior]:
    """Posterior of every group, each borrowing from all others.

    Args:
        sums: one a group; stratum: codes of like layouts, shape (groups,).
        family: codes of what is the same family in several shops, which borrow from each other first; None: no
            two groups are.
    """
    if not sums:
        return []
    likes = np.stack([log_likelihood(one) for one in sums])
    groups = len(sums)
    log_sigma, log_tau = np.log(SIGMA_PCT), np.log(TAU_PCT)
    logit_rho = np.log(RHO / (1.0 - RHO))
    p_sigma = alone = np.zeros((groups, SIGMA_PCT.size))
    p_tau = pool_grid(np.zeros((groups, TAU_PCT.size)), log_tau, centre=TAU_PRIOR[:2], group_sd=TAU_PRIOR[2])
    p_rho = pool_grid(np.zeros((groups, RHO.size)), logit_rho, centre=RHO_PRIOR[:2], group_sd=RHO_PRIOR[2])
    # Each pass lets one of the three learn from the shop while the others stand; it settles in a few.
    for _ in range(4):
        over_sigma = _log_sum(likes + p_rho[:, None, :, None] + p_tau[:, None, None, :], (2, 3))
        if family is None:
            p_sigma = alone = pool_log_scale(over_sigma, log_sigma, stratum, SIGMA_PRIOR)
        else:
            nested = pool_nested(over_sigma, log_sigma, family, stratum, SIGMA_PRIOR, SHOP_SD)
            p_sigma, alone = nested.prior, nested.without
        over_tau = _log_sum(likes + p_sigma[:, :, None, None] + p_rho[:, None, :, None], (1, 2))
        p_tau = pool_grid(over_tau, log_tau, centre=TAU_PRIOR[:2], group_sd=TAU_PRIOR[2])
        over_rho = _log_sum(likes + p_sigma[:, :, None, None] + p_tau[:, None, None, :], (1, 3))
        p_rho = pool_grid(over_rho, logit_rho, centre=RHO_PRIOR[:2], group_sd=RHO_PRIOR[2])
    found = []
    for at, one in enumerate(sums):
        joint = likes[at] + p_sigma[at][:, None, None] + p_rho[at][None, :, None] + p_tau[at][None, None, :]
        joint = np.exp(joint - joint.max())
        joint /= joint.sum()
        rng = np.random.default_rng([seed, at])
        found.append(_draw(one, joint, (np.exp(p_sigma[at]), np.exp(alone[at])), draws, rng))
    return found


def _draw(
    sums: GroupSums, joint: Floats, priors: tuple[Floats, Floats], draws: int, rng: np.random.Generator
) -> Posterior:
    picked = rng.choice(joint.size, size=draws, p=joint.ravel())
    s, r, t = np.unravel_index(picked, joint.shape)
    step = np.log(SIGMA_PCT[1] / SIGMA_PCT[0])
    sigma = SIGMA_PCT[s] * np.exp(step * (rng.random(draws) - 0.5))
    tau_step = np.log(TAU_PCT[1] / TAU_PCT[0])
    tau = TAU_PCT[t] * np.exp(tau_step * (rng.random(draws) - 0.5))
    rho = RHO[r]
    n = sums.elements
    noise = rng.standard_normal((draws, n))
    if n > 1:
        noise -= noise.mean(axis=1, keepdims=True)
    if sums.vehicle_weight.size:
        k = RHO[:, None] + (1.0 - RHO)[:, None] / sums.vehicle_weight[None, :]
        total = np.sum(1.0 / k, axis=1)
        centre = (1.0 / k) @ sums.vehicle_mean / total[:, None]
        error = sigma**2 / total[r]
        keep = tau**2 / (tau**2 + error)
        mean = keep[:, None] * centre[r]
        pattern = mean + np.sqrt(keep * error)[:, None] * noise
        average = mean.mean(axis=0)
    else:
        pattern = tau[:, None] * noise
        average = np.zeros(n)
    return Posterior(
        sigma_prior=priors[0] / priors[0].sum(),
        sigma_alone=priors[1] / priors[1].sum(),
        sigma=joint.sum(axis=(1, 2)),
        rho=joint.sum(axis=(0, 2)),
        tau=joint.sum(axis=(0, 1)),
        draws_sigma=sigma,
        draws_rho=rho,
        draws_pattern=pattern,
        pattern_pct=average,
    )


TAIL_DOF = 8
"""New healthy captures are drawn with Student's t of this many degrees of freedom, scaled to the same
standard deviation: hookups in the bay go wrong in more ways than a normal law knows (a choice, no source)."""


def predictive_readings(posterior: Posterior, draws: int, rng: np.random.Generator) -> Floats:
    """Readings of new healthy captures of new vehicles, shape (draws, N), as deviations from the mean, in %."""
    at = rng.integers(0, posterior.draws_sigma.size, size=draws)
    noise = rng.standard_t(TAIL_DOF, (draws, posterior.pattern_pct.size)) * np.sqrt((TAIL_DOF - 2) / TAIL_DOF)
    return np.asarray(posterior.draws_pattern[at] + posterior.draws_sigma[at][:, None] * noise)
