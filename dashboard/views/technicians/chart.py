"""Charts of the trainer's page: funnels in place of rankings, trends with their bands, practice."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette
from dashboard.shared.drawn import kept

STANDING = {
    "inside": palette.USUAL, "below": palette.ODD, "above": palette.ODD, "too little to say": palette.UNSURE
}  # fmt: skip
STANDING_SHAPES = {
    "inside": "circle", "below": "triangle-down", "above": "triangle-up", "too little to say": "diamond"
}  # fmt: skip
TROUBLE = {"as it should be": palette.USUAL, "trouble": palette.ODD}
TROUBLE_SHAPES = {"as it should be": "circle", "trouble": "triangle-down"}


@kept
def funnel(points: pl.DataFrame, limits: pl.DataFrame, shop_pct: float | None, measure: str) -> Any:
    """Each technician's share against what chance alone would give at that n.

    Args:
        points: technician, n, share_pct, verdict, standing. limits: n, low_95, high_95, low_999, high_999.
    """
    across = base.x(
        "n:Q", "Captures or jobs behind the figure", "count", scale=alt.Scale(nice=True, zero=True)
    )
    title = base.axis_title(measure.capitalize(), "%")
    lowest = pl.Series(points["share_pct"], dtype=pl.Float64).min()
    start = max(0.0, lowest - 30.0) if isinstance(lowest, float) else 0.0
    # headroom above 100 % for names, without a tick there
    step = 5 if start >= 50 else 10
    ticks = alt.Axis(values=[tick for tick in range(0, 101, step) if tick >= start])
    upright = alt.Scale(domain=[start, 100.0 + (100.0 - start) * 0.08], clamp=True, nice=False)
    layers: list[Any] = []
    if limits.height:
        for low, high, strength in (("low_999", "high_999", 0.15), ("low_95", "high_95", 0.22)):
            layers.append(
                alt.Chart(limits)
                .mark_area(opacity=strength, color=palette.BAND)
                .encode(x=across, y=alt.Y(f"{low}:Q", title=title, scale=upright, axis=ticks), y2=f"{high}:Q")
            )
    if shop_pct is not None:
        layers.append(base.rule_at(shop_pct))
    tip = [
        alt.Tooltip("technician:N", title="technician"),
        alt.Tooltip("share_pct:Q", title="share (%)", format=".0f"),
        alt.Tooltip("n:Q", title="n"),
        alt.Tooltip("standing:N", title="against chance"),
    ]
    marks = alt.Chart(points).encode(
        x=across, y=alt.Y("share_pct:Q", title=title, scale=upright, axis=ticks), tooltip=tip
    )
    layers.append(
        base.pickable(
            marks.mark_point(filled=True, size=120, opacity=1).encode(
                color=base.colours("standing", STANDING), shape=base.shapes("standing", STANDING_SHAPES)
            ),
            "technician",
        )
    )
    for above, dy in ((True, -12), (False, 14)):
        layers.append(
            marks.transform_filter(alt.datum.above == above)
            .mark_text(align="center", dy=dy, fontSize=12, color=palette.INK)
            .encode(text="technician:N")
        )
    return base.finish(alt.layer(*layers), height=360)


@kept
def drills(rows: pl.DataFrame) -> Any:
    """Practice by week against what was asked: week, target, kind, captures."""
    meaning = {"asked for and done": palette.PRACTICE, "beyond what was asked": "#f8f3b8"}
    across = base.x("week:T", "Week")
    bars = (
        alt.Chart(rows)
        .mark_bar(stroke="#666666", strokeWidth=0.4)
        .encode(
            x=across,
            y=base.y("captures:Q", "Practice captures", "count"),
            color=base.colours("kind", meaning),
            tooltip=[
                alt.Tooltip("week:T", title="week of"),
                alt.Tooltip("kind:N", title="what"),
                alt.Tooltip("captures:Q", title="captures"),
                alt.Tooltip("target:Q", title="asked for"),
            ],
        )
    )
    target = (
        alt.Chart(rows)
        .mark_tick(color=palette.INK, thickness=2, size=9)
        .encode(
            x=across,
            y=alt.Y("target:Q", title=base.axis_title("Practice captures", "count")),
            tooltip=[alt.Tooltip("target:Q", title="asked for")],
        )
    )
    return base.finish(alt.layer(base.pickable(bars, "monday"), target), height=220)


@kept
def alarm(rows: pl.DataFrame) -> Any:
    """The chart behind a name on the list: at, statistic, limit, trouble."""
    across = base.x("at:T", "Day")
    title = base.axis_title("Trouble added up", "score")
    good, bad = TROUBLE
    marked = rows.with_columns(
        went=pl.when("trouble").then(pl.lit(bad)).otherwise(pl.lit(good)),
        monday=pl.col("at").dt.truncate("1w").dt.date().cast(pl.String),
    )
    layers: list[Any] = [
        alt.Chart(rows)
        .mark_line(color=palette.INK, strokeWidth=1.5, interpolate="step-after")
        .encode(x=across, y=alt.Y("statistic:Q", title=title)),
        base.pickable(
            alt.Chart(marked)
            .mark_point(filled=True, size=45, opacity=0.9)
            .encode(
                x=across,
                y=alt.Y("statistic:Q", title=title),
                color=base.colours("went", TROUBLE),
                shape=base.shapes("went", TROUBLE_SHAPES),
                tooltip=[
                    alt.Tooltip("at:T", title="day"),
                    alt.Tooltip("went:N", title="how it went"),
                    alt.Tooltip("expected:Q", title="trouble to be expected", format=".0%"),
                ],
            ),
            "monday",
        ),
    ]
    if rows.height:
        layers.append(base.rule_at(float(rows["limit"][0])))
    return base.finish(alt.layer(*layers), height=220)
