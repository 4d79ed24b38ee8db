"""What waits for a person: flagged jobs, files, proposed thresholds, people to sit down with; and one week of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from models.people.coaching import CoachingItem
from pipelines.kinds import kind
from pipelines.warehouse import marks
from pipelines.warehouse.marks import Mark

Frames = Mapping[str, pl.DataFrame]

JOB, FILE, THRESHOLD, PERSON = "job", "file", "threshold", "person"
SORTS = (JOB, FILE, THRESHOLD, PERSON)
FRAMES: tuple[str, ...] = (
    "captures", "scores", "capture_troubles", "waiting_since", "refused_rows", "thresholds", "thresholds_in_force",
)  # fmt: skip
"""The named queries `waiting` reads."""
PROPOSAL_GAP_PCT = 1.0  # a proposal this far from what somebody set is worth a look


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that waits.

    Attributes:
        key: see `pipelines.warehouse.marks`. sort: one of `SORTS`. name: of the job, file, group or person.
        since: the day it came up. facts: what its words and its actions need. mark: what people decided about it.
        stake: what it may cost the shop; None where nobody can say.
    """

    key: str
    sort: str
    name: str
    since: dt.date | None
    facts: dict[str, Any]
    mark: Mark
    stake: float | None = None

    def days(self, as_of: dt.date) -> int | None:
        """How long it has waited."""
        return None if self.since is None else max(0, (as_of - self.since).days)

    @property
    def open(self) -> bool:
        """Whether it still waits."""
        return self.mark.state == "open"


@dataclass(frozen=True, slots=True)
class WeekWaits:
    """What a week's digest asks for: what came up in that week in full, what is older as a number.

    Attributes:
        new: what came up in the week and nobody has done, dismissed or answered by an outcome since.
        closed: how many things of the week were done or dismissed.
        older: how many older things are still open, by sort; a sort without any is left out.
        given: how many of the older ones are given to a name.
    """

    new: tuple[Item, ...]
    closed: int
    older: dict[str, int]
    given: int

    def of(self, sort: str) -> list[Item]:
        """The new things of one sort."""
        return [item for item in self.new if item.sort == sort]


def waiting(
    frames: Frames,
    outcomes: pl.DataFrame,
    coaching: Sequence[CoachingItem],
    decided: Mapping[str, Mark],
    as_of: dt.date,
    healthy: Mapping[tuple[str, str], float] | None = None,
    cost_miss: float = 0.0,
) -> list[Item]:
    """Everything that waits or was decided about, job by job, file by file, group by group, person by person.

    Args:
        frames: the queries of `FRAMES`. outcomes: one row an order and test, as `Shop` holds them.
        coaching: the list of `as_of`. decided: what people decided, by key.
        healthy: the fit's probability that a capture is healthy, by capture and measure; with `cost_miss`, what a
            missed fault costs, it says what a flagged job may cost. Left out, nothing is said of that.
    """
    flags = open_flags(frames, outcomes, as_of)
    return [
        *flag_items(flags, decided, healthy, cost_miss),
        *file_items(frames, decided),
        *threshold_items(frames, decided),
        *person_items(coaching, decided),
    ]


def of_week(
    items: Sequence[Item], monday: dt.date, *, newest: bool, new_alarms: frozenset[tuple[str, str]]
) -> WeekWaits:
    """A week's part of what waits.

    Args:
        items: of the week's Sunday. newest: whether it is the newest week that is over; then what came up since
            counts as new too, because no later digest has told of it. new_alarms: technician and topic of the names
            that were not on the list a week before.
    """
    sunday = monday + dt.timedelta(days=6)
    new: list[Item] = []
    older: list[Item] = []
    for item in items:
        if item.sort == PERSON:
            fresh = (item.facts["technician"], item.facts["topic"]) in new_alarms
        elif item.since is None:
            fresh = False
        elif item.since > sunday and not newest:
            continue
        else:
            fresh = item.since >= monday
        (new if fresh else older).append(item)
    closed = sum(not item.open for item in new)
    older = [item for item in older if item.open]
    counts = {sort: sum(item.sort == sort for item in older) for sort in SORTS}
    return WeekWaits(
        tuple(item for item in new if item.open),
        closed,
        {sort: count for sort, count in counts.items() if count},
        sum(bool(item.mark.assigned_to) for item in older),
    )


