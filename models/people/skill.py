"""What each technician's captures say: usable share, calls, drills, adoption, hookup, repeatability.

All shares are partially pooled across the technicians (see `shrinkage`), so that three captures come
out as 'too little to say' and not as the best or the worst of the shop. The figures are for coaching:
they always carry their `n` and interval and are never sorted by value.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from models.jobs.adoption import adjusted_adoption
from models.people.agreement import CallCounts, Corrected, corrected_for_confirmation, kappa, together
from models.people.counts import (
    MEASURES,
    NOUNS,
    Count,
    Work,
    all_calls,
    by_person,
    call_counts,
    counts_of,
    pooled,
    share_counts,
    work_until,
)
from models.people.drills import DrillCount, count_drills
from models.people.hookup import failing_checks
from models.people.repeatability import repeatability, repeats
from models.people.standing_hookup import ASPECTS
from models.people.trends import Trends, pooled_trends
from models.records.people_settings import PeopleSettings
from models.records.pieces import first_tries
from models.records.shop import Shop
from models.stats.intervals import rate, wilson_many
from models.stats.results import Estimate

__all__ = ["Count", "SkillInTest", "TechnicianSkill", "technicians"]


@dataclass(frozen=True, slots=True)
class SkillInTest:
    """One technician in one test: shares partially pooled over the technicians within that test.

    Attributes:
        usable: share of pieces of work whose first try could be read.
        calls: share of right calls among the judged ones.
        repeatability: measure -> within-vehicle standard deviation in percent.
    """

    test: str
    usable: Estimate
    calls: Estimate
    repeatability: Mapping[str, Estimate]


@dataclass(frozen=True, slots=True)
class TechnicianSkill:
    """Everything the trainer's page says of one technician.

    Shares are in parts of one, partially pooled posterior means with 95 % intervals; `n` is the
    person's own number of observations.

    Attributes:
        technician, started_on: from the log.
        captures: captures taken (read or unusable); practice: practice pieces of work (drills).
        captures_a_week: with the exact Poisson interval, since the technician started or the log began.
        too_little: True where there are fewer pieces of work than the settings ask for.
        pieces: pieces of work: a capture with its retakes on one vehicle, day and test is one; those that
            failed by the file's or the vehicle's fault are none.
        usable: share of pieces of work whose first try could be read.
        tries: how many pieces could be read first at which try (1, 2, ...); 0 counts those that never could.
        calls: share of right calls among those a confirmed outcome can judge, the last on each order.
            Together with `sensitivity` and `specificity` for the record only: which calls get confirmed hangs
            on the call. What may be shown is `corrected`.
        sensitivity: share of confirmed odd called odd on a right element.
        specificity: share of confirmed even called even.
        kappa: agreement of calls and outcomes beyond chance (not pooled).
        unsure: share of `unsure` among the calls made on captures that were read.
        confirmed: share of even and odd calls that an outcome has judged at all. Where odd calls are
            confirmed more often than even ones, sensitivity reads too high and specificity too low.
        corrected: all three corrected for that (not pooled): the honest figures.
        drills: practice asked for and done.
        adoption: share this technician would scope of the shop's mix of eligible jobs.
        usable_per_month, calls_per_month: change of the share a month, by the person's own work alone.
        hookup: share of pieces of work whose first try agrees with the standing hookup in every aspect.
        hookup_aspects: aspect, agree, of, low_pct, high_pct (Wilson, 95 %): where the hookup differs.
        repeatability: within-vehicle standard deviation in percent, of the test and measure most often
            repeated in the shop; all of them stand in `tests`.
        failing_checks: check, severity, captures, of, share_pct, others_share_pct, excess, p_value, evident,
            low_pct, high_pct.
        counts: raw counts by measure (`counts.MEASURES`).
        usual: the usual technician's share by measure, in parts of one; `adoption` and `right` (right calls,
            corrected as in `corrected`) are the whole shop's.
        tests: the same person test by test, for every test the shop has captured.
        usable_by_week, calls_by_week: week, events, trials, share, fitted, low, high.
    """

    technician: str
    started_on: date | None
    captures: int
    pieces: int
    practice: int
    captures_a_week: Estimate
    too_little: bool
    usable: Estimate
    tries: Mapping[int, int]
    calls: Estimate
    sensitivity: Estimate
    specificity: Estimate
    kappa: Estimate
    unsure: Estimate
    confirmed: Estimate
    corrected: Corrected
    drills: DrillCount
    adoption: Estimate
    usable_per_month: Estimate
    calls_per_month: Estimate
    hookup: Estimate
    hookup_aspects: pl.DataFrame
    repeatability: Estimate
    failing_checks: pl.DataFrame
    counts: Mapping[str, Count]
    usual: Mapping[str, float]
    tests: tuple[SkillInTest, ...]
    usable_by_week: pl.DataFrame
    calls_by_week: pl.DataFrame


def technicians(
    shop: Shop, *, as_of: date | datetime, settings: PeopleSettings | None = None
) -> tuple[TechnicianSkill, ...]:
    """The figures of every technician who is in `shop.technicians` or has a capture, by name.

    For one test alone: `technicians(shop.of_test(test), ...)`.

    Args:
        as_of: nothing logged after it counts.

    Raises:
        models.stats.logistic.NotConverged: where a model of the people's shares does not settle.
    """
    work = work_until(shop, as_of, settings)
    figures = _figures(work)
    return tuple(_technician(name, work, figures) for name in work.people)


@dataclass(frozen=True, slots=True)
class _Figures:
    """Everybody's figures, by name, before they are put together person by person."""

    calls: Mapping[str, CallCounts]
    counts: Mapping[str, Mapping[str, Count]]
    pooled: Mapping[str, Mapping[str, Estimate]]
    usual: Mapping[str, float]
    all_calls: Mapping[str, tuple[int, int]]
    adoption: Mapping[str, Estimate]
    usable_trend: Trends
    calls_trend: Trends
    aspects: Mapping[str, pl.DataFrame]
    failing: pl.DataFrame
    tests: Mapping[str, tuple[SkillInTest, ...]]
    repeated: Mapping[str, Estimate]
    practice: Mapping[str, Count]
    drills: Mapping[str, DrillCount]
    log_began: datetime


