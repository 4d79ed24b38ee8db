"""Partial pooling with one level more: members within families within strata, by quadrature as in `pooling.py`.

    x_fs ~ N(mu_f, nu^2),   mu_f ~ N(m_stratum, omega^2),   m_stratum ~ N(m_0, kappa^2)

on a log scale, any likelihood of x_fs. Given nu the members of a family (shops that have the same engine family) are a
likelihood of mu_f, and above that the model is `pool_log_scale`'s. The variance between members keeps its whole
posterior as the others do: it is never estimated as exactly zero, and never from one family alone. A family with one
member has no such level: its x is its mu_f. The nested random-effects model: Searle S.R., Casella G. & McCulloch C.E.
(1992) Variance Components, ch. 3 (balanced case in closed form; chapter from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.stats.arrays import Floats
from models.stats.pooling import ScalePrior, normal_rows, scale_grids

MEMBER_STEPS = (np.arange(20) + 0.5) * 0.14
"""Grid of nu, in units of its half-normal prior's scale; fine, because many families tell it well."""


@dataclass(frozen=True, slots=True)
class Nested:
    """What the others say about each group's log scale.

    Attributes:
        prior: shape (groups, k), log weights of what all other groups say, each row log-sum-exp 0.
        without: what is expected of any member of such a family, all standard deviations and the stratum's centre as
            the others say (its own members too), and nothing known of this family's place. How much narrower `prior` is
            comes from the other members.
        member_sd: posterior mean of nu, the standard deviation between members of a family on the log scale.
    """

    prior: Floats
    without: Floats
    member_sd: float


def pool_nested(
    log_likelihood: Floats,
    x: Floats,
    family: npt.NDArray[np.int64],
    stratum: npt.NDArray[np.int64],
    prior: ScalePrior,
    member_sd: float,
) -> Nested:
    """What the other groups say about each one, those of its own family first.

    Args:
        log_likelihood: shape (groups, k) on the grid `x` (equal steps, log scale), 0 for no data.
        family: shape (groups,), codes 0 ... families-1; all members of one are of one stratum.
        stratum: shape (groups,), codes 0 ... strata-1.
        prior: of the levels above. member_sd: scale of a half-normal prior of nu.

    Raises:
        ValueError: a family lies in two strata.
    """
    families = int(family.max(initial=-1)) + 1
    members = [np.flatnonzero(family == one) for one in range(families)]
    if any(np.unique(stratum[found]).size != 1 for found in members):
        raise ValueError("the members of a family are of one stratum")
    of_family = np.array([stratum[found[0]] for found in members], dtype=np.int64)
    nu = member_sd * MEMBER_STEPS
    # to_member[n, u, k]: N(x_k; mu = x_u, nu_n), normalised over k.
    to_member = normal_rows(x[None, None, :], x[None, :, None], nu[:, None, None])
    like = np.exp(log_likelihood - log_likelihood.max(axis=1, keepdims=True))
    of_mu = np.log(np.maximum(np.einsum("gk,nuk->gnu", like, to_member), 1e-300))
    alone = np.log(np.maximum(like, 1e-300))[:, None, :]
    says = np.stack(
        [
            of_mu[found].sum(axis=0) if found.size > 1 else np.repeat(alone[found[0]], nu.size, 0)
            for found in members
        ]
    )
    to_group, joint, chance = _about_families(says, x, of_family, prior)
    with_others, without = np.empty_like(log_likelihood), np.empty_like(log_likelihood)
    for one, found in enumerate(members):
        about = np.einsum("nog,ogu->nu", joint[one], to_group)
        for group in found:
            if found.size == 1:
                with_others[group] = without[group] = _log_shares(about.sum(axis=0))
                continue
            siblings = says[one] - of_mu[group]
            siblings = np.exp(siblings - siblings.max())
            with_others[group] = _log_shares(np.einsum("nu,nuk->k", about * siblings, to_member))
            weight = joint[one] * np.einsum("nu,ogu->nog", siblings, to_group)
            anywhere = np.einsum("nog,ogu->nu", weight, to_group)
            without[group] = _log_shares(np.einsum("nu,nuk->k", anywhere, to_member))
    return Nested(with_others, without, float(chance @ nu))


def _about_families(
    says: Floats, x: Floats, stratum: npt.NDArray[np.int64], prior: ScalePrior
) -> tuple[Floats, list[Floats], Floats]:
    """What the other families say about each one's nu, omega and centre, and the posterior of nu.

    Args:
        says: log likelihood of mu by family and nu, shape (families, n, k).

    Returns:
        density of mu by omega and centre, shape (o, g, k); of each family weights of nu, omega and centre, shape
        (n, o, g); and the posterior of nu, shape (n,), summing to 1.
    """
    m, m_stratum, kappa, omega = scale_grids(prior)
    hyper = (
        -0.5 * ((m - prior.centre) / prior.centre_sd)[:, None, None, None] ** 2
        - 0.5 * (kappa / prior.stratum_sd)[None, :, None, None] ** 2
        - 0.5 * (omega / prior.group_sd)[None, None, :, None] ** 2
        - 0.5 * (MEMBER_STEPS**2)[None, None, None, :]
    )
    to_group = normal_rows(x[None, None, :], m_stratum[None, :, None], omega[:, None, None])
    to_stratum = normal_rows(m_stratum[None, None, :], m[:, None, None], kappa[None, :, None])
    top = says.max(axis=2, keepdims=True)
    marginal = np.log(np.maximum(np.einsum("fnu,ogu->fnog", np.exp(says - top), to_group), 1e-300))
    marginal += top[..., None]
    strata = int(stratum.max(initial=-1)) + 1
    product = np.zeros((strata, *marginal.shape[1:]))
    np.add.at(product, stratum, marginal)
    peak = product.max(axis=(1, 2, 3), keepdims=True)
    evidence = np.log(np.maximum(np.einsum("mqg,jnog->jmqon", to_stratum, np.exp(product - peak)), 1e-300))
    everything = hyper + evidence.sum(axis=0)
    found = []
    for one, j in enumerate(stratum):
        others = everything - evidence[j]
        centre = np.einsum("mqon,mqg->nog", np.exp(others - others.max()), to_stratum)
        cavity = product[j] - marginal[one]
        found.append(centre * np.exp(cavity - cavity.max()))
    chance = np.exp(everything - everything.max()).sum(axis=(0, 1, 2))
    return to_group, found, chance / chance.sum()


def _log_shares(density: Floats) -> Floats:
    return np.asarray(np.log(np.maximum(density / density.sum(), 1e-300)))
