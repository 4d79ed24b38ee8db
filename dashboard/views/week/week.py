"""One week's captures: those that stand out first, then all of them."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import beside, filters, go, notices, parts, words
from dashboard.views.week import answer as answers

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
about = filters.subject(stamp)
chosen = filters.sidebar(stamp, ("as_of", "group", "technician"), about)

st.title("The week's odd ones")
newest = answers.newest_week(frames, about, chosen.as_of)
monday = st.session_state.get("kept_week") or newest
st.caption(
    f"{about.kind.title}: which captures of the week of {words.day(monday)} stand out, and all that were made."
)
with st.container(horizontal=True):
    if st.button("The week before", icon=":material/chevron_left:"):
        go.here(kept_week=answers.week_before(monday))
    if st.button("The week after", icon=":material/chevron_right:", disabled=monday >= newest):
        go.here(kept_week=answers.week_after(monday))
    if monday != newest and st.button("The newest week", icon=":material/last_page:"):
        go.here(kept_week=None)

st.header(f"Standing out in the week of {words.day(monday)}")
week, sure = answers.this_week(
    frames, data.outcomes(stamp), about, monday, chosen, data.settings(stamp)["discovery_rate_pct"]
)
if week.is_empty():
    notices.fine("No capture of that week stands out.")
else:
    for line in answers.week_lines(week):
        st.markdown(f"- {line}")
    event = parts.table(
        week, on_select="rerun", selection_mode="single-row", key="week_table",
        column_order=["gap_pct", "group", "technician", "day", "why_listed", "capture_file"],
        column_config={
            "capture_file": "capture", "group": about.group_noun, "why_listed": "why it is listed",
            "gap_pct": st.column_config.NumberColumn(
                "% off", format="%.1f", width=65, help=f"{words.gap_title(about.kind, about.measure)}, %."
            ),
        },
    )  # fmt: skip
    parts.open_selected(event, week["capture_file"].to_list(), key="week_open")
    why = answers.reason_lines(week)
    if why:
        with st.expander("What else is unusual about them"):
            for line in why:
                st.markdown(f"- {line}")
            if data.shop_shown(stamp) is not None:
                st.caption(beside.FOREST_POOLED)
st.caption(sure)
method = st.expander(words.METHOD, key="method_week", on_change="rerun")
if method.open:
    with method:
        st.markdown(answers.condition(stamp, about.test, about.measure.name))

st.header("Every capture of that week")
everything = answers.all_of(frames, monday, chosen)
if everything.is_empty():
    notices.too_little("No capture was made in that week.")
else:
    event = parts.table(
        everything, on_select="rerun", selection_mode="single-row", key="week_all",
        column_order=[
            "verdict", "test", "group", "technician", "day", "repair_order", "purpose", "status", "capture_file",
        ],
        column_config={"capture_file": "capture", "repair_order": "job"},
    )  # fmt: skip
    parts.open_selected(event, everything["capture_file"].to_list(), key="week_all_open")
