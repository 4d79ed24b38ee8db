"""Charts of normal spread."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette, words
from dashboard.shared.drawn import kept
from dashboard.shared.filters import Subject

WIDEST_PX, ROOM_PX = 54.0, 215.0  # a band, and what all of them together may take of a phone's width


@kept
def pattern(rows: pl.DataFrame, points: pl.DataFrame, about: Subject) -> Any:
    """The group's usual value by element with its range, over every reading.

    Args:
        rows: name, pattern_pct, low, high, predict_low, predict_high. points: name, relative_pct, verdict.
    """
    title = base.axis_title(about.measure.title, words.unit_of(about.measure))
    along = base.x(
        "name:N",
        about.kind.element.noun.capitalize(),
        sort=rows["name"].to_list(),
        axis=alt.Axis(labelAngle=0),
    )
    scale = alt.Scale(zero=False, nice=True)
    wide = min(WIDEST_PX, ROOM_PX / max(rows.height, 1))
    layers: list[Any] = [
        alt.Chart(rows)
        .mark_bar(size=wide, opacity=0.4, color=palette.BAND)
        .encode(
            x=along,
            y=alt.Y("predict_low:Q", title=title, scale=scale),
            y2="predict_high:Q",
            tooltip=[
                alt.Tooltip("predict_low:Q", title="healthy from (%)", format=".1f"),
                alt.Tooltip("predict_high:Q", title="to (%)", format=".1f"),
            ],
        )
    ]
    layers.append(
        alt.Chart(rows)
        .mark_tick(thickness=3, size=wide, color=palette.INK)
        .encode(
            x=along,
            y=alt.Y("pattern_pct:Q", title=title, scale=scale),
            tooltip=[
                alt.Tooltip("pattern_pct:Q", title="usual (%)", format=".1f"),
                alt.Tooltip("low:Q", title="95 % from", format=".1f"),
                alt.Tooltip("high:Q", title="to", format=".1f"),
            ],
        )
    )
    if points.height:  # on top, so that each can be clicked
        scattered = (
            alt.Chart(points)
            .transform_calculate(jitter="(random() - 0.5) * 34")
            .mark_point(filled=True, size=24, opacity=0.45)
            .encode(
                x=along,
                xOffset=alt.XOffset("jitter:Q", scale=alt.Scale(domain=[-40, 40])),
                y=alt.Y("relative_pct:Q", title=title, scale=scale),
                color=base.verdict_colour(),
                shape=base.verdict_shape(),
                tooltip=[
                    alt.Tooltip("capture_file:N", title="capture"),
                    alt.Tooltip("relative_pct:Q", title=f"{about.measure.title.lower()} (%)", format=".1f"),
                ],
            )
        )
        layers.append(base.pickable(scattered, "capture_file"))
    return base.finish(alt.layer(*layers), height=340)


@kept
def parts(rows: pl.DataFrame) -> Any:
    """What the spread is made of: part, spread_pct."""
    chart = (
        alt.Chart(rows)
        .mark_bar(color=palette.BAND)
        .encode(
            x=base.x("spread_pct:Q", "Standard deviation", "%"),
            y=base.y("part:N", "Part", sort=rows["part"].to_list(), axis=base.names_axis()),
            tooltip=[
                alt.Tooltip("part:N", title="part"),
                alt.Tooltip("spread_pct:Q", title="standard deviation (%)", format=".1f"),
            ],
        )
    )
    return base.finish(base.pickable(chart, "part"), height=150)


@kept
def history(rows: pl.DataFrame, limit_pct: float | None, about: Subject) -> Any:
    """How far each capture's oddest element stood off, over time."""
    points = (
        alt.Chart(rows)
        .mark_point(filled=True, size=45, opacity=0.75)
        .encode(
            x=base.x("captured_at:T", "Day of the capture"),
            y=base.y("odd_pct:Q", words.gap_title(about.kind, about.measure), "%"),
            color=base.verdict_colour(),
            shape=base.verdict_shape(),
            tooltip=[
                alt.Tooltip("capture_file:N", title="capture"),
                alt.Tooltip("group:N", title=about.group_noun),
                alt.Tooltip("captured_at:T", title="day"),
                alt.Tooltip(
                    "odd_pct:Q", title=f"{words.stands(about.kind, about.measure)} (%)", format=".1f"
                ),
            ],
        )
    )
    points = base.pickable(points, "capture_file")
    layers = [points] if limit_pct is None else [points, base.rule_at(limit_pct)]
    return base.finish(alt.layer(*layers), height=280)
