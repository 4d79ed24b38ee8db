"""Which captures, and which of their elements, a threshold calls odd."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records.measure import Direction, Measure

# A very weak element leaves a residue of the reading on the next one in sequence; beside it only a
# element with at least this share of its oddness is named too. (Set on simulated faults, no source.)
RESIDUE = 0.3


def element_oddness(
    deviation_pct: npt.NDArray[np.float64], direction: Direction = "low", *, whole: bool = False
) -> npt.NDArray[np.float64]:
    """How far each element sits from the median of the others, on the side where a fault stands.

    Of one thing (`whole`) it is how far it sits from what is usual, 0 deviation.

    The median of the *others*, because an element must not pull its own yardstick down.

    Args:
        deviation_pct: shape (captures, elements), relative reading minus the group's usual
            value, in percent; no NaN.

    Returns:
        Same shape, in percent; larger is odder, negative on the sound side. A single element has no
        others: 0.
    """
    captures, elements = deviation_pct.shape
    if whole:
        return _on_the_bad_side(-deviation_pct, direction)
    if elements < 2:
        return np.zeros((captures, elements))
    others = ~np.eye(elements, dtype=bool)
    tiled = np.broadcast_to(deviation_pct[:, None, :], (captures, elements, elements))
    medians = np.median(tiled[:, others].reshape(captures, elements, elements - 1), axis=2)
    return _on_the_bad_side(medians - deviation_pct, direction)


def _on_the_bad_side(below_pct: npt.NDArray[np.float64], direction: Direction) -> npt.NDArray[np.float64]:
    if direction == "either":
        return np.abs(below_pct)
    return below_pct if direction == "low" else -below_pct


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
    parts = []
    for (count,), stratum in counted.group_by("count"):
        deviation = stratum["deviation_pct"].to_numpy().reshape(-1, int(str(count)))
        parts.append(
            stratum.with_columns(
                pl.Series(
                    "oddness", element_oddness(deviation, measure.direction, whole=measure.whole).ravel()
                )
            )
        )
    if not parts:
        return pl.DataFrame(schema=FLAG_SCHEMA)
    if "certainty" in elements.columns:
        parts = [
            part.with_columns(oddness=pl.col("oddness") * pl.col("certainty").fill_null(1.0))
            for part in parts
        ]
    worst = pl.col("oddness").max()
    odd = (pl.col("oddness") >= pl.col("threshold_pct")) & (pl.col("oddness") >= RESIDUE * worst)
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


FLAG_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "odd_pct": pl.Float64(),
    "threshold_pct": pl.Float64(),
    "threshold_version": pl.Int32(),
    "flagged": pl.Boolean(),
    "flagged_elements": pl.List(pl.Int32),
    "flagged_positions": pl.List(pl.Int32),
}
