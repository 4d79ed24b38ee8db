"""Setup checks that failed: whose captures, which checks, and how that compares with the rest of the shop."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from models.records.logbook import captures_until
from models.records.pieces import first_tries
from models.records.shop import Shop
from models.stats.intervals import wilson_many

FAILING_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "technician": pl.String,
    "check": pl.String,
    "severity": pl.String,
    "captures": pl.Int64,
    "of": pl.Int64,
    "share_pct": pl.Float64,
    "others_share_pct": pl.Float64,
    "excess": pl.Float64,
    "p_value": pl.Float64,
    "evident": pl.Boolean,
    "low_pct": pl.Float64,
    "high_pct": pl.Float64,
}
EVIDENT = 0.05
"""In so many of 100 shops where nobody differs one check of one person is called evident (family-wise)."""


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
    """Failing setup checks by technician, against the rest of the shop, on first tries.

    One row a technician and check: technician, check, severity (the worst seen), captures (on how many it
    failed), of (pieces of work), share_pct with low_pct and high_pct (Wilson, 95 %), others_share_pct (the same
    check in everybody else's work),
    excess (captures beyond what the others' share would give; the sort order), p_value (Fisher's exact test,
    one-sided, against the others), evident (a habit that stands out beyond chance: Holm's step-down over all
    checks and people of the shop at `EVIDENT`; Holm S. 1979, Scand. J. Statist. 6:65-70). Only an evident
    one may be told to somebody as theirs.
    """
    captures = first_tries(captures_until(shop, moment))
    taken = captures.group_by("technician").agg(of=pl.len().cast(pl.Int64))
    rank = pl.col("severity").replace_strict({"note": 0, "warning": 1, "unusable": 2}, default=1)
    rows = (
        shop.checks.join(captures.select("capture_file", "technician"), on="capture_file", how="inner")
        .group_by("technician", "check")
        .agg(
            severity=pl.col("severity").sort_by(rank).last(),
            captures=pl.col("capture_file").n_unique().cast(pl.Int64),
            habit=pl.col("habit").fill_null(False).any(),
        )
        .join(taken, on="technician", how="left", maintain_order="left")
    )
    if rows.height == 0:
        return pl.DataFrame(schema=FAILING_SCHEMA)
    total = captures.height
    others = pl.col("of").neg() + total
    everywhere = pl.col("captures").sum().over("check")
    elsewhere = everywhere - pl.col("captures")
    counts = rows.select(all=everywhere, own="captures", of="of")
    p_value = stats.hypergeom.sf(
        counts["own"].to_numpy() - 1, total, counts["all"].to_numpy(), counts["of"].to_numpy()
    )
    low, high = wilson_many(counts["own"].to_numpy(), counts["of"].to_numpy())
    return (
        rows.with_columns(
            low_pct=pl.Series(100 * low, dtype=pl.Float64),
            high_pct=pl.Series(100 * high, dtype=pl.Float64),
            p_value=pl.Series(p_value, dtype=pl.Float64),
            evident=pl.Series(_holm(np.asarray(p_value), EVIDENT), dtype=pl.Boolean) & pl.col("habit"),
            share_pct=100 * pl.col("captures") / pl.col("of"),
            others_share_pct=pl.when(others > 0).then(100 * elsewhere / others),
        )
        .with_columns(
            excess=pl.col("captures") - pl.col("of") * pl.col("others_share_pct").fill_null(0.0) / 100
        )
        .sort(["technician", "excess", "check"], descending=[False, True, False])
        .select(list(FAILING_SCHEMA))
    )


def _holm(p_value: npt.NDArray[np.float64], level: float) -> npt.NDArray[np.bool_]:
    """Which hypotheses Holm's step-down procedure rejects at a family-wise level."""
    order = np.argsort(p_value, kind="stable")
    passed = p_value[order] <= level / (p_value.size - np.arange(p_value.size))
    rejected = np.zeros(p_value.size, dtype=bool)
    rejected[order] = np.logical_and.accumulate(passed)
    return rejected
