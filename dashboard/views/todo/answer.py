"""What waits for a person, as one list: flagged jobs, files, proposed thresholds, people to sit down with."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.shared import skills, words
from models.people.coaching import CoachingItem
from pipelines.kinds import kind
from pipelines.warehouse import marks
from pipelines.warehouse.marks import Mark

Frames = Mapping[str, pl.DataFrame]

JOB, FILE, THRESHOLD, PERSON = "job", "file", "threshold", "person"
SORTS = {
    JOB: "Flagged jobs without an outcome", FILE: "Files and rows", THRESHOLD: "Thresholds to accept",
    PERSON: "People to sit down with",
}  # fmt: skip
ALL = "all"
OLDEST, COSTLIEST = "the oldest first", "the costliest first"
ANYBODY, NOBODY = "anybody", "nobody yet"
PROPOSAL_GAP_PCT = 1.0  # a proposal this far from what somebody set is worth a look

SCHEMA: dict[str, Any] = {
    "waits_days": pl.Int64,
    "repair_order": pl.String,
    "vehicle": pl.String,
    "which": pl.String,
    "gap_pct": pl.Float64,
    "called": pl.String,
    "technician": pl.String,
    "group": pl.String,
    "test": pl.String,
    "capture_file": pl.String,
    "kind": pl.String,
    "measure": pl.String,
}


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that waits.

    Attributes:
        key: see `pipelines.warehouse.marks`. sort: one of `SORTS`. name: of the job, file, group or person.
        says: what is to be done, a sentence. days: how long it has waited. stake: what it may cost the shop.
        facts: what its actions need.
    """

    key: str
    sort: str
    name: str
    says: str
    days: int | None
    stake: float | None
    facts: dict[str, Any]
    mark: Mark


def open_flags(frames: Frames, outcomes: pl.DataFrame, as_of: dt.date) -> pl.DataFrame:
    """Jobs with a flagged capture and no outcome that speaks of its test: the oldest first, then the furthest off.

    One row a job and test, its furthest-off capture; practice and known-good captures ask for no outcome.

    Args:
        outcomes: one row an order and test, as `Shop` holds them.
    """
    captures = frames["captures"].filter(
        pl.col("repair_order").is_not_null()
        & (pl.col("purpose").fill_null("diagnosis") == "diagnosis")
        & (pl.col("captured_at").dt.date() <= as_of)
    )
    rows = (
        captures.join(frames["scores"].filter(pl.col("flagged")), on="capture_file", how="inner")
        .join(outcomes.select("repair_order", "test"), on=["repair_order", "test"], how="anti")
        .sort("odd_pct", descending=True)
        .unique(["repair_order", "test"], keep="first", maintain_order=True)
        .with_columns(waits_days=(pl.lit(as_of) - pl.col("captured_at").dt.date()).dt.total_days())
        .sort(["waits_days", "odd_pct"], descending=True)
    )
    return pl.DataFrame([_flag_row(row) for row in rows.iter_rows(named=True)], schema=SCHEMA)


def _flag_row(row: dict[str, Any]) -> dict[str, Any]:
    known = kind(row["test"])
    which, gap, called, title = "", row["odd_pct"], row["call"] or "", row["test"]
    if known is not None:
        title = known.title
        which = words.elements(known, row["flagged_elements"] or [])
        if not row["flagged_elements"]:
            which = words.oddest(known, row["odd_element"], row["odd_position"], row["odd_companion"])
        gap = words.odd_bound(known.measure(row["measure"]), row["odd_pct"])
        called = known.wording.calls.get(row["call"] or "", called)
    return {
        **{name: row[name] for name in ("capture_file", "waits_days", "repair_order", "vehicle", "group")},
        "test": title,
        "kind": row["test"],
        "measure": row["measure"],
        "which": which,
        "gap_pct": gap,
        "called": called,
        "technician": row["technician"],
    }