def _figures(work: Work) -> _Figures:
    least = work.settings.least_n
    calls = call_counts(work)
    counts = counts_of(work, calls)
    shares = {m: pooled(counts[m], least_n=least, what=noun) for m, noun in NOUNS.items()}
    usual = {measure: share for measure, (_, share) in shares.items() if share is not None}
    if work.eligible.height:
        usual["adoption"] = float(work.eligible["scoped"].sum()) / work.eligible.height
    made = all_calls(work)
    right = _corrected(made.values(), calls.values(), work.settings).right.estimate
    if right is not None:
        usual["right"] = right
    sets = repeats(work.shop, work.moment)
    return _Figures(
        calls=calls,
        counts=counts,
        pooled={measure: by_name for measure, (by_name, _) in shares.items()},
        usual=usual,
        all_calls=made,
        adoption=adjusted_adoption(work.eligible, work.settings),
        usable_trend=_trend(work, work.pieces, "usable", NOUNS["usable"]),
        calls_trend=_trend(work, work.judged, "right", NOUNS["calls"]),
        aspects=by_person(work.agreeing),
        failing=failing_checks(work.shop, work.moment),
        tests=_by_test(work, sets),
        repeated=_most_repeated(sets),
        practice=share_counts(
            first_tries(work.taken).with_columns(drill=pl.col("purpose") == "drill"), "drill", work.people
        ),
        drills=count_drills(work.shop, work.people, work.moment),
        log_began=_log_began(work),
    )


def _corrected(
    made: Iterable[tuple[int, int]], counts: Iterable[CallCounts], settings: PeopleSettings
) -> Corrected:
    """Odd and even calls made, and the judged ones, of one person or of several together."""
    odd, even = (sum(sides) for sides in zip((0, 0), *made, strict=True))
    return corrected_for_confirmation(
        odd, even, together(counts), least_n=settings.least_n, draws=settings.draws, seed=settings.seed
    )


def _trend(work: Work, frame: pl.DataFrame, event: str, what: str) -> Trends:
    return pooled_trends(
        frame,
        work.people,
        at="captured_at",
        event=event,
        moment=work.moment,
        least_n=work.settings.least_n,
        draws=work.settings.draws,
        seed=work.settings.seed,
        what=what,
    )


def _log_began(work: Work) -> datetime:
    first = [work.taken["captured_at"].min(), work.shop.orders["opened_at"].min()]
    return min([day for day in first if isinstance(day, datetime)], default=work.moment)


def _weeks_here(started_on: date | None, log_began: datetime, moment: datetime) -> float:
    begin = log_began.date() if started_on is None else max(started_on, log_began.date())
    return max(0.0, ((moment.date() - begin).days + 1) / 7)


