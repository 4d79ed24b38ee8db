"""Charts of normal spread, known-good captures and thresholds."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette

RELATIVE = ("Relative compression", "% of the median cylinder")


def pattern(rows: pl.DataFrame, points: pl.DataFrame) -> Any:
    """The family's usual value by cylinder with its range, over every reading.

    Args:
        rows: name, pattern_pct, low, high, predict_low, predict_high. points: name, relative_pct, verdict.
    """
    title = base.axis_title(*RELATIVE)
    along = base.x("name:N", "Cylinder", sort=rows["name"].to_list(), axis=alt.Axis(labelAngle=0))
    scale = alt.Scale(zero=False, nice=True)
    layers: list[Any] = [
        alt.Chart(rows)
        .mark_bar(size=54, opacity=0.4, color=palette.BAND)
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
    if points.height:
        layers.append(
            alt.Chart(points)
            .transform_calculate(jitter="(random() - 0.5) * 34")
            .mark_point(filled=True, size=24, opacity=0.45)
            .encode(
                x=along,
                xOffset=alt.XOffset("jitter:Q", scale=alt.Scale(domain=[-40, 40])),
                y=alt.Y("relative_pct:Q", title=title, scale=scale),
                color=base.verdict_colour(),
                shape=base.verdict_shape(),
                tooltip=["capture_file:N", alt.Tooltip("relative_pct:Q", format=".1f")],
            )
        )
    layers.append(
        alt.Chart(rows)
        .mark_tick(thickness=3, size=54, color=palette.INK)
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
    return base.finish(alt.layer(*layers), height=340)


def parts(rows: pl.DataFrame) -> Any:
    """What the spread is made of: part, spread_pct."""
    chart = (
        alt.Chart(rows)
        .mark_bar(color=palette.BAND)
        .encode(
            x=base.x("spread_pct:Q", "Standard deviation", "%"),
            y=base.y("part:N", "Part", sort=rows["part"].to_list(), axis=alt.Axis(labelLimit=220)),
            tooltip=["part:N", alt.Tooltip("spread_pct:Q", format=".2f")],
        )
    )
    return base.finish(chart, height=150)


def history(rows: pl.DataFrame, limit_pct: float | None) -> Any:
    """How far each capture's lowest cylinder sat below the others, over time."""
    points = (
        alt.Chart(rows)
        .mark_point(filled=True, size=45, opacity=0.75)
        .encode(
            x=base.x("captured_at:T", "Day of the capture"),
            y=base.y("odd_pct:Q", "Lowest cylinder below the others", "%"),
            color=base.verdict_colour(),
            shape=base.verdict_shape(),
            tooltip=[
                "capture_file:N",
                "engine_family:N",
                alt.Tooltip("captured_at:T", title="day"),
                alt.Tooltip("odd_pct:Q", title="below the others (%)", format=".1f"),
            ],
        )
    )
    layers = [points] if limit_pct is None else [points, base.rule_at(limit_pct)]
    return base.finish(alt.layer(*layers), height=280)


def overlay(
    good: pl.DataFrame, band: pl.DataFrame, firings: pl.DataFrame, chosen: pl.DataFrame, odd: bool
) -> Any:
    """Known-good mean cycles over the crank angle, their range, and one capture over them."""
    across = base.x(
        "angle_deg:Q", "Crank angle from the first firing", "degrees",
        scale=alt.Scale(domain=[0, 720], nice=False), axis=alt.Axis(values=list(range(0, 721, 90))),
    )  # fmt: skip
    title = base.axis_title("Signal, compression pointing down", "parts of the mean ripple")
    layers: list[Any] = []
    if band.height:
        layers.append(
            alt.Chart(band)
            .mark_area(opacity=0.35, color=palette.BAND)
            .encode(x=across, y=alt.Y("low:Q", title=title), y2="high:Q")
        )
    layers.append(
        alt.Chart(good)
        .mark_line(strokeWidth=0.7, opacity=0.3, color=palette.USUAL)
        .encode(x=across, y=alt.Y("ripple:Q", title=title), detail="capture_file:N")
    )
    if band.height:
        layers.append(
            alt.Chart(band)
            .mark_line(strokeWidth=1.8, color=palette.USUAL)
            .encode(x=across, y=alt.Y("middle:Q", title=title))
        )
    if chosen.height:
        layers.append(
            alt.Chart(chosen)
            .mark_line(strokeWidth=2.8, color=palette.ODD if odd else palette.BLACK)
            .encode(x=across, y=alt.Y("ripple:Q", title=title))
        )
    if firings.height:
        layers.append(
            alt.Chart(firings).mark_rule(strokeDash=[2, 4], color=palette.GREY).encode(x=alt.X("angle_deg:Q"))
        )
        layers.append(
            alt.Chart(firings)
            .mark_text(baseline="top", dx=10, dy=3, fontSize=14, fontWeight="bold", color=palette.INK)
            .encode(x=alt.X("angle_deg:Q"), y=alt.value(0), text="name:N")
        )
    return base.finish(alt.layer(*layers), height=380)


