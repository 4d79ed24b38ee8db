"""Who writes: the one place every form has its name from: the sign-in, or a field where nobody signs in."""

from __future__ import annotations

import streamlit as st

from dashboard import access
from pipelines.access.roles import Right

KEPT = "kept_by"
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
    st.session_state.setdefault(KEPT, "")
    if not st.session_state.get(key):
        st.session_state[key] = st.session_state[KEPT]
    return st.text_input(label, key=key, autocomplete="name", placeholder="who does this", max_chars=80)


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
    st.session_state[KEPT] = " ".join(name.split())
