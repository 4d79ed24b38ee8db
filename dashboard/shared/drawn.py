"""A chart is built once for the same figures: its document is kept under what it was built from.

Building one costs more than all else a page does, and most looks at a page draw the charts of the look before.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import hashlib
import json
import textwrap
import threading
from collections.abc import Callable
from io import BytesIO
from typing import Any, Generic, ParamSpec

import altair as alt
import polars as pl
import streamlit as st
from altair.utils import schemapi

from dashboard.shared import palette
from pipelines.kinds.base import Kind

P = ParamSpec("P")
KEPT = 256
TRANSFORMER = "shopspread_named"
LINE_BREAK = "\N{ZERO WIDTH SPACE}"  # seen by nobody, also where a title is read aloud
LETTER, AROUND = 6.4, 50  # of an axis title, and what of a chart's height its other axis takes, in pixels
ACROSS_LETTERS = 40  # as many stand below a chart on a phone
_BUILDING = threading.RLock()


@dataclasses.dataclass(frozen=True, slots=True)
class Drawn:
    """A chart as it is sent.

    Attributes:
        text: its Vega-Lite document without the rows, as JSON. rows: the rows by the name the document has for them.
        clickable: whether a mark of it can be clicked; one without marks has none.
    """

    text: str
    rows: dict[str, pl.DataFrame]
    clickable: bool

    @property
    def document(self) -> dict[str, Any]:
        """The document with its rows as frames; a new one each time, since whoever sends it may change it."""
        return {**json.loads(self.text), "datasets": dict(self.rows)}

    def to_dict(self) -> dict[str, Any]:
        """The document with its rows as plain values."""
        return {
            **json.loads(self.text),
            "datasets": {name: rows.to_dicts() for name, rows in self.rows.items()},
        }

    def to_json(self) -> str:
        """The same as text."""
        return json.dumps(self.to_dict(), default=str, ensure_ascii=False)


class Kept(Generic[P]):
    """What `kept` makes of a function that builds a chart; `build` is the function itself."""

    def __init__(self, build: Callable[P, Any]) -> None:
        self.build = build
        functools.update_wrapper(self, build)

    def __call__(self, *given: P.args, **named: P.kwargs) -> Drawn:
        """The chart of these figures, on the ground of the page that is being drawn."""
        key = hashlib.blake2b(digest_size=16)
        dark = palette.dark()  # a chart takes its ink from it
        _add(key, (self.build.__module__, self.build.__qualname__, dark, given, sorted(named.items())))
        return _drawn(key.hexdigest(), lambda: self.build(*given, **named))


def kept(build: Callable[P, Any]) -> Kept[P]:
    """Decorate a function that builds a chart from frames and plain values alone."""
    return Kept(build)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _drawn(key: str, _build: Callable[[], Any]) -> Drawn:  # noqa: ARG001
    return drawn(_build)


def drawn(build: Callable[[], Any]) -> Drawn:
    """The document of the chart that `build` makes.

    It is not held against the grammar's schema, which would take most of the time; the tests do that.
    """
    rows: dict[str, pl.DataFrame] = {}

    def named(frame: Any) -> dict[str, str]:
        key = hashlib.blake2b(digest_size=16)
        _add(key, frame)
        rows[key.hexdigest()] = frame
        return {"name": key.hexdigest()}

    # These settings are the library's own and of the whole process, so one chart is built at a time.
    with _BUILDING, schemapi.debug_mode(False), alt.theme.enable("none"):
        alt.data_transformers.register(TRANSFORMER, named)
        with alt.data_transformers.enable(TRANSFORMER):
            document = build().to_dict(validate=False)
    document.pop("datasets", None)
    _break_titles(document, document.get("height"))
    return Drawn(json.dumps(document), rows, bool(document.get("params")))


def _break_titles(part: Any, height: Any) -> None:
    """Set axis titles on several lines where one would be longer than its axis, so that none is cut."""
    upright = int((height - AROUND) / LETTER) if isinstance(height, int | float) else ACROSS_LETTERS
    for channel, letters in (("x", ACROSS_LETTERS), ("y", max(12, upright))):
        axis = part.get("encoding", {}).get(channel, {})
        if isinstance(axis.get("title"), str):
            axis["title"] = LINE_BREAK.join(textwrap.wrap(axis["title"], letters))
    for layer in part.get("layer", ()):
        _break_titles(layer, height)


def _add(key: Any, value: Any) -> None:
    """Take a value into a key; two values with one key are equal."""
    if isinstance(value, pl.DataFrame):
        content = BytesIO()
        value.write_ipc_stream(content)
        key.update(content.getbuffer())
    elif isinstance(value, Kind):
        key.update(f"kind {value.name};".encode())
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        _add(key, (type(value).__name__, *(getattr(value, one.name) for one in dataclasses.fields(value))))
    elif isinstance(value, dict):
        _add(key, list(value.items()))
    elif isinstance(value, list | tuple):
        key.update(f"{len(value)} of;".encode())
        for one in value:
            _add(key, one)
    elif value is None or isinstance(value, str | int | float | bool | dt.date):
        text = repr(value)
        key.update(f"{type(value).__name__} {len(text)} {text};".encode())
    else:
        raise TypeError(f"a chart cannot be kept under a {type(value).__name__}")
