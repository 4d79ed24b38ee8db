"""One week of the shop in facts: what changed against the weeks before, and what needs a decision."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl

from models.outliers.discoveries import discoveries
from models.people.coaching import CoachingItem
from models.people.skill import TechnicianSkill
from models.records.pieces import first_tries
from models.stats.intervals import share
from models.stats.results import Estimate
from pipelines.fit.figures import (
    PEOPLE_FRAMES,
    last_day,
    last_over,
    load_people_week,
    people_settings,
    people_shop,
    people_week,
)
from pipelines.reports import waiting
from pipelines.reports.waiting import WeekWaits
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import read_settings
from pipelines.warehouse.marks import marks_in
from pipelines.warehouse.shop import by_test
from pipelines.warehouse.shops import frames_of

__all__ = ["Change", "Week", "last_over", "last_week", "waits_of", "week_of"]

# The weeks a week is held against.
BEFORE_WEEKS = 8
SHOWN_WEEKS = 16


@dataclass(frozen=True, slots=True)
class Change:
    """One figure of the week beside the same figure of the weeks before.

    Attributes:
        of: what it counts: `jobs` or `captures`.
    """

    what: str
    unit: str
    now: Estimate
    before: Estimate
    of: str = "captures"


@dataclass(frozen=True, slots=True)
class Week:
    """What the digest says.

    Attributes:
        monday, sunday: the week, both days included.
        changes: figures against the `BEFORE_WEEKS` weeks before.
        flagged: capture_file, captured_at, technician, test, measure, group, vehicle, repair_order, odd_pct,
            threshold_pct, named (elements), p_value, discovery, outcome: this week's flagged captures.
        beyond_chance: capture_file, test, flagged: the week's captures that stand further off than chance explains,
            by name. rate_pct: at most so many in 100 of such captures are healthy ones, on average.
        coaching: who to sit down with, as of the week's end; `new` those not on the list a week before.
        drills_short: technician, done, target in this week's drills.
        weeks: week, eligible, scoped, share, low, high: adoption of the last `SHOWN_WEEKS` weeks.
        newest: whether it is the newest week that is over.
        odd: captured_at, test, measure, group, odd_pct, threshold_pct, flagged: all scored captures of those weeks.
    """

    monday: dt.date
    sunday: dt.date
    changes: tuple[Change, ...]
    flagged: pl.DataFrame
    beyond_chance: pl.DataFrame
    rate_pct: float
    coaching: tuple[CoachingItem, ...]
    new: frozenset[tuple[str, str]]
    drills_short: tuple[tuple[str, int, int], ...]
    newest: bool
    weeks: pl.DataFrame
    odd: pl.DataFrame


def last_week(warehouse: Warehouse, today: dt.date | None = None, shop: str | None = None) -> dt.date:
    """The Monday of the last week that is over: of the calendar, or of the records where they end earlier.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    newest = last_day(frames_of(warehouse, ("last_day",), shop)["last_day"])
    this_monday = (today or dt.date.today()) - dt.timedelta(days=(today or dt.date.today()).weekday())
    return min(this_monday - dt.timedelta(days=7), last_over(newest))


def week_of(warehouse: Warehouse, day: dt.date, shop: str | None = None) -> Week:
    """The facts of the week that holds `day`, as they stood when it ended.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    monday = day - dt.timedelta(days=day.weekday())
    sunday = monday + dt.timedelta(days=6)
    start = monday - dt.timedelta(weeks=BEFORE_WEEKS)
    settings = read_settings(warehouse)
    people = load_people_week(warehouse, monday, shop)
    if people is None:
        records = people_shop(frames_of(warehouse, PEOPLE_FRAMES, shop))
        people = people_week(records, people_settings(settings), monday)
    first = monday - dt.timedelta(weeks=SHOWN_WEEKS - 1)
    between = {"first_day": min(first, start), "last_day": sunday}
    names = ("captures_between", "scores_between", "outcomes", "last_day")
    frames = frames_of(warehouse, names, shop, between)
    captures = frames["captures_between"].with_columns(day=pl.col("captured_at").dt.date())
    scored = captures.join(frames["scores_between"], on="capture_file").with_columns(
        week=pl.col("day").dt.truncate("1w"),
    )
    rate_pct = float(settings["discovery_rate_pct"])
    found = _discovered(scored, monday, sunday, rate_pct)
    return Week(
        monday=monday,
        sunday=sunday,
        changes=_changes(captures, people.used, scored, monday, sunday, start),
        flagged=_flagged(found, by_test(frames["outcomes"])),
        beyond_chance=found.filter("discovery")
        .group_by("capture_file", "test")
        .agg(pl.col("flagged").fill_null(False).any())
        .sort("capture_file"),
        rate_pct=rate_pct,
        coaching=people.coaching,
        new=frozenset((item.technician, item.topic) for item in people.coaching)
        - {(item.technician, item.topic) for item in people.earlier},
        drills_short=_drills_short(people.skills, monday),
        newest=monday >= last_over(last_day(frames["last_day"])),
        weeks=people.used.filter(pl.col("week") <= monday).tail(SHOWN_WEEKS),
        odd=scored.filter(pl.col("day").is_between(first, sunday)).select(
            "captured_at", "test", "measure", "group", "odd_pct", "threshold_pct", "flagged"
        ),
    )


def waits_of(warehouse: Warehouse, week: Week, shop: str | None = None) -> WeekWaits:
    """What of the week waits for a person today, and how much older is still open.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    frames = frames_of(warehouse, (*waiting.FRAMES, "outcomes", "waiting_marks"), shop)
    decided = marks_in(frames["waiting_marks"].to_dicts())
    items = waiting.waiting(frames, by_test(frames["outcomes"]), week.coaching, decided, week.sunday)
    return waiting.of_week(items, week.monday, newest=week.newest, new_alarms=week.new)


