"""Intervals for shares, differences of shares and counts that stay honest when the numbers are small.

A share `k / n` gets the Wilson score interval (E.B. Wilson, 1927): it never leaves 0..1, and says
something sensible for 0 of n. A difference of two shares gets Newcombe's hybrid of two score
intervals (R.G. Newcombe, Stat. Med. 17:873-890, 1998, method 10). A count over an exposure gets the
exact Poisson interval (F. Garwood, Biometrika 28:437-442, 1936).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from models.stats.results import Estimate

Floats = npt.NDArray[np.float64]

LEVEL = 0.95


def _counted(events: float, trials: float) -> None:
    if not (math.isfinite(events) and math.isfinite(trials)) or trials < 0 or not 0 <= events <= trials:
        raise ValueError(f"{events} of {trials} is no share: events must lie between 0 and the trials")


def wilson(events: float, trials: float, *, level: float = LEVEL) -> tuple[float, float]:
    """Wilson score interval of a share.

    Args:
        events: number of events, 0 <= events <= trials; a fraction is allowed (an effective count).
        trials: number of trials; 0 gives the whole range (0, 1).
        level: coverage, in (0, 1).

    Returns:
        low and high, in parts of one.

    Raises:
        ValueError: where `events` of `trials` is no share.
    """
    _counted(events, trials)
    if trials == 0:
        return 0.0, 1.0
    low, high = proportion_confint(events, trials, alpha=1 - level, method="wilson")
    # at 0 or all of n the limit is the share itself; rounding must not put it a hair on the wrong side
    seen = events / trials
    return min(max(0.0, float(low)), seen), max(min(1.0, float(high)), seen)


def wilson_many(events: npt.ArrayLike, trials: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Wilson 95 % intervals of many shares at once, shapes (n,); where `trials` is 0 the range is (0, 1)."""
    k, n = np.asarray(events, dtype=float), np.asarray(trials, dtype=float)
    safe = np.where(n > 0, n, 1.0)
    low, high = proportion_confint(np.where(n > 0, k, 0.0), safe, alpha=1 - LEVEL, method="wilson")
    return (
        np.where(n > 0, np.minimum(np.clip(low, 0.0, 1.0), k / safe), 0.0),
        np.where(n > 0, np.maximum(np.clip(high, 0.0, 1.0), k / safe), 1.0),
    )


def clopper_pearson(events: int, trials: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Exact binomial interval (Clopper & Pearson, Biometrika 26:404-413, 1934), in parts of one.

    Raises:
        ValueError: where `events` of `trials` is no share.
    """
    _counted(events, trials)
    if trials == 0:
        return 0.0, 1.0
    low, high = proportion_confint(events, trials, alpha=1 - level, method="beta")
    return float(low), float(high)


def combine_difference(
    first: tuple[float, float, float], second: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Difference `first - second` of two independent figures, from each one's estimate and limits.

    Each argument is (estimate, low, high). The limits are recovered variances, added in quadrature
    (Newcombe 1998; Zou & Donner, Stat. Med. 27:1693-1702, 2008). With Wilson limits this is
    Newcombe's method 10.
    """
    a, a_low, a_high = first
    b, b_low, b_high = second
    difference = a - b
    return (
        difference,
        difference - math.hypot(a - a_low, b_high - b),
        difference + math.hypot(a_high - a, b - b_low),
    )


def newcombe_difference(
    events_1: int, trials_1: int, events_2: int, trials_2: int, *, level: float = LEVEL
) -> tuple[float, float]:
    """Newcombe's hybrid score interval of `events_1/trials_1 - events_2/trials_2`, in parts of one.

    Raises:
        ValueError: where either is no share, or one of the groups is empty.
    """
    if trials_1 == 0 or trials_2 == 0:
        raise ValueError("a difference needs at least one trial in each group")
    first = (events_1 / trials_1, *wilson(events_1, trials_1, level=level))
    second = (events_2 / trials_2, *wilson(events_2, trials_2, level=level))
    _, low, high = combine_difference(first, second)
    return max(-1.0, low), min(1.0, high)


def poisson_exact(events: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Garwood's exact interval of a Poisson mean, from the count seen.

    Raises:
        ValueError: for a negative count.
    """
    if events < 0:
        raise ValueError(f"a count cannot be {events}")
    tail = (1 - level) / 2
    low = 0.0 if events == 0 else float(stats.chi2.ppf(tail, 2 * events) / 2)
    return low, float(stats.chi2.ppf(1 - tail, 2 * (events + 1)) / 2)


def rate(events: int, exposure: float, *, what: str = "time") -> Estimate:
    """Events by unit of `exposure` (weeks, say), with Garwood's interval; `n` is the count of events."""
    if not exposure > 0:
        return Estimate.nothing(events, f"Too little to say: no {what} to set the count against.")
    low, high = poisson_exact(events)
    return Estimate(n=events, estimate=events / exposure, low=low / exposure, high=high / exposure)


def share(events: int, trials: int, *, least: int = 1, what: str = "observations") -> Estimate:
    """A share with its Wilson interval, or 'too little to say' below `least` trials."""
    if trials < max(least, 1):
        return Estimate.nothing(
            trials, f"Too little to say: {trials} {what}, at least {max(least, 1)} needed."
        )
    low, high = wilson(events, trials)
    return Estimate(n=trials, estimate=events / trials, low=low, high=high)


def share_difference(
    events_1: int, trials_1: int, events_2: int, trials_2: int, *, least: int = 1, what: str = "observations"
) -> Estimate:
    """`events_1/trials_1 - events_2/trials_2` with Newcombe's interval; `n` is both groups together."""
    n = trials_1 + trials_2
    if min(trials_1, trials_2) < max(least, 1):
        return Estimate.nothing(
            n,
            f"Too little to say: {trials_1} and {trials_2} {what}, at least {max(least, 1)} needed in each.",
        )
    low, high = newcombe_difference(events_1, trials_1, events_2, trials_2)
    return Estimate(n=n, estimate=events_1 / trials_1 - events_2 / trials_2, low=low, high=high)


def mean_with_interval(values: npt.ArrayLike, *, least: int = 3, what: str = "values") -> Estimate:
    """Mean of `values` (shape (n,), any unit) with its Student t interval.

    For sums of money and hours, which are skewed: read the interval as rough below about 30 values.
    """
    x = np.asarray(values, dtype=float)
    x = x[np.isfinite(x)]
    if x.size < least:
        return Estimate.nothing(x.size, f"Too little to say: {x.size} {what}, at least {least} needed.")
    half = float(stats.t.ppf(0.5 + LEVEL / 2, x.size - 1) * x.std(ddof=1) / math.sqrt(x.size))
    mean = float(x.mean())
    return Estimate(n=int(x.size), estimate=mean, low=mean - half, high=mean + half)
