"""The dashboard's entry: navigation, shared filters, and an eye on the warehouse's version."""

from __future__ import annotations

import logging

import streamlit as st

from dashboard import data
from dashboard.shared import filters, inert, notices, parts
from pipelines.errors import ShopspreadError

PAGES: dict[str, list[tuple[str, str, str]]] = {
    "The shop": [("shop", "Scope use and comebacks", ":material/storefront:")],
    "Engines": [
        ("spread", "Normal spread", ":material/straighten:"),
        ("thresholds", "Thresholds", ":material/tune:"),
        ("known_good", "Known-good captures", ":material/verified:"),
        ("capture", "One capture", ":material/show_chart:"),
    ],
    "People": [("technicians", "Technicians and coaching", ":material/groups:")],
    "Records": [("intake", "Intake and settings", ":material/inbox:")],
}

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
    pages = {
        section: [
            st.Page(f"views/{name}/{name}.py", title=title, icon=icon, url_path=name, default=name == "shop")
            for name, title, icon in entries
        ]
        for section, entries in PAGES.items()
    }
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
    if not stamp or not data.frames(stamp)["captures"].height + data.frames(stamp)["orders"].height:
        settings_page = bool(stamp) and page.title == "Intake and settings"
        notices.start_here(None if settings_page else page.title, warehouse=bool(stamp))
        if settings_page:
            page.run()
        return
    try:
        page.run()
    except ShopspreadError as error:
        notices.trouble(str(error))
    except Exception:
        # A defect of ours: the terminal gets all of it, the person a sentence to act on.
        LOG.exception("the page %s could not be drawn", page.title)
        notices.defect(page.title)


main()
