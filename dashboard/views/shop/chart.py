"""Charts of the manager's page."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette

GROUPS = {"scoped": palette.SCOPED, "not scoped": palette.NOT_SCOPED}


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
    return base.finish(alt.layer(band, line, dots))


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
            tooltip=["week:T", "kind:N", "captures:Q"],
        )
    )
    return base.finish(chart)


def intervals(
    rows: pl.DataFrame,
    field: str,
    what: str,
    unit: str,
    *,
    along: str,
    zero: bool = False,
    from_zero: bool = True,
    colour: str = palette.USUAL,
    sort: Any = None,
    raw: str | None = None,
    raw_word: str = "raw",
) -> Any:
    """Figures with their intervals, one row each, in the order given.

    Args:
        rows: name, `field`, low, high; a missing figure is drawn as `too little to say`.
        along: title of the names. zero: draw the line where there is no difference. from_zero: whether the
            axis begins at zero.
        raw: column drawn as a hollow mark beside the figure.
    """
    names = rows["name"].to_list()
    upright = base.y(
        "name:N", along, sort=names if sort is None else sort, axis=alt.Axis(labelLimit=380, maxExtent=420)
    )
    title = base.axis_title(what, unit)
    across = alt.X(f"{field}:Q", title=title, scale=alt.Scale(zero=from_zero))
    known, unknown = rows.filter(pl.col(field).is_not_null()), rows.filter(pl.col(field).is_null())
    tip = [
        alt.Tooltip("name:N", title=along.lower()),
        alt.Tooltip(f"{field}:Q", title=f"{what.lower()} ({unit})", format=".1f"),
        alt.Tooltip("low:Q", title="95 % from", format=".1f"),
        alt.Tooltip("high:Q", title="to", format=".1f"),
    ]
    layers: list[Any] = []
    if zero:
        layers.append(base.rule_at(0.0, vertical=True))
    layers.append(
        alt.Chart(known)
        .mark_rule(strokeWidth=7, opacity=0.35, color=palette.BAND)
        .encode(x=alt.X("low:Q", title=title), x2="high:Q", y=upright, tooltip=tip)
    )
    if raw is not None:
        layers.append(
            alt.Chart(known)
            .mark_point(shape="stroke", angle=90, size=140, color=palette.INK, strokeWidth=1.5)
            .encode(
                x=alt.X(f"{raw}:Q", title=title),
                y=upright,
                tooltip=[alt.Tooltip(f"{raw}:Q", title=f"{raw_word} ({unit})", format=".1f")],
            )
        )
    layers.append(
        alt.Chart(known)
        .mark_circle(size=110, color=colour, opacity=1)
        .encode(x=across, y=upright, tooltip=tip)
    )
    layers.append(
        alt.Chart(unknown)
        .mark_text(align="left", color=palette.UNSURE, fontStyle="italic", dx=6)
        .encode(x=alt.value(0), y=upright, text=alt.value("too little to say"))
    )
    return base.finish(alt.layer(*layers), height=max(130, 36 * len(names) + 50))


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
            tooltip=[
                "group:N",
                alt.Tooltip("day:Q", title="day", format=".0f"),
                alt.Tooltip("risk_pct:Q", title="came back (%)", format=".1f"),
                alt.Tooltip("low:Q", title="95 % from", format=".1f"),
                alt.Tooltip("high:Q", title="to", format=".1f"),
            ],
        )
    )
    return base.finish(alt.layer(band, line))


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
            tooltip=["group:N", "jobs:Q", alt.Tooltip("chance_pct:Q", title="chance from (%)", format=".0f")],
        )
    )  # fmt: skip
    return base.finish(alt.layer(chart, base.rule_at(0.0, dash=False)), height=240)
