"""Repeatability: how far two captures of the same person on the same vehicle lie apart.

The within-subject standard deviation of Bland & Altman (BMJ 312:1654, 1996): the pooled variance of
repeats around their own mean, here of relative compression by element. Two captures differ by less
than 2.77 of it in 95 of 100 repeats.
"""

from __future__ import annotations

import math

import polars as pl
from scipy import stats

from models.stats.results import Estimate


def repeats(captures: pl.DataFrame, elements: pl.DataFrame) -> pl.DataFrame:
    """Sum of squares of repeats: one row a technician: technician, squares, freedom, sets, captures.

    Repeats are captures of one technician on one vehicle, one test and one purpose on one day, read
    and with their elements named: on another day the engine itself may have changed. A set of r
    captures of an engine with c elements gives (r - 1)(c - 1) degrees of freedom, since relative
    compression is measured against the capture's own median.
    """
    sets = ["technician", "vehicle", "test", "purpose", "day"]
    read = (
        captures.filter((pl.col("status") == "read") & pl.col("vehicle").is_not_null())
        .with_columns(day=pl.col("captured_at").dt.date())
        .filter(pl.len().over(sets) > 1)
        .select("capture_file", *sets)
    )
    named = elements.filter(
        pl.col("element").is_not_null() & pl.col("relative_pct").is_finite() & pl.col("se_pct").is_finite()
    )
    joined = read.join(
        named.select("capture_file", "element", "relative_pct"), on="capture_file", how="inner"
    )
    by_element = (
        joined.group_by([*sets, "element"])
        .agg(
            squares=(pl.col("relative_pct") - pl.col("relative_pct").mean()).pow(2).sum(),
            times=pl.len().cast(pl.Int64),
        )
        .filter(pl.col("times") > 1)
    )
    return (
        by_element.group_by(sets)
        .agg(
            squares=pl.col("squares").sum(),
            elements=pl.len().cast(pl.Int64),
            times=pl.col("times").max(),
        )
        .with_columns(freedom=(pl.col("times") - 1) * (pl.col("elements") - 1))
        .filter(pl.col("freedom") > 0)
        .group_by("technician")
        .agg(
            pl.col("squares").sum(),
            pl.col("freedom").sum(),
            sets=pl.len().cast(pl.Int64),
            captures=pl.col("times").sum(),
        )
        .sort("technician")
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
