"""The filters every page shares. They live in the session, so that they survive a change of page."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl
import streamlit as st

from dashboard.shared import palette

EVERY = "all"
KEYS = ("as_of", "family", "technician", "test", "capture")


@dataclass(frozen=True, slots=True)
class Filters:
    """What the sidebar says; `None` stands for all."""

    as_of: dt.date
    family: str | None = None
    technician: str | None = None
    test: str | None = None


def keep() -> None:
    """Hold on to the session's filters: Streamlit drops the state of a widget a page does not show."""
    for key in (*KEYS, *[key for key in st.session_state if str(key).startswith("kept_")]):
        if key in st.session_state:
            st.session_state[key] = st.session_state[key]


def sidebar(frames: dict[str, pl.DataFrame], newest: dt.date, wanted: tuple[str, ...]) -> Filters:
    """Draw the filters a page listens to, and return what is chosen.

    Args:
        frames: the shared frames, for the choices.
        newest: the newest day on record; the as-of day follows it until somebody picks another.
        wanted: names among `as_of`, `family`, `technician`, `test`.
    """
    state = st.session_state
    if state.get("as_of") is None or state.get("as_of") == state.get("as_of_followed"):
        state["as_of"] = newest
    state["as_of_followed"] = newest
    captures = frames["captures"]
    families = sorted({*frames["families"]["engine_family"], *_known(captures, "engine_family")})
    people = sorted({*frames["technicians"]["technician"], *_known(captures, "technician")})
    tests = _known(captures, "test")
    with st.sidebar:
        if "as_of" in wanted:
            st.date_input(
                "Figures as of",
                key="as_of",
                max_value=max(newest, dt.date.today()),
                help="Everything logged after this day is left out. It follows the newest day on record.",
            )
        family = _choice("Engine family", "family", families) if "family" in wanted else None
        technician = _choice("Technician", "technician", people) if "technician" in wanted else None
        test = _choice("Test", "test", tests) if "test" in wanted and len(tests) > 1 else None
        _legend()
    return Filters(state["as_of"], family, technician, test)


def pick(label: str, key: str, options: list[str], *, help: str | None = None) -> str | None:
    """One of `options`, kept over pages; the first where the kept one is gone. None without options."""
    if not options:
        return None
    if st.session_state.get(key) not in options:
        st.session_state[key] = options[0]
    chosen: str | None = st.selectbox(label, options, key=key, help=help)
    return chosen


def pick_family(families: list[str]) -> str:
    """The family a page is about: the one chosen on any page before, else the first.

    For pages that do not show the sidebar's own choice of family.
    """
    state = st.session_state
    if state.get("family") in families:
        state["kept_family"] = state["family"]

    def share() -> None:
        state["family"] = state["kept_family"]

    if state.get("kept_family") not in families:
        state["kept_family"] = families[0]
    return str(st.selectbox("Engine family", families, key="kept_family", on_change=share))


def _legend() -> None:
    with st.expander("What the colours mean"):
        for colour, meaning in palette.LEGEND:
            st.html(
                f'<span style="display:inline-block;width:0.8em;height:0.8em;border-radius:2px;'
                f'border:1px solid #666;background:{colour}"></span>&nbsp; {meaning}'
            )


def _choice(label: str, key: str, options: list[str]) -> str | None:
    chosen = pick(label, key, [EVERY, *options])
    return None if chosen == EVERY else chosen


def _known(frame: pl.DataFrame, column: str) -> list[str]:
    return sorted(str(value) for value in frame[column].drop_nulls().unique())
