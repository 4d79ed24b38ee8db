"""The forms that change what the shop has decided: its settings, and the standing hookup of a test."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard import data, hookups, writing
from dashboard.shared import kinds_told, notices, who
from dashboard.views.intake import answer as answers
from pipelines.errors import ShopspreadError


def settings(values: dict[str, Any]) -> None:
    """Change some settings, all or none; the form follows what others save meanwhile."""
    shown = answers.follow(st.session_state, values)
    with st.form("settings"):
        st.markdown("**Change a setting**")
        typed = {
            known.name: st.number_input(
                answers.label(known.name), help=known.help, key=f"set_{known.name}", **answers.bounds(known)
            )
            for known in answers.numeric()
        } | {
            known.name: st.text_input(
                answers.label(known.name), help=known.help, key=f"set_{known.name}"
            ).strip()
            for known in answers.texts()
        }
        by = who.ask("settings", label="Who decides")
        if st.form_submit_button("Save", icon=":material/save:"):
            changed = answers.changed(typed, shown)
            try:
                writing.set_settings(changed, seen=shown, set_by=by)
            except ShopspreadError as error:
                notices.trouble(str(error))
            else:
                shown.update(changed)
                who.remember(by)
                st.toast(f"Saved: {', '.join(changed) or 'nothing had changed'}.")
                if changed:
                    st.rerun()


def _save_hookup(test: str, wanted: dict[str, object], standing: dict[str, Any], by: str) -> None:
    try:
        writing.set_settings(
            {"house_setup": {**standing, test: wanted}}, seen={"house_setup": standing}, set_by=by
        )
        with st.spinner("Checking every capture against the standing hookup"):
            writing.fit_again()
    except ShopspreadError as error:
        notices.trouble(str(error))
    else:
        for field in ("signals", "scales", "index", "rate", "length"):
            st.session_state.pop(f"house_{field}_{test}", None)
        st.toast("Saved.")
        st.rerun()


def hookup(stamp: str, frames: data.Frames, values: dict[str, Any]) -> None:
    """Set a test's standing hookup and check every capture against it."""
    st.markdown("**The standing hookup of a test**")
    test = st.selectbox("Test", kinds_told.tests(), format_func=kinds_told.title, key="kept_house_test")
    usual = answers.hookup_fields(values["house_setup"].get(test), frames["captures"], test)
    st.caption(usual.where)
    titles = answers.signals_of(test)
    signals = st.multiselect(
        "Signals in channel order", list(titles), [name for name in usual.signals if name in titles],
        format_func=titles.__getitem__, key=f"house_signals_{test}",
    )  # fmt: skip
    scales = st.text_input("Scales in channel order", usual.scales, key=f"house_scales_{test}")
    index = ""
    if answers.index_label(test):
        index = st.text_input(answers.index_label(test), usual.index, key=f"house_index_{test}")
    rate = st.text_input("Samples a second", usual.rate_hz, key=f"house_rate_{test}")
    length = st.text_input("Length of the record, s", usual.duration_s, key=f"house_length_{test}")
    st.caption("A field left empty is not checked.")
    wanted = None
    try:
        wanted = answers.hookup_value(test, signals, scales, index, rate, length)
    except ShopspreadError as error:
        notices.trouble(str(error))
    else:
        st.info(
            answers.differ_sentence(*hookups.would_differ(stamp, test, wanted)), icon=":material/preview:"
        )
    by = who.ask("hookup", label="Who decides")
    if (
        st.button("Save and check every capture against it", icon=":material/save:", disabled=wanted is None)
        and wanted is not None
    ):
        _save_hookup(test, wanted, values["house_setup"], by)
    before = hookups.hookup_before(stamp, test)
    if before is not None and st.button("Undo the last change", icon=":material/undo:"):
        _save_hookup(test, before, values["house_setup"], by)
    notices.cautions(kinds_told.cautions(test))