def open_flags(frames: Frames, outcomes: pl.DataFrame, as_of: dt.date) -> pl.DataFrame:
    """Jobs with a flagged capture and no outcome that speaks of its test: the oldest first, then the furthest off.

    One row a job and test, its furthest-off capture; practice and known-good captures ask for no outcome.
    """
    captures = frames["captures"].filter(
        pl.col("repair_order").is_not_null()
        & (pl.col("purpose").fill_null("diagnosis") == "diagnosis")
        & (pl.col("captured_at").dt.date() <= as_of)
    )
    return (
        captures.join(frames["scores"].filter(pl.col("flagged")), on="capture_file", how="inner")
        .join(outcomes.select("repair_order", "test"), on=["repair_order", "test"], how="anti")
        .sort("odd_pct", descending=True)
        .unique(["repair_order", "test"], keep="first", maintain_order=True)
        .with_columns(day=pl.col("captured_at").dt.date())
        .sort(["day", "odd_pct"], descending=[False, True])
    )


def flag_items(
    flags: pl.DataFrame,
    decided: Mapping[str, Mark],
    healthy: Mapping[tuple[str, str], float] | None,
    cost_miss: float,
) -> list[Item]:
    """Open flags as items; what one may cost is the cost of a missed fault times the chance that it is one."""
    items = []
    for row in flags.iter_rows(named=True):
        key = marks.flag_key(row["repair_order"], row["test"])
        stake = None
        if healthy is not None:
            stake = (1.0 - healthy.get((row["capture_file"], row["measure"]), 0.0)) * cost_miss
        items.append(
            Item(key, JOB, str(row["repair_order"]), row["day"], row, decided.get(key, Mark()), stake)
        )
    return items


def file_items(frames: Frames, decided: Mapping[str, Mark]) -> list[Item]:
    """Files that wait or were refused, and rows of the tables that were refused."""
    items = []
    when = dict(frames["waiting_since"].iter_rows())
    newest = dict(frames["capture_troubles"].select("capture_file", "reason").iter_rows())
    stuck = pl.col("status").is_in(["waiting", "refused"]) | pl.col("capture_file").is_in(list(newest))
    for row in frames["captures"].filter(stuck).iter_rows(named=True):
        name = row["capture_file"]
        status, reason = ("refused", newest[name]) if name in newest else (row["status"], row["reason"])
        if status not in ("waiting", "refused"):
            continue
        key = marks.file_key(name, status, reason)
        facts = {
            "capture_file": name,
            "label": status == "waiting" and row["captured_at"] is None,
            "family": row["engine_family"],
            "status": status,
            "reason": reason or "",
        }
        items.append(Item(key, FILE, name, _day(when.get(name)), facts, decided.get(key, Mark())))
    for row in frames["refused_rows"].iter_rows(named=True):
        key = marks.row_key(row["file"], row["key"], row["reason"])
        facts = {"status": "row refused", "reason": row["reason"]}
        items.append(
            Item(
                key, FILE, f"{row['file']}: {row['key']}", _day(row["since"]), facts, decided.get(key, Mark())
            )
        )
    return items


def _day(moment: dt.datetime | None) -> dt.date | None:
    return None if moment is None else moment.date()


def threshold_items(frames: Frames, decided: Mapping[str, Mark]) -> list[Item]:
    """Groups for which nobody has accepted a threshold, and set ones from which the newest proposal lies apart."""
    keys = ["test", "measure", "group"]
    proposed = (
        frames["thresholds"].filter(pl.col("source") == "proposed").sort("version")
        .group_by(keys, maintain_order=True)
        .agg(proposed_pct=pl.col("threshold_pct").last(), proposed_version=pl.col("version").last(),
             proposed_at=pl.col("set_at").last(), why=pl.col("reason").last())
    )  # fmt: skip
    newest = frames["thresholds"].group_by(keys).agg(newest=pl.col("version").max())
    rows = frames["thresholds_in_force"].join(proposed, on=keys).join(newest, on=keys).sort(keys)
    items = []
    for row in rows.iter_rows(named=True):
        apart = abs(row["threshold_pct"] - row["proposed_pct"])
        if row["source"] == "set" and apart < PROPOSAL_GAP_PCT:
            continue
        key = marks.threshold_key(row["test"], row["measure"], row["group"], row["proposed_version"])
        name = f"{row['group']} ({_of(row['test'], row['measure'])})"
        items.append(Item(key, THRESHOLD, name, _day(row["proposed_at"]), row, decided.get(key, Mark())))
    return items


def _of(test: str, measure: str) -> str:
    """The test in words, with the measure where it has more than one."""
    known = kind(test)
    if known is None:
        return test
    return known.title if len(known.measures) == 1 else f"{known.title}, {known.measure(measure).title}"


def person_items(found: Sequence[CoachingItem], decided: Mapping[str, Mark]) -> list[Item]:
    """Who may need a hand, one item a person and topic."""
    items = []
    for one in found:
        key = marks.person_key(one.technician, one.topic, one.since)
        facts = {"technician": one.technician, "topic": one.topic, "captures": one.captures, "item": one}
        items.append(Item(key, PERSON, one.technician, one.since, facts, decided.get(key, Mark())))
    return items
