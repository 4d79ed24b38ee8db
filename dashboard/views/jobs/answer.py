"""Jobs: the list behind every figure, one job with its captures, and a vehicle before and after the repair."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data
from dashboard.shared import captures as wording
from dashboard.shared import kinds_told, words
from dashboard.shared.job_lists import JOB_LISTS
from pipelines.kinds import kind

Frames = Mapping[str, pl.DataFrame]
MOST_LISTED = 2000
COLUMNS = {
    "scoped": st.column_config.TextColumn(width=95),
    "came back as": st.column_config.TextColumn(width=105),
}
"""Widths of a list of jobs, whose first rows are not its longest."""


def listed(
    jobs: pl.DataFrame, which: str, technician: str | None = None, week: dt.date | None = None
) -> pl.DataFrame:
    """The jobs of one list, the newest first; of one technician or one week of closing where asked."""
    rows = jobs.filter(JOB_LISTS[which].rows)
    if technician is not None:
        rows = rows.filter(pl.col("technician") == technician)
    if week is not None:
        rows = rows.filter(pl.col("week") == week)
    return rows


def table(rows: pl.DataFrame) -> pl.DataFrame:
    """A list of jobs, ready to show."""
    scoped = pl.when("scoped").then(pl.lit("yes")).when(pl.col("scoped").not_()).then(pl.lit("no"))
    return rows.head(MOST_LISTED).select(
        pl.col("repair_order").alias("job"),
        pl.col("opened_at").dt.date().alias("opened"),
        pl.col("closed_at").dt.date().alias("closed"),
        "technician",
        "vehicle",
        pl.col("engine_family").alias("engine family"),
        pl.col("complaint").str.replace_all("_", " "),
        scoped.otherwise(pl.lit("not counted")).alias("scoped"),
        pl.col("came_back_as").alias("came back as"),
        pl.col("days").round(0).cast(pl.Int64).alias("days until then"),
        pl.col("labour_h").alias("labour, h"),
        pl.col("parts_cost").alias("parts"),
    )


def list_sentence(rows: pl.DataFrame, which: str, week: dt.date | None, window_days: int) -> str:
    """How many jobs the list holds, and what it holds."""
    text = f"{JOB_LISTS[which].title}: {words.number(rows.height)}"
    if "came back" in which:
        text += f" within {window_days} days of closing"
    if week is not None:
        text += f", closed in the week of {week}"
    return f"{text}."


def job_of(jobs: pl.DataFrame, repair_order: str) -> dict[str, Any] | None:
    """One job's row, or None."""
    found = jobs.filter(pl.col("repair_order") == repair_order)
    return found.row(0, named=True) if found.height else None


def facts(row: dict[str, Any], currency: str) -> str:
    """Who, when, what was complained of, and what it took."""
    parts = [
        f"Opened {words.day(row['opened_at'])}",
        f"closed {words.day(row['closed_at'])}" if row["closed_at"] else "still open",
        f"by {row['technician']}" if row["technician"] else None,
        f"vehicle {row['vehicle']}" if row["vehicle"] else "no vehicle named",
        row["engine_family"],
        f"complaint: {row['complaint'].replace('_', ' ')}" if row["complaint"] else None,
        f"{words.number(row['labour_h'], 1)} h of labour" if row["labour_h"] is not None else None,
        f"parts {words.money(row['parts_cost'], currency)}" if row["parts_cost"] is not None else None,
    ]
    return " · ".join(part for part in parts if part)


def return_sentences(jobs: pl.DataFrame, row: dict[str, Any], window_days: int) -> list[str]:
    """Whether it came back, and whether it is itself a comeback."""
    said = []
    if row["came_back_as"]:
        again = job_of(jobs, row["came_back_as"])
        when = f" on {words.day(again['opened_at'])}" if again else ""
        counts = (
            "a comeback" if row["came_back"] else f"not counted: later than {window_days} days, or not closed"
        )
        said.append(f"It came back as {row['came_back_as']}{when} ({counts}).")
    if row["comeback_of"]:
        said.append(f"It is itself a return for {row['comeback_of']}.")
    if not said:
        said.append("It has not come back.")
    return said


def related(row: dict[str, Any]) -> list[str]:
    """The jobs this one came back as, or returns for."""
    return [name for name in (row["came_back_as"], row["comeback_of"]) if name]


def found_on(outcomes: pl.DataFrame, repair_order: str) -> list[str]:
    """What was confirmed on a job, one sentence a test."""
    rows = outcomes.filter(pl.col("repair_order") == repair_order)
    said = []
    for row in rows.iter_rows(named=True):
        known = kind(row["test"])
        if known is not None:
            said.append(f"{known.title}: {wording.outcome_words(known, row)}")
    return said


_CAPTURES: dict[str, Any] = {
    "capture": pl.String,
    "day": pl.Date,
    "when": pl.String,
    "test": pl.String,
    "purpose": pl.String,
    "technician": pl.String,
    "job": pl.String,
    "verdict": pl.String,
    "odd_pct": pl.Float64,
    "what": pl.String,
}


