"""Logistic model with a term for each person: trends and case-mix allowances, partially pooled.

    k_jt ~ Binomial(n_jt, p_jt),  logit p_jt = offset_jt + x_jt beta + z_jt u_j,  u_jq ~ N(0, sd_q^2)

For given SDs the mode of (beta, u) is found by Newton's method and the rest integrated by Laplace's
approximation (Breslow & Clayton, J. Am. Stat. Assoc. 88:9-25, 1993; reference from memory); the SDs
themselves are integrated over a grid under half-normal priors rather than plugged in, because eight
people say little about how much people differ (Rue, Martino & Chopin, J. R. Statist. Soc. B 71:319-392,
2009, do the same).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from models.stats.arrays import Floats
from models.stats.logistic import NotConverged

_NEWTON_STEPS = 40


@dataclass(frozen=True, slots=True)
class Modes:
    """Laplace approximation at each row of SDs: G rows, J persons, P common and Q personal terms.

    Attributes:
        beta: (G, P). personal: (G, J, Q).
        personal_precision: (G, J, Q, Q), of u_j given beta. cross: (G, J, P, Q).
        beta_precision: (G, P, P), of beta with u integrated out.
        log_marginal: (G,), log of the integral over u (and over beta where P > 0), up to a constant
            that does not depend on the SDs. Without common terms it is the Laplace log likelihood.
    """

    beta: Floats
    personal: Floats
    personal_precision: Floats
    cross: Floats
    beta_precision: Floats
    log_marginal: Floats


def laplace_modes(
    events: Floats,
    trials: Floats,
    x: Floats,
    z: Floats,
    sds: Floats,
    *,
    offset: Floats | float = 0.0,
    beta_sd: Sequence[float] = (),
) -> Modes:
    """Mode and curvature of (beta, u) for every row of `sds`.

    Args:
        events, trials: counts, shape (J, T); padded cells have 0 trials.
        x: common terms, shape (J, T, P), P may be 0. z: personal terms, shape (J, T, Q).
        sds: SDs of the personal terms, shape (G, Q), positive.
        offset: added to the linear predictor, shape (J, T).
        beta_sd: SDs of normal priors on beta around 0, length P.

    Raises:
        NotConverged: where Newton's method does not settle.
    """
    groups, persons, common, personal = sds.shape[0], events.shape[0], x.shape[2], z.shape[2]
    beta_precision = 1 / np.square(np.asarray(beta_sd, dtype=float).reshape(common))
    prior = 1 / sds**2  # (G, Q)
    beta = np.zeros((groups, common))
    u = np.zeros((groups, persons, personal))

    def predictor(b: Floats, v: Floats) -> Floats:
        return np.asarray(
            offset + np.einsum("jtp,gp->gjt", x, b) + np.einsum("jtq,gjq->gjt", z, v), dtype=np.float64
        )

    def objective(eta: Floats, b: Floats, v: Floats) -> Floats:
        fit = (events * eta - trials * np.logaddexp(0.0, eta)).sum(axis=(1, 2))
        penalty = (b**2 @ beta_precision) + np.einsum("gjq,gq->g", v**2, prior)
        return np.asarray(fit - 0.5 * penalty)

    eta = predictor(beta, u)
    value = objective(eta, beta, u)
    for _ in range(_NEWTON_STEPS):
        p = expit(eta)
        w = trials * p * (1 - p)
        residual = events - trials * p
        gradient_b = np.einsum("gjt,jtp->gp", residual, x) - beta_precision * beta
        gradient_u = np.einsum("gjt,jtq->gjq", residual, z) - prior[:, None, :] * u
        block_b, cross, block_u = _curvature(w, x, z, beta_precision, prior)
        inverse_u = np.linalg.inv(block_u)
        schur = block_b - np.einsum("gjpq,gjqr,gjsr->gps", cross, inverse_u, cross)
        right = gradient_b - np.einsum("gjpq,gjqr,gjr->gp", cross, inverse_u, gradient_u)
        step_b = np.linalg.solve(schur, right[..., None])[..., 0] if common else right
        step_u = np.einsum("gjqr,gjr->gjq", inverse_u, gradient_u - np.einsum("gjpq,gp->gjq", cross, step_b))
        length = np.ones(groups)
        for _ in range(14):
            new_b = beta + length[:, None] * step_b
            new_u = u + length[:, None, None] * step_u
            new_eta = predictor(new_b, new_u)
            new_value = objective(new_eta, new_b, new_u)
            worse = ~(new_value >= value - 1e-9)
            if not worse.any():
                break
            length = np.where(worse, length / 2, length)
        gain = float(np.max(new_value - value))
        beta, u, eta, value = new_b, new_u, new_eta, new_value
        if gain < 1e-8:
            break
    else:
        raise NotConverged("the model of people's trends did not settle")
    p = expit(eta)
    return _modes_at(beta, u, value, trials * p * (1 - p), x, z, beta_precision, prior)


def _modes_at(
    beta: Floats,
    u: Floats,
    value: Floats,
    weight: Floats,
    x: Floats,
    z: Floats,
    beta_precision: Floats,
    prior: Floats,
) -> Modes:
    """The approximation at a mode whose log density is `value`; `weight` is each cell's binomial variance."""
    block_b, cross, block_u = _curvature(weight, x, z, beta_precision, prior)
    schur = block_b - np.einsum("gjpq,gjqr,gjsr->gps", cross, np.linalg.inv(block_u), cross)
    log_marginal = value + 0.5 * u.shape[1] * np.log(prior).sum(axis=1)
    log_marginal = log_marginal - 0.5 * np.linalg.slogdet(block_u)[1].sum(axis=1)
    if beta.shape[1]:
        log_marginal = log_marginal - 0.5 * np.linalg.slogdet(schur)[1]
    return Modes(beta, u, block_u, cross, schur, log_marginal)


