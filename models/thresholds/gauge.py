"""Relative readings against a gauge: do the two put elements in the same order?

A gauge reads the peak pressure an element builds up over several strokes; the relative reading comes from
the starter's load. No published rule carries one over to the other, so nothing here is ever turned into
pressure units: the figures are the deviation in % and the gauge's loss in % of that engine's own best or
median element, and what is reported is how well their orders agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl
from scipy.stats import rankdata

from models.records.matrix import confirmed_labels
from models.records.shop import Shop
from models.spread.scoring import Scores
from models.stats.arrays import Floats, Ints
from models.stats.results import Estimate

MIN_ENGINES = 5

POINT_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "repair_order": pl.String(),
    "group": pl.String(),
    "element": pl.Int64(),
    "deviation_pct": pl.Float64(),
    "gauge_loss_pct": pl.Float64(),
}


@dataclass(frozen=True, slots=True)
class GaugeCheck:
    """Agreement with the gauge.

    Attributes:
        points: one row a capture and element with a gauge reading: deviation from the group's usual
            value and loss on the gauge, both in %.
        agreement: Spearman's rank correlation of the deviation with minus the loss (+1: the same order),
            by group; `n` counts engines, not elements, because one engine's elements belong together.
    """

    points: pl.DataFrame
    agreement: dict[str, Estimate]


def deviation_against_gauge(
    scores: Scores,
    shop: Shop,
    *,
    against: Literal["highest", "median"] = "highest",
    draws: int = 500,
    seed: int = 20251125,
) -> GaugeCheck:
    """Set each element's deviation beside its loss on the gauge.

    Only captures with named elements, of orders whose outcome carries a gauge reading for every element,
    made no later than the day of the outcome where it was `odd` (later ones show the repaired engine).

    Args:
        against: the element of the same engine that counts as without loss.
        draws: bootstrap draws behind the interval (engines with replacement).
    """
    captures, elements, outcomes = shop.captures, shop.elements, shop.outcomes
    empty = GaugeCheck(pl.DataFrame(schema=POINT_SCHEMA), {})
    gauged = outcomes.filter(pl.col("gauge_kpa").list.len() > 0).select(
        "repair_order", "finding", "gauge_kpa"
    )
    if gauged.height == 0 or scores.elements.height == 0:
        return empty
    labels = confirmed_labels(captures, outcomes)
    rows = (
        captures.select("capture_file", "repair_order", "group", "vehicle")
        .join(labels, on="capture_file", how="inner")
        .join(gauged, on="repair_order", how="inner")
        .filter((pl.col("finding") != "odd") | (pl.col("confirmed") == -1))
        .filter(pl.col("gauge_kpa").list.eval(pl.element().is_finite() & (pl.element() > 0)).list.all())
    )
    best = pl.col("gauge_kpa").list.max() if against == "highest" else pl.col("gauge_kpa").list.median()
    cells = (
        elements.filter((pl.col("identified") == "sync") & pl.col("element").is_not_null())
        .select("capture_file", "position", "element")
        .join(scores.elements, on=["capture_file", "position"], how="inner")
        .join(rows.with_columns(_best=best), on="capture_file", how="inner")
        .filter(
            (pl.col("gauge_kpa").list.len() == pl.len().over("capture_file"))
            & (pl.col("element") >= 1)
            & (pl.col("element") <= pl.col("gauge_kpa").list.len())
        )
        .with_columns(
            gauge_loss_pct=100.0
            * (1.0 - pl.col("gauge_kpa").list.get(pl.col("element") - 1, null_on_oob=True) / pl.col("_best")),
            _engine=pl.coalesce(
                pl.lit("v:") + pl.col("vehicle").cast(pl.String), pl.lit("o:") + pl.col("repair_order")
            ),
        )
        .sort("group", "capture_file", "element")
    )
    agreement: dict[str, Estimate] = {}
    for (name,), group in cells.group_by("group", maintain_order=True):
        engine = group.select(pl.col("_engine").rank("dense")).to_series().to_numpy().astype(np.int64) - 1
        agreement[str(name)] = clustered_spearman(
            group["deviation_pct"].to_numpy(),
            -group["gauge_loss_pct"].to_numpy(),
            engine,
            draws=draws,
            seed=seed,
        )
    return GaugeCheck(cells.select(list(POINT_SCHEMA)).cast(pl.Schema(POINT_SCHEMA)), agreement)


def spearman(x: Floats, y: Floats) -> float:
    """Spearman's rank correlation, ties at mid-rank; NaN where one of the two does not vary."""
    rank_x, rank_y = rankdata(x), rankdata(y)
    if np.ptp(rank_x) == 0 or np.ptp(rank_y) == 0:
        return float("nan")
    return float(np.corrcoef(rank_x, rank_y)[0, 1])


def _repeated_spearman(place_x: Ints, place_y: Ints, times: Ints) -> float:
    """`spearman` of rows each taken so many times, without writing them out or sorting them anew.

    Args:
        place_x, place_y: each row's place among the sorted different values, from 0.
    """
    rank_x, rank_y = _mid_ranks(place_x, times), _mid_ranks(place_y, times)
    total = times.sum()
    apart_x = rank_x - (times * rank_x).sum() / total
    apart_y = rank_y - (times * rank_y).sum() / total
    square = float((times * apart_x**2).sum() * (times * apart_y**2).sum())
    return float((times * apart_x * apart_y).sum() / np.sqrt(square)) if square > 0 else float("nan")


def _mid_ranks(place: Ints, times: Ints) -> Floats:
    """Mid-rank of each row among all rows, each counted so many times."""
    held = np.bincount(place, weights=times)
    below = np.cumsum(held) - held
    return np.asarray((below + 0.5 * (held + 1.0))[place])


def clustered_spearman(x: Floats, y: Floats, cluster: Ints, *, draws: int, seed: int) -> Estimate:
    """Spearman's rank correlation with a percentile bootstrap interval over whole clusters.

    Args:
        x, y: shape (n,); cluster: codes 0 ... clusters-1, shape (n,).
    """
    count = int(cluster.max(initial=-1)) + 1
    if count < MIN_ENGINES:
        return Estimate.nothing(
            count, f"{count} engines with gauge readings; at least {MIN_ENGINES} are needed."
        )
    rho = spearman(x, y)
    if not np.isfinite(rho):
        return Estimate.nothing(count, "all readings are the same, so there is no order to compare.")
    rng = np.random.default_rng(seed)
    _, place_x = np.unique(x, return_inverse=True)
    _, place_y = np.unique(y, return_inverse=True)
    drawn = np.empty(draws)
    for at in range(draws):
        times = np.bincount(rng.integers(0, count, size=count), minlength=count)[cluster]
        drawn[at] = _repeated_spearman(place_x, place_y, times)
    low, high = np.quantile(drawn[np.isfinite(drawn)], [0.025, 0.975])
    return Estimate(count, rho, min(float(low), rho), max(float(high), rho))
