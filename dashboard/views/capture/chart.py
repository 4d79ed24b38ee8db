"""Charts of one capture: its waveform with the elements named, and its elements against the group."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette, words
from dashboard.shared.drawn import kept
from models.records.measure import Measure
from pipelines.kinds.base import Kind

CHANNEL_HEIGHT = 230
MOST_NAMES = 60
ROOM_PX = 660  # what a figure has for its elements on a desktop
FEW = 4  # elements
LETTER_PX = 9


def waveform(
    trace: pl.DataFrame, events: pl.DataFrame, index: pl.DataFrame, known: Kind | None
) -> dict[str, Any]:
    """The channels over time, one chart a channel by its name, to be drawn one below the other.

    Args:
        trace: channel (name with unit), order, time_s, value (null in gaps).
        events: time_s, name (element, pair or position), verdict: the elements' events.
        index: time_s of the index pulses used.
    """
    if trace.is_empty():
        raise ValueError("a waveform chart needs samples")
    first, last = float(trace["time_s"].min()), float(trace["time_s"].max())  # type: ignore[arg-type]
    names = trace.sort("order")["channel"].unique(maintain_order=True).to_list()
    said = known.figure.index if known else "index pulse"
    return {
        name: _channel(
            trace.filter(pl.col("channel") == name).select("time_s", "value"),
            name,
            (first, last),
            events if place == 0 else events.clear(),
            index,
            said,
        )
        for place, name in enumerate(names)
    }


@kept
def _channel(
    part: pl.DataFrame,
    name: str,
    span: tuple[float, float],
    events: pl.DataFrame,
    index: pl.DataFrame,
    index_word: str,
) -> Any:
    what, _, unit = name.rpartition(" (")
    line = (
        alt.Chart(part)
        .mark_line(color=palette.INK, strokeWidth=1, interpolate="linear")
        .encode(
            x=base.x(
                "time_s:Q",
                "Time on the file's own axis",
                "s",
                scale=alt.Scale(domain=list(span), nice=False),
            ),
            y=base.y("value:Q", what, unit.removesuffix(")"), scale=alt.Scale(zero=False)),
        )
    )
    layers: list[Any] = [line]
    if index.height:
        layers.append(
            alt.Chart(index)
            .mark_rule(color=palette.MARK, strokeWidth=1.5, strokeDash=[2, 2])
            .encode(x="time_s:Q", tooltip=[alt.Tooltip("time_s:Q", title=f"{index_word} (s)", format=".4f")])
        )
    if events.height:
        layers += _named(events)
    return base.finish(alt.layer(*layers), height=CHANNEL_HEIGHT)


def _named(events: pl.DataFrame) -> list[Any]:
    tip = [alt.Tooltip("name:N", title="here"), alt.Tooltip("time_s:Q", title="at (s)", format=".3f")]
    ticks = (
        alt.Chart(events)
        .mark_rule(strokeWidth=1, opacity=0.5)
        .encode(x="time_s:Q", color=base.verdict_colour(legend=False), tooltip=tip)
    )
    if events.height > MOST_NAMES:
        return [ticks]
    # on a narrow screen every n-th name stands, and each odd one, rather than all on top of each other
    letters = int(events["name"].cast(pl.String).str.len_chars().max() or 1)  # type: ignore[arg-type]
    every = f"ceil({events.height * (letters * LETTER_PX + 6)} / width)"
    shown = f"datum.far === 0 || datum.place % {every} === 0 && datum.far >= {every}"
    odd = [place for place, word in enumerate(events.sort("time_s")["verdict"]) if word == "odd"]
    far = [min((abs(place - one) for one in odd), default=events.height) for place in range(events.height)]
    placed = events.sort("time_s").with_columns(
        place=pl.int_range(pl.len()), far=pl.Series(far, dtype=pl.Int64)
    )
    text = (
        alt.Chart(placed)
        .mark_text(baseline="top", dy=2, fontSize=14, fontWeight="bold")
        .encode(
            x="time_s:Q",
            y=alt.value(0),
            text="name:N",
            opacity=alt.condition(shown, alt.value(1), alt.value(0)),
            color=base.verdict_colour(legend=False),
            tooltip=tip,
        )
    )
    return [ticks, text]


@kept
def reasons(rows: pl.DataFrame) -> Any:
    """What makes a capture unlike its group, on the scale of the group's usual range: name, place_pct."""
    along = base.y("name:N", "Feature", sort=rows["name"].to_list(), axis=base.names_axis())
    title = base.axis_title("Place in the usual range", "%; 0 to 100 is usual")
    usual = (
        alt.Chart(pl.DataFrame({"low": [0.0], "high": [100.0]}))
        .mark_rect(opacity=0.4, color=palette.BAND)
        .encode(x=alt.X("low:Q", title=title, axis=alt.Axis(titleAnchor="end")), x2="high:Q")
    )
    points = (
        alt.Chart(rows)
        .mark_point(filled=True, size=110, shape=palette.SHAPES["odd"], color=palette.ODD, opacity=1)
        .encode(
            x=alt.X("place_pct:Q", title=title),
            y=along,
            tooltip=[
                alt.Tooltip("name:N", title="feature"),
                alt.Tooltip("place_pct:Q", title="place in the usual range (%)", format=".0f"),
            ],
        )
    )
    return base.finish(
        alt.layer(usual, base.pickable(points, "name")), height=base.names_height(rows["name"].to_list())
    )


