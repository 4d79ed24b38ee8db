"""Charts of known-good captures."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette
from dashboard.shared.drawn import kept
from dashboard.shared.filters import Subject
from dashboard.views.known_good.answer import Overlay


@kept
def overlay(found: Overlay, about: Subject, *, odd: bool) -> Any:
    """Known-good mean shapes over one turn of the sequence, their range, and one capture over them."""
    good, band, events, chosen = found.good, found.band, found.events, found.chosen
    figure = about.kind.figure
    across = base.x(
        "along:Q", figure.along, figure.along_unit,
        scale=alt.Scale(domain=[0, figure.span], nice=False),
        axis=alt.Axis(values=[figure.span * step / 8 for step in range(9)]),
    )  # fmt: skip
    title = base.axis_title(figure.across, figure.across_unit)
    layers: list[Any] = []
    if band.height:
        layers.append(
            alt.Chart(band)
            .mark_area(opacity=0.35, color=palette.BAND)
            .encode(x=across, y=alt.Y("low:Q", title=title), y2="high:Q")
        )
    lines = (
        alt.Chart(good)
        .mark_line(strokeWidth=0.7, opacity=0.3, color=palette.USUAL)
        .encode(
            x=across,
            y=alt.Y("level:Q", title=title),
            detail="capture_file:N",
            tooltip=[alt.Tooltip("capture_file:N", title="capture")],
        )
    )
    layers.append(lines)
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
            .encode(x=across, y=alt.Y("level:Q", title=title))
        )
    if events.height:
        layers.append(
            alt.Chart(events).mark_rule(strokeDash=[2, 4], color=palette.GREY).encode(x=alt.X("along:Q"))
        )
        layers.append(
            alt.Chart(events)
            .mark_text(baseline="top", dx=10, dy=3, fontSize=14, fontWeight="bold", color=palette.INK)
            .encode(x=alt.X("along:Q"), y=alt.value(0), text="name:N")
        )
    # a line is too thin to be hit: a wide unseen one along it is
    layers.append(base.pickable(lines.mark_line(strokeWidth=7, opacity=0), "capture_file"))
    return base.finish(alt.layer(*layers), height=380)


@kept
def gauge(points: pl.DataFrame, about: Subject) -> Any:
    """Deviation from the group's usual value against loss on the gauge."""
    chart = (
        alt.Chart(points)
        .mark_point(filled=True, size=45, opacity=0.6, color=palette.USUAL)
        .encode(
            x=base.x(
                "gauge_loss_pct:Q",
                f"Gauge reading below the best {about.kind.element.noun} of the same engine",
                "%",
            ),
            y=base.y("deviation_pct:Q", f"{about.measure.title} against the usual", "%"),
            tooltip=[
                alt.Tooltip("capture_file:N", title="capture"),
                alt.Tooltip("element:N", title=about.kind.element.noun),
                alt.Tooltip("gauge_loss_pct:Q", title="gauge below the best (%)", format=".0f"),
                alt.Tooltip("deviation_pct:Q", title="against the usual (%)", format=".1f"),
            ],
        )
    )
    return base.finish(base.pickable(chart, "capture_file"), height=300)
