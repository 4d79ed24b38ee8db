"""Intake and settings: what was refused or waits and what to do, the log, what the shop has decided."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, inert, notices, parts, words
from dashboard.shared import who as who_writes
from dashboard.views.intake import answer as answers
from dashboard.views.intake import changing

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
if not who_writes.refused(who_writes.SET):
    left, right = st.columns(2)
    with left:
        changing.settings(values)
    with right, st.container(border=True):
        changing.hookup(stamp, frames, values)

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
