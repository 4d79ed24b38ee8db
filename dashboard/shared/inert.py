"""Names are shown as they are written: nothing in them is a link, a picture, a formula or a heading.

A page's sentences are Markdown with names from the shop's tables in them. Every string of the warehouse that
Markdown would act on is known here, and escaped in whatever text a page shows, so that no page has to think
of it. Text in tables is taken as it is by the browser, but not by a spreadsheet that a table is saved for.
"""

from __future__ import annotations

import functools
import re
import string
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import polars as pl
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

# What Markdown (CommonMark 0.31, with tables, strikethrough, links, mathematics, and the server's own colour
# and symbol marks) acts on. An underscore inside a word is none of it.
ACTIVE = (
    r"[*`\[\]<>$~|\\]|__|(?:^|\W)_|_(?:\W|$)|:[A-Za-z_+\-/]+[:\[({]|https?:|[Ww][Ww][Ww]\.|@|"
    r"^\s*(?:[#>=]|[-+]\s|-{2,}|\d+[.)]\s)|^\s{4}"
)
# Shown at once, before any person could decide to: first argument of each.
SINKS = (
    "markdown", "caption", "info", "error", "warning", "success", "title", "header", "subheader", "metric",
    "expander", "button", "selectbox", "multiselect", "radio", "checkbox", "slider", "select_slider",
    "number_input", "text_input", "text_area", "date_input", "segmented_control", "pills", "toast",
    "download_button", "popover", "tabs",
)  # fmt: skip
# Splits what is recognised only after escapes are gone (links, symbols); takes no room.
JOINER = "\u2060"
_LATE = re.compile(r"(https?|www|:|@)", re.IGNORECASE)


def literal(name: str) -> str:
    """The name as Markdown that shows it as it is written (every ASCII mark escaped, CommonMark section 2.4)."""
    escaped = "".join(f"\\{char}" if char in string.punctuation else char for char in " ".join(name.split()))
    return _LATE.sub(lambda found: found[0] + JOINER, escaped)


def active_names(frames: Iterable[pl.DataFrame]) -> tuple[str, ...]:
    """Every string in the frames that Markdown would act on, the longest first."""
    found: set[str] = set()
    for frame in frames:
        for name, dtype in frame.schema.items():
            if dtype == pl.List(pl.String):
                values = frame[name].explode()
            elif dtype == pl.String:
                values = frame[name]
            else:
                continue
            values = values.drop_nulls().unique()
            found.update(values.filter(values.str.contains(ACTIVE)).to_list())
    return tuple(sorted(found, key=lambda text: (-len(text), text)))


def shown(text: str, names: Iterable[str]) -> str:
    """A page's text with those names in it made inert."""
    marks: dict[str, str] = {}
    for name in names:
        if name not in text:
            continue
        # Taken out first and put back escaped at the end, so that no name is found inside another's escape.
        mark = f"\ue000{len(marks)}\ue001"
        marks[mark] = literal(name)
        text = text.replace(f"`{name}`", mark).replace(name, mark)
    for mark, escaped in reversed(marks.items()):
        text = text.replace(mark, escaped)
    return text


def install(names: Callable[[], Iterable[str]]) -> None:
    """Make every text that a page shows pass through `shown`; once a process is enough."""
    for sink in SINKS:
        original = getattr(DeltaGenerator, sink, None)
        if original is None or hasattr(original, "inert"):
            continue
        wrapped = _wrapped(original, names)
        setattr(DeltaGenerator, sink, wrapped)
        on_page = getattr(st, sink, None)
        page = getattr(on_page, "__self__", None)
        if page is not None:
            setattr(st, sink, wrapped.__get__(page))


def _wrapped(original: Callable[..., Any], names: Callable[[], Iterable[str]]) -> Any:
    @functools.wraps(original)
    def call(self: DeltaGenerator, first: Any = "", *rest: Any, **options: Any) -> Any:
        known = tuple(names())
        if known:
            first, options = _made_inert(first, known), _options(options, known)
        return original(self, first, *rest, **options)

    call.inert = True  # type: ignore[attr-defined]
    return call


def _made_inert(value: Any, names: tuple[str, ...]) -> Any:
    if isinstance(value, str):
        return shown(value, names)
    if isinstance(value, list):
        return [_made_inert(one, names) for one in value]
    return value


def _options(options: Mapping[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {
        key: _made_inert(value, names) if key in ("help", "body", "label") else value
        for key, value in options.items()
    }