def flag_items(
    flags: pl.DataFrame,
    healthy: Mapping[tuple[str, str], float],
    cost_miss: float,
    decided: Mapping[str, Mark],
) -> list[Item]:
    """Open flags as items; what one may cost is the cost of a missed fault times the chance that it is one.

    Args:
        healthy: the fit's probability that a capture is healthy, by capture and measure.
    """
    items = []
    for row in flags.iter_rows(named=True):
        chance = 1.0 - healthy.get((row["capture_file"], row["measure"]), 0.0)
        called = f"; {row['technician'] or 'the technician'} said: {row['called']}" if row["called"] else ""
        says = f"{row['which']}: {words.number(row['gap_pct'], 1)} % off{called}. What was it?"
        key = marks.flag_key(row["repair_order"], row["kind"])
        items.append(
            Item(key, JOB, str(row["repair_order"]), says[0].upper() + says[1:], row["waits_days"], chance * cost_miss,
                 row, decided.get(key, Mark()))
        )  # fmt: skip
    return items


def file_items(
    captures: pl.DataFrame, troubles: pl.DataFrame, since: pl.DataFrame, refused_rows: pl.DataFrame, as_of: dt.date,
    decided: Mapping[str, Mark],
) -> list[Item]:  # fmt: skip
    """Files that wait or were refused, and rows of the tables that were refused, each with what to do."""
    items = []
    when = dict(since.iter_rows())
    newest = dict(troubles.select("capture_file", "reason").iter_rows())
    for row in captures.iter_rows(named=True):
        name = row["capture_file"]
        status, reason = ("refused", newest[name]) if name in newest else (row["status"], row["reason"])
        if status not in ("waiting", "refused"):
            continue
        key = marks.file_key(name, status, reason)
        label = status == "waiting" and row["captured_at"] is None
        facts = {"capture_file": name, "label": label, "family": row["engine_family"], "reason": reason or ""}
        items.append(
            Item(key, FILE, name, f"{status.capitalize()}: {reason}", _days(when.get(name), as_of), None, facts,
                 decided.get(key, Mark()))
        )  # fmt: skip
    for row in refused_rows.iter_rows(named=True):
        key = marks.row_key(row["file"], row["key"], row["reason"])
        items.append(
            Item(key, FILE, f"{row['file']}: {row['key']}", f"Row refused: {row['reason']}", _days(row["since"], as_of),
                 None, {}, decided.get(key, Mark()))
        )  # fmt: skip
    return items


def _days(since: dt.datetime | None, as_of: dt.date) -> int | None:
    return None if since is None else max(0, (as_of - since.date()).days)


def threshold_items(frames: Frames, as_of: dt.date, decided: Mapping[str, Mark]) -> list[Item]:
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
        x = f"{words.number(row['proposed_pct'], 1)} %"
        if row["source"] == "set":
            if abs(row["threshold_pct"] - row["proposed_pct"]) < PROPOSAL_GAP_PCT:
                continue
            now = f"{row['set_by']} set {words.number(row['threshold_pct'], 1)} %"
            says = f"{now}; the captures so far propose {x}."
        else:
            says = f"Odd from {x} on is proposed and in force; nobody has accepted it yet."
        key = marks.threshold_key(row["test"], row["measure"], row["group"], row["proposed_version"])
        items.append(
            Item(key, THRESHOLD, f"{row['group']} ({_of(row['test'], row['measure'])})", says,
                 _days(row["proposed_at"], as_of), None, row, decided.get(key, Mark()))
        )  # fmt: skip
    return items


def _of(test: str, measure: str) -> str:
    """The test in words, with the measure where it has more than one."""
    known = kind(test)
    if known is None or len(known.measures) == 1:
        return _title(test)
    return f"{known.title}, {known.measure(measure).title}"


def _title(test: str) -> str:
    known = kind(test)
    return known.title if known is not None else test


