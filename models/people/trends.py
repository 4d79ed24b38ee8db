"""Trend of a share for each technician, partially pooled, with an interval a month.

Each person's weekly counts follow a logistic line in time; the lines' levels and slopes are drawn
towards the shop's (see `mixed`). Slopes are read off as the change of the share itself, in parts of one
a month, between the person's first and last week: 'two points a month' can be pictured, log odds
cannot.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import expit

from models.records.logbook import week_of
from models.records.people_settings import DAYS_A_MONTH
from models.stats.mixed import posterior_draws
from models.stats.results import Estimate

Floats = npt.NDArray[np.float64]

_LEVEL_SD_SCALE = 1.0  # ordinary people differ by about one unit of log odds at most
_SLOPE_SD_SCALE = 0.15  # and change by about a seventh of a unit a month
_LEAST_SPAN_DAYS = 42
_CURVE_SCHEMA = {
    "technician": pl.String,
    "week": pl.Date,
    "events": pl.Int64,
    "trials": pl.Int64,
    "share": pl.Float64,
    "fitted": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Trends:
    """Trends of all technicians.

    Attributes:
        per_month: technician -> change of the share a month, in parts of one.
        curves: one row a technician and week with work: technician, week, events, trials, share (raw),
            fitted, low, high (the line with its 95 % band, null where there is too little to say).
    """

    per_month: dict[str, Estimate]
    curves: pl.DataFrame


def weekly_counts(frame: pl.DataFrame, *, at: str, event: str) -> pl.DataFrame:
    """Counts a technician and week: technician, week (Monday), events, trials."""
    return (
        frame.with_columns(week=week_of(at))
        .group_by("technician", "week")
        .agg(events=pl.col(event).cast(pl.Int64).sum(), trials=pl.len().cast(pl.Int64))
        .sort("technician", "week")
    )


def pooled_trends(
    frame: pl.DataFrame,
    people: tuple[str, ...],
    *,
    at: str,
    event: str,
    moment: datetime,
    least_n: int,
    draws: int,
    seed: int,
    what: str,
) -> Trends:
    """Partially pooled trend of a share for each of `people`.

    Args:
        frame: one row an observation with `technician`, a time column `at` and a bool column `event`.
        people: whom to answer for. least_n: fewer observations than this are too little to say.
        what: plural noun for the sentence that says why there is no figure.
    """
    counts = weekly_counts(frame.filter(pl.col("technician").is_in(people)), at=at, event=event)
    totals = {
        name: (int(n), first, last)
        for name, n, first, last in counts.group_by("technician")
        .agg(pl.col("trials").sum(), pl.col("week").min(), pl.col("week").max().alias("last"))
        .iter_rows()
    }
    answers: dict[str, Estimate] = {}
    for name in people:
        n, first, last = totals.get(name, (0, None, None))
        if n < least_n:
            answers[name] = Estimate.nothing(n, f"Too little to say: {n} {what}, at least {least_n} needed.")
        elif first is not None and last is not None and (last - first).days < _LEAST_SPAN_DAYS:
            answers[name] = Estimate.nothing(
                n, f"Too little to say: all {what} lie within {(last - first).days + 7} days."
            )
    if counts.height == 0:
        return Trends(answers, pl.DataFrame(schema=_CURVE_SCHEMA))
    names = sorted(totals)
    row = {name: i for i, name in enumerate(names)}
    weeks: list[date] = sorted(counts["week"].unique().to_list())
    place = {week: i for i, week in enumerate(weeks)}
    months = np.array([(week - moment.date()).days / DAYS_A_MONTH for week in weeks])
    j = np.array([row[name] for name in counts["technician"]])
    t = np.array([place[week] for week in counts["week"]])
    events, trials = np.zeros((len(names), len(weeks))), np.zeros((len(names), len(weeks)))
    events[j, t], trials[j, t] = counts["events"].to_numpy(), counts["trials"].to_numpy()
    # time is centred where the person worked, so that level and slope are nearly independent
    centre = (trials * months).sum(axis=1) / trials.sum(axis=1)
    z = np.stack([np.ones_like(trials), months[None, :] - centre[:, None]], axis=2)
    posterior = posterior_draws(
        events,
        trials,
        z,
        z,
        sd_scale=(_LEVEL_SD_SCALE, _SLOPE_SD_SCALE),
        beta_sd=(3.0, 0.3),
        draws=draws,
        seed=seed,
    )
    own = posterior.beta[:, None, :] + posterior.personal  # (draws, people, 2)
    pieces = []
    for name in names:
        i = row[name]
        seen = np.flatnonzero(trials[i] > 0)
        chance = expit(own[:, i, 0, None] + own[:, i, 1, None] * z[i, seen, 1][None, :])
        mute = name in answers  # too little to say
        low, high = np.quantile(chance, [0.025, 0.975], axis=0)
        pieces.append(
            pl.DataFrame(
                {
                    "technician": [name] * seen.size,
                    "week": [weeks[s] for s in seen],
                    "events": events[i, seen].astype(np.int64),
                    "trials": trials[i, seen].astype(np.int64),
                    "share": events[i, seen] / trials[i, seen],
                    "fitted": [None] * seen.size if mute else chance.mean(axis=0).tolist(),
                    "low": [None] * seen.size if mute else low.tolist(),
                    "high": [None] * seen.size if mute else high.tolist(),
                },
                schema=_CURVE_SCHEMA,
            )
        )
        if name not in answers:
            change = (chance[:, -1] - chance[:, 0]) / (months[seen[-1]] - months[seen[0]])
            low_change, high_change = np.quantile(change, [0.025, 0.975])
            answers[name] = Estimate(
                n=totals[name][0],
                estimate=float(change.mean()),
                low=float(low_change),
                high=float(high_change),
            )
    return Trends(answers, pl.concat(pieces))