def captures(frames: Frames, outcomes: pl.DataFrame, wanted: pl.Expr, as_of: dt.date) -> pl.DataFrame:
    """Captures of a job or a vehicle, oldest first: `_CAPTURES`, `when` before or after the repair.

    Args:
        outcomes: one row an order and test, as `Shop` holds them.
    """
    found = frames["captures"].filter(wanted & (pl.col("captured_at").dt.date() <= as_of))
    rows = (
        found.join(
            data.only(frames, found)["scores"].filter(pl.col("rank") == 0), on="capture_file", how="left"
        )
        .sort("captured_at", "capture_file")
        .with_columns(verdict=wording.verdict_word())
    )
    repaired = repair_days(outcomes, rows["repair_order"].drop_nulls().unique().to_list())
    return pl.DataFrame([_capture(row, repaired) for row in rows.iter_rows(named=True)], schema=_CAPTURES)


def repair_days(outcomes: pl.DataFrame, orders: list[str]) -> dict[tuple[str, str], dt.datetime]:
    """When a fault was confirmed, by job and test: what was captured later shows the vehicle after the repair."""
    found = outcomes.filter(pl.col("repair_order").is_in(orders) & (pl.col("finding") == "odd"))
    return {(row["repair_order"], row["test"]): row["confirmed_at"] for row in found.iter_rows(named=True)}


def _capture(row: dict[str, Any], repaired: Mapping[tuple[str, str], dt.datetime]) -> dict[str, Any]:
    known = kind(row["test"] or "")
    what, odd = row["status"], row.get("odd_pct")
    if known is not None and odd is not None:
        measure = known.measure(row["measure"])
        odd = words.odd_bound(measure, odd)
        which = words.oddest(known, row["odd_element"], row["odd_position"], row["odd_companion"])
        what = f"{which} {words.number(odd, 1)} % {words.stands(known, measure)}"
    found = repaired.get((row["repair_order"], row["test"]))
    taken = row["captured_at"]
    when = ""
    if found is not None and taken is not None:
        after = row["purpose"] == "known_good" or taken.date() > found.date()
        when = "after the repair" if after else "before the repair"
    return {
        "capture": row["capture_file"],
        "day": taken.date() if taken else None,
        "when": when,
        "test": kinds_told.title(row["test"]),
        "purpose": (row["purpose"] or "").replace("_", " "),
        "technician": row["technician"],
        "job": row["repair_order"],
        "verdict": row["verdict"],
        "odd_pct": odd,
        "what": what,
    }


def before_after(rows: pl.DataFrame) -> list[str]:
    """What was furthest off before a repair and after it, one sentence a job and test with both."""
    said = []
    for (job, test), own in rows.group_by(["job", "test"], maintain_order=True):
        first = own.filter((pl.col("when") == "before the repair") & pl.col("odd_pct").is_not_null())
        last = own.filter((pl.col("when") == "after the repair") & pl.col("odd_pct").is_not_null())
        if first.height and last.height:
            said.append(
                f"Job {job}, {str(test).lower()}: before the repair {first['what'][-1]} "
                f"({first['verdict'][-1]}); after it {last['what'][-1]} ({last['verdict'][-1]})."
            )
    return said


def vehicle_jobs(jobs: pl.DataFrame, vehicle: str) -> pl.DataFrame:
    """A vehicle's jobs, the oldest first."""
    return jobs.filter(pl.col("vehicle") == vehicle).sort("opened_at", "repair_order")


def history_sentence(own: pl.DataFrame, rows: pl.DataFrame, vehicle: str) -> str:
    """How many jobs and captures a vehicle has, and since when."""
    when = own["opened_at"].min()
    since = f" since {when:%Y-%m-%d}" if isinstance(when, dt.datetime) else ""
    return f"{vehicle}: {words.plural(own.height, 'job')}{since}, {words.plural(rows.height, 'capture')}."


def drawn(rows: pl.DataFrame) -> pl.DataFrame:
    """The captures that were compared with their group, for the chart."""
    return rows.filter(pl.col("odd_pct").is_not_null()).rename({"capture": "capture_file"})


def confirmed_days(outcomes: pl.DataFrame, own: pl.DataFrame) -> pl.DataFrame:
    """The days on which a fault of the vehicle was confirmed: day, job."""
    found = repair_days(outcomes, own["repair_order"].to_list())
    return pl.DataFrame(
        [(moment.date(), job) for (job, _), moment in found.items()],
        schema={"day": pl.Date, "job": pl.String},
        orient="row",
    ).unique(maintain_order=True)


def chart_sentence(rows: pl.DataFrame, vehicle: str) -> str:
    """The chart of a vehicle's history for whoever cannot see it."""
    odd = rows.filter(pl.col("verdict") == "odd").height
    return (
        f"How far the oddest element stood off in each capture of {vehicle} over time: "
        f"{words.plural(rows.height, 'capture')}, {odd} of them odd; upright lines where a fault was confirmed."
    )
