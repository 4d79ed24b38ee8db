"""What the coaching charts watch: each piece of work, whether there was trouble, and what was to be expected.

One long frame for all topics, so that the charts need not know what they look at.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl

from models.jobs.adoption import CASE_MIX, eligible_orders
from models.people.hookup import hookup_trouble
from models.records.logbook import captures_until, judged_calls
from models.stats.casemix import usual_technician

SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "topic": pl.String,
    "technician": pl.String,
    "at": pl.Datetime("us"),
    "trouble": pl.Boolean,
    "expected": pl.Float64,
    "capture_file": pl.String,
    "repair_order": pl.String,
}

# a chart needs chances inside (0, 1); a house that never errs would make one slip an alarm
_LEAST_EXPECTED, _MOST_EXPECTED = 0.02, 0.95


def _with_expected(frame: pl.DataFrame, topic: str, columns: tuple[str, ...]) -> pl.DataFrame:
    if frame.height == 0:
        return pl.DataFrame(schema=SCHEMA)
    expected = np.clip(
        usual_technician(frame, event="trouble", columns=columns).chance, _LEAST_EXPECTED, _MOST_EXPECTED
    )
    return frame.with_columns(
        topic=pl.lit(topic),
        expected=pl.Series(expected, dtype=pl.Float64),
        at=pl.col("at").cast(pl.Datetime("us")),
    ).select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())


def observations(
    captures: pl.DataFrame,
    checks: pl.DataFrame,
    outcomes: pl.DataFrame,
    orders: pl.DataFrame | None,
    moment: datetime,
) -> pl.DataFrame:
    """Every piece of work by topic, in order of time.

    - `usable captures`: captures taken; trouble is an unusable one. Expected by test, family, purpose.
    - `hookup`: the same captures; trouble is a failed setup check about the hookup.
    - `calls`: judged calls; trouble is a wrong one. Expected by finding and purpose.
    - `scope use`: eligible closed orders, where `orders` is given; trouble is none scoped. Expected by
      complaint and engine family.

    Columns: topic, technician, at, trouble, expected (chance for the usual technician on the same work),
    capture_file (null for scope use), repair_order.
    """
    taken = captures_until(captures, moment).with_columns(at=pl.col("captured_at"))
    mix = ("test", "engine_family", "purpose")
    parts = [
        _with_expected(taken.with_columns(trouble=pl.col("status") == "unusable"), "usable captures", mix),
        _with_expected(hookup_trouble(taken, checks), "hookup", mix),
        _with_expected(
            judged_calls(taken, outcomes, moment).with_columns(trouble=~pl.col("right")),
            "calls",
            ("finding", "purpose"),
        ),
    ]
    if orders is not None:
        eligible = eligible_orders(captures, orders, moment).filter(pl.col("technician").is_not_null())
        parts.append(
            _with_expected(
                eligible.with_columns(
                    trouble=~pl.col("scoped"),
                    at=pl.col("closed_at"),
                    capture_file=pl.lit(None, dtype=pl.String),
                ),
                "scope use",
                CASE_MIX,
            )
        )
    return pl.concat(parts).sort("topic", "technician", "at", "capture_file", "repair_order")
