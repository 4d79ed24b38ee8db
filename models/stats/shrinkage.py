"""Partial pooling of shares: what a few observations say of one person once everybody else is known.

theta_j ~ Beta(alpha, beta), k_j ~ Binomial(n_j, theta_j), with the diffuse hyperprior
p(alpha, beta) proportional to (alpha + beta)^(-5/2), integrated on a grid (Gelman et al., *Bayesian
Data Analysis*, 3rd ed., section 5.3). Nothing is plugged in: that the spread between people is itself
badly known from eight people widens every interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, expit

Floats = npt.NDArray[np.float64]

_GRID_MEAN = 60
_GRID_SIZE = 48
_GRID_SHARES = 3000
_WIDEST_LOGIT = 14.0
_TOO_UNLIKELY = 1e-7  # cells of the hyperparameter grid below this posterior weight are dropped


@dataclass(frozen=True, slots=True)
class PooledShares:
    """Partially pooled shares of several people.

    Attributes:
        mean, low, high: posterior mean and 95 % interval of each share, shapes (people,).
        own_weight: how much of each mean is the person's own share, E[n / (n + alpha + beta)], shape
            (people,): 0 for nobody's own figure, towards 1 with many observations.
        usual_mean: posterior mean of alpha / (alpha + beta), the usual person's share.
        alpha, beta: posterior means of the hyperparameters.
        rho: posterior mean of the intraclass correlation 1 / (alpha + beta + 1).
    """

    mean: Floats
    low: Floats
    high: Floats
    own_weight: Floats
    usual_mean: float
    alpha: float
    beta: float
    rho: float


def beta_binomial_log_likelihood(
    events: npt.ArrayLike, trials: npt.ArrayLike, alpha: npt.ArrayLike, beta: npt.ArrayLike
) -> Floats:
    """Log likelihood of the beta-binomial without binomial coefficients, summed over people.

    `events`, `trials` of shape (people,); `alpha`, `beta` of any one shape, which is returned.
    """
    k, n = np.asarray(events, dtype=float), np.asarray(trials, dtype=float)
    a, b = np.asarray(alpha, dtype=float)[..., None], np.asarray(beta, dtype=float)[..., None]
    return np.asarray(np.sum(betaln(a + k, b + n - k) - betaln(a, b), axis=-1))


def _quantiles(events: Floats, trials: Floats, a: Floats, b: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """2.5 and 97.5 % points of each person's posterior, a mixture of betas over the grid's cells.

    The density is summed on a grid of shares, even in the logit: the likelihood of a person is the same
    for every cell, so that all people take one matrix product.
    """
    logit = np.linspace(-_WIDEST_LOGIT, _WIDEST_LOGIT, _GRID_SHARES)
    log_share, log_rest = -np.logaddexp(0.0, -logit), -np.logaddexp(0.0, logit)
    # prior density of each cell with respect to the logit, (cells, shares)
    prior = np.exp(a[:, None] * log_share + b[:, None] * log_rest - betaln(a, b)[:, None])
    log_gain = betaln(a, b) - betaln(a + events[:, None], b + (trials - events)[:, None])
    gain = weight * np.exp(log_gain - log_gain.max(axis=1, keepdims=True))
    with np.errstate(divide="ignore"):
        log_density = np.log(gain @ prior)
    log_density += events[:, None] * log_share + (trials - events)[:, None] * log_rest
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    below = np.cumsum(density, axis=1) - density / 2
    below /= density.sum(axis=1, keepdims=True)
    low, high = (np.array([np.interp(level, row, logit) for row in below]) for level in (0.025, 0.975))
    return np.asarray(expit(low)), np.asarray(expit(high))


def hyper_grid(events: npt.ArrayLike, trials: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Posterior of the hyperparameters on a grid: (alpha, beta, weight), each of shape (cells,).

    The grid is uniform in (log(alpha/beta), log(alpha+beta)), where the hyperprior of the module's
    docstring has density alpha beta (alpha + beta)^(-5/2).
    """
    k, n = np.asarray(events, dtype=float), np.asarray(trials, dtype=float)
    if k.shape != n.shape or k.ndim != 1 or (k < 0).any() or (k > n).any():
        raise ValueError("events and trials must be two rows of equal length with 0 <= events <= trials")
    centre = np.log((k.sum() + 0.5) / (n.sum() - k.sum() + 0.5))
    # the logit of the usual share is known no better than by its people and no worse than this
    spread = 1.5 + 4.0 / np.sqrt(max(k.size, 1))
    logit = np.linspace(centre - spread, centre + spread, _GRID_MEAN)
    log_size = np.linspace(np.log(0.4), np.log(2000.0), _GRID_SIZE)
    grid_logit, grid_size = np.meshgrid(logit, log_size, indexing="ij")
    size = np.exp(grid_size).ravel()
    a = size / (1 + np.exp(-grid_logit.ravel()))
    b = size - a
    log_weight = beta_binomial_log_likelihood(k, n, a, b) + np.log(a) + np.log(b) - 2.5 * np.log(size)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    keep = weight > _TOO_UNLIKELY
    return a[keep], b[keep], weight[keep] / weight[keep].sum()


def pool_shares(events: npt.ArrayLike, trials: npt.ArrayLike) -> PooledShares:
    """Partially pooled shares of several people.

    Args:
        events, trials: counts of each person, shape (people,); a person with 0 trials gets the
            usual person's distribution.

    Raises:
        ValueError: where the counts are no shares.
    """
    k, n = np.asarray(events, dtype=float), np.asarray(trials, dtype=float)
    if k.size == 0:
        none = np.zeros(0)
        return PooledShares(none, none, none, none, 0.5, 1.0, 1.0, 1 / 3)
    a, b, weight = hyper_grid(k, n)
    post_a, post_b = a[None, :] + k[:, None], b[None, :] + (n - k)[:, None]
    mean = (post_a / (post_a + post_b)) @ weight
    # quantiles need far fewer cells than means: keep the heaviest that hold 99.5 % of the weight
    order = np.argsort(weight)[::-1]
    heavy = order[: int(np.searchsorted(np.cumsum(weight[order]), 0.995)) + 1]
    share = weight[heavy] / weight[heavy].sum()
    low, high = _quantiles(k, n, a[heavy], b[heavy], share)
    return PooledShares(
        mean=mean,
        low=low,
        high=high,
        own_weight=(n[:, None] / (n[:, None] + a + b)) @ weight,
        usual_mean=float((a / (a + b)) @ weight),
        alpha=float(a @ weight),
        beta=float(b @ weight),
        rho=float((1 / (a + b + 1)) @ weight),
    )
