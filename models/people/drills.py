"""Practice asked for and done: for example five cars a week for a beginner."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl


@dataclass(frozen=True, slots=True)
class DrillCount:
    """Drills of one technician up to a moment.

    Attributes:
        target: captures asked for. done: captures of them that were taken (unusable ones count as
            practised; more than asked in one week does not make up for another).
        extra: practice captures beyond the targets, or in weeks without one.
        by_week: week, target, done, extra.
    """

    target: int
    done: int
    extra: int
    by_week: pl.DataFrame


_SCHEMA = {"week": pl.Date, "target": pl.Int64, "done": pl.Int64, "extra": pl.Int64}


def count_drills(
    drills: pl.DataFrame,
    captures: pl.DataFrame,
    started: Mapping[str, date | None],
    people: tuple[str, ...],
    moment: datetime,
) -> dict[str, DrillCount]:
    """Drills asked of and done by each of `people`.

    A drill without a technician is asked of everybody who had started by its Monday. The week still
    running at `moment` is left out: it is not over, so nothing is missing yet.

    Args:
        captures: rows of `logbook.captures_until`.
    """
    this_monday = moment.date() - timedelta(days=moment.weekday())
    practice = (
        captures.filter(pl.col("purpose") == "drill")
        .with_columns(week=pl.col("captured_at").dt.truncate("1w").dt.date())
        .filter(pl.col("week") < this_monday)
        .group_by("technician", "test", "week")
        .agg(taken=pl.len().cast(pl.Int64))
    )
    roster = pl.DataFrame(
        {"technician": list(people), "started_on": [started.get(name) for name in people]},
        schema={"technician": pl.String, "started_on": pl.Date},
    )
    past = drills.filter(pl.col("week_of") < this_monday)
    personal = past.filter(pl.col("technician").is_not_null()).select(
        "technician", "test", "week_of", "target"
    )
    general = (
        past.filter(pl.col("technician").is_null())
        .select("test", "week_of", "target")
        .join(roster, how="cross")
        .filter(pl.col("started_on").is_null() | (pl.col("started_on") <= pl.col("week_of")))
        .select("technician", "test", "week_of", "target")
    )
    asked = (
        pl.concat([personal, general])
        .with_columns(week=pl.col("week_of").dt.truncate("1w"))
        .group_by("technician", "test", "week")
        .agg(pl.col("target").cast(pl.Int64).sum())
    )
    both = (
        asked.join(practice, on=["technician", "test", "week"], how="full", coalesce=True)
        .with_columns(pl.col("target").fill_null(0), pl.col("taken").fill_null(0))
        .with_columns(done=pl.min_horizontal("target", "taken"))
        .group_by("technician", "week")
        .agg(
            pl.col("target").sum(),
            pl.col("done").sum(),
            extra=(pl.col("taken") - pl.col("done")).sum(),
        )
        .sort("technician", "week")
    )
    parts = {str(key[0]): part for key, part in both.group_by("technician")}
    empty = pl.DataFrame(schema=_SCHEMA)
    return {
        name: DrillCount(
            target=int(part["target"].sum()),
            done=int(part["done"].sum()),
            extra=int(part["extra"].sum()),
            by_week=part.select(list(_SCHEMA)),
        )
        for name in people
        for part in [parts.get(name, empty)]
    }
