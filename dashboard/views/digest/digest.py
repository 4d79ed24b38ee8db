"""The week's digest: what changed and what needs a decision; the same as the file that is mailed."""

from __future__ import annotations

import datetime as dt

import streamlit as st

from dashboard import data
from dashboard.documents.digest import beyond_sentence, render
from dashboard.shared import filters, go, notices, parts, people, waits, words
from dashboard.views.digest import answer as answers
from pipelines.reports.week import Change


def show(change: Change, monday: dt.date) -> None:
    """What is behind a figure of the week: its jobs, or its captures."""
    if change.of == "jobs":
        go.jobs("counted", week=str(monday))
    go.week(str(monday))


stamp: str = st.session_state["stamp"]
filters.sidebar(stamp, ())

st.title("The week's digest")
newest = answers.default_week(data.newest_day(stamp))
monday = st.session_state.get("kept_digest_week") or newest
week = people.week(data.work_stamp(stamp), monday)
found = answers.waits_of(stamp, week)
st.caption(
    f"{words.day(week.monday)} to {words.day(week.sunday)}. What needs a decision is what came up in that week and is "
    "still open today; the figures are as they stood when the week was over."
)
with st.container(horizontal=True):
    if st.button("The week before", icon=":material/chevron_left:"):
        go.here(kept_digest_week=answers.week_before(week.monday))
    if st.button("The week after", icon=":material/chevron_right:", disabled=week.monday >= newest):
        go.here(kept_digest_week=answers.week_after(week.monday))
    if st.button("All captures of this week", icon=":material/event:"):
        go.week(str(week.monday))
    st.download_button(
        "As a file to mail or print", lambda: render(week, found), file_name=answers.file_name(week), mime="text/html",
        icon=":material/mail:", on_click="ignore",
    )  # fmt: skip

st.header("What changed")
if week.changes:
    event = parts.table(
        answers.changes(week), on_select="rerun", selection_mode="single-row", key="digest_changes",
        row_height=parts.TWO_LINES, column_config=answers.NARROW,
    )  # fmt: skip
    parts.open_row(
        event, list(week.changes), lambda change: show(change, week.monday), key="digest_change_open"
    )
    st.caption(
        "Brackets hold 95 % intervals; n is the number of observations. Figures about people are for coaching."
    )
else:
    notices.too_little("Nothing to compare yet.")
st.markdown(beyond_sentence(week))

st.header("What needs a decision")
flags = answers.flags(found)
st.markdown(answers.flags_sentence(week, found))
if flags.height:
    event = parts.table(
        flags,
        on_select="rerun",
        selection_mode="single-row",
        key="digest_flags",
        column_order=answers.shown(flags),
    )
    parts.open_selected(event, flags["capture"].to_list(), key="digest_flag_open")
for title, lines in answers.lists(found):
    st.subheader(title)
    st.markdown("\n".join(f"- {line}" for line in lines))
if answers.drill_line(week):
    st.subheader("Drills short of the week's target")
    st.markdown(answers.drill_line(week))

for sentence in (answers.closed_sentence(found), waits.older(found)):
    if sentence:
        st.markdown(sentence)
if st.button("Everything that waits", icon=":material/checklist:"):
    go.to("todo")

st.caption("Every Monday by mail: `shopspread digest --mail-to ADDRESS`.")
