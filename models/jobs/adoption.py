"""Is the scope used: the share of eligible repair orders with a capture, and how it goes on.

Practice is counted apart from paid work throughout: a drill is no diagnosis. 'Scoped' is defined once,
in `logbook.eligible_orders`. Orders count once they are closed, since an open one may still be scoped.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
from scipy.special import expit

from models.jobs.weekly import WeekChart, watch_weeks
from models.records.logbook import ON_THE_JOB, captures_until, eligible_orders, week_of
from models.records.people_settings import PeopleSettings, as_moment
from models.records.pieces import first_tries, pieces
from models.records.shop import Shop
from models.stats.casemix import codes_of, usual_person
from models.stats.intervals import share, wilson_many
from models.stats.mixed import posterior_draws
from models.stats.results import Estimate

CASE_MIX = ("complaint", "engine_family", "age")
_MIX_BINS = 40
DIRECTION_WEEKS = 8
"""How long after a change was seen the use is called rising or falling."""


@dataclass(frozen=True, slots=True)
class Adoption:
    """Use of the scope on eligible, closed orders.

    Attributes:
        overall: share of eligible orders that were scoped, Wilson interval.
        eligible, scoped: the two counts.
        by_week: week (Monday), eligible, scoped, share, low, high.
        by_technician: technician, eligible, scoped, share (raw), adjusted, low, high (partially pooled,
            over the shop's mix of jobs; null where there is too little to say).
        by_test: test, paid (pieces of work on jobs), practice (drills), unusable (of both, those without a
            usable try); a capture with its retakes is one piece of work (`records.pieces`).
        practice_by_week: week, paid, practice: pieces of work of either sort.
        change: the weekly share watched for a lasting change (see `weekly`).
        direction: `rising` or `falling` where the chart has seen a lasting change within the last
            `DIRECTION_WEEKS` weeks, else empty. direction_sentence: since when, by how much, and how often the
            chart says so of a quiet shop.
    """

    overall: Estimate
    eligible: int
    scoped: int
    by_week: pl.DataFrame
    by_technician: pl.DataFrame
    by_test: pl.DataFrame
    practice_by_week: pl.DataFrame
    change: WeekChart
    direction: str
    direction_sentence: str


def adjusted_adoption(eligible: pl.DataFrame, settings: PeopleSettings) -> dict[str, Estimate]:
    """Share each technician would scope of the shop's own mix of jobs, partially pooled.

    Direct standardisation: a technician's term of the logistic model is applied to the complaints,
    engine families and vehicle ages of *all* eligible orders, so that somebody who gets the easy jobs is
    not marked down for that.

    Args:
        eligible: rows of `logbook.eligible_orders`.

    Returns:
        technician -> estimate, `n` the technician's own eligible orders.
    """
    known = eligible.filter(pl.col("technician").is_not_null())
    if known.height == 0:
        return {}
    logit = usual_person(known, event="scoped", columns=CASE_MIX, who="technician").logit
    edges = np.unique(np.quantile(logit, np.linspace(0, 1, _MIX_BINS + 1)))
    bin_of = np.clip(np.searchsorted(edges, logit, side="right") - 1, 0, max(edges.size - 2, 0))
    bins = int(bin_of.max()) + 1
    mass = np.bincount(bin_of, minlength=bins).astype(float)
    offset = np.bincount(bin_of, weights=logit, minlength=bins) / np.maximum(mass, 1.0)
    person, names = codes_of(known["technician"])
    trials, events = np.zeros((len(names), bins)), np.zeros((len(names), bins))
    np.add.at(trials, (person, bin_of), 1.0)
    np.add.at(events, (person, bin_of), known["scoped"].to_numpy().astype(float))
    ones = np.ones((len(names), bins, 1))
    posterior = posterior_draws(
        events,
        trials,
        ones,
        ones,
        sd_scale=(1.0,),
        beta_sd=(1.0,),
        offset=offset[None, :],
        draws=settings.draws,
        seed=settings.seed,
        grid=15,
    )
    answers = {}
    for i, name in enumerate(names):
        n = int(trials[i].sum())
        if n < settings.least_n:
            answers[name] = Estimate.nothing(
                n, f"Too little to say: {n} eligible orders, at least {settings.least_n} needed."
            )
            continue
        own = posterior.beta[:, 0] + posterior.personal[:, i, 0]
        standardised = expit(own[:, None] + offset[None, :]) @ (mass / mass.sum())
        low, high = np.quantile(standardised, [0.025, 0.975])
        answers[name] = Estimate(n=n, estimate=float(standardised.mean()), low=float(low), high=float(high))
    return answers


def _weeks(eligible: pl.DataFrame) -> pl.DataFrame:
    counts = (
        eligible.with_columns(week=week_of("closed_at"))
        .group_by("week")
        .agg(eligible=pl.len().cast(pl.Int64), scoped=pl.col("scoped").sum().cast(pl.Int64))
        .sort("week")
    )
    low, high = wilson_many(counts["scoped"].to_numpy(), counts["eligible"].to_numpy())
    return counts.with_columns(
        share=pl.col("scoped") / pl.col("eligible"), low=pl.Series(low), high=pl.Series(high)
    )


def _by_technician(
    eligible: pl.DataFrame, technicians: pl.DataFrame, adjusted: dict[str, Estimate]
) -> pl.DataFrame:
    counts = eligible.group_by("technician").agg(
        eligible=pl.len().cast(pl.Int64), scoped=pl.col("scoped").sum().cast(pl.Int64)
    )
    by_technician = (
        technicians.select("technician")
        .join(counts, on="technician", how="full", coalesce=True)
        .filter(pl.col("technician").is_not_null())
        .with_columns(pl.col("eligible").fill_null(0), pl.col("scoped").fill_null(0))
        .sort("technician")
        .with_columns(share=pl.when(pl.col("eligible") > 0).then(pl.col("scoped") / pl.col("eligible")))
    )
    own = [adjusted.get(name) for name in by_technician["technician"]]
    return by_technician.with_columns(
        adjusted=pl.Series([e.estimate if e else None for e in own], dtype=pl.Float64),
        low=pl.Series([e.low if e else None for e in own], dtype=pl.Float64),
        high=pl.Series([e.high if e else None for e in own], dtype=pl.Float64),
    )


def adoption(shop: Shop, *, as_of: date | datetime, settings: PeopleSettings | None = None) -> Adoption:
    """Use of the scope up to `as_of`."""
    chosen = settings or PeopleSettings()
    moment = as_moment(as_of)
    eligible = eligible_orders(shop, moment)
    taken = first_tries(captures_until(shop, moment))
    failed = pieces(shop, moment).filter(pl.col("succeeded_at").is_null()).group_by("test").len("unusable")
    n, k = eligible.height, int(eligible["scoped"].sum())
    by_week = _weeks(eligible)
    change = watch_weeks(by_week.select("week", events="scoped", trials="eligible"))
    direction, sentence = _direction(change, moment.date())
    sorts = {
        "paid": pl.col("purpose").is_in(ON_THE_JOB).sum().cast(pl.Int64),
        "practice": (pl.col("purpose") == "drill").sum().cast(pl.Int64),
    }
    return Adoption(
        overall=share(k, n, what="eligible closed orders"),
        eligible=n,
        scoped=k,
        by_week=by_week,
        by_technician=_by_technician(eligible, shop.technicians, adjusted_adoption(eligible, chosen)),
        by_test=taken.group_by("test")
        .agg(**sorts)
        .join(
            failed.with_columns(pl.col("unusable").cast(pl.Int64)),
            on="test",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.col("unusable").fill_null(0))
        .sort("test"),
        practice_by_week=taken.with_columns(week=week_of("captured_at"))
        .group_by("week")
        .agg(**sorts)
        .sort("week"),
        change=change,
        direction=direction,
        direction_sentence=sentence,
    )


def _direction(change: WeekChart, day: date) -> tuple[str, str]:
    years = change.weeks_between_false_alarms / 52
    rate = f"In a shop where nothing changes the chart says so about once in {years:.0f} years."
    recent = [c for c in change.changes if c.seen_on > day - timedelta(weeks=DIRECTION_WEEKS)]
    if not recent:
        return "", f"No lasting change was seen in the last {DIRECTION_WEEKS} weeks. {rate}"
    last = recent[-1]
    gap = last.difference
    if gap.estimate is None or gap.low is None or gap.high is None:
        return "", f"{gap.why} {rate}"
    word = "rising" if gap.estimate > 0 else "falling"
    return word, (
        f"{word.capitalize()} since the week of {last.since:%Y-%m-%d}, seen in the week of {last.seen_on:%Y-%m-%d}: "
        f"{100 * gap.estimate:+.0f} points (95 % interval {100 * gap.low:+.0f} to {100 * gap.high:+.0f}, n = {gap.n} "
        f"orders; picked for its size, so rather too large). {rate}"
    )
