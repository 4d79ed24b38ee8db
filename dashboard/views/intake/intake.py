"""Intake and settings: what was refused or waits and what to do, the log, what the shop has decided."""

from __future__ import annotations

import streamlit as st

from dashboard import data, hookups, writing
from dashboard.shared import filters, inert, kinds_told, notices, parts, words
from dashboard.shared import who as who_writes
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
    st.caption(inert.literal(watching))

st.header("Refused, waiting, unusable: what to do")
troubles = answers.troubles(frames["captures"], frames["capture_troubles"])
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

layouts = data.frame(stamp, "text_layouts")
if layouts.height:
    with st.expander("How text files were read"):
        st.markdown(
            "Where this is wrong, say what is right in a file `text_format.json` in their folder (see README)."
        )
        parts.table(
            answers.layout_rows(layouts), column_config={"read_as": "read as", "decided_by": "decided by"}
        )

st.header("Settings")
values = data.settings(stamp)
parts.static(answers.setting_rows(frames["settings"], values))
left, right = st.columns(2)
shown = answers.follow(st.session_state, values)
with left, st.form("settings"):
    st.markdown("**Change a setting**")
    typed = {
        known.name: st.number_input(
            answers.label(known.name), help=known.help, key=f"set_{known.name}", **answers.bounds(known)
        )
        for known in answers.numeric()
    } | {
        known.name: st.text_input(answers.label(known.name), help=known.help, key=f"set_{known.name}").strip()
        for known in answers.texts()
    }  # fmt: skip
    who = who_writes.ask("settings", label="Who decides")
    if st.form_submit_button("Save", icon=":material/save:"):
        changed = answers.changed(typed, shown)
        try:
            writing.set_settings(changed, seen=shown, set_by=who)
        except ShopspreadError as error:
            notices.trouble(str(error))
        else:
            shown.update(changed)
            who_writes.remember(who)
            st.toast(f"Saved: {', '.join(changed) or 'nothing had changed'}.")
            if changed:
                st.rerun()


def save_hookup(test: str, hookup: dict[str, object], who: str) -> None:
    """Write a test's standing hookup and check every capture against it, or say why not."""
    try:
        before = values["house_setup"]
        writing.set_settings(
            {"house_setup": {**before, test: hookup}}, seen={"house_setup": before}, set_by=who
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


with right, st.container(border=True):
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
    hookup = None
    try:
        hookup = answers.hookup_value(test, signals, scales, index, rate, length)
    except ShopspreadError as error:
        notices.trouble(str(error))
    else:
        st.info(
            answers.differ_sentence(*hookups.would_differ(stamp, test, hookup)), icon=":material/preview:"
        )
    who_house = who_writes.ask("hookup", label="Who decides")
    if (
        st.button("Save and check every capture against it", icon=":material/save:", disabled=hookup is None)
        and hookup is not None
    ):
        save_hookup(test, hookup, who_house)
    before = hookups.hookup_before(stamp, test)
    if before is not None and st.button("Undo the last change", icon=":material/undo:"):
        save_hookup(test, before, who_house)
    notices.cautions(kinds_told.cautions(test))

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
