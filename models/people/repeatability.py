"""Repeatability: how far two captures of the same person on the same vehicle lie apart.

The within-subject standard deviation of Bland & Altman (BMJ 312:1654, 1996): the pooled variance of
repeats around their own mean, here of the relative readings by element. Two captures differ by less
than 2.77 of it in 95 of 100 repeats.
"""

from __future__ import annotations

import math
from datetime import datetime

import polars as pl
from scipy import stats

from models.records.logbook import captures_until
from models.records.shop import Shop
from models.stats.results import Estimate

_SET = ("technician", "vehicle", "test", "group", "purpose", "day")


def repeats(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Sum of squares of repeats, one row a technician, test and measure.

    Columns: technician, test, measure, squares, freedom, sets, captures. Tests and measures are never added
    up: each scatters in its own way.

    Repeats are captures of one technician on one vehicle and group, one test and one purpose on one day,
    read and with their elements named: on another day the vehicle itself may have changed. A set of r
    captures with c elements gives (r - 1)(c - 1) degrees of freedom, since a relative reading is measured
    against the capture's own median.
    """
    read = (
        captures_until(shop, moment)
        .filter((pl.col("status") == "read") & pl.col("vehicle").is_not_null())
        .with_columns(day=pl.col("captured_at").dt.date())
        .filter(pl.len().over(_SET) > 1)
        .select("capture_file", *_SET)
    )
    named = shop.elements.filter(
        pl.col("element").is_not_null() & pl.col("relative_pct").is_finite() & pl.col("se_pct").is_finite()
    )
    joined = read.join(
        named.select("capture_file", "measure", "element", "relative_pct"), on="capture_file", how="inner"
    )
    by_element = (
        joined.group_by([*_SET, "measure", "element"])
        .agg(
            squares=(pl.col("relative_pct") - pl.col("relative_pct").mean()).pow(2).sum(),
            times=pl.len().cast(pl.Int64),
        )
        .filter(pl.col("times") > 1)
    )
    return (
        by_element.sort([*_SET, "measure", "element"])
        .group_by([*_SET, "measure"], maintain_order=True)
        .agg(
            squares=pl.col("squares").sum(),
            elements=pl.len().cast(pl.Int64),
            times=pl.col("times").max(),
        )
        .with_columns(freedom=(pl.col("times") - 1) * (pl.col("elements") - 1))
        .filter(pl.col("freedom") > 0)
        .group_by("technician", "test", "measure", maintain_order=True)
        .agg(
            pl.col("squares").sum(),
            pl.col("freedom").sum(),
            sets=pl.len().cast(pl.Int64),
            captures=pl.col("times").sum(),
        )
        .sort("technician", "test", "measure")
    )


LEAST_SETS = 5  # one bad repeat must not make the figure


def repeatability(squares: float, freedom: int, sets: int, captures: int) -> Estimate:
    """Within-vehicle standard deviation in percent, with its chi-squared interval; `n` counts captures.

    A repeat with a bad hookup belongs to it: that is what the figure is about.
    """
    if sets < LEAST_SETS:
        return Estimate.nothing(
            captures,
            f"Too little to say: {sets} vehicles captured again on the same day, at least {LEAST_SETS} needed.",
        )
    low = math.sqrt(squares / float(stats.chi2.ppf(0.975, freedom)))
    high = math.sqrt(squares / float(stats.chi2.ppf(0.025, freedom)))
    return Estimate(n=captures, estimate=math.sqrt(squares / freedom), low=low, high=high)
