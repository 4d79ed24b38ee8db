"""Which captures, and which of their elements, a threshold calls odd."""

from __future__ import annotations

import polars as pl

from models.records.measure import Measure
from models.spread.null import element_oddness, stand_apart

# A very weak element leaves a residue of the reading on the next one in sequence; beside it only a
# element with at least this share of its oddness is named too. (Set on simulated faults, no source.)
RESIDUE = 0.3


def flags(elements: pl.DataFrame, thresholds: pl.DataFrame, measure: Measure) -> pl.DataFrame:
    """Judge every capture of one test and measure by the threshold of its group.

    Args:
        elements: capture_file, group, position, element (null where only the position
            is known), companion (null unless the element is one of a pair), deviation_pct.
            `certainty`, where given, is the share of a gap that counts in this capture (`models.spread.scoring`).
        thresholds: group, threshold_pct, version.
        measure: says on which side of the others a fault stands.

    Returns:
        One row per capture whose group has a threshold: capture_file, odd_pct, threshold_pct,
        threshold_version, flagged, flagged_elements (both candidates of a pair), flagged_positions.
        An element is named when its own oddness reaches the threshold and `RESIDUE` of the worst one's.
    """
    joined = elements.join(
        thresholds.select("group", "threshold_pct", pl.col("version").alias("threshold_version")),
        on="group",
        how="inner",
    ).sort("capture_file", "position")
    counted = joined.with_columns(pl.len().over("capture_file").alias("count"))
    parts = [_stratum(stratum, int(str(count)), measure) for (count,), stratum in counted.group_by("count")]
    if not parts:
        return pl.DataFrame(schema=FLAG_SCHEMA)
    worst = pl.col("oddness").max()
    odd = pl.col("reaches") & (pl.col("oddness") >= RESIDUE * worst)
    named = pl.concat_list("element", "companion").list.drop_nulls()
    return (
        pl.concat(parts)
        .group_by("capture_file", maintain_order=True)
        .agg(
            pl.col("oddness").max().alias("odd_pct"),
            pl.col("threshold_pct").first(),
            pl.col("threshold_version").first().cast(pl.Int32),
            odd.any().alias("flagged"),
            named.filter(odd)
            .list.explode(empty_as_null=False)
            .unique()
            .sort()
            .cast(pl.Int32)
            .alias("flagged_elements"),
            pl.col("position").filter(odd).sort().cast(pl.Int32).alias("flagged_positions"),
        )
        .select(list(FLAG_SCHEMA))
    )


def _stratum(stratum: pl.DataFrame, count: int, measure: Measure) -> pl.DataFrame:
    """Captures of one count of elements, rows by capture and position, with `oddness` and whether it `reaches`."""
    shape = (-1, count)
    share = stratum["certainty"].fill_null(1.0).to_numpy() if "certainty" in stratum.columns else 1.0
    deviation = stratum["deviation_pct"].to_numpy()
    oddness = element_oddness(deviation.reshape(shape), measure.direction, whole=measure.whole)
    oddness = (oddness.ravel() * share).reshape(shape)
    limit = stratum["threshold_pct"].to_numpy().reshape(shape)[:, 0]
    reaches = stand_apart(oddness, (deviation * share).reshape(shape), limit, measure.direction)
    return stratum.with_columns(oddness=pl.Series(oddness.ravel()), reaches=pl.Series(reaches.ravel()))


FLAG_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "odd_pct": pl.Float64(),
    "threshold_pct": pl.Float64(),
    "threshold_version": pl.Int32(),
    "flagged": pl.Boolean(),
    "flagged_elements": pl.List(pl.Int32),
    "flagged_positions": pl.List(pl.Int32),
}
