"""What all charts share: titled axes, verdict colours and shapes, bands and error bars."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import palette

HEIGHT = 300


def axis_title(what: str, unit: str | None) -> str:
    """`Cranking speed (rpm)`; a pure count or a name has no unit."""
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
        legend=alt.Legend(title=None, orient="top") if legend else None,
    )


def rule_at(
    value: float, *, vertical: bool = False, colour: str = palette.INK, dash: bool = True
) -> alt.Chart:
    """A reference line at a value of the other layers' axis."""
    base = alt.Chart(pl.DataFrame({"at": [float(value)]})).mark_rule(
        color=colour, strokeDash=[5, 4] if dash else [1, 0], strokeWidth=1.5
    )
    return base.encode(x=alt.X("at:Q")) if vertical else base.encode(y=alt.Y("at:Q"))


def finish(chart: Any, *, height: int | None = HEIGHT) -> Any:
    """The last touch every chart gets: its height, and type large enough to read across a bench."""
    sized = chart.properties(height=height) if height is not None else chart
    return (
        sized.configure_axis(
            labelFontSize=12, titleFontSize=13, titleFontWeight="normal", gridColor="#e6e8eb"
        )
        .configure_legend(labelFontSize=12, titleFontSize=12, labelLimit=320)
        .configure_view(strokeWidth=0)
    )
