"""What waits for a person, in one list: do it here, give it to somebody, or say why it need not be done."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, notices, parts, people, waits
from dashboard.views.todo import actions
from dashboard.views.todo import answer as answers

stamp: str = st.session_state["stamp"]
chosen = filters.sidebar(stamp, ("as_of",))

st.title("What waits for somebody")
everything = waits.listed(
    stamp, people.coaching_list(data.work_stamp(stamp), chosen.as_of).items, chosen.as_of, stakes=True
)
left, middle, right = st.columns(3)
state = st.session_state
names = [answers.ANYBODY, answers.NOBODY, *answers.assigned(everything)]
if state.get("kept_todo_for") not in names:
    state["kept_todo_for"] = answers.ANYBODY
whom = left.selectbox("For", names, key="kept_todo_for")
if state.get("kept_todo_order") not in answers.ORDERS:
    state["kept_todo_order"] = answers.OLDEST
order = middle.selectbox(
    "Order",
    list(answers.ORDERS),
    format_func=answers.ORDERS.__getitem__,
    key="kept_todo_order",
)
state["kept_todo_closed"] = bool(state.get("kept_todo_closed"))
currency = data.settings(stamp)["currency"]
closed = right.toggle("Show what was done or dismissed", key="kept_todo_closed")
waiting = answers.open_ones(everything, closed=closed)
counts = answers.counted(waiting)
if state.get("kept_todo_sort") not in counts:
    state["kept_todo_sort"] = answers.ALL
sort = st.segmented_control(
    "Show", list(counts), format_func=counts.__getitem__, key="kept_todo_sort", label_visibility="collapsed"
)
if not waiting:
    notices.fine(
        "Nothing was done or dismissed yet." if closed else answers.headline(waiting, chosen.as_of, currency)
    )
else:
    st.markdown(
        f"**{answers.headline(waiting, chosen.as_of, currency)}**"
        if not closed
        else "Open one again with the button below."
    )
shown = answers.narrowed(waiting, sort or answers.ALL, whom, order, chosen.as_of)
if shown:
    event = parts.table(
        answers.table(shown, chosen.as_of, currency), on_select="rerun", selection_mode="multi-row",
        key="todo_table", height=220,
        column_order=["waits_days", "what", "name", "stake", "says", "for", "decided"],
        column_config={
            "waits_days": st.column_config.NumberColumn("days", width=55),
            "what": st.column_config.TextColumn("kind", width=75),
            "name": st.column_config.TextColumn("which", width=165),
            "says": st.column_config.TextColumn("what to do", width=455),
            "stake": st.column_config.TextColumn("may cost", width=75), "for": "for",
            "decided": None if not closed else "decided",
        },
    )  # fmt: skip
    actions.draw(stamp, actions.selected(event, shown))
elif waiting:
    notices.too_little("Nothing of this sort waits; choose another above.")
