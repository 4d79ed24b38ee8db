"""Pieces of a page that several pages draw alike."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard import palette
from dashboard.answers.shop import Answer

TONES = {"good": palette.USUAL, "bad": palette.ODD, "plain": palette.INK}


def chart(drawn: Any) -> None:
    """A chart, as wide as its place."""
    st.altair_chart(drawn, width="stretch", theme=None)


def answers(found: list[Answer]) -> None:
    """Questions side by side: the answer large, the sentence with n and interval below it."""
    for column, one in zip(st.columns(len(found)), found, strict=True):
        with column, st.container(border=True, height="stretch"):
            st.markdown(f"**{one.question}**")
            st.html(
                f'<div style="font-size:1.7rem;line-height:1.2;font-weight:600;color:{TONES[one.tone]}">'
                f"{one.answer}</div>"
            )
            st.markdown(one.detail)


def table(frame: pl.DataFrame, **options: Any) -> Any:
    """A table without row numbers."""
    return st.dataframe(frame, hide_index=True, width="stretch", **options)


def open_capture(capture_file: str, *, key: str) -> None:
    """A button that opens the page of one capture."""
    if st.button(f"Look at {capture_file}", key=key, icon=":material/show_chart:"):
        st.session_state["capture"] = capture_file
        st.switch_page("views/capture.py")


def open_selected(event: Any, capture_files: list[str], *, key: str) -> None:
    """Below a table of captures: a button that opens the selected row's capture."""
    rows = list(event.selection.rows) if hasattr(event, "selection") else []
    if rows and rows[0] < len(capture_files):
        open_capture(capture_files[rows[0]], key=key)
    else:
        st.caption("Select a row to open that capture.")
