"""The table an isolation forest grows on: one row a capture, one column a feature, each on its group's own scale."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl

from models.spread.scoring import Scores
from models.stats.arrays import Floats, Ints
from models.stats.robust import mad_scale, nanmedian

PLACE = "_position"
"""Features that name a place, not an amount, end so."""


def wide_features(features: pl.DataFrame) -> pl.DataFrame:
    """Long features (capture_file, feature, value) as one row a capture and one column a feature."""
    return features.filter(pl.col("value").is_finite()).pivot(
        on="feature", index="capture_file", values="value", aggregate_function="last"
    )


def feature_table(wide: pl.DataFrame, scores: Mapping[str, Scores]) -> pl.DataFrame:
    """Features of one row a capture, with what the scores say about the elements.

    Args:
        wide: as `wide_features` gives it.
        scores: by measure; the figures of the first keep their bare names, the others' begin with the measure's.

    Returns:
        DataFrame(capture_file, <one Float64 column a feature>), one row for each scored capture.
    """
    parts = [
        _element_figures(one, "" if at == 0 else f"{name}_") for at, (name, one) in enumerate(scores.items())
    ]
    table = parts[0] if parts else pl.DataFrame(schema={"capture_file": pl.String})
    for part in parts[1:]:
        table = table.join(part, on="capture_file", how="full", coalesce=True, maintain_order="left_right")
    if wide.height == 0:
        return table
    clash = [name for name in wide.columns if name != "capture_file" and name in table.columns]
    return table.join(wide.drop(clash), on="capture_file", how="left", maintain_order="left")


def _element_figures(scores: Scores, prefix: str) -> pl.DataFrame:
    deviation = scores.elements.group_by("capture_file").agg(
        element_scatter_pct=pl.col("deviation_pct").std(),
        highest_above_pct=pl.col("deviation_pct").max() - pl.col("deviation_pct").median(),
    )
    table = scores.captures.select("capture_file", "odd_pct", "odd_se_pct").join(
        deviation, on="capture_file", how="left", maintain_order="left"
    )
    return table.rename({name: prefix + name for name in table.columns if name != "capture_file"})


def usable_features(numeric: pl.DataFrame) -> tuple[list[str], Floats]:
    """Columns that vary and are mostly there; a place in a sequence is no amount and stays out."""
    names: list[str] = []
    kept: list[Floats] = []
    for name in numeric.columns:
        if name.endswith(PLACE):
            continue
        column = numeric[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        finite = column[np.isfinite(column)]
        if finite.size >= 0.5 * column.size and finite.size and np.ptp(finite) > 0:
            names.append(name)
            kept.append(np.where(np.isfinite(column), column, np.nan))
    values = np.stack(kept, axis=1) if kept else np.zeros((numeric.height, 0))
    return names, values


def on_group_scale(values: Floats, group: Ints, looks: Floats) -> Floats:
    """(value - median) / robust standard deviation, both of the healthy-looking captures of the group.

    A group's scale is held towards that of all captures as if ten of them belonged to it; a missing
    value becomes 0, the group's usual.
    """
    centre_all = by_column(nanmedian, values)
    codes = int(group.max(initial=-1)) + 1
    centre = np.tile(centre_all, (codes, 1))
    for code in range(codes):
        member = values[(group == code) & (looks > 0.2)]
        if member.shape[0] == 0:
            member = values[group == code]
        middle = by_column(nanmedian, member)
        centre[code] = np.where(np.isfinite(middle), middle, centre_all)
    residual = values - centre[group]
    scale_all = by_column(mad_scale, residual[looks > 0.2] if (looks > 0.2).sum() >= 8 else residual)
    fallback = np.nanstd(residual, axis=0)
    scale_all = np.where(scale_all > 0, scale_all, np.where(fallback > 0, fallback, 1.0))
    scale = np.tile(scale_all, (codes, 1))
    for code in range(codes):
        member = residual[(group == code) & (looks > 0.2)]
        count = member.shape[0]
        if count >= 3:
            own = by_column(mad_scale, member)
            own = np.where(np.isfinite(own), own, scale_all)
            scale[code] = np.sqrt((count * own**2 + 10.0 * scale_all**2) / (count + 10.0))
    residual /= scale[group]
    return np.asarray(np.nan_to_num(residual, copy=False, nan=0.0, posinf=0.0, neginf=0.0))


def by_column(figure: Callable[[Floats], Any], values: Floats) -> Floats:
    """A figure of each column by itself, so that only one column is ever copied; shape (columns,)."""
    columns = [figure(np.ascontiguousarray(values[:, at])) for at in range(values.shape[1])]
    return np.array(columns, dtype=np.float64)
