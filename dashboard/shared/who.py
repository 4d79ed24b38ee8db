"""Who writes: the one place every form has its name from: the sign-in, or a field where nobody signs in."""

from __future__ import annotations

import json
from urllib.parse import quote, unquote

import streamlit as st

from dashboard import access
from pipelines.access.roles import Right

KEPT, TO_KEEP = "kept_by", "by_to_keep"
COOKIE, COOKIE_S = "shopspread_name", 180 * 86_400
MOST_LETTERS = 80
ENTER, DECIDE, COACH, UNDO, SET = Right.ENTER, Right.DECIDE, Right.COACH, Right.UNDO, Right.SET
"""What forms ask for."""


def ask(form: str, *, label: str = "Your name") -> str:
    """Draw the field for the name of whoever fills in a form, and return the name; it is kept with what is written.

    Args:
        form: names the form; two of them on a page have a field each, filled with the name last used.
    """
    signed_in = access.present().name
    if signed_in:
        st.caption(f"Written down as {signed_in}.")
        return signed_in
    key = f"by_{form}"
    if KEPT not in st.session_state:
        held = st.context.cookies.get(COOKIE)
        # without a browser, as in the server's own test harness, what stands for it is no text
        st.session_state[KEPT] = unquote(held)[:MOST_LETTERS] if isinstance(held, str) else ""
    if not st.session_state.get(key):
        st.session_state[key] = st.session_state[KEPT]
    return st.text_input(
        label, key=key, autocomplete="name", placeholder="who does this", max_chars=MOST_LETTERS
    )


def may(*rights: Right) -> bool:
    """Whether whoever looks may do all of this."""
    looks = access.present()
    return all(looks.may(right) for right in rights)


def refused(*rights: Right) -> bool:
    """Whether whoever looks may not do this: then the form's place says so, before anything is typed in vain.

    What may be written is asked again at the write itself (`dashboard.rules.needs`).
    """
    looks = access.present()
    missing = [right for right in rights if not looks.may(right)]
    for right in missing[:1]:
        st.caption(f":material/lock: {looks.refusal(right)}")
    return bool(missing)


def remember(name: str) -> None:
    """Fill the next form's field with the name this person has just used."""
    kept = " ".join(name.split())
    if st.session_state.get(KEPT) != kept:
        st.session_state[TO_KEEP] = kept
    st.session_state[KEPT] = kept


def keep_in_browser() -> None:
    """Let this browser hold the name last used, so that it stands in the fields after a reload too.

    It fills in a field that everybody may type in, and proves nothing; where people sign in it is never asked for.
    """
    name = st.session_state.pop(TO_KEEP, None)
    if name is None or access.present().name:
        return
    cookie = f"{COOKIE}={quote(name)}; path=/; max-age={COOKIE_S}; samesite=strict"
    st.html(f"<script>document.cookie = {json.dumps(cookie)};</script>", unsafe_allow_javascript=True)
