"""Setup checks that failed: whose captures, which checks, and how that compares with the rest of the shop."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from models.records.logbook import captures_until
from models.records.pieces import first_tries
from models.records.shop import Shop

FAILING_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "technician": pl.String,
    "check": pl.String,
    "severity": pl.String,
    "captures": pl.Int64,
    "of": pl.Int64,
    "share_pct": pl.Float64,
    "others_share_pct": pl.Float64,
    "excess": pl.Float64,
}


def habit_checks(shop: Shop) -> pl.DataFrame:
    """Failed setup checks about how the scope was hooked up and set, so that they can be coached.

    A weak battery is the vehicle's; it is no habit.
    """
    return shop.checks.filter("habit")


def hookup_trouble(shop: Shop, moment: datetime) -> pl.DataFrame:
    """First tries of the pieces of work up to `moment`, with `trouble`: a setup check about a habit failed."""
    failed = habit_checks(shop).select("capture_file").unique().with_columns(trouble=pl.lit(True))
    return (
        first_tries(captures_until(shop, moment))
        .join(failed, on="capture_file", how="left", maintain_order="left")
        .with_columns(pl.col("trouble").fill_null(False))
    )


def failing_checks(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Failing setup checks by technician, against the rest of the shop.

    One row a technician and check: technician, check, severity (the worst seen), captures (on how many it
    failed), of (captures taken), share_pct, others_share_pct (the same check in everybody else's
    captures), excess (captures beyond what the others' share would give; the sort order).
    """
    captures = captures_until(shop, moment)
    taken = captures.group_by("technician").agg(of=pl.len().cast(pl.Int64))
    rank = pl.col("severity").replace_strict({"note": 0, "warning": 1, "unusable": 2}, default=1)
    rows = (
        shop.checks.join(captures.select("capture_file", "technician"), on="capture_file", how="inner")
        .group_by("technician", "check")
        .agg(
            severity=pl.col("severity").sort_by(rank).last(),
            captures=pl.col("capture_file").n_unique().cast(pl.Int64),
        )
        .join(taken, on="technician", how="left")
    )
    if rows.height == 0:
        return pl.DataFrame(schema=FAILING_SCHEMA)
    total = captures.height
    others = pl.col("of").neg() + total
    elsewhere = pl.col("captures").sum().over("check") - pl.col("captures")
    return (
        rows.with_columns(
            share_pct=100 * pl.col("captures") / pl.col("of"),
            others_share_pct=pl.when(others > 0).then(100 * elsewhere / others),
        )
        .with_columns(
            excess=pl.col("captures") - pl.col("of") * pl.col("others_share_pct").fill_null(0.0) / 100
        )
        .sort(["technician", "excess", "check"], descending=[False, True, False])
        .select(list(FAILING_SCHEMA))
    )
