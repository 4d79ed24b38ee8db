"""Trend of a share for each technician: a change a month with its interval, and a line for the eye.

The change a month is the slope of the straight line that fits a person's own work best (0 or 1 a piece of
work, least squares): it says what it says for every history, also for a learning curve or a step, where a
line on the logit scale does not fit and its interval holds too seldom. Its standard error is robust to
unequal variance (HC2; MacKinnon & White, J. Econometrics 29:305-325, 1985), with one piece of work of each
sort added on either side of the middle, so that nothing but successes gives an interval too (as Agresti &
Caffo, Am. Statistician 54:280-288, 2000, do for two shares). How many standard errors the interval reaches is
Student's quantile where both sorts are many; where one is rare, slope over standard error has no such tails (of
50 pieces of work with six failures it passes two in 2 of 100 shuffled orders, not in 5), and the permutations of
the same work over its weeks say how far it reaches (DiCiccio & Romano, J. Am. Stat. Assoc. 112:1211-1220, 2017,
for the slope over its robust error). It is not drawn towards the others: whoever learns among people who stay as
they are would be told that he hardly learns.

The line drawn is a logistic one, its level and slope drawn towards the shop's (see `mixed`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats
from scipy.special import expit

from models.records.logbook import week_of
from models.records.people_settings import DAYS_A_MONTH
from models.stats.arrays import Floats
from models.stats.mixed import posterior_draws
from models.stats.results import Estimate

_LEVEL_SD_SCALE = 1.0  # ordinary people differ by about one unit of log odds at most
_SLOPE_SD_SCALE = 0.15  # and change by about a seventh of a unit a month
_LEAST_SPAN_DAYS = 42
_RARE = 30  # from so many of the rarer sort on Student's quantile and that of the permutations are the same
_SHUFFLES = 999
# a few failures close together reach no further when shuffled, but may mark a learning curve
_LEAST_REACH = 1.7
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
        per_month: technician -> change of the share a month, in parts of one (`change_a_month`).
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


def change_a_month(events: Floats, trials: Floats, months: Floats) -> tuple[float, float, float]:
    """Slope of the best straight line through a person's pieces of work, with its 95 % interval.

    Args:
        events, trials: counts by week, shape (weeks,), trials positive; months: time of each week.

    Returns:
        change of the share a month and the ends of its interval, in parts of one.
    """
    slope, error = _slope(events, trials, months)
    # of as many pieces as counted two are the line's own, and four were added
    reach = float(stats.t.ppf(0.975, trials.sum() + 2))
    rarer = int(min(events.sum(), (trials - events).sum()))
    if 0 < rarer < _RARE:
        # with the sorts exchanged the slope only turns its sign
        shuffled = np.random.default_rng(_SHUFFLES).multivariate_hypergeometric(
            trials.astype(np.int64), rarer, size=_SHUFFLES, method="count"
        )
        other, error_of_other = _slope(shuffled.astype(np.float64), trials, months)
        ratio = np.sort(np.abs(other) / error_of_other)
        reach = max(float(ratio[int(np.ceil(0.95 * (_SHUFFLES + 1))) - 1]), _LEAST_REACH)
    half = reach * float(error)
    return float(slope), float(slope) - half, float(slope) + half


def _slope(events: Floats, trials: Floats, months: Floats) -> tuple[Floats, Floats]:
    """Slopes and their HC2 standard errors, one of each sort added on either side of the middle.

    Args:
        events: shape (..., weeks); trials, months: shape (weeks,).
    """
    middle = np.average(months, weights=trials)
    reach = float(np.sqrt(np.average((months - middle) ** 2, weights=trials)))
    k = np.concatenate([events, np.ones((*events.shape[:-1], 2))], axis=-1)
    n = np.concatenate([trials, [2.0, 2.0]])
    x = np.concatenate([months - middle, [-reach, reach]])
    total, square = float(n.sum()), float((n * x * x).sum())
    slope = np.asarray(k @ x) / square
    fitted = (k.sum(axis=-1) / total)[..., None] + slope[..., None] * x
    leverage = 1.0 / total + x * x / square
    # each piece of work leaves 1 - fitted or -fitted behind
    residual = (k * (1.0 - fitted) ** 2 + (n - k) * fitted**2) / (1.0 - leverage)
    return slope, np.asarray(np.sqrt(residual @ (x * x)) / square)


@dataclass(frozen=True, slots=True)
class _Weeks:
    """Counts by person and week, shape (people, weeks), and each week's time in months before now."""

    names: list[str]
    weeks: list[date]
    months: Floats
    events: Floats
    trials: Floats

    @classmethod
    def of(cls, counts: pl.DataFrame, moment: datetime) -> _Weeks:
        names = sorted(counts["technician"].unique().to_list())
        weeks: list[date] = sorted(counts["week"].unique().to_list())
        row = {name: i for i, name in enumerate(names)}
        place = {week: i for i, week in enumerate(weeks)}
        j = np.array([row[name] for name in counts["technician"]])
        t = np.array([place[week] for week in counts["week"]])
        events, trials = np.zeros((len(names), len(weeks))), np.zeros((len(names), len(weeks)))
        events[j, t], trials[j, t] = counts["events"].to_numpy(), counts["trials"].to_numpy()
        months = np.array([(week - moment.date()).days / DAYS_A_MONTH for week in weeks])
        return cls(names, weeks, months, events, trials)

    def seen(self, i: int) -> npt.NDArray[np.int64]:
        return np.flatnonzero(self.trials[i] > 0)


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
    """Trend of a share for each of `people`.

    Args:
        frame: one row an observation with `technician`, a time column `at` and a bool column `event`.
        people: whom to answer for. least_n: fewer observations than this are too little to say.
        what: plural noun for the sentence that says why there is no figure.
    """
    counts = weekly_counts(frame.filter(pl.col("technician").is_in(people)), at=at, event=event)
    answers = _too_little(counts, people, least_n, what)
    if counts.height == 0:
        return Trends(answers, pl.DataFrame(schema=_CURVE_SCHEMA))
    table = _Weeks.of(counts, moment)
    chances = _lines(table, draws, seed)
    pieces = []
    for i, name in enumerate(table.names):
        seen = table.seen(i)
        pieces.append(_curve(table, i, chances[i], mute=name in answers))
        if name not in answers:
            change, low, high = change_a_month(
                table.events[i, seen], table.trials[i, seen], table.months[seen]
            )
            answers[name] = Estimate(n=int(table.trials[i].sum()), estimate=change, low=low, high=high)
    return Trends(answers, pl.concat(pieces))


