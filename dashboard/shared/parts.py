"""Pieces of a page that several pages draw alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from html import escape
from typing import Any

import numpy as np
import polars as pl
import polars.selectors as cs
import streamlit as st
from PIL import Image

from dashboard.shared import go, palette, words
from dashboard.shared.chart import PICKED
from dashboard.shared.drawn import Drawn
from pipelines.formulas import no_formulas

TABLE_LABEL = "The figures as a table"
TWO_LINES = 66  # the height of a table's row from which on the server sets long words on two lines
ONLY_DRAWN = frozenset({"above", "drawn", "order", "leading", "nothing", "jitter"})
TONES = {"good": palette.USUAL, "bad": palette.ODD}


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
        "h3{font-size:1.1rem!important}"
        # the server's faded text has too little contrast (WCAG 2.2, 1.4.3: 4.5 to 1)
        "[data-testid='stCaptionContainer'],[data-testid='stCaptionContainer'] *{color:inherit!important}"
        "[class*='st-key-table_'] summary{opacity:1!important}"
        # white on the theme's lighter blue has too little of it in the dark
        f"[data-testid^='stBaseButton-primary'],[data-testid='stMultiSelect'] :has(> span[title])"
        f"{{background:{palette.BLUE}!important;color:#fff!important}}"
        "[data-testid='stCaptionContainer']{opacity:0.85}"
        # room for the longest name of a test in its field
        "[data-testid='stSidebar'][data-collapsed='false']{min-width:min(21.5rem,92vw)}"
        # at 200 % zoom a button's words stand on two lines and are not cut
        "[data-testid='stMain'] [data-testid='stButton'] button p{white-space:normal!important}"
        # on a narrow screen long names break rather than run out of it
        "[data-testid='stMain'] p,[data-testid='stMain'] li,[data-testid='stMain'] h1{overflow-wrap:anywhere}"
        "</style>"
    )


# A page fills in its address in one or several steps, and each would be a step of Back. Only what a person does may
# add one: a press or a key, and one step for each.
_BACK = """<script>
(() => {
  const history = window.history;
  if (history.fillsIn) return;
  history.fillsIn = true;
  let acted = false;
  for (const kind of ["pointerdown", "keydown", "drop"])
    window.addEventListener(kind, () => { acted = true; }, true);
  window.addEventListener("popstate", () => { acted = false; }, true);
  const push = history.pushState.bind(history);
  history.pushState = (state, title, url) => {
    const step = acted;
    acted = false;
    return step ? push(state, title, url) : history.replaceState(state, title, url);
  };
})();
</script>"""


def back_button() -> None:
    """Let one press of the browser's Back leave a page: what a page fills into its address itself is no step.

    Otherwise Back from a filled-in address leads to the bare one, which is filled in again, and so on.
    """
    st.html(_BACK, unsafe_allow_javascript=True)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def chart(
    drawn: Drawn,
    *,
    key: str,
    says: str,
    rows: pl.DataFrame,
    opens: Callable[[dict[str, Any]], object] | None = None,
) -> None:
    """A chart as wide as its place, with a sentence for whoever cannot see it and the table behind it.

    Args:
        key: the chart's name on its page.
        says: what it shows and the gist of it, for screen readers.
        rows: the figures drawn; shown as a table once somebody opens it.
        opens: what a click on a mark leads to; takes the mark's fields (see `dashboard.shared.chart.pickable`).
    """
    if opens is None or not drawn.clickable:
        st.vega_lite_chart(None, drawn.document, width="stretch", theme=None, alt=says)
    else:
        event = st.vega_lite_chart(
            None, drawn.document, width="stretch", theme=None, alt=says, key=f"chart_{key}", on_select="rerun"
        )
        # a mark of another layer lies there too: it has none of the fields
        picked = [
            mark
            for mark in dict(event.get("selection", {})).get(PICKED, [])
            if mark and None not in mark.values()
        ]
        _once(f"picked_{key}", picked[0] if picked else None, opens)
    behind = st.expander(TABLE_LABEL, key=f"table_{key}", type="compact", on_change="rerun")
    if behind.open:
        with behind:
            table(figures(rows))


def _once(key: str, picked: Any, opens: Callable[[Any], object]) -> None:
    """Follow what was picked, once: it stays picked while the page is drawn again."""
    before = st.session_state.get(key)
    st.session_state[key] = picked
    if picked is not None and picked != before:
        opens(picked)


def figures(rows: pl.DataFrame) -> pl.DataFrame:
    """A chart's rows as a table to read: rounded, its columns in words, and nothing that only places a mark."""
    kept = [name for name, dtype in rows.schema.items() if name not in ONLY_DRAWN and not dtype.is_nested()]
    shown = rows.select(kept).with_columns(cs.float().round(1), cs.datetime().dt.date())
    names = {name: words.column(name) for name in kept}
    if len(set(names.values())) < len(names):
        names = {name: name.replace("_", " ") for name in kept}
    return shown.rename(names)