def person_items(found: Sequence[CoachingItem], as_of: dt.date, decided: Mapping[str, Mark]) -> list[Item]:
    """Who may need a hand, one item a person and topic."""
    items = []
    for one in found:
        key = marks.person_key(one.technician, one.topic, one.since)
        facts = {"technician": one.technician, "topic": one.topic, "captures": one.captures}
        topic = skills.TOPIC_WORDS.get(one.topic, one.topic)
        items.append(
            Item(key, PERSON, f"{one.technician}, {topic}", skills.item_evidence(one),
                 max(0, (as_of - one.since).days), None, facts, decided.get(key, Mark()))
        )  # fmt: skip
    return items


def open_ones(items: Sequence[Item], *, closed: bool = False) -> list[Item]:
    """What still waits, or with `closed` what was done or dismissed."""
    return [item for item in items if (item.mark.state != "open") == closed]


def counted(items: Sequence[Item]) -> dict[str, str]:
    """The choices of what to show, with how many there are of each."""
    counts = {sort: sum(item.sort == sort for item in items) for sort in SORTS}
    return {ALL: f"All {len(items)}"} | {sort: f"{SORTS[sort]} {count}" for sort, count in counts.items()}


def narrowed(items: Sequence[Item], sort: str, whom: str, order: str) -> list[Item]:
    """The items of a sort, for a name, in the order asked for; what has no age or cost comes last."""
    found = [item for item in items if sort in (ALL, item.sort)]
    if whom == NOBODY:
        found = [item for item in found if not item.mark.assigned_to]
    elif whom != ANYBODY:
        found = [item for item in found if item.mark.assigned_to == whom]

    def age(item: Item) -> float:
        return -1.0 if item.days is None else float(item.days)

    def stake(item: Item) -> float:
        return -1.0 if item.stake is None else item.stake

    keys = (stake, age) if order == COSTLIEST else (age, stake)
    return sorted(found, key=lambda item: (*(-key(item) for key in keys), item.name))


def assigned(items: Sequence[Item]) -> list[str]:
    """Whom things are assigned to."""
    return sorted({item.mark.assigned_to for item in items if item.mark.assigned_to})


def table(items: Sequence[Item]) -> pl.DataFrame:
    """The list as it is shown."""
    schema = {
        "waits_days": pl.Int64, "what": pl.String, "name": pl.String, "stake": pl.Float64, "for": pl.String,
        "says": pl.String, "decided": pl.String,
    }  # fmt: skip
    rows = [
        {
            "waits_days": item.days, "what": item.sort, "name": item.name, "stake": item.stake,
            "for": item.mark.assigned_to or "", "says": item.says, "decided": decision(item.mark),
        }
        for item in items
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


def decision(mark: Mark) -> str:
    """What somebody decided, in words; empty where nobody has."""
    if mark.state == "open":
        return ""
    why = f": {mark.reason}" if mark.reason else ""
    return f"{mark.state} by {mark.entered_by}, {words.day(mark.entered_at)}{why}"


def headline(items: Sequence[Item]) -> str:
    """How much waits, how long, and what it may cost."""
    if not items:
        return "Nothing waits for anybody."
    jobs = [item for item in items if item.sort == JOB]
    said = [f"{words.plural(len(items), 'thing')} wait" + ("s" if len(items) == 1 else "")]
    ages = [item.days for item in items if item.days is not None]
    if ages:
        said.append(f"the oldest for {words.plural(max(ages), 'day')}")
    if jobs:
        stake = sum(item.stake or 0.0 for item in jobs)
        said.append(
            f"{words.plural(len(jobs), 'flagged job')} without an outcome may cost about {words.number(stake)} if the "
            "faults are missed"
        )
    return "; ".join(said) + "."


def elements_of_capture(frames: Frames, row: Mapping[str, Any]) -> int:
    """How many alike elements the thing on a capture has; 1 where nobody knows."""
    own = frames["comparison_groups"].filter(
        (pl.col("test") == row["test"]) & (pl.col("group") == row["group"])
    )
    return max(1, int(own["elements"][0])) if own.height and own["elements"][0] is not None else 1


def capture_row(frames: Frames, capture_file: str) -> dict[str, Any]:
    """A capture's row."""
    return frames["captures"].filter(pl.col("capture_file") == capture_file).row(0, named=True)
