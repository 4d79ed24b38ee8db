"""Chart of one vehicle's captures over time."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette
from dashboard.shared.drawn import kept


@kept
def history(rows: pl.DataFrame, confirmed: pl.DataFrame) -> Any:
    """How far each capture's oddest element stood off, with the days a fault was confirmed.

    Args:
        rows: day, odd_pct, verdict, capture_file, what. confirmed: day, job.
    """
    points = (
        alt.Chart(rows)
        .mark_point(filled=True, size=110, opacity=0.9)
        .encode(
            x=base.x("day:T", "Day of the capture", scale=alt.Scale(padding=14)),
            y=base.y("odd_pct:Q", "Furthest off", "%", scale=alt.Scale(zero=True)),
            color=base.verdict_colour(),
            shape=base.verdict_shape(),
            tooltip=[
                alt.Tooltip("capture_file:N", title="capture"),
                alt.Tooltip("day:T", title="day"),
                alt.Tooltip("what:N", title="furthest off"),
                alt.Tooltip("when:N", title="taken"),
            ],
        )
    )
    layers: list[Any] = []
    if confirmed.height:
        layers.append(
            alt.Chart(confirmed)
            .mark_rule(color=palette.MARK, strokeWidth=2)
            .encode(x=alt.X("day:T"), tooltip=[alt.Tooltip("job:N", title="fault confirmed on job")])
        )
    return base.finish(alt.layer(*layers, base.pickable(points, "capture_file")), height=240)