def _curvature(
    w: Floats, x: Floats, z: Floats, beta_precision: Floats, prior: Floats
) -> tuple[Floats, Floats, Floats]:
    """Blocks of the negative Hessian: common (G,P,P), cross (G,J,P,Q), personal (G,J,Q,Q)."""
    block_b = np.einsum("gjt,jtp,jts->gps", w, x, x, optimize=True) + np.diag(beta_precision)
    cross = np.einsum("gjt,jtp,jtq->gjpq", w, x, z, optimize=True)
    block_u = np.einsum("gjt,jtq,jtr->gjqr", w, z, z, optimize=True)
    diagonal = np.arange(z.shape[2])
    block_u[..., diagonal, diagonal] += prior[:, None, :]
    return block_b, cross, block_u


@dataclass(frozen=True, slots=True)
class PersonalDraws:
    """Draws from the posterior: `beta` (draws, P), `personal` (draws, J, Q), `sds` (draws, Q)."""

    beta: Floats
    personal: Floats
    sds: Floats


def posterior_draws(
    events: Floats,
    trials: Floats,
    x: Floats,
    z: Floats,
    *,
    sd_scale: Sequence[float],
    beta_sd: Sequence[float],
    offset: Floats | float = 0.0,
    draws: int = 1500,
    seed: int,
    grid: int = 9,
) -> PersonalDraws:
    """Draw (beta, u) from the posterior of the model in the module's docstring.

    Args:
        events, trials, x, z, offset, beta_sd: as in `laplace_modes`.
        sd_scale: scales of the half-normal priors on the SDs, length Q.
        draws, seed: how many draws, and the seed that makes them repeatable.
        grid: points of each SD.

    Raises:
        NotConverged: where the model does not settle.
    """
    axes = [np.geomspace(0.03 * scale, 3.0 * scale, grid) for scale in sd_scale]
    sds = np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")], axis=1)
    modes = laplace_modes(events, trials, x, z, sds, offset=offset, beta_sd=beta_sd)
    # half-normal prior; the grid is even in log sd, hence the Jacobian sd
    log_prior = (-0.5 * (sds / np.asarray(sd_scale)) ** 2 + np.log(sds)).sum(axis=1)
    log_weight = modes.log_marginal + log_prior
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    rng = np.random.default_rng(seed)
    cell = np.sort(rng.choice(weight.size, size=draws, p=weight))
    persons, common, personal = events.shape[0], x.shape[2], z.shape[2]
    beta = np.empty((draws, common))
    u = np.empty((draws, persons, personal))
    for g in np.unique(cell):
        rows = np.flatnonzero(cell == g)
        shift = np.zeros((rows.size, common))
        if common:
            root = np.linalg.cholesky(np.linalg.inv(modes.beta_precision[g]))
            shift = rng.standard_normal((rows.size, common)) @ root.T
        beta[rows] = modes.beta[g] + shift
        inverse = np.linalg.inv(modes.personal_precision[g])
        roots = np.linalg.cholesky(inverse)
        noise = np.einsum("jqr,djr->djq", roots, rng.standard_normal((rows.size, persons, personal)))
        pull = np.einsum("jqr,jpr,dp->djq", inverse, modes.cross[g], shift)
        u[rows] = modes.personal[g] - pull + noise
    return PersonalDraws(beta, u, sds[cell])
