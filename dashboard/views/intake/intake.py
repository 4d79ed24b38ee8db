"""Intake and settings: what was refused or waits and what to do, the log, what the shop has decided."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, notices, parts, words
from dashboard.views.intake import answer as answers
from pipelines.errors import ShopspreadError

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
filters.sidebar(stamp, ())

st.title("Intake and settings")
counts = answers.counts(frames["captures"])
for column, (status, count) in zip(st.columns(len(counts)), counts.items(), strict=True):
    column.metric(status, words.number(count), help=answers.STATUS_WORDS[status], border=True)
st.markdown(
    "New captures and tables come in with `shopspread ingest FOLDER --warehouse "
    f"{data.path()}`; dropping the same thing twice changes nothing, and nothing is ever lost."
)
if watching := data.watching():
    st.caption(watching)

st.header("Refused, waiting, unusable: what to do")
troubles = answers.troubles(frames["captures"])
if troubles.is_empty():
    notices.fine("Everything that was dropped could be read.")
else:
    for line in answers.trouble_lines(troubles):
        st.markdown(f"- {line}")
    event = parts.table(
        troubles, on_select="rerun", selection_mode="single-row", key="trouble_table",
        column_config={
            "capture_file": "file", "what_to_do": st.column_config.TextColumn("reason, and what to do", width="large"),
            "captured_at": "captured",
        },
    )  # fmt: skip
    parts.open_selected(event, troubles["capture_file"].to_list(), key="trouble_open")

st.header("Settings")
values = data.settings(stamp)
parts.table(answers.setting_rows(frames["settings"], values))
left, right = st.columns(2)
with left, st.form("settings"):
    st.markdown("**Change a number**")
    typed = {
        known.name: st.number_input(
            answers.label(known.name), help=known.help, key=f"set_{known.name}", **answers.bounds(known, values)
        )
        for known in answers.numeric()
    }  # fmt: skip
    who = st.text_input("Who decides", key="set_who")
    if st.form_submit_button("Save", icon=":material/save:"):
        changed = {name: value for name, value in typed.items() if value != values[name]}
        try:
            for setting_name, value in changed.items():
                data.set_setting(setting_name, value, set_by=who)
        except ShopspreadError as error:
            notices.trouble(str(error))
        else:
            st.toast(f"Saved: {', '.join(changed) or 'nothing had changed'}.")
            if changed:
                st.rerun()
with right, st.container(border=True):
    st.markdown("**The standing hookup of a test**")
    test = st.selectbox("Test", data.tests(), format_func=data.title, key="kept_house_test")
    usual = answers.hookup_fields(values["house_setup"].get(test), frames["captures"], test)
    st.caption(usual.where)
    with st.form("house", border=False):
        signals = st.text_input("Signals in channel order", usual.signals, key=f"house_signals_{test}")
        scales = st.text_input("Scales in channel order", usual.scales, key=f"house_scales_{test}")
        index = ""
        if answers.index_label(test):
            index = st.text_input(answers.index_label(test), usual.index, key=f"house_index_{test}")
        rate = st.text_input("Samples a second", usual.rate_hz, key=f"house_rate_{test}")
        length = st.text_input("Length of the record, s", usual.duration_s, key=f"house_length_{test}")
        who_house = st.text_input("Who decides", key="house_who")
        st.caption("A field left empty is not checked.")
        if st.form_submit_button("Save and check every capture against it", icon=":material/save:"):
            try:
                hookup = answers.hookup_value(signals, scales, index, rate, length)
                data.set_setting("house_setup", {**values["house_setup"], test: hookup}, set_by=who_house)
                with st.spinner("Checking every capture against the standing hookup"):
                    data.fit_again()
            except ShopspreadError as error:
                notices.trouble(str(error))
            else:
                st.toast("Saved.")
                st.rerun()
    notices.cautions(data.cautions(test))

st.header("Log")
rows = st.select_slider("Newest rows shown", [100, 500, 2000, 10000], key="kept_log_rows")
log = data.frame(stamp, "intake_log", rows=rows)
if log.height:
    parts.table(answers.log_rows(log), height=420)
else:
    notices.too_little("Nothing is logged yet.")
st.caption(
    "Every row and file that came, changed, waits or was refused, and every decision; nothing is overwritten."
)
