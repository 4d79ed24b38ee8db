"""Calls against confirmed outcomes: sensitivity and specificity kept apart, and kappa.

One share of right calls hides which mistake is made: a person who calls everything even is right
most of the time and finds nothing. Kappa takes out the agreement that guessing would give (Cohen,
Educ. Psychol. Meas. 20:37-46, 1960; standard error of Fleiss, Cohen & Everitt, Psychol. Bull.
72:323-327, 1969).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from statsmodels.stats.inter_rater import cohens_kappa

from models.stats.intervals import clopper_pearson
from models.stats.results import Estimate

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class CallCounts:
    """Judged calls of one person.

    Attributes:
        judged: calls a confirmed outcome can judge. right: those that were right.
        odd, found: confirmed odd, and those called odd on a right element.
        even, cleared: confirmed even, and those called even.
        table: called (rows: even, odd) by confirmed (columns: even, odd), for kappa.
    """

    judged: int
    right: int
    odd: int
    found: int
    even: int
    cleared: int
    table: tuple[tuple[int, int], tuple[int, int]]


def count_calls(judged: pl.DataFrame) -> CallCounts:
    """Counts from rows of `logbook.judged_calls` (one person's, or everybody's)."""
    odd = judged.filter(pl.col("finding") == "odd")
    even = judged.filter(pl.col("finding") == "even")

    def cell(call: str, finding: str) -> int:
        return judged.filter((pl.col("call") == call) & (pl.col("finding") == finding)).height

    return CallCounts(
        judged=judged.height,
        right=int(judged["right"].sum()),
        odd=odd.height,
        found=int(odd["right"].sum()),
        even=even.height,
        cleared=int(even["right"].sum()),
        table=(
            (cell("even", "even"), cell("even", "odd")),
            (cell("odd", "even"), cell("odd", "odd")),
        ),
    )


def together(counts: Iterable[CallCounts]) -> CallCounts:
    """The judged calls of several people as if they were one's."""
    every = list(counts)
    (a, b), (c, d) = (
        tuple(sum(one.table[row][column] for one in every) for column in (0, 1)) for row in (0, 1)
    )
    return CallCounts(
        judged=sum(one.judged for one in every),
        right=sum(one.right for one in every),
        odd=sum(one.odd for one in every),
        found=sum(one.found for one in every),
        even=sum(one.even for one in every),
        cleared=sum(one.cleared for one in every),
        table=((a, b), (c, d)),
    )


def kappa(table: tuple[tuple[int, ...], ...], *, least_n: int) -> Estimate:
    """Cohen's kappa of a square table of counts with its 95 % interval.

    'Too little to say' below `least_n`, or where one of the two always says the same: agreement beyond
    chance is then not defined.
    """
    counts = np.asarray(table, dtype=float)
    n = int(counts.sum())
    if n < least_n:
        return Estimate.nothing(n, f"Too little to say: {n} judged calls, at least {least_n} needed.")
    if (counts.sum(axis=0) > 0).sum() < 2 or (counts.sum(axis=1) > 0).sum() < 2:
        return Estimate.nothing(
            n, "Calls or outcomes were all the same, so agreement beyond chance has no figure."
        )
    result = cohens_kappa(counts)
    value, error = float(result.kappa), math.sqrt(max(float(result.var_kappa), 0.0))
    if error == 0.0:  # full agreement or none at all: the large-sample error is 0, which is no interval
        # the exact limits of the agreement stand in for it
        expected = float((counts.sum(axis=0) @ counts.sum(axis=1)) / n**2)
        low, high = (
            (agreed - expected) / (1 - expected) for agreed in clopper_pearson(int(counts.trace()), n)
        )
        return Estimate(n=n, estimate=value, low=max(-1.0, low), high=min(1.0, high))
    half = Z95 * error
    return Estimate(n=n, estimate=value, low=max(-1.0, value - half), high=min(1.0, value + half))


@dataclass(frozen=True, slots=True)
class Corrected:
    """Corrected for which calls get confirmed, over all calls that could be judged; parts of one.

    Attributes:
        sensitivity: share of what was odd that was called odd on a right element.
        specificity: share of what was even that was called even. right: share of right calls.
    """

    sensitivity: Estimate
    specificity: Estimate
    right: Estimate


def corrected_for_confirmation(
    odd_calls: int, even_calls: int, counts: CallCounts, *, least_n: int, draws: int, seed: int
) -> Corrected:
    """Sensitivity and specificity over *all* calls, not only over those an outcome has confirmed.

    Captures called odd are confirmed more often than those called even, so that among the confirmed ones
    misses are missing. Given the call, confirmed ones stand for the others with the same call (C.B. Begg &
    R.A. Greenes, Biometrics 39:207-215, 1983). The interval is by draws from Jeffreys' priors.

    Args:
        odd_calls, even_calls: calls that could be judged, confirmed or not.
        counts: the confirmed ones. least_n: at least so many confirmed calls of both sorts together,
            and three of each sort, else too little to say.
    """
    called_even, called_odd = np.array(counts.table[0]), np.array(counts.table[1])
    n = odd_calls + even_calls
    if counts.judged < least_n or called_even.sum() < 3 or called_odd.sum() < 3:
        why = (
            f"Too little to say: {called_odd.sum()} odd and {called_even.sum()} even calls confirmed, at least "
            f"{least_n} together and 3 of each needed."
        )
        return Corrected(*[Estimate.nothing(n, why)] * 3)
    rng = np.random.default_rng(seed)
    found, wrong_element = counts.found, int(called_odd[1]) - counts.found
    # of those called odd: found, odd on another element, even; of those called even: odd
    given_odd = rng.dirichlet([found + 0.5, wrong_element + 0.25, int(called_odd[0]) + 0.5], draws)
    missed = rng.beta(called_even[1] + 0.5, called_even[0] + 0.5, draws)
    odd_share = rng.beta(odd_calls + 0.5, even_calls + 0.5, draws)
    truly_odd = odd_share * (given_odd[:, 0] + given_odd[:, 1]) + (1 - odd_share) * missed
    cleared = (1 - odd_share) * (1 - missed)
    return Corrected(
        _from_draws(odd_share * given_odd[:, 0] / truly_odd, n),
        _from_draws(cleared / (cleared + odd_share * given_odd[:, 2]), n),
        _from_draws(odd_share * given_odd[:, 0] + cleared, n),
    )


def _from_draws(values: npt.NDArray[np.float64], n: int) -> Estimate:
    low, middle, high = np.quantile(values, [0.025, 0.5, 0.975])
    return Estimate(n=n, estimate=float(middle), low=float(low), high=float(high))
