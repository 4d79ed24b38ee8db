"""What a fit of normal spread holds: frozen results, shared by the fit and the scoring."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import polars as pl

from models.records.matrix import Layout
from models.records.measure import Measure
from models.spread.null import Null
from models.stats.arrays import Floats

STATS_SCHEMA: dict[str, pl.DataType] = {
    "group": pl.String(),
    "captures": pl.Int64(),
    "known_good": pl.Int64(),
    "basis": pl.String(),
    "elements": pl.Int64(),
    "spread_pct": pl.Float64(),
    "spread_low": pl.Float64(),
    "spread_high": pl.Float64(),
    "between_vehicle_pct": pl.Float64(),
    "within_vehicle_pct": pl.Float64(),
    "reading_se_pct": pl.Float64(),
    "own_weight": pl.Float64(),
    "shop_weight": pl.Float64(),
    "drift_pct_per_month": pl.Float64(),
    "drift_low": pl.Float64(),
    "drift_high": pl.Float64(),
    "drift_element": pl.Int64(),
    "why": pl.String(),
    "healthy_captures": pl.Float64(),
    "odd_share": pl.Float64(),
    "vehicles": pl.Int64(),
    "swing_pct": pl.Float64(),
    "odd_usual_pct": pl.Float64(),
    "odd_limit_pct": pl.Float64(),
}
PATTERN_SCHEMA: dict[str, pl.DataType] = {
    "group": pl.String(),
    "element": pl.Int64(),
    "pattern_pct": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "n": pl.Int64(),
    "predict_low": pl.Float64(),
    "predict_high": pl.Float64(),
}
HEALTHY_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "group": pl.String(),
    "healthy_probability": pl.Float64(),
    "label": pl.String(),
}


@dataclass(frozen=True, slots=True)
class SpreadSettings:
    """What can be chosen about the fit.

    Attributes:
        anchor_captures: labelled healthy captures a group needs before its basis is named after them.
        false_alarm_share: share of healthy captures the normal-spread limit may flag.
        usual_spread_pct: healthy spread assumed while nothing is known (common practice, no source).
        draws: simulated healthy captures behind each group's limit and intervals.
        seed: of those draws.
    """

    anchor_captures: int = 5
    false_alarm_share: float = 0.01
    usual_spread_pct: float = 1.5
    draws: int = 20_000
    seed: int = 20251125


@dataclass(frozen=True, slots=True)
class GroupFit:
    """Normal spread of every group of one test, by one measure.

    Attributes:
        measure: what was measured.
        stats: one row a group. `spread_pct` is the standard deviation of one healthy element's reading
            about the group's pattern (vehicles, repeats and reading error together), with its 95 %
            interval; `between_vehicle_pct` is the part a vehicle keeps, `within_vehicle_pct` what changes
            from capture to capture beyond the reading error `reading_se_pct`; `swing_pct` is the standard
            deviation of what every second element in sequence swings by, which is taken off each
            capture (`models.spread.swing`). `own_weight` 0 = borrowed, 1 = the group's own; `shop_weight` is the
            share that comes from the same family in other shops (null where no other shop has it).
            `drift_pct_per_month` is how fast the element `drift_element`, the one that moves most clearly,
            moves against the others (negative = falling), its interval allowing for the choice among the
            elements. `odd_usual_pct` and `odd_limit_pct` are the median and the (1 - false_alarm_share)
            quantile of `odd_pct` of new healthy captures.
        pattern: one row a group and element; 100 = the median element; [low, high] 95 % for the usual
            value, [predict_low, predict_high] 95 % for a new healthy capture of a new vehicle.
        healthy: probability of being healthy for each capture that shaped its group.
        nulls: what `odd_pct` does in new healthy captures, by group.
        layouts, settings: what the fit was made with.
    """

    measure: Measure
    stats: pl.DataFrame
    pattern: pl.DataFrame
    healthy: pl.DataFrame
    nulls: dict[str, Null]
    layouts: tuple[Layout, ...]
    settings: SpreadSettings

    def of_groups(self, groups: Collection[str]) -> GroupFit:
        """The same fit, of some groups alone."""
        own = pl.col("group").is_in(list(groups))
        return replace(
            self,
            stats=self.stats.filter(own),
            pattern=self.pattern.filter(own),
            healthy=self.healthy.filter(own),
            nulls={group: null for group, null in self.nulls.items() if group in groups},
            layouts=tuple(layout for layout in self.layouts if layout.group in groups),
        )

    def pattern_of(self, group: str) -> Floats:
        """Usual value by element number, shape (elements,), in %."""
        rows = self.pattern.filter(pl.col("group") == group).sort("element")
        return rows["pattern_pct"].to_numpy()
