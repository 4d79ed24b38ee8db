"""What waits for a person, in one list: flagged jobs without an outcome first, the oldest on top."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, notices, parts, people
from dashboard.shared.pages import script
from dashboard.views.todo import answer as answers

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
chosen = filters.sidebar(stamp, ("as_of",))

st.title("What waits for somebody")
st.session_state.setdefault("kept_todo_weeks", "the last 12 weeks")
span = st.segmented_control("Look back over", list(answers.WEEKS), key="kept_todo_weeks")
waiting = answers.open_flags(
    frames, data.shop(stamp).outcomes, chosen.as_of, answers.WEEKS[span or "the last 12 weeks"]
)
st.header("Flagged, and nobody has said what it was")
if waiting.is_empty():
    notices.fine(answers.flags_sentence(waiting, 0.0))
else:
    st.markdown(answers.flags_sentence(waiting, data.settings(stamp)["cost_miss"]))
    event = parts.table(
        waiting, on_select="rerun", selection_mode="single-row", key="waiting_table",
        column_config={
            "capture_file": "capture", "waits_days": st.column_config.NumberColumn("waits, days"),
            "repair_order": "job", "gap_pct": st.column_config.NumberColumn("how far off, %", format="%.1f"),
            "called": "the call", "group": "group", "which": "what stands out",
        },
    )  # fmt: skip
    parts.open_selected(event, waiting["capture_file"].to_list(), key="waiting_open")
    st.caption("Open one to see why it was flagged, and to enter what was found.")

left, right = st.columns(2)
with left:
    st.header("Files that wait or were refused")
    files = answers.files(frames)
    for line in files[:12]:
        st.markdown(f"- {line}")
    if not files:
        notices.fine("Every file that was dropped could be taken in.")
    elif st.button("All of them", icon=":material/inbox:"):
        st.switch_page(script("intake"))
with right:
    st.header("Thresholds to look at again")
    moved = answers.moved_thresholds(frames)
    for line in moved:
        st.markdown(f"- {line}")
    if not moved:
        notices.fine("No threshold somebody set lies apart from what the captures propose.")
    st.header("Who may need a hand")
    named = answers.people(people.coaching_list(data.work_stamp(stamp), chosen.as_of).items)
    for line in named:
        st.markdown(f"- {line}")
    if not named:
        notices.fine("Nobody's work stands out beyond what chance would give.")