def _aspects(rows: pl.DataFrame) -> pl.DataFrame:
    agree = [int(rows[a].sum() or 0) for a in ASPECTS]
    of = [int(rows[a].is_not_null().sum()) for a in ASPECTS]
    low, high = wilson_many(agree, of)
    return pl.DataFrame(
        {"aspect": list(ASPECTS), "agree": agree, "of": of, "low_pct": 100 * low, "high_pct": 100 * high},
        schema={
            "aspect": pl.String,
            "agree": pl.Int64,
            "of": pl.Int64,
            "low_pct": pl.Float64,
            "high_pct": pl.Float64,
        },
    )


def _repeatability_of(sets: pl.DataFrame, name: str) -> dict[tuple[str, str], Estimate]:
    own = sets.filter(pl.col("technician") == name)
    return {
        (str(row["test"]), str(row["measure"])): repeatability(
            float(row["squares"]), int(row["freedom"]), int(row["sets"]), int(row["captures"])
        )
        for row in own.iter_rows(named=True)
    }


def _most_repeated(sets: pl.DataFrame) -> dict[str, Estimate]:
    """Everybody's repeatability in the test and measure with most repeats in the shop."""
    if sets.height == 0:
        return {}
    totals = sets.group_by("test", "measure").agg(pl.col("sets").sum())
    row = totals.sort(["sets", "test", "measure"], descending=[True, False, False]).row(0, named=True)
    key = (str(row["test"]), str(row["measure"]))
    names = sets["technician"].unique().to_list()
    found = {name: _repeatability_of(sets, name) for name in names}
    return {name: by_key[key] for name, by_key in found.items() if key in by_key}


def _by_test(work: Work, sets: pl.DataFrame) -> dict[str, tuple[SkillInTest, ...]]:
    """Usable share and calls within each test alone, pooled over the technicians of that test."""
    least, tests = work.settings.least_n, sorted(work.taken["test"].drop_nulls().unique().to_list())
    shares = {}
    for test in tests:
        for measure, frame, event in (("usable", work.pieces, "usable"), ("calls", work.judged, "right")):
            counts = share_counts(frame.filter(pl.col("test") == test), event, work.people)
            shares[test, measure] = pooled(counts, least_n=least, what=NOUNS[measure])[0]
    answers = {}
    for name in work.people:
        repeated = _repeatability_of(sets, name)
        answers[name] = tuple(
            SkillInTest(
                test=test,
                usable=shares[test, "usable"][name],
                calls=shares[test, "calls"][name],
                repeatability={measure: value for (of, measure), value in repeated.items() if of == test},
            )
            for test in tests
        )
    return answers


def _technician(name: str, work: Work, figures: _Figures) -> TechnicianSkill:
    settings, shares, counts = work.settings, figures.pooled, figures.counts
    own = pl.col("technician") == name
    captures, pieces = work.taken.filter(own).height, work.pieces.filter(own)
    weeks = _weeks_here(work.started.get(name), figures.log_began, work.moment)
    corrected = _corrected([figures.all_calls.get(name, (0, 0))], [figures.calls[name]], settings)
    return TechnicianSkill(
        technician=name,
        started_on=work.started.get(name),
        captures=captures,
        pieces=pieces.height,
        practice=figures.practice[name].events,
        captures_a_week=rate(captures, weeks, what="weeks"),
        too_little=pieces.height < settings.least_n,
        usable=shares["usable"][name],
        tries=dict(
            pieces.group_by(pl.col("succeeded_at").fill_null(0)).len().sort("succeeded_at").iter_rows()
        ),
        calls=shares["calls"][name],
        sensitivity=shares["sensitivity"][name],
        specificity=shares["specificity"][name],
        kappa=kappa(figures.calls[name].table, least_n=settings.least_n),
        unsure=shares["unsure"][name],
        confirmed=shares["confirmed"][name],
        corrected=corrected,
        drills=figures.drills[name],
        adoption=figures.adoption.get(
            name, Estimate.nothing(0, "Too little to say: no eligible closed order.")
        ),
        usable_per_month=figures.usable_trend.per_month[name],
        calls_per_month=figures.calls_trend.per_month[name],
        hookup=shares["hookup"][name],
        hookup_aspects=_aspects(figures.aspects.get(name, work.agreeing.clear())),
        repeatability=figures.repeated.get(name, repeatability(0.0, 0, 0, 0)),
        failing_checks=figures.failing.filter(own).drop("technician"),
        counts={measure: counts[measure][name] for measure in MEASURES},
        usual=figures.usual,
        tests=figures.tests[name],
        usable_by_week=figures.usable_trend.curves.filter(own).drop("technician"),
        calls_by_week=figures.calls_trend.curves.filter(own).drop("technician"),
    )