@dataclass(frozen=True, slots=True)
class Answer:
    """A question of the manager, what to remember, and the sentence with n and interval.

    Attributes:
        jobs: the lists of jobs behind it: a button's words, and the list's name (`dashboard.shared.job_lists`).
    """

    question: str
    answer: str
    detail: str
    tone: str = "plain"
    jobs: tuple[tuple[str, str], ...] = ()


def answers(found: list[Answer]) -> None:
    """Questions side by side: the answer large, the sentence with n and interval below it."""
    for column, one in zip(st.columns(len(found)), found, strict=True):
        with column, st.container(border=True, height="stretch"):
            st.markdown(f"**{one.question}**")
            st.html(
                f'<div style="font-size:1.7rem;line-height:1.2;font-weight:600{_tone(one.tone)}">'
                f"{escape(one.answer)}</div>"
            )
            st.markdown(one.detail)
            job_buttons(one.jobs, key=one.question)


def _tone(tone: str) -> str:
    # plain answers take the theme's own ink, which dark mode turns around
    return f";color:{TONES[tone]}" if tone in TONES else ""


def job_buttons(lists: tuple[tuple[str, str], ...], *, key: str) -> None:
    """Buttons that open the lists of jobs behind a figure: words, and the list's name."""
    if not lists:
        return
    with st.container(horizontal=True):
        for label, which in lists:
            if st.button(label, key=f"jobs_{key}_{which}", type="tertiary", icon=":material/list:"):
                go.jobs(which)


def table(frame: pl.DataFrame, **options: Any) -> Any:
    """A table without row numbers, days as ISO 8601 writes them; what is saved of it holds no formulas."""
    shown = no_formulas(frame).with_columns(cs.date().cast(pl.String)).with_columns(cs.string().fill_null(""))
    return st.dataframe(shown, hide_index=True, width="stretch", placeholder="", **options)


def static(frame: pl.DataFrame) -> None:
    """A short table for reading alone, whose words stand on as many lines as they need."""
    st.table(no_formulas(frame), hide_index=True)


def open_capture(capture_file: str, *, key: str) -> None:
    """A button that opens the page of one capture."""
    short = capture_file.rpartition("/")[2]  # the folders would leave no room for what tells captures apart
    if st.button(f"Look at {short}", key=key, icon=":material/show_chart:", help=capture_file):
        go.capture(capture_file)


def open_selected(event: Any, capture_files: list[str], *, key: str) -> None:
    """Behind a table of captures: a row that is ticked opens its capture."""
    open_row(event, capture_files, go.capture, key=key)


def ticked(event: Any) -> list[int]:
    """Which rows of a table are ticked."""
    return list(event.selection.rows) if hasattr(event, "selection") else []


def open_row(event: Any, values: list[Any], opens: Callable[[Any], object], *, key: str) -> None:
    """Behind a table: a row that is ticked opens what its value stands for."""
    rows = list(event.selection.rows) if hasattr(event, "selection") else []
    _once(f"opened_{key}", values[rows[0]] if rows and rows[0] < len(values) else None, opens)
    st.caption("Tick a row to open it. A wide table moves sideways.")