def gauge(points: pl.DataFrame) -> Any:
    """Deviation from the family's usual value against loss on the compression gauge."""
    chart = (
        alt.Chart(points)
        .mark_point(filled=True, size=45, opacity=0.6, color=palette.USUAL)
        .encode(
            x=base.x("gauge_loss_pct:Q", "Gauge reading below that engine's best cylinder", "%"),
            y=base.y("deviation_pct:Q", "Relative compression against the usual", "%"),
            tooltip=["capture_file:N", "cylinder:N", alt.Tooltip("gauge_loss_pct:Q", format=".0f")],
        )
    )
    return base.finish(chart, height=300)


LINES = {"odd engines found": palette.USUAL, "healthy engines flagged": palette.ODD}


def detection(rows: pl.DataFrame, in_force: float | None, tried: float) -> Any:
    """Detection and false alarms against X: threshold_pct, line, how, share_pct, low, high, n."""
    across = base.x("threshold_pct:Q", "Odd from X below the others", "%")
    title = base.axis_title("Share of captures", "%")
    scale = alt.Scale(domain=[0, 100])
    corrected = rows.filter(pl.col("how") == "corrected")
    layers: list[Any] = [
        alt.Chart(corrected)
        .mark_area(opacity=0.18)
        .encode(
            x=across,
            y=alt.Y("low:Q", title=title, scale=scale),
            y2="high:Q",
            color=base.colours("line", LINES),
        ),
        alt.Chart(rows)
        .mark_line(strokeWidth=2)
        .encode(
            x=across,
            y=alt.Y("share_pct:Q", title=title, scale=scale),
            color=base.colours("line", LINES),
            strokeDash=alt.StrokeDash(
                "how:N",
                scale=alt.Scale(domain=["corrected", "naive"], range=[[1, 0], [4, 4]]),
                legend=alt.Legend(title=None, orient="top"),
            ),
            tooltip=[
                "line:N",
                "how:N",
                alt.Tooltip("threshold_pct:Q", title="X (%)"),
                alt.Tooltip("share_pct:Q", title="share (%)", format=".0f"),
                alt.Tooltip("low:Q", title="95 % from", format=".0f"),
                alt.Tooltip("high:Q", title="to", format=".0f"),
                alt.Tooltip("n:Q", title="n"),
            ],
        ),
    ]
    return base.finish(alt.layer(*layers, *_marks(in_force, tried)), height=320)


def cost(rows: pl.DataFrame, in_force: float | None, tried: float, low: float, high: float) -> Any:
    """Expected cost of one capture against X, with the proposal's interval as a band."""
    across = base.x("threshold_pct:Q", "Odd from X below the others", "%")
    interval = (
        alt.Chart(pl.DataFrame({"low": [low], "high": [high]}))
        .mark_rect(opacity=0.3, color=palette.BAND)
        .encode(x=alt.X("low:Q"), x2="high:Q")
    )
    line = (
        alt.Chart(rows)
        .mark_line(strokeWidth=2.2, color=palette.INK)
        .encode(
            x=across,
            y=base.y("expected_cost:Q", "Cost of one capture", "currency"),
            tooltip=[
                alt.Tooltip("threshold_pct:Q", title="X (%)"),
                alt.Tooltip("expected_cost:Q", title="cost", format=".1f"),
            ],
        )
    )
    return base.finish(alt.layer(interval, line, *_marks(in_force, tried)), height=260)


def _marks(in_force: float | None, tried: float) -> list[Any]:
    marks = [base.rule_at(tried, vertical=True, colour=palette.MARK, dash=False)]
    if in_force is not None:
        marks.append(base.rule_at(in_force, vertical=True))
    return marks
