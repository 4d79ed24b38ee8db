"""What each technician's captures say: usable share, calls, drills, adoption, hookup, repeatability.

All shares are partially pooled across the technicians (see `shrinkage`), so that three captures come
out as 'too little to say' and not as the best or the worst of the shop. The figures are for coaching:
they always carry their `n` and interval and are never sorted by value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from models.jobs.adoption import adjusted_adoption, eligible_orders
from models.people import hookup as hookups
from models.people.agreement import CallCounts, Corrected, corrected_for_confirmation, count_calls, kappa
from models.people.drills import DrillCount, count_drills
from models.people.repeatability import repeatability, repeats
from models.people.trends import pooled_trends
from models.records.logbook import captures_until, judged_calls
from models.records.people_settings import PeopleSettings, as_moment
from models.stats.intervals import rate
from models.stats.results import Estimate
from models.stats.shrinkage import pool_shares


@dataclass(frozen=True, slots=True)
class Count:
    """Raw counts behind a share: `events` of `trials`."""

    events: int
    trials: int


@dataclass(frozen=True, slots=True)
class TechnicianSkill:
    """Everything the trainer's page says of one technician.

    Shares are in parts of one, partially pooled posterior means with 95 % intervals; `n` is the
    person's own number of observations.

    Attributes:
        technician, started_on: from the log.
        captures: captures taken (read or unusable); practice: how many of them were drills.
        captures_a_week: with the exact Poisson interval, since the technician started or the log began.
        too_little: True where there are fewer captures than the settings ask for.
        usable: share of captures that could be read.
        calls: share of right calls among those a confirmed outcome can judge.
        sensitivity: share of confirmed odd engines called odd on a right cylinder.
        specificity: share of confirmed even engines called even.
        kappa: agreement of calls and outcomes beyond chance (not pooled).
        unsure: share of `unsure` among the calls made on captures that were read.
        confirmed: share of even and odd calls that an outcome has judged at all. Where odd calls are
            confirmed more often than even ones, sensitivity reads too high and specificity too low.
        corrected: both corrected for that (not pooled).
        drills: practice asked for and done.
        adoption: share this technician would scope of the house's mix of eligible jobs.
        usable_per_month, calls_per_month: change of the share a month, partially pooled.
        hookup: share of captures that agree with the house setup in every aspect.
        hookup_aspects: aspect, agree, of: where the hookup differs.
        repeatability: within-vehicle standard deviation of relative compression, in percent.
        failing_checks: check, severity, captures, of, share_pct, others_share_pct, excess.
        counts: raw counts by measure: `usable`, `calls`, `sensitivity`, `specificity`, `hookup`,
            `adoption`.
        house: the usual technician's share by measure, in parts of one.
        usable_by_week, calls_by_week: week, events, trials, share, fitted, low, high.
    """

    technician: str
    started_on: date | None
    captures: int
    practice: int
    captures_a_week: Estimate
    too_little: bool
    usable: Estimate
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
    house: Mapping[str, float]
    usable_by_week: pl.DataFrame
    calls_by_week: pl.DataFrame


def _by_person(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    return {str(key[0]): part for key, part in frame.group_by("technician", maintain_order=True)}


def _pooled(
    counts: Mapping[str, Count], *, least_n: int, what: str
) -> tuple[dict[str, Estimate], float | None]:
    """Partially pooled shares of everybody, and the usual technician's share (None without a count)."""
    names = [name for name, count in counts.items() if count.trials > 0]
    pooled = pool_shares([counts[n].events for n in names], [counts[n].trials for n in names])
    answers = {}
    for name, count in counts.items():
        if count.trials < least_n:
            answers[name] = Estimate.nothing(
                count.trials, f"Too little to say: {count.trials} {what}, at least {least_n} needed."
            )
            continue
        i = names.index(name)
        answers[name] = Estimate(
            n=count.trials,
            estimate=float(pooled.mean[i]),
            low=float(pooled.low[i]),
            high=float(pooled.high[i]),
        )
    return answers, pooled.house_mean if names else None


def _aspects(rows: pl.DataFrame) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "aspect": list(hookups.ASPECTS),
            "agree": [int(rows[a].sum() or 0) for a in hookups.ASPECTS],
            "of": [int(rows[a].is_not_null().sum()) for a in hookups.ASPECTS],
        },
        schema={"aspect": pl.String, "agree": pl.Int64, "of": pl.Int64},
    )


def _share_counts(frame: pl.DataFrame, event: str, people: tuple[str, ...]) -> dict[str, Count]:
    found = {
        str(name): Count(int(k), int(n))
        for name, k, n in frame.group_by("technician")
        .agg(pl.col(event).cast(pl.Int64).sum(), pl.len().cast(pl.Int64).alias("n"))
        .iter_rows()
    }
    return {name: found.get(name, Count(0, 0)) for name in people}


def _weeks_here(started_on: date | None, log_began: datetime, moment: datetime) -> float:
    begin = log_began.date() if started_on is None else max(started_on, log_began.date())
    return max(0.0, ((moment.date() - begin).days + 1) / 7)


