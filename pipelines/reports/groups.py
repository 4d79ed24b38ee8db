"""What the report says of each test and group: spread, pattern, threshold in force and what it costs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import polars as pl

from models.records.measure import Measure
from models.records.shop import Shop
from models.thresholds.proposal import costs_at
from pipelines.kinds import Kind, kinds

GROUP_FRAMES: tuple[str, ...] = (
    "scores",
    "comparison_groups",
    "all_group_stats",
    "all_group_patterns",
    "thresholds_in_force",
)

Frames = Mapping[str, pl.DataFrame]


def test_reports(shop: Shop, frames: Frames, end: dt.datetime) -> list[dict[str, Any]]:
    """One document a test, in the order of the course, with one a group in it, by name.

    Args:
        frames: the queries of `GROUP_FRAMES`.
        end: captures and outcomes after it do not count. Spread, pattern and threshold are those in
            force now: a threshold decided today may well be held against last year's captures.
    """
    known = shop.with_frames(
        captures=shop.captures.filter(pl.col("captured_at") <= end),
        outcomes=shop.outcomes.filter(pl.col("confirmed_at") <= end),
    )
    return [
        {
            "test": kind.name,
            "title": kind.title,
            "element": kind.element.noun,
            "groups": _groups(kind, known.of_test(kind.name), frames),
        }
        for kind in kinds().values()
        if frames["comparison_groups"].filter(pl.col("test") == kind.name).height
    ]


def _groups(kind: Kind, shop: Shop, frames: Frames) -> list[dict[str, Any]]:
    measured = {measure.name: _measured(kind, measure, shop, frames) for measure in kind.measures}
    first = kind.measures[0].name
    documents = []
    for row in frames["comparison_groups"].filter(pl.col("test") == kind.name).iter_rows(named=True):
        own = shop.captures.filter(pl.col("group") == row["group"])
        by_measure = [measured[measure.name](row["group"]) for measure in kind.measures]
        named = "engine_family" if row["component"] is None else "component"
        documents.append(
            {
                named: row["group"],
                "captures": own.height,
                "known_good": own.filter(pl.col("purpose") == "known_good").height,
                "measures": by_measure,
                "threshold": next(one for one in by_measure if one["measure"] == first)["threshold_pct"],
            }
        )
    return documents


def _measured(kind: Kind, measure: Measure, shop: Shop, frames: Frames) -> Any:
    """A function from a group's name to what one measure says of it."""
    own = (pl.col("test") == kind.name) & (pl.col("measure") == measure.name)
    limits = {row["group"]: row for row in frames["thresholds_in_force"].filter(own).iter_rows(named=True)}
    stats = {row["group"]: row for row in frames["all_group_stats"].filter(own).iter_rows(named=True)}
    patterns = frames["all_group_patterns"].filter(own)
    scores = frames["scores"].filter(pl.col("measure") == measure.name)
    costs = costs_at(scores, shop, {name: row["threshold_pct"] for name, row in limits.items()})

    def of(group: str) -> dict[str, Any]:
        pattern = patterns.filter(pl.col("group") == group)
        stat, limit = stats.get(group, {}), limits.get(group, {})
        return {
            "measure": measure.name,
            "basis": stat.get("basis"),
            "spread_pct": stat.get("spread_pct"),
            "spread_n": stat.get("captures"),
            "spread_low": stat.get("spread_low"),
            "spread_high": stat.get("spread_high"),
            "pattern_pct": {str(row["element"]): row["pattern_pct"] for row in pattern.iter_rows(named=True)},
            "threshold_pct": limit.get("threshold_pct"),
            "threshold_source": limit.get("source"),
            "threshold_version": limit.get("version"),
            "false_alarm": costs[group].false_alarm.to_dict(),
            "detection": costs[group].detection.to_dict(),
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
