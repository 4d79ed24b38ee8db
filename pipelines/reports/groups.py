"""What the report says of each engine family: spread, pattern, threshold in force and what it costs."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from models.thresholds.proposal import costs_at


def family_reports(frames: dict[str, pl.DataFrame], end: dt.datetime) -> list[dict[str, Any]]:
    """One document a family, by name.

    Args:
        frames: captures, scores, outcomes, families, family_stats, family_patterns, thresholds_in_force.
        end: captures and outcomes after it do not count. Spread, pattern and threshold are those in
            force now: a threshold decided today may well be held against last year's captures.
    """
    captures = frames["captures"].filter(pl.col("captured_at") <= end)
    outcomes = frames["outcomes"].filter(pl.col("confirmed_at") <= end)
    limits = {row["engine_family"]: row for row in frames["thresholds_in_force"].to_dicts()}
    stats = {row["engine_family"]: row for row in frames["family_stats"].to_dicts()}
    costs = costs_at(
        frames["scores"], captures, outcomes, {name: row["threshold_pct"] for name, row in limits.items()}
    )
    documents = []
    for name in frames["families"]["engine_family"].to_list():
        own = captures.filter(pl.col("engine_family") == name)
        pattern = frames["family_patterns"].filter(pl.col("engine_family") == name)
        stat, limit = stats.get(name, {}), limits.get(name, {})
        documents.append(
            {
                "engine_family": name,
                "captures": own.height,
                "known_good": own.filter(pl.col("purpose") == "known_good").height,
                "basis": stat.get("basis"),
                "spread_pct": stat.get("spread_pct"),
                "spread_n": stat.get("captures"),
                "spread_low": stat.get("spread_low"),
                "spread_high": stat.get("spread_high"),
                "pattern_pct": {str(row["cylinder"]): row["pattern_pct"] for row in pattern.to_dicts()},
                "threshold_pct": limit.get("threshold_pct"),
                "threshold_source": limit.get("source"),
                "threshold_version": limit.get("version"),
                "false_alarm": costs[name].false_alarm.to_dict(),
                "detection": costs[name].detection.to_dict(),
            }
        )
    return documents
