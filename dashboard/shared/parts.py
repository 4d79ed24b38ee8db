"""Pieces of a page that several pages draw alike."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from html import escape
from typing import Any

import numpy as np
import polars as pl
import streamlit as st
from PIL import Image

from dashboard.shared import inert, palette
from dashboard.shared.pages import script

TONES = {"good": palette.USUAL, "bad": palette.ODD, "plain": palette.INK}


@cache
def icon() -> Image.Image:
    """The browser tab's picture: drawn here, because a named icon would be fetched from outside."""
    picture = np.full((32, 32, 3), 255, dtype=np.uint8)
    picture[12:21] = _rgb(palette.BAND)
    at = np.arange(32)
    level = 16 + np.round(4 * np.sin(at * 2 * np.pi / 11)).astype(int) + np.where(abs(at - 20) < 3, 7, 0)
    for lower in range(3):
        picture[np.clip(level + lower, 0, 31), at] = _rgb(palette.ODD)
    return Image.fromarray(picture)


def style() -> None:
    """Headings that leave room for answers above the fold."""
    st.html(
        "<style>[data-testid='stMainBlockContainer']{padding-top:2.2rem}"
        "h1{font-size:2rem!important;padding-bottom:0.2rem!important}h2{font-size:1.45rem!important}"
        "h3{font-size:1.1rem!important}</style>"
    )


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def chart(drawn: Any) -> None:
    """A chart, as wide as its place."""
    st.altair_chart(drawn, width="stretch", theme=None)


@dataclass(frozen=True, slots=True)
class Answer:
    """A question of the manager, what to remember, and the sentence with n and interval."""

    question: str
    answer: str
    detail: str
    tone: str = "plain"


def answers(found: list[Answer]) -> None:
    """Questions side by side: the answer large, the sentence with n and interval below it."""
    for column, one in zip(st.columns(len(found)), found, strict=True):
        with column, st.container(border=True, height="stretch"):
            st.markdown(f"**{one.question}**")
            st.html(
                f'<div style="font-size:1.7rem;line-height:1.2;font-weight:600;color:{TONES[one.tone]}">'
                f"{escape(one.answer)}</div>"
            )
            st.markdown(one.detail)


def table(frame: pl.DataFrame, **options: Any) -> Any:
    """A table without row numbers; what is saved of it holds no formulas."""
    return st.dataframe(inert.no_formulas(frame), hide_index=True, width="stretch", **options)


def open_capture(capture_file: str, *, key: str) -> None:
    """A button that opens the page of one capture."""
    if st.button(f"Look at {capture_file}", key=key, icon=":material/show_chart:"):
        st.session_state["capture"] = capture_file
        st.switch_page(script("capture"))


def open_selected(event: Any, capture_files: list[str], *, key: str) -> None:
    """Below a table of captures: a button that opens the selected row's capture."""
    rows = list(event.selection.rows) if hasattr(event, "selection") else []
    if rows and rows[0] < len(capture_files):
        open_capture(capture_files[rows[0]], key=key)
    else:
        st.caption("Select a row to open that capture.")
