"""How the comparison of comebacks was worked out, with the methods by their names."""

from __future__ import annotations

import polars as pl

from dashboard.shared import words
from models.jobs.comebacks import Comebacks


def overlap(value: Comebacks) -> pl.DataFrame:
    """Both groups by chance of being scoped, long: chance_pct, chance_to_pct, group, jobs (signed for drawing)."""
    return (
        value.adjusted.overlap.unpivot(
            ["scoped", "not_scoped"],
            index=["chance_low", "chance_high"],
            variable_name="group",
            value_name="jobs",
        )
        .with_columns(
            pl.col("group").replace({"not_scoped": "not scoped"}),
            chance_pct=100 * pl.col("chance_low"),
            chance_to_pct=100 * pl.col("chance_high"),
        )
        .with_columns(
            drawn=pl.when(pl.col("group") == "scoped").then(pl.col("jobs")).otherwise(-pl.col("jobs"))
        )
    )


def e_value_sentence(value: Comebacks) -> str | None:
    """What something unrecorded would have to be like to explain the difference away."""
    strength = value.adjusted.e_value
    if strength is None:
        return None
    first = (
        f"E-value {words.number(strength.estimate, 1)}: to explain the figure away entirely, something that is "
        f"not on record would have to make both scoping and coming back {words.number(strength.estimate, 1)} "
        "times as likely"
    )
    if strength.limit > 1.0:
        return f"{first}; {words.number(strength.limit, 1)} times would do to move the interval onto zero."
    return f"{first}; the interval holds zero already."


def method_table(value: Comebacks) -> pl.DataFrame:
    """The adjusted difference by each road, in points, ready to show."""
    return value.adjusted.by_method.select(
        pl.col("method"),
        (100 * pl.col("risk_difference")).round(1).alias("difference, points"),
        (100 * pl.col("low")).round(1).alias("95 % from"),
        (100 * pl.col("high")).round(1).alias("to"),
    )
