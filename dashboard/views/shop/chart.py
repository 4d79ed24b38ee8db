"""Charts of the manager's page."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette
from dashboard.shared.drawn import kept

GROUPS = {"scoped": palette.SCOPED, "not scoped": palette.NOT_SCOPED}


@kept
def use_by_week(rows: pl.DataFrame) -> Any:
    """Share of eligible jobs that were scoped: week, share_pct, n; running_pct, low, high over four weeks."""
    along = base.x("week:T", "Week closed")
    title = base.axis_title("Eligible jobs scoped", "%")
    upright = alt.Y("share_pct:Q", title=title, scale=alt.Scale(domain=[0, 100]))
    band = (
        alt.Chart(rows)
        .mark_area(opacity=0.3, color=palette.BAND)
        .encode(x=along, y=alt.Y("low:Q", title=title), y2="high:Q")
    )
    line = (
        alt.Chart(rows)
        .mark_line(color=palette.SCOPED, strokeWidth=2.5)
        .encode(x=along, y=alt.Y("running_pct:Q", title=title, scale=alt.Scale(domain=[0, 100])))
    )
    dots = (
        alt.Chart(rows)
        .mark_circle(color=palette.SCOPED, opacity=0.45)
        .encode(
            x=along,
            y=upright,
            size=alt.Size("n:Q", legend=None, scale=alt.Scale(range=[15, 90])),
            tooltip=[
                alt.Tooltip("week:T", title="week of"),
                alt.Tooltip("share_pct:Q", title="scoped that week (%)", format=".0f"),
                alt.Tooltip("n:Q", title="jobs that week"),
                alt.Tooltip("running_pct:Q", title="over four weeks (%)", format=".0f"),
                alt.Tooltip("low:Q", title="95 % from (%)", format=".0f"),
                alt.Tooltip("high:Q", title="to (%)", format=".0f"),
            ],
        )
    )
    return base.finish(alt.layer(band, line, base.pickable(dots, "monday")))


@kept
def practice_by_week(rows: pl.DataFrame) -> Any:
    """Captures on paid work and in practice, apart: week, kind, captures."""
    meaning = {"on paid work": palette.SCOPED, "practice": palette.PRACTICE}
    chart = (
        alt.Chart(rows)
        .mark_bar(stroke="#666666", strokeWidth=0.4)
        .encode(
            x=base.x("week:T", "Week"),
            y=base.y("captures:Q", "Captures", "count"),
            color=base.colours("kind", meaning),
            order=alt.Order("kind:N"),
            tooltip=[
                alt.Tooltip("week:T", title="week of"),
                alt.Tooltip("kind:N", title="what"),
                alt.Tooltip("captures:Q", title="captures"),
            ],
        )
    )
    return base.finish(base.pickable(chart, "monday"))


@kept
def incidence(rows: pl.DataFrame, window_days: int) -> Any:
    """Share of jobs that had come back by each day: group, day, risk_pct, low, high."""
    along = base.x("day:Q", "Time since the job was closed", "days", scale=alt.Scale(domain=[0, window_days]))
    title = base.axis_title("Came back by then", "% of jobs")
    band = (
        alt.Chart(rows)
        .mark_area(opacity=0.16, interpolate="step-after")
        .encode(
            x=along,
            y=alt.Y("low:Q", title=title),
            y2="high:Q",
            color=base.colours("group", GROUPS),
        )
    )
    line = (
        alt.Chart(rows)
        .mark_line(interpolate="step-after", strokeWidth=2.5)
        .encode(
            x=along,
            y=alt.Y("risk_pct:Q", title=title),
            color=base.colours("group", GROUPS),
            strokeDash=alt.StrokeDash(
                "group:N", scale=alt.Scale(domain=list(GROUPS), range=[[1, 0], [6, 3]]), legend=None
            ),
        )
    )
    # a line is too thin to be hit: unseen dots along it are
    dots = (
        alt.Chart(rows)
        .mark_point(filled=True, size=200, opacity=0, clip=True)
        .encode(
            x=along,
            y=alt.Y("risk_pct:Q", title=title),
            tooltip=[
                alt.Tooltip("group:N", title="jobs"),
                alt.Tooltip("day:Q", title="day", format=".0f"),
                alt.Tooltip("risk_pct:Q", title="came back (%)", format=".1f"),
                alt.Tooltip("low:Q", title="95 % from", format=".1f"),
                alt.Tooltip("high:Q", title="to", format=".1f"),
            ],
        )
    )
    return base.finish(alt.layer(band, line, base.pickable(dots, "group")))


@kept
def overlap(rows: pl.DataFrame) -> Any:
    """Both groups by their chance of being scoped, back to back."""
    upright = base.y(
        "drawn:Q",
        "Jobs: scoped above, not scoped below",
        "count",
        axis=alt.Axis(labelExpr="abs(datum.value)"),
    )
    chart = (
        alt.Chart(rows)
        .mark_bar(stroke="#ffffff", strokeWidth=0.5)
        .encode(
            x=base.x(
                "chance_pct:Q", "Chance of being scoped, given the job", "%", bin="binned",
                scale=alt.Scale(domain=[0, 100]),
            ),
            x2="chance_to_pct:Q",
            y=upright,
            color=base.colours("group", GROUPS),
            tooltip=[
                alt.Tooltip("group:N", title="which"), alt.Tooltip("jobs:Q", title="jobs"),
                alt.Tooltip("chance_pct:Q", title="chance from (%)", format=".0f"),
            ],
        )
    )  # fmt: skip
    return base.finish(alt.layer(base.pickable(chart, "group"), base.rule_at(0.0, dash=False)), height=240)
