"""All limits of a test beside what the captures propose, and several proposals accepted at once."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from dashboard import writing
from dashboard.shared import words
from dashboard.shared.filters import Subject
from pipelines.errors import ShopspreadError
from pipelines.warehouse.decisions import Place

Frames = Mapping[str, pl.DataFrame]


def limits(frames: Frames, about: Subject) -> pl.DataFrame:
    """Every group by name: group, odd_from (in force), proposed, apart (in points), decided, newest (version)."""
    own = (pl.col("test") == about.test) & (pl.col("measure") == about.measure.name)
    versions = frames["thresholds"].filter(own).sort("version")
    proposed = (
        versions.filter(pl.col("source") == "proposed")
        .group_by("group", maintain_order=True)
        .agg(proposed=pl.col("threshold_pct").last())
    )
    newest = versions.group_by("group", maintain_order=True).agg(newest=pl.col("version").last())
    decided = (
        pl.when(pl.col("source") == "set")
        .then(pl.format("set by {} on {}", "set_by", pl.col("set_at").dt.date().cast(pl.String)))
        .otherwise(pl.lit("proposed, nobody has decided"))
    )
    force = (
        frames["thresholds_in_force"].filter(own).select("group", odd_from="threshold_pct", decided=decided)
    )
    return (
        pl.DataFrame({"group": list(about.groups)}, schema={"group": pl.String})
        .join(force, on="group", how="left", maintain_order="left")
        .join(proposed, on="group", how="left", maintain_order="left")
        .join(newest, on="group", how="left", maintain_order="left")
        .with_columns(
            apart=pl.col("proposed") - pl.col("odd_from"),
            decided=pl.col("decided").fill_null("none yet"),
            newest=pl.col("newest").fill_null(0),
        )
    )


def table(rows: pl.DataFrame) -> pl.DataFrame:
    """`limits`, ready to show."""
    return rows.select("group", "odd_from", "proposed", "apart", "decided")


def accept(rows: pl.DataFrame, about: Subject, *, who: str, why: str) -> list[str]:
    """Put the proposals of these rows in force, each as a new version; say what became of each.

    Args:
        rows: of `limits`.

    Raises:
        ShopspreadError: when none is chosen, or name or reason are missing.
    """
    if rows.is_empty():
        raise ShopspreadError("Tick the rows whose proposal is to be put in force.")
    if not who.strip() or not why.strip():
        raise ShopspreadError("A threshold needs who sets it and why.")
    said = []
    for row in rows.iter_rows(named=True):
        if row["proposed"] is None:
            said.append(f"{row['group']}: nothing is proposed yet.")
            continue
        place = Place(about.test, about.measure.name, row["group"])
        try:
            version = writing.set_threshold(
                place, row["proposed"], set_by=who, reason=why, seen_version=row["newest"]
            )
        except ShopspreadError as error:
            said.append(f"{row['group']}: {error}")
        else:
            said.append(f"{row['group']}: {words.number(row['proposed'], 1)} % in force, version {version}.")
    return said
