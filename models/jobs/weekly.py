"""A weekly share watched for a change: is the scope used more or less than it was?

Each week's share is set against all the weeks since the last change, so that no run-in has to be declared good
beforehand (a self-starting chart: Hawkins D.M., Self-starting cusum charts for location and scale, The Statistician
36, 1987, doi 10.2307/2348827, who standardises normal values by all before them; the arcsine scale, where a share's
spread is 1/(4n), and the EWMA are ours). The standardised weeks feed an EWMA, which signals, and a tabular CUSUM,
whose run counter dates the change. The limit is set by the average run length: how many weeks pass between two false
alarms.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
import polars as pl
from scipy import optimize

from models.stats.arrays import Floats
from models.stats.control import cusum, ewma, ewma_run_length
from models.stats.intervals import share_difference
from models.stats.results import Estimate

WEIGHT = 0.2  # of the newest week; finds lasting changes of about one standard error soonest (Lucas & Saccucci 1990)
WEEKS_BETWEEN_FALSE_ALARMS = 520.0
_ALLOWANCE = 0.5
_LEAST_BASE = 20  # pieces of work before a week can be set against them

POINT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "week": pl.Date,
    "events": pl.Int64,
    "trials": pl.Int64,
    "share": pl.Float64,
    "z": pl.Float64,
    "statistic": pl.Float64,
    "limit": pl.Float64,
    "signal": pl.Boolean,
}


@dataclass(frozen=True, slots=True)
class Change:
    """A lasting change: seen in the week `seen_on`, dated back to the week `since`.

    `difference` is the share since then minus the share of the weeks it was set against (Newcombe); being
    chosen for its size, it reads rather too large.
    """

    since: date
    seen_on: date
    difference: Estimate


@dataclass(frozen=True, slots=True)
class WeekChart:
    """The chart.

    Attributes:
        points: one row a week with work: week, events, trials, share, z (null while there is too
            little to set it against), statistic, limit, signal.
        changes: in order of time.
        weeks_between_false_alarms: average, with nothing going on.
    """

    points: pl.DataFrame
    changes: tuple[Change, ...]
    weeks_between_false_alarms: float


@lru_cache(maxsize=8)
def limit_for_run_length(weeks: float) -> float:
    """The EWMA's limit (in its standard deviations) at which false alarms lie so many weeks apart."""
    return float(
        optimize.brentq(
            lambda limit: ewma_run_length(weight=WEIGHT, limit=limit) - weeks, 1.0, 4.5, xtol=1e-4
        )
    )


def _standardised(events: Floats, trials: Floats) -> Floats:
    """Each week against all weeks before it, NaN while those hold too little."""
    before_k, before_n = np.cumsum(events) - events, np.cumsum(trials) - trials

    def angle(k: Floats, n: Floats) -> Floats:
        return np.asarray(np.arcsin(np.sqrt((k + 0.375) / (n + 0.75))))

    spread = np.sqrt(0.25 / (trials + 0.5) + 0.25 / (before_n + 0.5))
    z = (angle(events, trials) - angle(before_k, before_n)) / spread
    return np.where(before_n >= _LEAST_BASE, z, np.nan)


def watch_weeks(weeks: pl.DataFrame, *, between: float = WEEKS_BETWEEN_FALSE_ALARMS) -> WeekChart:
    """Watch a weekly share.

    Args:
        weeks: week (Monday), events, trials; weeks without work are left out. In order of time.
        between: weeks between two false alarms, on average.
    """
    worked = weeks.filter(pl.col("trials") > 0).sort("week")
    if worked.height == 0:
        return WeekChart(pl.DataFrame(schema=POINT_SCHEMA), (), between)
    k, n = (worked[c].to_numpy().astype(float) for c in ("events", "trials"))
    monday: list[date] = worked["week"].to_list()
    limit = limit_for_run_length(between)
    size = k.size
    z, statistic, signal = np.full(size, np.nan), np.full(size, np.nan), np.zeros(size, dtype=bool)
    changes: list[Change] = []
    begin = 0
    while begin < size:
        fresh = _standardised(k[begin:], n[begin:])
        known = np.flatnonzero(np.isfinite(fresh))
        chart = ewma(fresh[known], target=0.0, sd=1.0, weight=WEIGHT, limit=limit)
        hit = int(np.argmax(chart.signal)) if chart.signal.any() else known.size - 1
        shown = known[: hit + 1]
        z[begin + shown], statistic[begin + shown] = fresh[shown], chart.statistic[: hit + 1]
        if not chart.signal.any():
            break
        sums = cusum(fresh[shown], target=0.0, allowance=_ALLOWANCE, limit=np.inf)
        run = sums.high_run if chart.statistic[hit] > 0 else sums.low_run
        seen = begin + int(shown[-1])
        since = begin + int(shown[max(0, hit - max(int(run[hit]), 1) + 1)])
        signal[seen] = True
        changes.append(Change(monday[since], monday[seen], _step(k, n, begin, since, seen)))
        # the weeks that raised the alarm were picked for being far out; what follows is judged by fresh ones
        begin = seen + 1
    points = worked.select("week", "events", "trials").with_columns(
        share=pl.Series(k / n),
        z=pl.Series(z).fill_nan(None),
        statistic=pl.Series(statistic).fill_nan(None),
        limit=pl.lit(limit * float(np.sqrt(WEIGHT / (2 - WEIGHT)))),
        signal=pl.Series(signal),
    )
    return WeekChart(
        points.select(pl.col(c).cast(t) for c, t in POINT_SCHEMA.items()), tuple(changes), between
    )


def _step(k: Floats, n: Floats, begin: int, since: int, seen: int) -> Estimate:
    return share_difference(
        int(k[since : seen + 1].sum()),
        int(n[since : seen + 1].sum()),
        int(k[begin:since].sum()),
        int(n[begin:since].sum()),
        what="pieces of work since and before",
    )
