"""Why the isolation forest finds a capture odd, in words: which features, and what would be usual."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
from sklearn.ensemble import IsolationForest

from models.records.measure import FeatureWords
from models.stats.arrays import Floats, Ints

REASON = pl.Struct(
    {
        "feature": pl.String(),
        "value": pl.Float64(),
        "usual_low": pl.Float64(),
        "usual_high": pl.Float64(),
        "sentence": pl.String(),
    }
)

MOST_REASONS = 3

NEVER_TOLD = "odd_se_pct"
"""How sure a gap is says nothing to a person of what is wrong; it weighs, and is not named."""

UNITS: dict[str, str] = {
    "pct": " %", "rpm": " rpm", "hz": " Hz", "deg": " degrees", "kpa": " kPa", "ms": " ms", "mv": " mV", "v": " V",
    "a": " A", "s": " s",
}  # fmt: skip
"""Units as names of features end with them."""


def in_words(feature: str, words: Mapping[str, FeatureWords]) -> tuple[str, str]:
    """A feature's name in words, and its unit with a leading blank (empty without one).

    A feature nobody declared is named by its own name, with the unit that name ends with.
    """
    known = words.get(feature)
    if known is None:
        bare, _, suffix = feature.rpartition("_")
        unit = UNITS.get(suffix, "") if bare else ""
        return (bare if unit else feature).replace("_", " ").capitalize(), unit
    return known.title, f" {known.unit}" if known.unit else ""


def sentence_for(
    feature: str, value: float, low: float, high: float, words: Mapping[str, FeatureWords]
) -> str:
    """One sentence that names the feature, its value and what is usual in the group."""
    name, unit = in_words(feature, words)
    usual = f"usual in this group is {_number(low)} to {_number(high)}{unit}"
    if value > high:
        return f"{name} is high: {_number(value)}{unit}, {usual}."
    if value < low:
        return f"{name} is low: {_number(value)}{unit}, {usual}."
    return f"{name} is {_number(value)}{unit}, odd only together with the other features ({usual})."


def _number(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def usual_ranges(values: Floats, group: Ints, looks: Floats, code: int) -> tuple[Floats, Floats]:
    """Range that holds 95 % of a group's healthy-looking captures, by feature.

    Args:
        values: shape (captures, features); group: codes; looks: probability of being healthy.

    Returns:
        two arrays (features,); NaN where the group has no such capture.
    """
    member = values[(group == code) & (looks > 0.5)]
    if member.shape[0] < 3:
        member = values[group == code]
    low = np.full(values.shape[1], np.nan)
    high = np.full(values.shape[1], np.nan)
    for column in range(values.shape[1]):
        finite = member[np.isfinite(member[:, column]), column]
        if finite.size:
            low[column], high[column] = np.quantile(finite, [0.025, 0.975])
    return low, high


def feature_reasons(
    forest: IsolationForest,
    standard: Floats,
    values: Floats,
    rows: Ints,
    group: Ints,
    looks: Floats,
    names: list[str],
    words: Mapping[str, FeatureWords],
) -> list[list[dict[str, Any]]]:
    """For each of some captures, the features that make it odd, weightiest first.

    A feature's weight is how much the forest's score falls when that feature alone is set to the group's
    usual value. Only features that lower the score and lie outside the usual range are named; where none
    does both, the weightiest one is.

    Args:
        standard: shape (captures, features), on the group's scale (0 = usual); values: the same in units.
        rows: captures to explain.
    """
    if rows.size == 0:
        return []
    width = standard.shape[1]
    base = -forest.score_samples(standard[rows])
    changed = np.repeat(standard[rows], width, axis=0)
    changed[np.arange(changed.shape[0]), np.tile(np.arange(width), rows.size)] = 0.0
    weight = base[:, None] + forest.score_samples(changed).reshape(rows.size, width)
    ranges = {code: usual_ranges(values, group, looks, int(code)) for code in np.unique(group[rows])}
    told: list[list[dict[str, Any]]] = []
    for at, row in enumerate(rows):
        low, high = ranges[group[row]]
        value = values[row]
        outside = np.isfinite(value) & ((value < low) | (value > high))
        order = np.argsort(-weight[at], kind="stable")
        told_of = [c for c in order if not names[c].endswith(NEVER_TOLD)]
        picked = [c for c in told_of if outside[c] and weight[at, c] > 0][:MOST_REASONS]
        if not picked:
            picked = [c for c in told_of if np.isfinite(value[c])][:1]
        told.append(
            [
                {
                    "feature": names[c],
                    "value": float(value[c]),
                    "usual_low": float(low[c]),
                    "usual_high": float(high[c]),
                    "sentence": sentence_for(names[c], value[c], low[c], high[c], words),
                }
                for c in picked
            ]
        )
    return told
