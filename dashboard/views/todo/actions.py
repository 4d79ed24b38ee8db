"""What can be done about the things chosen in the list."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import streamlit as st

from dashboard import data, writing
from dashboard.shared import findings, notices, parts, waits, who
from dashboard.shared.pages import script
from dashboard.views.todo import answer as answers
from dashboard.views.todo.answer import FILE, JOB, PERSON, THRESHOLD, Item
from pipelines.errors import ShopspreadError
from pipelines.kinds import kind
from pipelines.warehouse.decisions import Place


def selected(event: Any, shown: Sequence[Item]) -> list[Item]:
    """The rows chosen; the first of the list where none is, so that work can begin at once."""
    rows = list(event.selection.rows) if hasattr(event, "selection") else []
    return [shown[row] for row in rows if row < len(shown)] or list(shown[:1])


def draw(stamp: str, chosen: list[Item]) -> None:
    """The chosen thing with its own form, and what can be decided about any."""
    one = chosen[0]
    with st.container(border=True):
        if len(chosen) == 1:
            st.header(f"{waits.SORT_WORDS[one.sort]}: {waits.name(one)}")
            st.markdown(waits.says(one))
        else:
            st.header(f"{len(chosen)} things chosen")
        if one.mark.state == "open" and len(chosen) == 1:
            _OWN[one.sort](stamp, one)
        thresholds = [item for item in chosen if item.sort == THRESHOLD]
        _decide(stamp, chosen, thresholds)


def _job(stamp: str, item: Item) -> None:
    frames = data.frames(stamp)
    row = answers.capture_row(frames, item.facts["capture_file"])
    known = kind(row["test"] or "")
    parts.open_capture(row["capture_file"], key="todo_open")
    if known is not None:
        findings.form(row, known, answers.elements_of_capture(frames, row))


def _file(stamp: str, item: Item) -> None:
    del stamp
    if not who.may(who.ENTER):
        return
    if item.facts.get("label") and st.button("Say what it is", icon=":material/label:", type="primary"):
        st.session_state["kept_add"] = "Captures"
        st.session_state["kept_to_label"] = [item.facts["capture_file"]]
        st.switch_page(script("add"))
    if "Nobody has defined the engine family" in item.facts.get("reason", "") and st.button(
        "Define the engine family", icon=":material/settings_suggest:", type="primary"
    ):
        st.session_state["kept_add"] = "Engine family"
        st.session_state["family_name"] = item.facts["family"]
        st.switch_page(script("add"))


def _threshold(stamp: str, item: Item) -> None:
    del stamp
    if st.button("Look at what it finds and costs", icon=":material/tune:"):
        st.session_state["subject"] = item.facts["test"]
        st.session_state["kept_group"] = st.session_state["group"] = item.facts["group"]
        st.switch_page(script("thresholds"))


def _person(stamp: str, item: Item) -> None:
    del stamp
    left, right = st.columns(2)
    with left:
        for capture_file in item.facts["captures"]:
            parts.open_capture(capture_file, key=f"todo_{capture_file}")
    if who.may(who.COACH) and right.button(
        "Log a coaching session", icon=":material/edit_note:", type="primary"
    ):
        st.session_state["kept_add"] = "Coaching session"
        st.session_state["session_who"] = item.facts["technician"]
        if item.facts["topic"] in writing.coaching_topics():
            st.session_state["session_topic"] = item.facts["topic"]
        st.switch_page(script("add"))


_OWN: dict[str, Callable[[str, Item], None]] = {
    JOB: _job, FILE: _file, THRESHOLD: _threshold, PERSON: _person
}  # fmt: skip


def _decide(stamp: str, chosen: list[Item], thresholds: list[Item]) -> None:
    if who.refused(who.DECIDE):
        return
    people = answers.people(data.frames(stamp))
    one = chosen[0]
    with st.form("todo_decide"):
        st.markdown("**Decide**" if len(chosen) == 1 else f"**Decide about all {len(chosen)}**")
        left, middle, right = st.columns(3)
        whom = left.selectbox(
            "Give it to", people, index=people.index(one.mark.assigned_to) if one.mark.assigned_to in people else None,
            accept_new_options=True, placeholder="nobody yet", key=f"todo_whom_{one.key}",
        )  # fmt: skip
        reason = middle.text_input("Why", key=f"todo_why_{one.key}", help="Needed to dismiss something.")
        with right:
            by = who.ask("todo")
        with st.container(horizontal=True):
            give = st.form_submit_button("Give to that name", icon=":material/person_add:")
            done = st.form_submit_button("Done", icon=":material/check:")
            dismiss = st.form_submit_button("Dismiss", icon=":material/block:")
            again = one.mark.state != "open" and st.form_submit_button("Open again", icon=":material/undo:")
            accept = thresholds and st.form_submit_button(
                "Accept the proposal" if len(thresholds) == 1 else f"Accept {len(thresholds)} proposals",
                icon=":material/task_alt:", type="primary",
            )  # fmt: skip
    if accept:
        _each(thresholds, by, lambda item: _accept(item, by, reason), "Accepted")
    elif give or done or dismiss or again:
        state = "done" if done else "dismissed" if dismiss else "open"
        _each(
            chosen,
            by,
            lambda item: writing.mark(
                item.key, by=by, state=state, assigned_to=whom, reason=reason, seen_version=item.mark.version
            ),
            {"done": "Done", "dismissed": "Dismissed", "open": "Kept"}[state],
        )


def _accept(item: Item, by: str, reason: str) -> None:
    facts = item.facts
    writing.set_threshold(
        Place(facts["test"], facts["measure"], facts["group"]),
        facts["proposed_pct"],
        set_by=by,
        reason=reason.strip() or f"accepted as proposed: {facts['why']}",
        seen_version=facts["newest"],
    )


def _each(items: Sequence[Item], by: str, work: Callable[[Item], None], said: str) -> None:
    """Do the same with each; the first that cannot be done is named, and those before it stand."""
    for number, item in enumerate(items):
        try:
            work(item)
        except ShopspreadError as error:
            notices.trouble(
                f"{waits.name(item)}: {error}" + (f" {number} before it are done." if number else "")
            )
            return
    who.remember(by)
    st.toast(f"{said}: {waits.name(items[0])}" + (f" and {len(items) - 1} more." if len(items) > 1 else "."))
    st.rerun()