def _too_little(
    counts: pl.DataFrame, people: tuple[str, ...], least_n: int, what: str
) -> dict[str, Estimate]:
    """Whom there is too little to say of, and why."""
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
    return answers


def _lines(table: _Weeks, draws: int, seed: int) -> list[Floats]:
    """Draws of each person's chance in the weeks with work, shape (draws, weeks seen)."""
    trials, months = table.trials, table.months
    # time is centred where the person worked, so that level and slope are nearly independent
    centre = (trials * months).sum(axis=1) / trials.sum(axis=1)
    z = np.stack([np.ones_like(trials), months[None, :] - centre[:, None]], axis=2)
    posterior = posterior_draws(
        table.events,
        trials,
        z,
        z,
        sd_scale=(_LEVEL_SD_SCALE, _SLOPE_SD_SCALE),
        beta_sd=(3.0, 0.3),
        draws=draws,
        seed=seed,
    )
    own = posterior.beta[:, None, :] + posterior.personal  # (draws, people, 2)
    return [
        np.asarray(expit(own[:, i, 0, None] + own[:, i, 1, None] * z[i, table.seen(i), 1][None, :]))
        for i in range(len(table.names))
    ]


def _curve(table: _Weeks, i: int, chance: Floats, *, mute: bool) -> pl.DataFrame:
    """One person's weeks with the line and its band, null where there is too little to say."""
    seen = table.seen(i)
    low, high = np.quantile(chance, [0.025, 0.975], axis=0)
    nothing = [None] * seen.size
    events, trials = table.events[i, seen], table.trials[i, seen]
    return pl.DataFrame(
        {
            "technician": [table.names[i]] * seen.size,
            "week": [table.weeks[s] for s in seen],
            "events": events.astype(np.int64),
            "trials": trials.astype(np.int64),
            "share": events / trials,
            "fitted": nothing if mute else chance.mean(axis=0).tolist(),
            "low": nothing if mute else low.tolist(),
            "high": nothing if mute else high.tolist(),
        },
        schema=_CURVE_SCHEMA,
    )