def _changes(
    captures: pl.DataFrame,
    by_week: pl.DataFrame,
    scored: pl.DataFrame,
    monday: dt.date,
    sunday: dt.date,
    start: dt.date,
) -> tuple[Change, ...]:
    def between(frame: pl.DataFrame, first: dt.date, last: dt.date) -> pl.DataFrame:
        return frame.filter(pl.col("day").is_between(first, last))

    # a capture and its retakes are one piece of work
    taken = first_tries(captures.filter(pl.col("status").is_in(["read", "unusable"])))
    last = monday - dt.timedelta(days=1)

    def part(frame: pl.DataFrame, event: pl.Expr, what: str) -> tuple[Estimate, Estimate]:
        pair = []
        for first, end in ((monday, sunday), (start, last)):
            rows = between(frame, first, end)
            pair.append(share(int(rows.select(event.sum()).item() or 0), rows.height, what=what))
        return pair[0], pair[1]

    orders_now = by_week.filter(pl.col("week") == monday)
    orders_before = by_week.filter(pl.col("week").is_between(start, last))
    return (
        Change(
            "jobs scoped where it would have served",
            "share",
            share(int(orders_now["scoped"].sum()), int(orders_now["eligible"].sum()), what="eligible orders"),
            share(
                int(orders_before["scoped"].sum()),
                int(orders_before["eligible"].sum()),
                what="eligible orders",
            ),
            of="jobs",
        ),
        Change(
            "pieces of work that could be read at the first try",
            "share",
            *part(taken, pl.col("status") == "read", "pieces of work"),
        ),
        Change(
            "captures flagged as odd",
            "share",
            *part(scored.filter(pl.col("flagged").is_not_null()), pl.col("flagged"), "scored captures"),
        ),
    )


def _discovered(scored: pl.DataFrame, monday: dt.date, sunday: dt.date, rate_pct: float) -> pl.DataFrame:
    """The week's scored rows with `discovery`: the capture is further off than chance explains."""
    week = scored.filter(pl.col("day").is_between(monday, sunday))
    found = discoveries(week.unique("capture_file"), week, rate_pct).select("capture_file", "discovery")
    return week.join(found, on="capture_file", how="left").with_columns(pl.col("discovery").fill_null(False))


def _flagged(week: pl.DataFrame, outcomes: pl.DataFrame) -> pl.DataFrame:
    named = (
        pl.when(pl.col("flagged_elements").list.len() > 0)
        .then(pl.col("flagged_elements").cast(pl.List(pl.String)).list.join(", "))
        .otherwise(pl.lit("not named"))
    )
    return (
        week.with_columns(named=named)
        .filter(pl.col("flagged"))
        .join(
            outcomes.select("repair_order", "test", outcome="finding"),
            on=["repair_order", "test"],
            how="left",
        )
        .select(
            "capture_file",
            "captured_at",
            "technician",
            "test",
            "measure",
            "group",
            "vehicle",
            "repair_order",
            "odd_pct",
            "threshold_pct",
            "named",
            "p_value",
            "discovery",
            "outcome",
        )
        .sort("captured_at")
    )


def _drills_short(skills: tuple[TechnicianSkill, ...], monday: dt.date) -> tuple[tuple[str, int, int], ...]:
    short = []
    for skill in skills:
        week = skill.drills.by_week.filter(pl.col("week") == monday)
        target, done = int(week["target"].sum()), int(week["done"].sum())
        if done < target:
            short.append((skill.technician, done, target))
    return tuple(short)
