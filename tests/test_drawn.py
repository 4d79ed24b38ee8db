"""A chart is kept under what it was built from: the same figures never build it twice, others always do."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import altair as alt
import polars as pl
import pytest
import streamlit as st
from altair.utils import schemapi

from dashboard.shared import chart as shared
from dashboard.shared import palette
from dashboard.shared.drawn import ACROSS_LETTERS, LINE_BREAK, TRANSFORMER, drawn, kept

BUILT: list[tuple[Any, ...]] = []
ROWS = pl.DataFrame({"x": [1.0, 2.0], "name": ["a", None]})


@dataclass(frozen=True)
class Held:
    rows: pl.DataFrame
    title: str


@kept
def points(rows: pl.DataFrame, about: Any = None, *, size: float | None = None) -> alt.Chart:
    """A chart that says when it is built."""
    BUILT.append((about, size))
    chart = alt.Chart(rows).mark_point().encode(x="x:Q", y="name:N")
    return chart.add_params(alt.selection_point(name="picked")) if size else chart


@pytest.fixture(autouse=True)
def _nothing_kept() -> None:
    st.cache_resource.clear()
    BUILT.clear()


def test_the_same_figures_build_it_once() -> None:
    first = points(ROWS, Held(ROWS, "t"), size=2.0)
    again = points(pl.DataFrame(ROWS.to_dict(as_series=False)), Held(ROWS.clone(), "t"), size=2.0)
    assert len(BUILT) == 1
    assert first.to_dict() == again.to_dict()


@pytest.mark.parametrize(
    ("left", "right"),
    [
        ((ROWS,), (ROWS.with_columns(pl.col("x") + 1e-12),)),
        ((ROWS,), (ROWS.rename({"x": "z"}).rename({"z": "x", "name": "name"}).with_columns(name=pl.lit("a")),)),
        ((ROWS,), (ROWS.cast({"x": pl.Float32}),)),
        ((ROWS, 1), (ROWS, 1.0)),
        ((ROWS, True), (ROWS, 1)),
        ((ROWS, "1"), (ROWS, 1)),
        ((ROWS, ["ab", "c"]), (ROWS, ["a", "bc"])),
        ((ROWS, [["a"], "b"]), (ROWS, [["a", "b"]])),
        ((ROWS, None), (ROWS, "None")),
        ((ROWS, {"a": 1}), (ROWS, {"a": 2})),
        ((ROWS, dt.date(2026, 1, 2)), (ROWS, dt.datetime(2026, 1, 2))),
        ((ROWS, Held(ROWS, "t")), (ROWS, Held(ROWS, "u"))),
        ((ROWS, Held(ROWS, "t")), (ROWS, Held(ROWS.head(1), "t"))),
    ],
)  # fmt: skip
def test_other_figures_build_another(left: tuple[Any, ...], right: tuple[Any, ...]) -> None:
    points(*left)
    points(*right)
    assert len(BUILT) == 2


@kept
def inked(rows: pl.DataFrame) -> alt.Chart:
    return alt.Chart(rows).mark_point(color=palette.INK).encode(x="x:Q")


def test_who_looks_in_the_dark_is_not_sent_what_was_drawn_for_the_light(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sent = []
    for dark in (False, True, False):
        monkeypatch.setattr(palette, "dark", lambda dark=dark: dark)
        sent.append(inked(ROWS))
    assert ["#333333" in one.text for one in sent] == [True, False, True]
    assert sent[2] is sent[0]


def test_what_nobody_can_compare_is_refused() -> None:
    with pytest.raises(TypeError, match="object"):
        points(ROWS, object())


def test_it_is_what_the_library_says_and_the_library_stays_as_it_was() -> None:
    before = alt.data_transformers.active, alt.theme.active, schemapi.DEBUG_MODE
    made = points(ROWS, size=3.0)
    assert (alt.data_transformers.active, alt.theme.active, schemapi.DEBUG_MODE) == before
    with alt.theme.enable("none"):
        own = points.build(ROWS, size=3.0).to_dict()
    found = made.to_dict()
    name = found["data"]["name"]
    assert found["datasets"] == {name: ROWS.to_dicts()}
    assert list(own["datasets"].values()) == [ROWS.to_dicts()]
    assert {**found, "data": None, "datasets": None} == {**own, "data": None, "datasets": None}
    assert made.clickable
    assert not drawn(lambda: points.build(ROWS)).clickable
    assert made.document["datasets"][name].equals(ROWS)
    assert TRANSFORMER in alt.data_transformers.names()


def test_what_a_sender_changes_is_not_kept() -> None:
    made = points(ROWS)
    made.document["datasets"].clear()
    made.document["mark"] = "bar"
    assert points(ROWS).document["mark"] != "bar"
    assert len(points(ROWS).document["datasets"]) == 1


def test_a_title_longer_than_its_axis_stands_on_several_lines() -> None:
    across = "Spread of healthy cylinders (standard deviation) (% of the median cylinder)"
    upright = "Current of the feed all injectors share (A)"

    def built(height: int) -> Any:
        marks = alt.Chart(ROWS).mark_point().encode(x=shared.x("x:Q", across), y=shared.y("name:N", upright))
        return shared.finish(alt.layer(marks), height=height)

    low, high = (drawn(lambda: built(height)).to_dict() for height in (130, 400))  # noqa: B023
    titles = low["layer"][0]["encoding"]
    assert titles["x"]["title"].replace(LINE_BREAK, " ") == across
    assert max(map(len, titles["x"]["title"].split(LINE_BREAK))) <= ACROSS_LETTERS
    assert len(titles["y"]["title"].split(LINE_BREAK)) > 1
    assert high["layer"][0]["encoding"]["y"]["title"] == upright
    assert low["config"]["lineBreak"] == LINE_BREAK


def test_names_on_several_lines_do_not_meet() -> None:
    short, long = ["ada", "bea"], ["ada, usable captures, 2026-02-18 (36 before, 49 after)", "bea"]
    assert shared.names_height(["x"]) == 130
    lines = len(long[0]) // 20 + 1
    assert shared.names_height(long) >= len(long) * lines * shared.LINE
    assert shared.names_height(long) > shared.names_height(short)
