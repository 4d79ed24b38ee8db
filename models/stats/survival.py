"""Time to a comeback, with the orders that have not been watched long enough kept apart.

Kaplan-Meier (JASA 53:457-481, 1958) with Greenwood's variance, and the log-rank test, through
statsmodels. An order closed five days ago has not come back *yet*: it counts for the five days it was
watched and no longer, never as a good one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from models.stats.intervals import wilson, wilson_many
from models.stats.results import Estimate

Floats = npt.NDArray[np.float64]

CURVE_SCHEMA = {
    "day": pl.Float64,
    "at_risk": pl.Int64,
    "events": pl.Int64,
    "survival": pl.Float64,
    "se": pl.Float64,
}


def kaplan_meier(time: npt.ArrayLike, event: npt.ArrayLike) -> pl.DataFrame:
    """Kaplan-Meier curve at the times with an event.

    Args:
        time: follow-up, shape (n,), not negative. event: True where it ended with the event.

    Returns:
        day, at_risk, events, survival, se (Greenwood), in order of time; no rows without an event.

    Raises:
        ValueError: for unequal lengths or a negative or missing time.
    """
    t, e = np.asarray(time, dtype=float), np.asarray(event, dtype=bool)
    if t.shape != e.shape or not (t >= 0).all():
        raise ValueError("follow-up times must be as many as events, and none negative or missing")
    if not e.any():
        return pl.DataFrame(schema=CURVE_SCHEMA)
    fit = SurvfuncRight(t, e.astype(int))
    return pl.DataFrame(
        {
            "day": np.asarray(fit.surv_times, dtype=float),
            "at_risk": np.asarray(fit.n_risk).astype(np.int64),
            "events": np.asarray(fit.n_events).astype(np.int64),
            "survival": np.asarray(fit.surv_prob, dtype=float),
            "se": np.nan_to_num(np.asarray(fit.surv_prob_se, dtype=float)),
        },
        schema=CURVE_SCHEMA,
    ).filter(pl.col("events") > 0)


def cumulative_incidence(time: npt.ArrayLike, event: npt.ArrayLike, *, window: float) -> pl.DataFrame:
    """Share that had the event by each day up to `window`, as a curve with a 95 % band.

    Returns day, at_risk, events, risk, low, high, beginning at day 0. The band is the Wilson interval
    of the effective number of orders watched (Cutler & Ederer's idea, J. Chronic Dis. 8:699-712, 1958):
    the number that would give Greenwood's variance without censoring.
    """
    t, e = np.asarray(time, dtype=float), np.asarray(event, dtype=bool)
    curve = kaplan_meier(np.minimum(t, window), e & (t <= window))
    risk = 1 - curve["survival"].to_numpy()
    effective = _effective_n(risk, curve["se"].to_numpy(), t.size)
    low, high = wilson_many(risk * effective, effective)
    first = pl.DataFrame(
        {"day": [0.0], "at_risk": [t.size], "events": [0], "risk": [0.0], "low": [0.0], "high": [0.0]}
    )
    rest = curve.select("day", "at_risk", "events").with_columns(
        risk=pl.Series(risk), low=pl.Series(low), high=pl.Series(high)
    )
    return pl.concat([first, rest])


def _effective_n(risk: Floats, se: Floats, most: int) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        n = risk * (1 - risk) / se**2
    return np.where(np.isfinite(n) & (se > 0), np.minimum(n, most), float(most))


def risk_at(time: npt.ArrayLike, event: npt.ArrayLike, *, window: float, least_n: int = 1) -> Estimate:
    """Share that had the event within `window`, by Kaplan-Meier, with a 95 % interval.

    Wilson's interval at the effective number watched: without censoring exactly the Wilson interval of
    the plain share. With no event at all the effective number is the follow-up, in windows.
    """
    t, e = np.asarray(time, dtype=float), np.asarray(event, dtype=bool)
    if t.size < max(least_n, 1):
        return Estimate.nothing(
            int(t.size), f"Too little to say: {t.size} closed orders, at least {max(least_n, 1)} needed."
        )
    inside = e & (t <= window)
    watched = float(np.minimum(t, window).sum() / window)
    if not inside.any():
        if watched < max(least_n, 1):
            return Estimate.nothing(
                int(t.size), f"Too little to say: {t.size} closed orders, all of them too young to judge."
            )
        return Estimate(n=int(t.size), estimate=0.0, low=0.0, high=wilson(0.0, watched)[1])
    if not (inside | (t >= window)).any() or float(t.max()) < window:
        return Estimate.nothing(
            int(t.size), f"No order has been watched for the whole window of {window:g} days yet."
        )
    last = kaplan_meier(np.minimum(t, window), inside).row(-1, named=True)
    risk, se = 1 - float(last["survival"]), float(last["se"])
    n = float(_effective_n(np.array([risk]), np.array([se]), t.size)[0])
    low, high = wilson(min(risk * n, n), n)
    return Estimate(n=int(t.size), estimate=risk, low=low, high=high)


@dataclass(frozen=True, slots=True)
class LogRank:
    """Log-rank test of equal curves: chi-squared, its degrees of freedom and p value."""

    chi_squared: float
    freedom: int
    p_value: float


def log_rank(time: npt.ArrayLike, event: npt.ArrayLike, group: npt.ArrayLike) -> LogRank:
    """Log-rank test over groups.

    Raises:
        ValueError: with fewer than two groups or without an event.
    """
    t, e, g = np.asarray(time, dtype=float), np.asarray(event, dtype=int), np.asarray(group)
    groups = np.unique(g).size
    if groups < 2 or not e.any():
        raise ValueError("the log-rank test needs at least two groups and an event")
    chi_squared, p_value = survdiff(t, e, g)
    return LogRank(float(chi_squared), groups - 1, float(p_value))
