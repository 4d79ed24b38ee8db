"""The dashboard's entry: navigation, shared filters, and an eye on the warehouse's version."""

from __future__ import annotations

import contextlib
import logging
import time

import streamlit as st
from streamlit.navigation.page import StreamlitPage
from streamlit.runtime.scriptrunner import get_script_run_ctx

from dashboard import access, data
from dashboard.shared import address, filters, go, inert, notices, parts, who, written
from dashboard.shared.pages import PAGES, Entry
from pipelines.access.roles import Viewer
from pipelines.errors import ShopspreadError

POLL_S = 4
FOLLOW_S = 30
"""An ingest lands piece after piece: a page follows once it rests, and all the same after so long."""
LOG = logging.getLogger("shopspread.dashboard")


@st.fragment(run_every=POLL_S)
def watch(seen: str, script: str) -> None:
    """Draw the page again as soon as an ingest, a fit or a decision has landed."""
    if _page_asked() != st.session_state["page_drawn"]:
        # The browser asked for this look while it was leaving the page before, and at the answer it empties the page
        # that stands there now, because the answer is one to another page: so that one is drawn again.
        st.switch_page(script, query_params=address.written())
    if st.session_state.pop("just_looked", False):
        st.session_state.pop("landing", None)
        return  # drawn with the whole page, which has read the version this very moment
    try:
        now = data.stamp()
    except ShopspreadError:
        return  # in use for long: the next look will tell
    if now == seen:
        return
    landing = follow(now, st.session_state.get("landing"), time.monotonic())
    if landing is None:
        st.rerun()
    st.session_state["landing"] = landing


def follow(now: str, landing: tuple[str, float] | None, at_s: float) -> tuple[str, float] | None:
    """Whether a page is drawn again: None when it is, else what to remember until the next look.

    Args:
        now: the stamp of what has landed. landing: what was remembered at the last look. at_s: the time, seconds.
    """
    landed, first_s = landing or ("", at_s)
    rests = now == landed
    return None if rests or at_s - first_s >= FOLLOW_S else (now, first_s)


def _page_asked() -> str:
    """What the server calls the page this run is of."""
    context = get_script_run_ctx()
    return context.page_script_hash if context else ""


def _by_its_own_name(first: Entry) -> StreamlitPage:
    """The first page stands at the root; asked for by its own name, it is led to."""

    def lead() -> None:
        st.switch_page(first.script, query_params=dict(st.query_params.items()))

    return st.Page(lead, title=first.title, url_path=first.name, visibility="hidden")


def _withheld(entry: Entry, looks: Viewer) -> StreamlitPage:
    """A page that is not this person's to open: its address says so instead of leading nowhere."""

    def refuse() -> None:
        st.title(entry.title)
        try:
            looks.require(entry.needs)
        except ShopspreadError as error:
            notices.trouble(str(error))
            return
        notices.too_little("There is one shop in sight: there is nothing to set beside it.")

    return st.Page(refuse, title=entry.title, url_path=entry.name, visibility="hidden")


def _sign_in() -> None:
    """What somebody sees who is not signed in, or no longer admitted."""
    st.title("Sign in")
    if access.by_provider():
        if st.user.get("is_logged_in"):
            notices.trouble(
                f"Nobody of the address {st.user.get('email')} is admitted here; the shop's owner can change that."
            )
            st.button("Sign out", on_click=st.logout)
        else:
            st.button("Sign in with the shop's identity provider", on_click=st.login, type="primary")
    st.markdown("[Sign in with a name and a password](/sign-in)")


def _who(looks: Viewer) -> None:
    """In the sidebar: who is signed in, and the way out."""
    who.keep_in_browser()
    if looks.name:
        with st.sidebar:
            st.caption(f"Signed in as {looks.name} ({', '.join(looks.roles)}).")
            st.button("Sign out", on_click=access.sign_out, icon=":material/logout:")


def main() -> None:
    """One run of the script: a page with its filters, or what to do first."""
    st.set_page_config(page_title="Shopspread", page_icon=parts.icon(), layout="wide")
    parts.style()
    parts.back_button()
    filters.keep()
    looks = access.viewer()
    if looks is None:
        _sign_in()
        return
    by_path: dict[str, Entry] = {}
    pages: dict[str, list[StreamlitPage]] = {}
    try:
        shops = data.shops_to_choose()
    except ShopspreadError:
        shops = ()  # what is wrong with the warehouse is said below
    allowed = [entry for entry in PAGES if entry.open_to(looks) and (shops or not entry.several)]
    if not allowed:
        _who(looks)
        notices.trouble("You have no role here yet; the shop's owner can give you one.")
        return
    for entry in allowed:
        first = entry is allowed[0]
        shown = st.Page(
            entry.script,
            title=entry.title,
            icon=entry.icon,
            url_path="start" if first else entry.name,
            default=first,
        )
        by_path[shown.url_path] = entry
        pages.setdefault(entry.section, []).append(shown)
    hidden = [_withheld(entry, looks) for entry in PAGES if entry not in allowed]
    page = st.navigation({**pages, "": [_by_its_own_name(allowed[0]), *hidden]})
    entry = by_path.get(page.url_path, allowed[0])
    _who(looks)
    if page.url_path not in by_path:
        page.run()  # leads to the first page, or says why not
        return
    st.set_page_config(page_title=f"{entry.title} · Shopspread")
    if data.is_demo():
        st.sidebar.info(
            "Demo: this shop, its people and its vehicles are invented.", icon=":material/science:"
        )
    try:
        address.take_shop(shops)
        filters.shop(shops)
        stamp = data.stamp()
    except ShopspreadError as error:
        notices.trouble(str(error))
        return
    st.session_state["stamp"] = stamp
    inert.install(lambda: st.session_state.get("written", ()))
    st.session_state["just_looked"] = True
    st.session_state["page_drawn"] = _page_asked()
    watch(stamp, entry.script)
    try:
        # once for the whole page, which asks for it at every text
        st.session_state["written"] = written.active(stamp)
        _draw(page, entry, stamp)
    except data.Moved:
        st.rerun()


def _draw(page: StreamlitPage, entry: Entry, stamp: str) -> None:
    if not stamp or not data.anything(stamp):
        own_form = entry.name == "add" or (bool(stamp) and entry.name == "intake")
        notices.start_here(None if own_form else page.title, warehouse=bool(stamp))
        if own_form:
            with contextlib.suppress(go.End):
                page.run()
        return
    address.take(entry, stamp)
    for sentence in address.complaints():
        notices.trouble(sentence)
    try:
        page.run()
    except go.End:
        pass
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


# a worker process started from a page reads this file again under another name, and must draw nothing
if __name__ == "__main__":
    main()
