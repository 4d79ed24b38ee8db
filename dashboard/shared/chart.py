"""What all charts share: titled axes, verdict colours and shapes, bands and error bars."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import palette
from dashboard.shared.drawn import LINE_BREAK, kept

HEIGHT = 300
PICKED = "picked"
LEGEND_LETTERS = 34
LONG_NAME, NAME_BREAK = 24, "(.{8,20}) "  # a longer name stands on several lines, each ending at such a place
ROW, LINE = 42, 15  # pixels of a row of names, and of one line of a name


def axis_title(what: str, unit: str | None) -> str:
    """`Speed (rpm)`; a pure count or a name has no unit."""
    return f"{what} ({unit})" if unit else what


def x(field: str, what: str, unit: str | None = None, **options: Any) -> alt.X:
    """A horizontal axis with title and unit; `field` carries its type, as in `time_s:Q`."""
    return alt.X(field, title=axis_title(what, unit), **options)


def y(field: str, what: str, unit: str | None = None, **options: Any) -> alt.Y:
    """A vertical axis with title and unit."""
    return alt.Y(field, title=axis_title(what, unit), **options)


def verdict_colour(field: str = "verdict", *, legend: bool = True) -> alt.Color:
    """Colour by `usual`, `odd`, `too little to say`."""
    return alt.Color(
        f"{field}:N",
        scale=alt.Scale(domain=list(palette.VERDICTS), range=list(palette.VERDICTS.values())),
        legend=alt.Legend(title=None, orient="top") if legend else None,
    )


def verdict_shape(field: str = "verdict", *, legend: bool = True) -> alt.Shape:
    """Shape by the same words as `verdict_colour`."""
    return alt.Shape(
        f"{field}:N",
        scale=alt.Scale(domain=list(palette.SHAPES), range=list(palette.SHAPES.values())),
        legend=alt.Legend(title=None, orient="top") if legend else None,
    )


def colours(field: str, meaning: dict[str, str], *, legend: bool = True) -> alt.Color:
    """Colour by given words."""
    return alt.Color(
        f"{field}:N",
        scale=alt.Scale(domain=list(meaning), range=list(meaning.values())),
        legend=_legend(meaning) if legend else None,
    )


def shapes(field: str, meaning: dict[str, str]) -> alt.Shape:
    """Shape by given words; beside `colours` of the same words they share one legend."""
    return alt.Shape(
        f"{field}:N",
        scale=alt.Scale(domain=list(meaning), range=list(meaning.values())),
        legend=_legend(meaning),
    )


def _legend(meaning: dict[str, str]) -> alt.Legend:
    # long words stand below one another, so that none is cut on a narrow screen
    columns = {"columns": 1} if sum(map(len, meaning)) > LEGEND_LETTERS else {}
    return alt.Legend(title=None, orient="top", **columns)


def pickable(marks: alt.Chart, *fields: str) -> alt.Chart:
    """Marks that can be clicked; `dashboard.shared.parts.chart` is told these fields of the one that was."""
    marks.mark.cursor = "pointer"
    return marks.add_params(alt.selection_point(name=PICKED, fields=list(fields), on="click", empty=False))


def rule_at(
    value: float, *, vertical: bool = False, colour: str | None = None, dash: bool = True
) -> alt.Chart:
    """A reference line at a value of the other layers' axis."""
    base = alt.Chart(pl.DataFrame({"at": [float(value)]})).mark_rule(
        color=colour or palette.INK, strokeDash=[5, 4] if dash else [1, 0], strokeWidth=1.5
    )
    return base.encode(x=alt.X("at:Q")) if vertical else base.encode(y=alt.Y("at:Q"))


def names_axis() -> alt.Axis:
    """An axis of names in which long ones stand on several lines, so that a phone keeps room for the marks."""
    split = rf"split(replace(datum.label, regexp('{NAME_BREAK}', 'g'), '$1\n'), '\n')"
    lines = f"length(datum.label) > {LONG_NAME} ? {split} : datum.label"
    return alt.Axis(labelExpr=lines, labelLimit=220)


def names_height(names: list[str]) -> int:
    """How high a chart with a row for each name has to be, so that names on several lines do not meet."""
    most = max((len(re.findall(NAME_BREAK, name)) for name in names if len(name) > LONG_NAME), default=0)
    return max(130, max(ROW, LINE * (most + 1) + 8) * len(names) + 50)


