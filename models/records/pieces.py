"""Pieces of work: a capture and its retakes are one, for they stand or fall together.

A bad capture is taken again on the same car and often fails again for the same reason. Counted one by one,
such a streak looks like much evidence and is one. So one technician, one vehicle, one day, one test and one
purpose make one piece of work; it is judged by its first try, and carries how many tries it took.
"""

from __future__ import annotations

from datetime import datetime

import polars as pl

from models.records.logbook import captures_until
from models.records.shop import Shop

_KEYS = ("technician", "test", "group", "purpose", "_car", "_day")


def _keyed(captures: pl.DataFrame) -> pl.DataFrame:
    """The captures in order of time with the keys of their piece; one without a vehicle is its own."""
    car = pl.coalesce(pl.lit("v:") + pl.col("vehicle"), pl.lit("c:") + pl.col("capture_file"))
    return captures.with_columns(_car=car, _day=pl.col("captured_at").dt.date()).sort(
        "captured_at", "capture_file", maintain_order=True
    )


def first_tries(captures: pl.DataFrame) -> pl.DataFrame:
    """The first capture of each piece of work, in order of time; `captures` as `logbook.captures_until` gives them."""
    keyed = _keyed(captures)
    return keyed.unique(_KEYS, keep="first", maintain_order=True).drop("_car", "_day")


def not_the_persons(shop: Shop) -> pl.DataFrame:
    """Captures that could not be used for a reason nobody at the scope can help: capture_file.

    Every check that made them unusable is about no habit (a weak battery, a damaged file). Where no check
    says why a capture is unusable it stays with the person who made it.
    """
    return (
        shop.checks.filter(pl.col("severity") == "unusable")
        .group_by("capture_file")
        .agg(habit=pl.col("habit").fill_null(True).any())
        .filter(~pl.col("habit"))
        .join(shop.captures.filter(pl.col("status") == "unusable"), on="capture_file", how="semi")
        .select("capture_file")
    )


def pieces(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Every piece of work up to `moment`: its first try's row, and how it went.

    Tries that failed by the file's or the vehicle's fault (`not_the_persons`) are left out.
    Added: `usable` (the first try could be read), `tries`, `succeeded_at` (the try that could be read first,
    from 1; null where none could).
    """
    tries = captures_until(shop, moment).join(not_the_persons(shop), on="capture_file", how="anti")
    read = pl.col("status") == "read"
    return (
        _keyed(tries)
        .with_columns(
            usable=read,
            tries=pl.len().over(_KEYS).cast(pl.Int64),
            succeeded_at=pl.int_range(1, pl.len() + 1).filter(read).first().over(_KEYS).cast(pl.Int64),
        )
        .unique(_KEYS, keep="first", maintain_order=True)
        .drop("_car", "_day")
    )


def last_calls(captures: pl.DataFrame) -> pl.DataFrame:
    """One call a technician, order and test: the last one, which the car was repaired by.

    Calls without an order stand each for itself. Rows of `logbook.judged_calls` or of captures with a call.
    """
    order = pl.coalesce(pl.lit("o:") + pl.col("repair_order"), pl.lit("c:") + pl.col("capture_file"))
    return (
        captures.with_columns(_order=order)
        .sort("captured_at", "capture_file", maintain_order=True)
        .unique(["technician", "test", "_order"], keep="last", maintain_order=True)
        .drop("_order")
    )
