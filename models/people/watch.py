"""What the coaching charts watch: each piece of work, whether there was trouble, and what was to be expected.

One long frame for all topics, so that the charts need not know what they look at.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl

from models.jobs.adoption import CASE_MIX
from models.people.hookup import hookup_trouble
from models.records.logbook import eligible_orders, judged_calls
from models.records.pieces import last_calls, pieces
from models.records.shop import Shop
from models.records.topics import CALLS, HOOKUP, SCOPE_USE, USABLE
from models.stats.casemix import usual_person

SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "topic": pl.String,
    "test": pl.String,
    "technician": pl.String,
    "at": pl.Datetime("us"),
    "trouble": pl.Boolean,
    "expected": pl.Float64,
    "capture_file": pl.String,
    "repair_order": pl.String,
}
CAPTURE_MIX = ("test", "group", "purpose")
CALL_MIX = ("test", "finding", "purpose")

# a chart needs chances inside (0, 1); a shop that never errs would make one slip an alarm
_LEAST_EXPECTED, _MOST_EXPECTED = 0.02, 0.95


def _with_expected(frame: pl.DataFrame, topic: str, columns: tuple[str, ...]) -> pl.DataFrame:
    if frame.height == 0:
        return pl.DataFrame(schema=SCHEMA)
    chance = usual_person(frame, event="trouble", columns=columns, who="technician").chance
    return frame.with_columns(
        topic=pl.lit(topic),
        expected=pl.Series(np.clip(chance, _LEAST_EXPECTED, _MOST_EXPECTED), dtype=pl.Float64),
    ).select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())


def observations(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Every piece of work by topic, in order of time.

    - `usable captures`: pieces of work (a capture with its retakes, `records.pieces`); trouble is a first try that
      could not be used, and not for the file's or the vehicle's fault. Expected by test, group, purpose.
    - `hookup`: the same; trouble is a setup check about a habit that failed on the first try.
    - `calls`: the last judged call on an order; trouble is a wrong one. Expected by test, finding and purpose.
    - `scope use`: eligible closed orders; trouble is none scoped. Expected by complaint, engine family, vehicle age.

    Columns: topic, test (null for scope use), technician, at, trouble, expected (chance for the usual
    technician on the same work), capture_file (null for scope use), repair_order.
    """
    when = pl.col("captured_at").alias("at")
    taken = pieces(shop, moment).with_columns(when, trouble=~pl.col("usable"))
    judged = last_calls(judged_calls(shop, moment)).with_columns(when, trouble=~pl.col("right"))
    eligible = eligible_orders(shop, moment).filter(pl.col("technician").is_not_null())
    missed = eligible.with_columns(
        trouble=~pl.col("scoped"),
        at=pl.col("closed_at"),
        capture_file=pl.lit(None, dtype=pl.String),
        test=pl.lit(None, dtype=pl.String),
    )
    parts = [
        _with_expected(taken, USABLE, CAPTURE_MIX),
        _with_expected(hookup_trouble(shop, moment).with_columns(when), HOOKUP, CAPTURE_MIX),
        _with_expected(judged, CALLS, CALL_MIX),
        _with_expected(missed, SCOPE_USE, CASE_MIX),
    ]
    return pl.concat(parts).sort("topic", "technician", "at", "capture_file", "repair_order")
