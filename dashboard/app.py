"""The dashboard's entry: navigation, shared filters, and an eye on the warehouse's version."""

from __future__ import annotations

import logging

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from dashboard import data
from dashboard.shared import filters, inert, notices, parts
from dashboard.shared.pages import FIRST, PAGES
from pipelines.errors import ShopspreadError

POLL_S = 4
LOG = logging.getLogger("shopspread.dashboard")


@st.fragment(run_every=POLL_S)
def watch(seen: str) -> None:
    """Draw the page again as soon as an ingest, a fit or a decision has landed."""
    if st.session_state.pop("just_looked", False):
        return  # drawn with the whole page, which has read the version this very moment
    try:
        now = data.stamp()
    except ShopspreadError:
        return  # in use for long: the next look will tell
    if now != seen:
        st.rerun()


def main() -> None:
    """One run of the script: a page with its filters, or what to do first."""
    st.set_page_config(page_title="Shopspread", page_icon=parts.icon(), layout="wide")
    parts.style()
    filters.keep()
    pages: dict[str, list[StreamlitPage]] = {}
    for entry in PAGES:
        pages.setdefault(entry.section, []).append(
            st.Page(
                entry.script,
                title=entry.title,
                icon=entry.icon,
                url_path=entry.name,
                default=entry.name == FIRST,
            )
        )
    page = st.navigation(pages)
    if data.is_demo():
        st.sidebar.info(
            "Demo: this shop, its people and its vehicles are invented.", icon=":material/science:"
        )
    try:
        stamp = data.stamp()
    except ShopspreadError as error:
        notices.trouble(str(error))
        return
    st.session_state["stamp"] = stamp
    inert.install(lambda: data.active_names(st.session_state.get("stamp", "")))
    st.session_state["just_looked"] = True
    watch(stamp)
    try:
        _draw(page, stamp)
    except data.Moved:
        st.rerun()


def _draw(page: StreamlitPage, stamp: str) -> None:
    if not stamp or not data.anything(stamp):
        settings_page = bool(stamp) and page.title == "Intake and settings"
        notices.start_here(None if settings_page else page.title, warehouse=bool(stamp))
        if settings_page:
            page.run()
        return
    try:
        page.run()
    except data.Moved:
        raise
    except ShopspreadError as error:
        notices.trouble(str(error))
    except Exception:
        # A defect of ours: the terminal gets all of it, the person a sentence to act on.
        LOG.exception("the page %s could not be drawn", page.title)
        notices.defect(page.title)


main()
