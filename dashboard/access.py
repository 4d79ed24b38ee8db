"""Who looks at the page that is being drawn, and what they may do.

Asked anew at every look and every write, so that a role withdrawn a second ago no longer holds.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import streamlit as st
from streamlit.runtime.scriptrunner import add_script_run_ctx, get_script_run_ctx

from dashboard.launch import SIGN_IN_VARIABLE, accounts_of
from pipelines.access import provider
from pipelines.access.accounts import COOKIE, Accounts
from pipelines.access.roles import EVERYBODY, NotAllowed, Right, Viewer

Result = TypeVar("Result")


def signing_in() -> bool:
    """Whether people sign in to this server."""
    return bool(os.environ.get(SIGN_IN_VARIABLE))


def viewer() -> Viewer | None:
    """Who looks: everybody where nobody signs in, None where somebody is not signed in or admitted no longer."""
    if not signing_in():
        return EVERYBODY
    accounts = _accounts()
    found = accounts.who(st.context.cookies.get(COOKIE, ""))
    if found is None and st.user.get("is_logged_in") and st.user.get("email_verified") is True:
        found = accounts.of_email(str(st.user.get("email") or ""))
    return found


def present() -> Viewer:
    """Who looks.

    Raises:
        NotAllowed: where nobody is signed in.
    """
    found = viewer()
    if found is None:
        raise NotAllowed("You are not signed in any more; open the page again to sign in.")
    return found


def allow(right: Right) -> Viewer:
    """Let a write or a look through only where the person may, at this moment; returns the person.

    Raises:
        NotAllowed: with a sentence for the person.
    """
    found = present()
    found.require(right)
    return found


def in_session(work: Callable[[], Result]) -> Callable[[], Result]:
    """The same for a download, which the server works out when it is clicked, outside the run that drew its button.

    There nobody is signed in: the work is done in the session it was drawn for, and asks who looks at that moment.
    """
    context = get_script_run_ctx()

    def join() -> None:
        add_script_run_ctx(threading.current_thread(), context)

    def done() -> Result:
        with ThreadPoolExecutor(1, initializer=join) as one:
            return one.submit(work).result()

    return done


SHOP = "shop"
"""The session's key of the shop that is shown, where there are several."""


def shops_of(known: Sequence[str]) -> tuple[str, ...] | None:
    """The shops in whoever's sight, of those there are; None where there is but one and nobody's sight is narrowed."""
    found = viewer()
    if found is None:
        return ()
    if found.shops is None:
        return tuple(known) if len(known) > 1 else None
    return tuple(shop for shop in known if shop in found.shops)


def by_provider() -> bool:
    """Whether there is an identity provider to sign in with."""
    return signing_in() and provider.configured(os.environ)


def sign_out() -> None:
    """End the session of whoever looks."""
    _accounts().sign_out(st.context.cookies.get(COOKIE, ""))
    if st.user.get("is_logged_in"):
        st.logout()


def _accounts() -> Accounts:
    from dashboard import data

    return accounts_of(data.path())
