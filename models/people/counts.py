"""Raw counts behind the people's shares, measure by measure, and the shares partially pooled from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from models.people.agreement import CallCounts, count_calls
from models.people.standing_hookup import compare, standing_hookups
from models.records.logbook import can_be_judged, captures_until, eligible_orders, judged_calls
from models.records.people_settings import PeopleSettings, as_moment
from models.records.pieces import first_tries, last_calls, pieces
from models.records.shop import Shop
from models.stats.results import Estimate
from models.stats.shrinkage import pool_shares

MEASURES: tuple[str, ...] = ("usable", "calls", "sensitivity", "specificity", "hookup", "adoption")

FUNNELS: tuple[str, ...] = ("usable", "calls", "hookup", "adoption")
"""Measures that may be set side by side: shares among confirmed odd or even ones hang on who gets confirmed."""

# what a pooled share counts, for the sentence that says why there is none
NOUNS: dict[str, str] = {
    "usable": "pieces of work",
    "calls": "judged calls",
    "sensitivity": "confirmed odd",
    "specificity": "confirmed even",
    "hookup": "pieces of work",
    "unsure": "calls",
    "confirmed": "calls",
}


@dataclass(frozen=True, slots=True)
class Count:
    """Raw counts behind a share: `events` of `trials`."""

    events: int
    trials: int


@dataclass(frozen=True, slots=True)
class Work:
    """Everything logged up to a moment, joined once.

    Attributes:
        people: everybody in `technicians` or with a capture, by name. started: their first days.
        taken: captures. pieces: pieces of work with `usable` (`records.pieces`). judged: the last judged call on
            each order and test. agreeing: first tries against the standing hookup (`standing_hookup.compare`).
        eligible: `logbook.eligible_orders`.
    """

    shop: Shop
    moment: datetime
    settings: PeopleSettings
    people: tuple[str, ...]
    started: Mapping[str, date | None]
    taken: pl.DataFrame
    pieces: pl.DataFrame
    judged: pl.DataFrame
    agreeing: pl.DataFrame
    eligible: pl.DataFrame


def work_until(shop: Shop, as_of: date | datetime, settings: PeopleSettings | None) -> Work:
    """Join what is needed about everybody."""
    chosen, moment = settings or PeopleSettings(), as_moment(as_of)
    taken = captures_until(shop, moment)
    started: dict[str, date | None] = dict(shop.technicians.select("technician", "started_on").iter_rows())
    return Work(
        shop=shop,
        moment=moment,
        settings=chosen,
        people=tuple(sorted({*started, *taken["technician"].unique().to_list()})),
        started=started,
        taken=taken,
        pieces=pieces(shop, moment),
        judged=last_calls(judged_calls(shop, moment)),
        agreeing=compare(first_tries(taken), standing_hookups(taken, chosen.hookups)),
        eligible=eligible_orders(shop, moment),
    )


def by_person(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The rows of each technician."""
    return {str(key[0]): part for key, part in frame.group_by("technician", maintain_order=True)}


def share_counts(frame: pl.DataFrame, event: str, people: Sequence[str]) -> dict[str, Count]:
    """Rows of each of `people`, and on how many of them the bool column `event` is true."""
    found = {
        str(name): Count(int(k), int(n))
        for name, k, n in frame.group_by("technician")
        .agg(pl.col(event).cast(pl.Int64).sum(), pl.len().cast(pl.Int64).alias("n"))
        .iter_rows()
    }
    return {name: found.get(name, Count(0, 0)) for name in people}


def call_counts(work: Work) -> dict[str, CallCounts]:
    """Judged calls of everybody."""
    calls_of = by_person(work.judged)
    return {name: count_calls(calls_of.get(name, work.judged.clear())) for name in work.people}


def counts_of(work: Work, calls: Mapping[str, CallCounts]) -> dict[str, dict[str, Count]]:
    """Counts by measure (`MEASURES`, and `unsure` and `confirmed`) and person."""
    people = work.people
    made = last_calls(
        work.taken.filter((pl.col("status") == "read") & pl.col("call").is_in(("even", "odd", "unsure")))
    ).with_columns(
        unsure=pl.col("call") == "unsure",
        confirmed=pl.col("capture_file").is_in(work.judged["capture_file"].to_list()),
    )
    return {
        "usable": share_counts(work.pieces, "usable", people),
        "calls": {name: Count(c.right, c.judged) for name, c in calls.items()},
        "sensitivity": {name: Count(c.found, c.odd) for name, c in calls.items()},
        "specificity": {name: Count(c.cleared, c.even) for name, c in calls.items()},
        "hookup": share_counts(work.agreeing, "consistent", people),
        "adoption": share_counts(work.eligible.filter(pl.col("technician").is_not_null()), "scoped", people),
        "unsure": share_counts(made, "unsure", people),
        "confirmed": share_counts(made.filter(can_be_judged()), "confirmed", people),
    }


def all_calls(work: Work) -> dict[str, tuple[int, int]]:
    """Odd and even calls of each person that could be judged, confirmed or not."""
    return {
        str(name): (int(odd), int(even))
        for name, odd, even in last_calls(work.taken.filter(can_be_judged()))
        .group_by("technician")
        .agg((pl.col("call") == "odd").sum(), (pl.col("call") == "even").sum().alias("even"))
        .iter_rows()
    }


def pooled(
    counts: Mapping[str, Count], *, least_n: int, what: str
) -> tuple[dict[str, Estimate], float | None]:
    """Partially pooled shares of everybody, and the usual technician's share (None without a count)."""
    names = [name for name, count in counts.items() if count.trials > 0]
    shares = pool_shares([counts[n].events for n in names], [counts[n].trials for n in names])
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
            estimate=float(shares.mean[i]),
            low=float(shares.low[i]),
            high=float(shares.high[i]),
        )
    return answers, shares.usual_mean if names else None
