"""What waits for a person: flagged captures without an outcome, files, thresholds to look at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from dashboard.shared import skills, words
from models.people.coaching import CoachingItem
from pipelines.kinds import kind

Frames = Mapping[str, pl.DataFrame]

WEEKS = {"the last 4 weeks": 4, "the last 12 weeks": 12, "all records": None}
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
}


def open_flags(frames: Frames, outcomes: pl.DataFrame, as_of: dt.date, weeks: int | None) -> pl.DataFrame:
    """Jobs with a flagged capture and no outcome that speaks of its test: the oldest first, then the furthest off.

    One row a job and test, its furthest-off capture; practice and known-good captures ask for no outcome.

    Args:
        outcomes: one row an order and test, as `Shop` holds them.
        weeks: leave out what is older; None keeps everything.
    """
    captures = frames["captures"].filter(
        pl.col("repair_order").is_not_null()
        & (pl.col("purpose").fill_null("diagnosis") == "diagnosis")
        & (pl.col("captured_at").dt.date() <= as_of)
    )
    if weeks is not None:
        captures = captures.filter(pl.col("captured_at").dt.date() > as_of - dt.timedelta(weeks=weeks))
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
        "which": which,
        "gap_pct": gap,
        "called": called,
        "technician": row["technician"],
    }


def flags_sentence(rows: pl.DataFrame, cost_miss: float) -> str:
    """How many jobs wait, how long, and why it matters."""
    if rows.is_empty():
        return "Every flagged job has an outcome."
    oldest = int(rows["waits_days"][0])  # the list begins with it
    return (
        f"{words.plural(rows.height, 'job')} with a flagged capture and no outcome; the oldest has waited "
        f"{oldest} days. A fault that is missed costs the shop about {words.number(cost_miss)}; an outcome, even "
        "'nothing found', also makes every threshold better."
    )


def files(frames: Frames) -> list[str]:
    """Files that wait or were refused, with what to do."""
    rows = frames["captures"].filter(pl.col("status").is_in(["waiting", "refused"])).sort("capture_file")
    return [f"{row['capture_file']} ({row['status']}): {row['reason']}" for row in rows.iter_rows(named=True)]


def moved_thresholds(frames: Frames) -> list[str]:
    """Thresholds somebody set from which the newest proposal lies apart, in sentences."""
    keys = ["test", "measure", "group"]
    proposed = (
        frames["thresholds"]
        .filter(pl.col("source") == "proposed")
        .sort("version")
        .group_by(keys, maintain_order=True)
        .agg(proposed_pct=pl.col("threshold_pct").last())
    )
    rows = (
        frames["thresholds_in_force"]
        .filter(pl.col("source") == "set")
        .join(proposed, on=keys)
        .filter((pl.col("threshold_pct") - pl.col("proposed_pct")).abs() >= PROPOSAL_GAP_PCT)
    )
    return [
        f"{row['group']} ({_title(row['test'])}): {row['set_by']} set {words.number(row['threshold_pct'], 1)} %; the "
        f"captures so far propose {words.number(row['proposed_pct'], 1)} %."
        for row in rows.iter_rows(named=True)
    ]


def _title(test: str) -> str:
    known = kind(test)
    return known.title if known is not None else test


def people(items: Sequence[CoachingItem]) -> list[str]:
    """Who may need a hand, by name."""
    return [f"{item.technician}, {item.topic}: {skills.item_evidence(item)}" for item in items]