@kept
def elements(rows: pl.DataFrame, known: Kind, measure: Measure) -> Any:
    """Each element's value with its interval, against the group's usual range.

    Args:
        rows: see `MeasureView.elements`.
    """
    along = base.x(
        "name:N",
        known.element.noun.capitalize(),
        sort=rows.sort("order")["name"].to_list(),
        # where there is no room for every name, every n-th stands
        axis=alt.Axis(labelAngle=0, labelOverlap="greedy", labelSeparation=4),
    )
    room_px = ROOM_PX / max(rows.height, 1)
    # few stand apart on any screen; of many each takes a part of its place, so that neighbours do not meet
    few = rows.height <= FEW
    wide = 60.0 if few else alt.RelativeBandSize(band=0.85)
    top = max(115.0, float(rows["high"].max() or 0) * 1.05)  # type: ignore[arg-type]
    title = base.axis_title(measure.title, words.unit_of(measure))
    upright = alt.Y("relative_pct:Q", title=title, scale=alt.Scale(domain=[0, top]))
    tip = [
        alt.Tooltip("name:N", title=known.element.noun),
        alt.Tooltip("relative_pct:Q", title=f"{measure.title.lower()} (%)", format=".1f"),
        alt.Tooltip("low:Q", title="95 % from (%)", format=".1f"),
        alt.Tooltip("high:Q", title="to (%)", format=".1f"),
        alt.Tooltip("group_pct:Q", title="usual for this group (%)", format=".1f"),
    ]
    bars = (
        alt.Chart(rows)
        .mark_bar(width=34.0 if few else alt.RelativeBandSize(band=0.5), opacity=0.75)
        .encode(x=along, y=upright, color=base.verdict_colour(), tooltip=tip)
    )
    layers: list[Any] = [bars]
    usual = rows.filter(pl.col("usual_low").is_not_null())
    if usual.height:
        layers.append(
            alt.Chart(usual)
            .mark_bar(width=wide, opacity=0.45, color=palette.BAND)
            .encode(x=along, y=alt.Y("usual_low:Q", title=title), y2="usual_high:Q")
        )
    layers.append(
        alt.Chart(rows)
        .mark_rule(strokeWidth=min(4.0, 0.3 * room_px), color=palette.BLACK)
        .encode(x=along, y=alt.Y("low:Q", title=title), y2="high:Q")
    )
    layers += _limits(rows, along, title, wide)
    if (nothing := rows.filter(pl.col("nothing"))).height:
        layers.append(
            alt.Chart(nothing)
            .mark_text(dy=-8, color=palette.ODD, fontSize=12)
            .encode(
                x=along, y=alt.Y("relative_pct:Q", title=title), text=alt.value(known.wording.nothing_left)
            )
        )
    # what is clicked lies over everything else, as wide and high as the element's place
    room = alt.Chart(rows).mark_bar(width=wide, opacity=0).encode(
        x=along, y=alt.Y("top:Q", title=title), tooltip=tip
    ).transform_calculate(top=str(top))  # fmt: skip
    return base.finish(alt.layer(*layers, base.pickable(room, "name")), height=330)


def _limits(rows: pl.DataFrame, along: alt.X, title: str, wide: Any) -> list[Any]:
    """From where on an element counts as odd: a bar without height is a tick that is as wide as the band."""
    layers = []
    for column, side in (("limit_low", "below"), ("limit_high", "above")):
        limited = rows.filter(pl.col(column).is_not_null())
        if limited.height:
            tick = alt.Chart(limited).mark_bar(width=wide, fillOpacity=0, stroke=palette.ODD, strokeWidth=2.5)
            layers.append(
                tick.encode(
                    x=along,
                    y=alt.Y(f"{column}:Q", title=title),
                    y2=f"{column}:Q",
                    tooltip=[alt.Tooltip(f"{column}:Q", title=f"odd {side} (%)", format=".1f")],
                )
            )
    return layers