@kept
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
    picks: str | None = None,
) -> Any:
    """Figures with their intervals, one row each, in the order given.

    Args:
        rows: name, `field`, low, high; a missing figure is drawn as `too little to say`.
        along: title of the names. zero: draw the line where there is no difference. from_zero: whether the
            axis begins at zero.
        raw: column drawn as an upright stroke beside the figure. picks: the field a click on a figure tells.
    """
    names = rows["name"].to_list()
    upright = y("name:N", along, sort=names if sort is None else sort, axis=names_axis())
    title = axis_title(what, unit)
    # from the right end, so that a title longer than a narrow plot runs below the names and is not cut
    across = alt.X(
        f"{field}:Q", title=title, scale=alt.Scale(zero=from_zero), axis=alt.Axis(titleAnchor="end")
    )
    known, unknown = rows.filter(pl.col(field).is_not_null()), rows.filter(pl.col(field).is_null())
    tip = [
        alt.Tooltip("name:N", title=along.lower()),
        alt.Tooltip(f"{field}:Q", title=f"{what.lower()} ({unit})", format=".1f"),
        alt.Tooltip("low:Q", title="95 % from", format=".1f"),
        alt.Tooltip("high:Q", title="to", format=".1f"),
    ]
    layers: list[Any] = []
    if zero:
        layers.append(rule_at(0.0, vertical=True))
    # a layer without a mark would be an empty thing with a role and no name
    if known.height:
        layers.append(_bands(known, title, upright, tip))
    if known.height and raw is not None:
        layers.append(_strokes(known, raw, title, upright, f"{raw_word} ({unit})"))
    if known.height:
        dots = (
            alt.Chart(known)
            .mark_circle(size=110, color=colour, opacity=1)
            .encode(x=across, y=upright, tooltip=tip)
        )
        layers.append(dots if picks is None else pickable(dots, picks))
    if unknown.height or not known.height:
        layers.append(
            alt.Chart(unknown)
            .mark_text(align="left", color=palette.UNSURE, fontStyle="italic", dx=6)
            .encode(
                x=alt.value(0) if known.height else across, y=upright, text=alt.value("too little to say")
            )
        )
    return finish(alt.layer(*layers), height=names_height(names))


def _bands(known: pl.DataFrame, title: str, upright: alt.Y, tip: list[alt.Tooltip]) -> Any:
    across = alt.X("low:Q", title=title, axis=alt.Axis(titleAnchor="end"))
    mark = alt.Chart(known).mark_rule(strokeWidth=7, opacity=0.35, color=palette.BAND)
    return mark.encode(x=across, x2="high:Q", y=upright, tooltip=tip)


def _strokes(known: pl.DataFrame, raw: str, title: str, upright: alt.Y, word: str) -> Any:
    mark = alt.Chart(known).mark_point(shape="stroke", angle=90, size=140, color=palette.INK, strokeWidth=1.5)
    tip = [alt.Tooltip(f"{raw}:Q", title=word, format=".1f")]
    return mark.encode(x=alt.X(f"{raw}:Q", title=title), y=upright, tooltip=tip)


@kept
def trend(rows: pl.DataFrame, what: str, coached: list[dt.date]) -> Any:
    """Weekly share with its trend: week, share_pct, n, fitted, low, high; coaching days as upright lines.

    `rows` also holds monday (the week as text), which a click tells.
    """
    across = x("week:T", "Week")
    title = axis_title(what, "%")
    scale = alt.Scale(domain=[0, 100])
    layers: list[Any] = [
        alt.Chart(rows)
        .mark_area(opacity=0.3, color=palette.BAND)
        .encode(x=across, y=alt.Y("low:Q", title=title, scale=scale), y2="high:Q"),
        alt.Chart(rows)
        .mark_line(color=palette.USUAL, strokeWidth=2)
        .encode(x=across, y=alt.Y("fitted:Q", title=title, scale=scale)),
        pickable(
            alt.Chart(rows)
            .mark_circle(color=palette.USUAL, opacity=0.65)
            .encode(
                x=across,
                y=alt.Y("share_pct:Q", title=title, scale=scale),
                size=alt.Size("n:Q", legend=None, scale=alt.Scale(range=[20, 140])),
                tooltip=[
                    alt.Tooltip("week:T", title="week of"),
                    alt.Tooltip("share_pct:Q", title="share (%)", format=".0f"),
                    alt.Tooltip("n:Q", title="n"),
                ],
            ),
            "monday",
        ),
    ]
    if coached:
        layers.append(
            alt.Chart(pl.DataFrame({"day": coached}))
            .mark_rule(color=palette.MARK, strokeWidth=2)
            .encode(x=alt.X("day:T"), tooltip=[alt.Tooltip("day:T", title="coaching session")])
        )
    return finish(alt.layer(*layers), height=240)


def finish(chart: Any, *, height: int | None = HEIGHT) -> Any:
    """The last touch every chart gets: its height, and type large enough to read across a bench."""
    sized = chart.properties(height=height) if height is not None else chart
    return (
        sized.configure(background="transparent", lineBreak=LINE_BREAK)
        .configure_axis(
            labelFontSize=12,
            titleFontSize=13,
            titleFontWeight="normal",
            labelSeparation=8,
            gridColor=palette.GRID,
            domainColor=palette.INK,
            tickColor=palette.INK,
            labelColor=palette.INK,
            titleColor=palette.INK,
        )
        .configure_legend(
            labelFontSize=12, titleFontSize=12, labelLimit=320, labelColor=palette.INK, titleColor=palette.INK
        )
        .configure_view(strokeWidth=0)
    )
