"""What waits for a person, in one list: do it here, give it to somebody, or say why it need not be done."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, notices, parts, people
from dashboard.views.todo import actions
from dashboard.views.todo import answer as answers

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
chosen = filters.sidebar(stamp, ("as_of",))

st.title("What waits for somebody")
decided = data.decided(stamp)
flags = answers.open_flags(frames, data.shop(stamp).outcomes, chosen.as_of)
everything = [
    *answers.flag_items(
        flags, data.healthy(stamp, flags["kind"].unique().to_list()), data.settings(stamp)["cost_miss"], decided
    ),
    *answers.file_items(
        frames["captures"], frames["capture_troubles"], data.frame(stamp, "waiting_since"),
        data.frame(stamp, "refused_rows"), chosen.as_of, decided,
    ),
    *answers.threshold_items(frames, chosen.as_of, decided),
    *answers.person_items(
        people.coaching_list(data.work_stamp(stamp), chosen.as_of).items, chosen.as_of, decided
    ),
]  # fmt: skip
left, middle, right = st.columns(3)
whom = left.selectbox(
    "For", [answers.ANYBODY, answers.NOBODY, *answers.assigned(everything)], key="kept_todo_for"
)
order = middle.selectbox("Order", [answers.OLDEST, answers.COSTLIEST], key="kept_todo_order")
closed = right.toggle("Show what was done or dismissed", key="kept_todo_closed")
waiting = answers.open_ones(everything, closed=closed)
counts = answers.counted(waiting)
st.session_state.setdefault("kept_todo_sort", answers.ALL)
sort = st.segmented_control(
    "Show", list(counts), format_func=counts.__getitem__, key="kept_todo_sort", label_visibility="collapsed"
)
if not waiting:
    notices.fine("Nothing was done or dismissed yet." if closed else answers.headline(waiting))
else:
    st.markdown(f"**{answers.headline(waiting)}**" if not closed else "Open one again with the button below.")
shown = answers.narrowed(waiting, sort or answers.ALL, whom, order)
if shown:
    event = parts.table(
        answers.table(shown), on_select="rerun", selection_mode="multi-row", key="todo_table", height=330,
        column_config={
            "waits_days": st.column_config.NumberColumn("days", width="small"),
            "what": st.column_config.TextColumn("kind", width="small"),
            "name": "which", "says": st.column_config.TextColumn("what to do", width="large"),
            "stake": st.column_config.NumberColumn("may cost", format="%.0f", width="small"), "for": "for",
            "decided": None if not closed else "decided",
        },
    )  # fmt: skip
    actions.draw(stamp, actions.selected(event, shown))
elif waiting:
    notices.too_little("Nothing of this sort waits; choose another above.")