def technicians(
    captures: pl.DataFrame,
    cylinders: pl.DataFrame,
    checks: pl.DataFrame,
    orders: pl.DataFrame,
    outcomes: pl.DataFrame,
    technicians: pl.DataFrame,
    drills: pl.DataFrame,
    *,
    as_of: date | datetime,
    settings: PeopleSettings | None = None,
) -> tuple[TechnicianSkill, ...]:
    """The figures of every technician who is in `technicians` or has a capture, by name.

    Args:
        captures, cylinders, checks, orders, outcomes, technicians, drills: frames of the warehouse;
            may be empty.
        as_of: nothing logged after it counts.

    Raises:
        models.logistic.NotConverged: where a model of the people's shares does not settle.
    """
    chosen = settings or PeopleSettings()
    moment, least = as_moment(as_of), chosen.least_n
    taken = captures_until(captures, moment).with_columns(usable=pl.col("status") == "read")
    started: dict[str, date | None] = dict(technicians.select("technician", "started_on").iter_rows())
    people = tuple(sorted({*started, *taken["technician"].unique().to_list()}))
    judged = judged_calls(taken, outcomes, moment)
    agreeing = hookups.consistency(taken, chosen.house)
    eligible = eligible_orders(captures, orders, moment)

    calls_of = _by_person(judged)
    call_counts: dict[str, CallCounts] = {
        name: count_calls(calls_of.get(name, judged.clear())) for name in people
    }
    counts = {
        "usable": _share_counts(taken, "usable", people),
        "calls": {name: Count(c.right, c.judged) for name, c in call_counts.items()},
        "sensitivity": {name: Count(c.found, c.odd) for name, c in call_counts.items()},
        "specificity": {name: Count(c.cleared, c.even) for name, c in call_counts.items()},
        "hookup": _share_counts(agreeing, "consistent", people),
        "adoption": _share_counts(eligible.filter(pl.col("technician").is_not_null()), "scoped", people),
    }
    made = taken.filter((pl.col("status") == "read") & pl.col("call").is_in(("even", "odd", "unsure")))
    unsure = _share_counts(made.with_columns(unsure=pl.col("call") == "unsure"), "unsure", people)
    judgeable = made.filter((pl.col("call") != "unsure") & (pl.col("purpose") != "known_good"))
    all_calls = {
        str(name): (int(odd), int(even))
        for name, odd, even in judgeable.group_by("technician")
        .agg((pl.col("call") == "odd").sum(), (pl.col("call") == "even").sum().alias("even"))
        .iter_rows()
    }
    confirmed = _share_counts(
        judgeable.with_columns(judged=pl.col("capture_file").is_in(judged["capture_file"].to_list())),
        "judged",
        people,
    )
    nouns = {
        "usable": "captures",
        "calls": "judged calls",
        "sensitivity": "confirmed odd engines",
        "specificity": "confirmed even engines",
        "hookup": "captures",
    }
    pooled = {m: _pooled(counts[m], least_n=least, what=noun) for m, noun in nouns.items()}
    pooled["unsure"] = _pooled(unsure, least_n=least, what="calls")
    pooled["confirmed"] = _pooled(confirmed, least_n=least, what="calls")
    house = {measure: usual for measure, (_, usual) in pooled.items() if usual is not None}
    adoption = adjusted_adoption(eligible, chosen)
    if eligible.height:
        house["adoption"] = float(eligible["scoped"].sum()) / eligible.height

    usable_trend = pooled_trends(
        taken, people, at="captured_at", event="usable", moment=moment, least_n=least,
        draws=chosen.draws, seed=chosen.seed, what="captures",
    )  # fmt: skip
    calls_trend = pooled_trends(
        judged, people, at="captured_at", event="right", moment=moment, least_n=least,
        draws=chosen.draws, seed=chosen.seed, what="judged calls",
    )  # fmt: skip
    aspects_of = _by_person(agreeing)
    failing = hookups.failing_checks(taken, checks)
    repeated = {
        str(name): (float(sq), int(df), int(sets), int(n))
        for name, sq, df, sets, n in repeats(taken, cylinders).iter_rows()
    }
    practice = _share_counts(taken.with_columns(drill=pl.col("purpose") == "drill"), "drill", people)
    done = count_drills(drills, taken, started, people, moment)

    log_began = min(
        [*taken["captured_at"].to_list(), *orders["opened_at"].drop_nulls().to_list()], default=moment
    )
    return tuple(
        TechnicianSkill(
            technician=name,
            started_on=started.get(name),
            captures=counts["usable"][name].trials,
            practice=practice[name].events,
            captures_a_week=rate(
                counts["usable"][name].trials, _weeks_here(started.get(name), log_began, moment), what="weeks"
            ),
            too_little=counts["usable"][name].trials < least,
            usable=pooled["usable"][0][name],
            calls=pooled["calls"][0][name],
            sensitivity=pooled["sensitivity"][0][name],
            specificity=pooled["specificity"][0][name],
            kappa=kappa(call_counts[name].table, least_n=least),
            unsure=pooled["unsure"][0][name],
            confirmed=pooled["confirmed"][0][name],
            corrected=corrected_for_confirmation(
                *all_calls.get(name, (0, 0)),
                call_counts[name],
                least_n=least,
                draws=chosen.draws,
                seed=chosen.seed,
            ),
            drills=done[name],
            adoption=adoption.get(name, Estimate.nothing(0, "Too little to say: no eligible closed order.")),
            usable_per_month=usable_trend.per_month[name],
            calls_per_month=calls_trend.per_month[name],
            hookup=pooled["hookup"][0][name],
            hookup_aspects=_aspects(aspects_of.get(name, agreeing.clear())),
            repeatability=repeatability(*repeated.get(name, (0.0, 0, 0, 0))),
            failing_checks=failing.filter(pl.col("technician") == name).drop("technician"),
            counts={measure: by_name[name] for measure, by_name in counts.items()},
            house=house,
            usable_by_week=usable_trend.curves.filter(pl.col("technician") == name).drop("technician"),
            calls_by_week=calls_trend.curves.filter(pl.col("technician") == name).drop("technician"),
        )
        for name in people
    )
