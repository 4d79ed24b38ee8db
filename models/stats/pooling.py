"""Partial pooling by quadrature: thin groups borrow, and no variance is ever estimated as exactly zero.

A moment estimate of the variance between groups is often exactly 0 (eight schools, below), which would say
that all groups are alike. Here the variance keeps its whole posterior, computed on a grid.

Normal means: y_j ~ N(theta_j, se_j^2), theta_j ~ N(mu, tau^2)
(Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.4; data of Rubin D.B. 1981, J. Educ. Statist.
6:377-401). Log scales: log sigma_g ~ N(m_stratum, omega^2), m_stratum ~ N(m_0, kappa^2), any likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.stats.arrays import Floats


@dataclass(frozen=True, slots=True)
class NormalPool:
    """Posterior of a normal-normal model.

    Attributes:
        mean, sd: of each group's theta, shape (groups,).
        mu_mean, mu_sd, tau_mean, tau_sd: of the shop's centre and of the spread between groups.
        tau: grid of tau, shape (k,); tau_weight: its posterior, sums to 1.
        own_weight: E[tau^2 / (tau^2 + se^2)], how much each group's own data count; 0 = all borrowed.
    """

    mean: Floats
    sd: Floats
    mu_mean: float
    mu_sd: float
    tau_mean: float
    tau_sd: float
    tau: Floats
    tau_weight: Floats
    own_weight: Floats


def pool_normal(
    y: Sequence[float] | Floats,
    se: Sequence[float] | Floats,
    *,
    mu_prior: tuple[float, float] | None = None,
    tau_scale: float | None = None,
    grid: int = 4000,
) -> NormalPool:
    """Pool group estimates with known standard errors, tau by quadrature.

    Args:
        y: group estimates, shape (groups,); se: their standard errors, > 0 (infinite = no data).
        mu_prior: (mean, sd) of the centre; None = flat.
        tau_scale: scale of a half-Cauchy prior on tau (Gelman 2006, Bayesian Analysis 1:515-534);
            None = flat, which needs at least three groups with data.

    Raises:
        ValueError: shapes differ, a standard error is not > 0, or the posterior would not be proper.
    """
    y, se = np.asarray(y, dtype=np.float64), np.asarray(se, dtype=np.float64)
    if y.shape != se.shape or y.ndim != 1:
        raise ValueError("y and se have the same shape (groups,)")
    if not np.all(se > 0):
        raise ValueError("standard errors are positive")
    known = np.isfinite(se)
    if (tau_scale is None and known.sum() < 3) or (mu_prior is None and known.sum() < 1):
        raise ValueError("flat priors need at least three groups; give tau_scale and mu_prior")
    if tau_scale is not None and not tau_scale > 0:
        raise ValueError(f"tau_scale is a positive number, not {tau_scale!r}")
    y = np.where(known, y, 0.0)
    scale = tau_scale if tau_scale is not None else float(np.median(se[known]))
    spread = float(np.ptp(y[known])) if known.any() else 0.0
    # Equal steps of the half-Cauchy's own quantile: fine near 0, and out into the far tail.
    middle = (np.arange(grid) + 0.5) / grid
    reach = max(scale, spread, 1e-12)
    tau = reach * np.tan(0.5 * np.pi * middle)
    step = reach * (1.0 + (tau / reach) ** 2)
    precision = 1.0 / (tau[:, None] ** 2 + se[None, :] ** 2)
    prior_mean, prior_precision = (0.0, 0.0) if mu_prior is None else (mu_prior[0], mu_prior[1] ** -2)
    total = precision.sum(axis=1) + prior_precision
    centre = (precision @ y + prior_mean * prior_precision) / total
    square = np.sum(precision * (y[None, :] - centre[:, None]) ** 2, axis=1)
    square += prior_precision * (centre - prior_mean) ** 2
    log_post = 0.5 * np.sum(np.log(precision[:, known]), axis=1) - 0.5 * np.log(total) - 0.5 * square
    if tau_scale is not None:
        log_post = log_post - np.log1p((tau / tau_scale) ** 2)
    weight = np.exp(log_post - log_post.max()) * step
    weight /= weight.sum()
    own = tau[:, None] ** 2 * precision
    mean_at = own * y[None, :] + (1.0 - own) * centre[:, None]
    # Given tau: variance of theta_j with mu integrated out.
    var_at = own * np.where(known, se, 0.0)[None, :] ** 2
    var_at = np.where(known[None, :], var_at, tau[:, None] ** 2) + (1.0 - own) ** 2 / total[:, None]
    mean = weight @ mean_at
    var = weight @ (var_at + mean_at**2) - mean**2
    mu_mean = float(weight @ centre)
    mu_var = float(weight @ (1.0 / total + centre**2)) - mu_mean**2
    tau_mean = float(weight @ tau)
    tau_var = float(weight @ tau**2) - tau_mean**2
    return NormalPool(
        mean=mean,
        sd=np.sqrt(var),
        mu_mean=mu_mean,
        mu_sd=float(np.sqrt(mu_var)),
        tau_mean=tau_mean,
        tau_sd=float(np.sqrt(max(tau_var, 0.0))),
        tau=tau,
        tau_weight=weight,
        own_weight=weight @ own,
    )


@dataclass(frozen=True, slots=True)
class ScalePrior:
    """Weak priors of the three-level model, on the log scale.

    Attributes:
        centre, centre_sd: of m_0.
        stratum_sd: scale of a half-normal prior of kappa (between strata).
        group_sd: scale of a half-normal prior of omega (between groups of a stratum).
    """

    centre: float
    centre_sd: float
    stratum_sd: float
    group_sd: float


def scale_grids(prior: ScalePrior) -> tuple[Floats, Floats, Floats, Floats]:
    """The grids of m_0, m_stratum, kappa and omega, in equal steps each."""
    m = np.linspace(prior.centre - 3.5 * prior.centre_sd, prior.centre + 3.5 * prior.centre_sd, 31)
    wide = np.sqrt(prior.centre_sd**2 + prior.stratum_sd**2)
    m_stratum = np.linspace(prior.centre - 3.5 * wide, prior.centre + 3.5 * wide, 41)
    kappa = prior.stratum_sd * (np.arange(7) + 0.5) * 0.4
    omega = prior.group_sd * (np.arange(9) + 0.5) * 0.33
    return m, m_stratum, np.asarray(kappa), np.asarray(omega)


def pool_log_scale(
    log_likelihood: Floats, x: Floats, stratum: npt.NDArray[np.int64], prior: ScalePrior
) -> Floats:
    """What the *other* groups say about each group's log scale.

    Three levels, all by quadrature: x_f ~ N(m_stratum, omega^2), m_stratum ~ N(m_0, kappa^2). Multiplying the
    result with the group's own likelihood gives its posterior; without data it *is* the posterior.

    Args:
        log_likelihood: shape (groups, k) on the grid `x` (equal steps, log scale), 0 for no data.
        stratum: shape (groups,), codes 0 ... strata-1.

    Returns:
        shape (groups, k), log prior weights, each row log-sum-exp 0.
    """
    groups, k = log_likelihood.shape
    m, m_stratum, kappa, omega = scale_grids(prior)
    hyper = (
        -0.5 * ((m - prior.centre) / prior.centre_sd)[:, None, None] ** 2
        - 0.5 * (kappa / prior.stratum_sd)[None, :, None] ** 2
        - 0.5 * (omega / prior.group_sd)[None, None, :] ** 2
    )
    # to_group[o, g, k]: N(x_k; m_stratum_g, omega_o), normalised over the grid.
    to_group = normal_rows(x[None, None, :], m_stratum[None, :, None], omega[:, None, None])
    to_stratum = normal_rows(m_stratum[None, None, :], m[:, None, None], kappa[None, :, None])
    top = log_likelihood.max(axis=1, keepdims=True)
    like = np.exp(log_likelihood - top)
    marginal = np.log(np.maximum(np.einsum("fk,ogk->fog", like, to_group), 1e-300))
    strata = int(stratum.max(initial=-1)) + 1
    product = np.zeros((strata, omega.size, m_stratum.size))
    np.add.at(product, stratum, marginal)
    peak = product.max(axis=(1, 2), keepdims=True)
    # evidence[j, m, kappa, omega] of each stratum, with the stratum's centre integrated out.
    evidence = np.log(np.maximum(np.einsum("mqg,jog->jmqo", to_stratum, np.exp(product - peak)), 1e-300))
    everything = hyper + evidence.sum(axis=0)
    result = np.empty((groups, k))
    for group in range(groups):
        j = int(stratum[group])
        others = everything - evidence[j]
        weight = np.exp(others - others.max())
        centre = np.einsum("mqo,mqg->og", weight, to_stratum)
        cavity = product[j] - marginal[group]
        joint = centre * np.exp(cavity - cavity.max())
        density = np.einsum("og,ogk->k", joint, to_group)
        result[group] = np.log(np.maximum(density / density.sum(), 1e-300))
    return result


def pool_grid(log_likelihood: Floats, x: Floats, *, centre: tuple[float, float], group_sd: float) -> Floats:
    """Two-level twin of `pool_log_scale` with the spread between groups held fixed.

    x_f ~ N(m, group_sd^2), m ~ N(centre). Used where the shop can hardly tell the spread between groups.

    Returns:
        shape (groups, k), log weights of what the other groups say about each one.
    """
    m = np.linspace(centre[0] - 3.0 * centre[1], centre[0] + 3.0 * centre[1], 41)
    to_group = normal_rows(x[None, :], m[:, None], group_sd)
    like = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    marginal = np.log(np.maximum(like @ to_group.T, 1e-300))
    everything = -0.5 * ((m - centre[0]) / centre[1]) ** 2 + marginal.sum(axis=0)
    others = everything[None, :] - marginal
    weight = np.exp(others - others.max(axis=1, keepdims=True))
    density = weight @ to_group
    return np.asarray(np.log(np.maximum(density / density.sum(axis=1, keepdims=True), 1e-300)))


def normal_rows(x: npt.ArrayLike, mean: npt.ArrayLike, sd: npt.ArrayLike) -> Floats:
    """Normal density on the last axis, each row scaled to sum 1 over the grid."""
    density = np.exp(-0.5 * ((np.asarray(x) - np.asarray(mean)) / np.asarray(sd)) ** 2)
    return np.asarray(density / np.maximum(density.sum(axis=-1, keepdims=True), 1e-300))
