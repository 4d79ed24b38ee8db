"""Captures and records brought in by hand: one form at a time, and what was entered with the way back."""

from __future__ import annotations

import streamlit as st

from dashboard import data, writing
from dashboard.shared import filters, go, notices
from dashboard.shared.pages import ADD_SECTIONS
from dashboard.views.add import captures, records

FORMS = {
    "Captures": captures.draw,
    "Engine family": records.family,
    "Job": records.job,
    "Technician": records.technician,
    "Drill": records.drill,
    "Coaching session": records.coaching,
    "Entered so far": records.history,
}
FIRST = ADD_SECTIONS[0]

stamp: str = st.session_state["stamp"]
st.title("Add captures and records")
if not stamp:
    notices.too_little(f"There is no warehouse yet at {data.path()}.")
    if st.button("Start one here", type="primary"):
        writing.start()
        st.rerun()
    go.end()
filters.sidebar(stamp, ())
if st.session_state.get("kept_add") not in FORMS:
    st.session_state["kept_add"] = FIRST
chosen = st.segmented_control("Add", list(FORMS), key="kept_add", label_visibility="collapsed") or FIRST
FORMS[chosen](stamp)
if chosen == FIRST:
    records.pattern(stamp)
