"""What a page says instead of figures: what to do first, that there is too little, that something went wrong."""

from __future__ import annotations

from html import escape

import streamlit as st

from dashboard.shared import palette
from pipelines.kinds import checks

SIGNS = {"usual": "●", "odd": "▼", "too little to say": "◆"}

FIRST_STEPS = """
1. Put the shop's tables (`engine_families.csv`, `technicians.csv`, `repair_orders.csv`, `captures.csv`,
   `outcomes.csv`, `drills.csv`; any of them) and the saved captures into one folder.
2. Read that folder into the warehouse: `shopspread ingest FOLDER --warehouse {warehouse}`
3. Or bring them in by drag and drop: the page "Add captures and records".
4. This page fills by itself as soon as the first captures have landed.

To look around first, `shopspread demo` builds an invented shop and opens it.
"""


def start_here(title: str | None, *, warehouse: bool) -> None:
    """The page of an empty warehouse: what to do first; without a title where the page brings its own."""
    from dashboard import data

    if title is not None:
        st.title(title)
    found = "The warehouse is still empty" if warehouse else "There is no warehouse yet"
    st.info(f"{found}: {data.path()}", icon=":material/flag:")
    st.header("What to do first")
    st.markdown(FIRST_STEPS.format(warehouse=data.path()))


def too_little(sentence: str) -> None:
    """Too little to say, and what would help."""
    st.info(sentence, icon=":material/hourglass_empty:")


def note(sentence: str) -> None:
    """What a reading says besides its figures."""
    st.info(sentence, icon=":material/info:")


def trouble(sentence: str) -> None:
    """Something could not be done: the reason and what to do."""
    st.error(sentence, icon=":material/error:")


def defect(title: str) -> None:
    """A page that failed through a fault of this program."""
    st.error(
        f"The page '{title}' could not be drawn: a fault in this program, not in your records, which are untouched. "
        "Choose another page or other filters; the terminal that runs the dashboard shows the details to report.",
        icon=":material/bug_report:",
    )


def verdict(word: str, sentence: str) -> None:
    """A capture's verdict, in the colour and with the sign it has on every page."""
    _banner(palette.VERDICTS[word], SIGNS[word], escape(sentence), size_rem=1.2)


def fine(sentence: str) -> None:
    """Everything is as it should be."""
    _banner(palette.USUAL, SIGNS["usual"], escape(sentence))


def _banner(colour: str, sign: str, content: str, *, size_rem: float = 1.0) -> None:
    st.html(
        f'<div style="border-left:0.5rem solid {colour};background:rgba(127,127,127,0.12);padding:0.7rem 1rem;'
        f'font-size:{size_rem}rem;border-radius:4px"><span style="color:{colour}">{sign}</span>&nbsp; {content}</div>'
    )


def cautions(sentences: tuple[str, ...], *, expanded: bool = False) -> None:
    """The cautions of a test, where its hookup is shown."""
    if not sentences:
        return
    with st.expander(
        "Before anybody connects anything: cautions", icon=":material/warning:", expanded=expanded
    ):
        for sentence in sentences:
            st.markdown(f"- {sentence}")


def check(name: str, severity: str, detail: str) -> None:
    """A failed setup check: how grave, and what to do next time."""
    word = "too little to say" if severity == "note" else "odd"
    known = checks().get(name)
    short = known.short if known is not None else name.replace("_", " ")
    title = f"<b>{escape(short[0].upper() + short[1:])}</b> ({escape(severity)}). {escape(detail)}"
    _banner(palette.VERDICTS[word], SIGNS[word], title)
