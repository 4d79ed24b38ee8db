"""Practice asked for and done: for example five cars a week for a beginner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from models.records.logbook import captures_until
from models.records.pieces import first_tries
from models.records.shop import Shop


@dataclass(frozen=True, slots=True)
class DrillCount:
    """Drills of one technician up to a moment.

    Attributes:
        target: vehicles asked for. done: how many of them were practised on (unusable captures count, retakes
            on one vehicle and day are one; more than asked in one week does not make up for another).
        extra: practice beyond the targets, or in weeks without one.
        by_week: week, target, done, extra. by_test: test and the same counts.
    """

    target: int
    done: int
    extra: int
    by_week: pl.DataFrame
    by_test: pl.DataFrame


_COUNTS: dict[str, pl.DataType] = {"target": pl.Int64(), "done": pl.Int64(), "extra": pl.Int64()}
_BY_WEEK: dict[str, pl.DataType] = {"week": pl.Date(), **_COUNTS}
_BY_TEST: dict[str, pl.DataType] = {"test": pl.String(), **_COUNTS}


def count_drills(shop: Shop, people: Sequence[str], moment: datetime) -> dict[str, DrillCount]:
    """Drills asked of and done by each of `people`, each test for itself.

    A drill without a technician is asked of everybody who had started by its Monday. The week still
    running at `moment` is left out: it is not over, so nothing is missing yet.
    """
    # the last moment of a Sunday ends its week
    after = moment + timedelta(microseconds=1)
    this_monday = after.date() - timedelta(days=after.weekday())
    practice = (
        first_tries(captures_until(shop, moment))
        .filter(pl.col("purpose") == "drill")
        .with_columns(week=pl.col("captured_at").dt.truncate("1w").dt.date())
        .filter(pl.col("week") < this_monday)
        .group_by("technician", "test", "week")
        .agg(taken=pl.len().cast(pl.Int64))
    )
    asked = _asked(shop.drills.filter(pl.col("week_of") < this_monday), shop.technicians, people)
    both = (
        asked.join(practice, on=["technician", "test", "week"], how="full", coalesce=True)
        .with_columns(pl.col("target").fill_null(0), pl.col("taken").fill_null(0))
        .with_columns(done=pl.min_horizontal("target", "taken"))
        .with_columns(extra=pl.col("taken") - pl.col("done"))
    )
    return {name: _counted(both.filter(pl.col("technician") == name)) for name in people}


def _asked(drills: pl.DataFrame, technicians: pl.DataFrame, people: Sequence[str]) -> pl.DataFrame:
    """Captures asked for: technician, test, week, target."""
    roster = pl.DataFrame({"technician": list(people)}, schema={"technician": pl.String}).join(
        technicians, on="technician", how="left", maintain_order="left"
    )
    columns = ("technician", "test", "week_of", "target")
    personal = drills.filter(pl.col("technician").is_not_null()).select(columns)
    general = (
        drills.filter(pl.col("technician").is_null())
        .select("test", "week_of", "target")
        .join(roster, how="cross")
        .filter(pl.col("started_on").is_null() | (pl.col("started_on") <= pl.col("week_of")))
        .select(columns)
    )
    return (
        pl.concat([personal, general])
        .with_columns(week=pl.col("week_of").dt.truncate("1w"))
        .group_by("technician", "test", "week")
        .agg(pl.col("target").cast(pl.Int64).sum())
    )


def _counted(own: pl.DataFrame) -> DrillCount:
    def by(column: str, schema: dict[str, pl.DataType]) -> pl.DataFrame:
        return own.group_by(column).agg(pl.col(*_COUNTS).sum()).sort(column).select(list(schema))

    return DrillCount(
        target=int(own["target"].sum()),
        done=int(own["done"].sum()),
        extra=int(own["extra"].sum()),
        by_week=by("week", _BY_WEEK),
        by_test=by("test", _BY_TEST),
    )
