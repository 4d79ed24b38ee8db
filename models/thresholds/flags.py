"""Which captures, and which of their cylinders, a threshold calls odd."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

# A very weak cylinder leaves a residue of the reading on the next one in firing order; beside it only a
# cylinder with at least this share of its oddness is named too. (Set on simulated faults, no source.)
RESIDUE = 0.3


def cylinder_oddness(deviation_pct: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """How far each cylinder sits below the median of the others.

    The median of the *others*, because a cylinder must not pull its own yardstick down.

    Args:
        deviation_pct: shape (captures, cylinders), relative compression minus the family's usual
            value, in percent; no NaN.

    Returns:
        Same shape, in percent; larger is odder. A single cylinder has no others: 0.
    """
    captures, cylinders = deviation_pct.shape
    if cylinders < 2:
        return np.zeros((captures, cylinders))
    others = ~np.eye(cylinders, dtype=bool)
    tiled = np.broadcast_to(deviation_pct[:, None, :], (captures, cylinders, cylinders))
    medians = np.median(tiled[:, others].reshape(captures, cylinders, cylinders - 1), axis=2)
    oddness: npt.NDArray[np.float64] = medians - deviation_pct
    return oddness


def flags(cylinders: pl.DataFrame, thresholds: pl.DataFrame) -> pl.DataFrame:
    """Judge every capture by the threshold of its family.

    Args:
        cylinders: capture_file, engine_family, firing_position, cylinder (null where only the position
            is known), companion (null unless the cylinder is one of a pair), deviation_pct.
        thresholds: engine_family, threshold_pct, version.

    Returns:
        One row per capture whose family has a threshold: capture_file, odd_pct, threshold_pct,
        threshold_version, flagged, flagged_cylinders (both candidates of a pair), flagged_positions.
        A cylinder is named when its own oddness reaches the threshold and `RESIDUE` of the worst one's.
    """
    joined = cylinders.join(
        thresholds.select("engine_family", "threshold_pct", pl.col("version").alias("threshold_version")),
        on="engine_family",
        how="inner",
    ).sort("capture_file", "firing_position")
    counted = joined.with_columns(pl.len().over("capture_file").alias("count"))
    parts = []
    for (count,), group in counted.group_by("count"):
        deviation = group["deviation_pct"].to_numpy().reshape(-1, int(str(count)))
        parts.append(group.with_columns(pl.Series("oddness", cylinder_oddness(deviation).ravel())))
    if not parts:
        return pl.DataFrame(schema=FLAG_SCHEMA)
    worst = pl.col("oddness").max()
    odd = (pl.col("oddness") >= pl.col("threshold_pct")) & (pl.col("oddness") >= RESIDUE * worst)
    named = pl.concat_list("cylinder", "companion").list.drop_nulls()
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
            .alias("flagged_cylinders"),
            pl.col("firing_position").filter(odd).sort().cast(pl.Int32).alias("flagged_positions"),
        )
        .select(list(FLAG_SCHEMA))
    )


FLAG_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "odd_pct": pl.Float64(),
    "threshold_pct": pl.Float64(),
    "threshold_version": pl.Int32(),
    "flagged": pl.Boolean(),
    "flagged_cylinders": pl.List(pl.Int32),
    "flagged_positions": pl.List(pl.Int32),
}
