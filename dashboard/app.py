"""The dashboard's entry: navigation, shared filters, and an eye on the warehouse's version."""

from __future__ import annotations

import logging

import streamlit as st
from streamlit.navigation.page import StreamlitPage
from streamlit.runtime.scriptrunner import StopException

from dashboard import data
from dashboard.shared import address, filters, inert, notices, parts
from dashboard.shared.pages import FIRST, PAGES, Entry, script
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


def _by_its_own_name() -> StreamlitPage:
    """The first page stands at the root; asked for by its own name, it is led to."""

    def lead() -> None:
        st.switch_page(script(FIRST), query_params=dict(st.query_params.items()))

    return st.Page(lead, title=PAGES[0].title, url_path=FIRST, visibility="hidden")


def main() -> None:
    """One run of the script: a page with its filters, or what to do first."""
    st.set_page_config(page_title="Shopspread", page_icon=parts.icon(), layout="wide")
    parts.style()
    filters.keep()
    by_path: dict[str, Entry] = {}
    pages: dict[str, list[StreamlitPage]] = {}
    for entry in PAGES:
        first = entry.name == FIRST
        shown = st.Page(
            entry.script,
            title=entry.title,
            icon=entry.icon,
            url_path="start" if first else entry.name,
            default=first,
        )
        by_path[shown.url_path] = entry
        pages.setdefault(entry.section, []).append(shown)
    page = st.navigation({**pages, "": [_by_its_own_name()]})
    entry = by_path.get(page.url_path, PAGES[0])
    if page.url_path == FIRST:
        page.run()  # leads to the first page
    st.set_page_config(page_title=f"{entry.title} · Shopspread")
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
        _draw(page, entry, stamp)
    except data.Moved:
        st.rerun()


def _draw(page: StreamlitPage, entry: Entry, stamp: str) -> None:
    if not stamp or not data.anything(stamp):
        own_form = entry.name == "add" or (bool(stamp) and entry.name == "intake")
        notices.start_here(None if own_form else page.title, warehouse=bool(stamp))
        if own_form:
            page.run()
        return
    address.take(entry, stamp)
    for sentence in address.complaints():
        notices.trouble(sentence)
    try:
        page.run()
    except StopException:
        address.write(entry)
        raise
    except data.Moved:
        raise
    except ShopspreadError as error:
        notices.trouble(str(error))
    except Exception:
        # A defect of ours: the terminal gets all of it, the person a sentence to act on.
        LOG.exception("the page %s could not be drawn", page.title)
        notices.defect(page.title)
    address.write(entry)
    st.set_page_config(page_title=address.title(entry))


main()
