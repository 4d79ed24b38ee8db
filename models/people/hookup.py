"""The same house setup every time: consistency of the hookup, and which setup checks fail.

Signals that are read the same way every time can be compared; a hookup that changes from capture to
capture makes every later comparison doubtful, whoever holds the leads.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from models.records.people_settings import HOOKUP_CHECKS, HouseSetup

ASPECTS: tuple[str, ...] = ("channel order", "scale", "sync cylinder", "sample rate", "length")

# where the shop has set no minimum: a coarser time base or a shorter record than this share of what is
# usual in the shop counts as different
_RATE_SHARE = 2 / 3
_LENGTH_SHARE = 0.7


def _most_used(captures: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """The value most captures of each test have, column by column; ties go to the smaller value."""
    parts = captures.select("test").unique().sort("test")
    for column in columns:
        best = (
            captures.filter(pl.col(column).is_not_null())
            .group_by("test", column)
            .agg(n=pl.len())
            .sort(["test", "n", column], descending=[False, True, False])
            .unique("test", keep="first", maintain_order=True)
            .select("test", pl.col(column).alias(f"house_{column}"))
        )
        parts = parts.join(best, on="test", how="left")
    return parts


def house_setups(captures: pl.DataFrame, house: Sequence[HouseSetup]) -> pl.DataFrame:
    """The standing hookup of each test: what the settings say, else what the shop mostly does.

    Columns: test, house_ch_signals, house_ch_scales, house_sync_cylinder, house_min_rate_hz,
    house_min_duration_s.
    """
    found = _most_used(captures, ("ch_signals", "ch_scales", "sync_cylinder"))
    usual = captures.group_by("test").agg(
        house_min_rate_hz=_RATE_SHARE * pl.col("rate_hz").median(),
        house_min_duration_s=_LENGTH_SHARE * pl.col("duration_s").median(),
    )
    found = found.join(usual, on="test", how="left")
    for setup in house:
        given: dict[str, object] = {
            "house_ch_signals": None if setup.signals is None else ";".join(setup.signals),
            "house_ch_scales": None if setup.scales is None else ";".join(f"{s:g}" for s in setup.scales),
            "house_sync_cylinder": setup.sync_cylinder,
            "house_min_rate_hz": setup.min_rate_hz,
            "house_min_duration_s": setup.min_duration_s,
        }
        found = found.with_columns(
            pl.when(pl.col("test") == setup.test).then(pl.lit(value)).otherwise(pl.col(name)).alias(name)
            for name, value in given.items()
            if value is not None
        )
    return found


def _scales(column: str) -> pl.Expr:
    """`1;10` and `1.0;10.0` are the same hookup."""
    return (
        pl.col(column).str.split(";").list.eval(pl.element().str.strip_chars().cast(pl.Float64, strict=False))
    )


def consistency(captures: pl.DataFrame, house: Sequence[HouseSetup]) -> pl.DataFrame:
    """Each capture against the house setup of its test.

    Returns the captures' capture_file, technician, captured_at, one bool column for each of `ASPECTS`
    (null where the capture or the house leaves it open) and `consistent`: no aspect differs.
    """
    joined = captures.join(house_setups(captures, house), on="test", how="left")
    return joined.select(
        "capture_file",
        "technician",
        "captured_at",
        (pl.col("ch_signals") == pl.col("house_ch_signals")).alias(ASPECTS[0]),
        (_scales("ch_scales") == _scales("house_ch_scales")).alias(ASPECTS[1]),
        (pl.col("sync_cylinder") == pl.col("house_sync_cylinder")).alias(ASPECTS[2]),
        # a finer time base or a longer record than the house's is no fault
        (pl.col("rate_hz") >= pl.col("house_min_rate_hz")).alias(ASPECTS[3]),
        (pl.col("duration_s") >= pl.col("house_min_duration_s")).alias(ASPECTS[4]),
    ).with_columns(consistent=pl.all_horizontal(pl.col(a).fill_null(True) for a in ASPECTS))


def hookup_trouble(captures: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """Captures with the column `trouble`: at least one setup check about the hookup failed on it."""
    failed = (
        checks.filter(pl.col("check").is_in(HOOKUP_CHECKS))
        .select("capture_file")
        .unique()
        .with_columns(trouble=pl.lit(True))
    )
    return captures.join(failed, on="capture_file", how="left").with_columns(
        pl.col("trouble").fill_null(False)
    )


def failing_checks(captures: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """Failing setup checks by technician, against the rest of the shop.

    One row a technician and check: technician, check, severity (the worst seen), captures (on how many it
    failed), of (captures taken), share_pct, others_share_pct (the same check in everybody else's
    captures), excess (captures beyond what the others' share would give; the sort order).
    """
    schema = {
        "technician": pl.String,
        "check": pl.String,
        "severity": pl.String,
        "captures": pl.Int64,
        "of": pl.Int64,
        "share_pct": pl.Float64,
        "others_share_pct": pl.Float64,
        "excess": pl.Float64,
    }
    taken = captures.group_by("technician").agg(of=pl.len().cast(pl.Int64))
    rank = pl.col("severity").replace_strict({"note": 0, "warning": 1, "unusable": 2}, default=1)
    rows = (
        checks.join(captures.select("capture_file", "technician"), on="capture_file", how="inner")
        .group_by("technician", "check")
        .agg(
            severity=pl.col("severity").sort_by(rank).last(),
            captures=pl.col("capture_file").n_unique().cast(pl.Int64),
        )
        .join(taken, on="technician", how="left")
    )
    if rows.height == 0:
        return pl.DataFrame(schema=schema)
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
        .select(list(schema))
    )
