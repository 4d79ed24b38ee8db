"""What the report says of each test and group: spread, pattern, threshold in force and what it costs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import polars as pl

from models.records.measure import Measure
from pipelines.fit.limits import GroupCosts
from pipelines.kinds import Kind, kinds

GROUP_FRAMES: tuple[str, ...] = (
    "comparison_groups",
    "all_group_stats",
    "all_group_patterns",
    "thresholds_in_force",
)

Frames = Mapping[str, pl.DataFrame]


def test_reports(frames: Frames, costs: GroupCosts) -> list[dict[str, Any]]:
    """One document a test, in the order of the course, with one a group in it, by name.

    Spread, pattern and threshold are those in force now: a threshold decided today may well be held against
    last year's captures.

    One word, one number, here as on every page: `captures` are those logged, `known_good` those made on a vehicle
    known to be good, `spread_n` those that were compared, `known_healthy` those among them made as known good or
    confirmed even.

    Args:
        frames: the queries of `GROUP_FRAMES` and `group_counts`.
        costs: of the captures and outcomes that count.
    """
    groups = frames["comparison_groups"]
    return [
        {
            "test": kind.name,
            "title": kind.title,
            "element": kind.element.noun,
            "groups": _groups(kind, groups.filter(pl.col("test") == kind.name), frames, costs),
        }
        for kind in kinds().values()
        if groups.filter(pl.col("test") == kind.name).height
    ]


def _groups(kind: Kind, groups: pl.DataFrame, frames: Frames, costs: GroupCosts) -> list[dict[str, Any]]:
    measured = [_measured(kind, measure, frames, costs) for measure in kind.measures]
    counted = frames["group_counts"].filter(pl.col("test") == kind.name)
    counts = {group: (captures, good) for _, group, captures, good in counted.iter_rows()}
    documents = []
    for row in groups.iter_rows(named=True):
        by_measure = [one(row["group"]) for one in measured]
        captures, known_good = counts.get(row["group"], (0, 0))
        documents.append(
            {
                "engine_family" if row["component"] is None else "component": row["group"],
                "captures": captures,
                "known_good": known_good,
                "measures": by_measure,
                "threshold": by_measure[0]["threshold_pct"],
            }
        )
    return documents


def _measured(
    kind: Kind, measure: Measure, frames: Frames, costs: GroupCosts
) -> Callable[[str], dict[str, Any]]:
    """A function from a group's name to what one measure says of it."""
    own = (pl.col("test") == kind.name) & (pl.col("measure") == measure.name)
    limits = {row["group"]: row for row in frames["thresholds_in_force"].filter(own).iter_rows(named=True)}
    stats = {row["group"]: row for row in frames["all_group_stats"].filter(own).iter_rows(named=True)}
    patterns = frames["all_group_patterns"].filter(own)

    def of(group: str) -> dict[str, Any]:
        pattern = patterns.filter(pl.col("group") == group)
        stat, limit = stats.get(group, {}), limits.get(group, {})
        cost = costs[kind.name, measure.name, group]
        return {
            "measure": measure.name,
            "basis": stat.get("basis"),
            "spread_pct": stat.get("spread_pct"),
            "spread_n": stat.get("captures"),
            "known_healthy": stat.get("known_good"),
            "spread_low": stat.get("spread_low"),
            "spread_high": stat.get("spread_high"),
            "pattern_pct": {str(row["element"]): row["pattern_pct"] for row in pattern.iter_rows(named=True)},
            "threshold_pct": limit.get("threshold_pct"),
            "threshold_source": limit.get("source"),
            "threshold_version": limit.get("version"),
            "false_alarm": cost.false_alarm.to_dict(),
            "detection": cost.detection.to_dict(),
        }

    return of


def family_reports(test: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The engine families of the course's first test, flat, as older programs read them."""
    return [
        {
            "engine_family": group["engine_family"],
            "captures": group["captures"],
            "known_good": group["known_good"],
            **{name: value for name, value in group["measures"][0].items() if name != "measure"},
        }
        for group in test["groups"]
        if "engine_family" in group
    ]
