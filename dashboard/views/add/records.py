"""Forms for engine families, jobs, technicians, drills and coaching sessions; what was entered, and the way back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import streamlit as st

from dashboard import access, data, writing
from dashboard.shared import kinds_told, notices, skills, who
from dashboard.views.add import answer as answers
from pipelines.errors import ShopspreadError
from pipelines.kinds import engine_words

SHOWN = 30
EVERYBODY = "everybody"


def _write(work: Callable[[], Any], by: str, said: str) -> bool:
    """Do one piece of work, or say why it was not done; whether it was."""
    try:
        with st.spinner("Entering"):
            done = work()
    except ShopspreadError as error:
        notices.trouble(str(error))
        return False
    who.remember(by)
    st.toast(" ".join([said, *getattr(done, "notes", ())]))
    return True


def family(stamp: str) -> None:
    """Define an engine family; the strip shows every firing in its place."""
    state = st.session_state
    wanted = answers.undefined_families(data.frames(stamp))
    if wanted:
        notices.too_little(f"Captures wait for: {', '.join(wanted)}.")
    state.setdefault("family_name", wanted[0] if wanted else "")
    left, right = st.columns(2)
    name = left.text_input("Name of the engine family, as the captures have it", key="family_name")
    sync = right.selectbox(
        engine_words.SYNC,
        list(engine_words.SYNC_WORDS),
        format_func=engine_words.SYNC_WORDS.__getitem__,
        key="family_sync",
    )
    count = left.number_input(
        engine_words.HOW_MANY, engine_words.FEWEST, engine_words.MOST, engine_words.USUAL, key="family_count"
    )
    if state.get("family_order_for") != count:
        state["family_order_for"], state["family_order"] = count, engine_words.usual_order(count)
    order = st.multiselect(
        engine_words.ORDER, list(range(1, count + 1)), key="family_order", help=engine_words.ORDER_HELP
    )
    uneven = st.toggle(engine_words.UNEVEN, key="family_uneven")
    intervals = ""
    if uneven:
        intervals = st.text_input(
            engine_words.INTERVALS, key="family_intervals", placeholder=engine_words.INTERVALS_LIKE
        )
    row = engine_words.cells(name, count, order, intervals, sync)
    found, why = engine_words.family_of(row)
    if found is None:
        notices.too_little(why)
    else:
        st.html(answers.dial(found))
        st.caption(engine_words.angles_sentence(found))
    by = who.ask("family")
    if st.button("Define it", type="primary", icon=":material/check:", disabled=found is None) and _write(
        lambda: writing.define_family(row, by=by), by, f"{name} is defined; what waited for it has been read."
    ):
        for key in ("family_name", "family_order_for"):
            state.pop(key, None)
        st.rerun()


def job(stamp: str) -> None:
    """Add a job, or correct one: the form starts with what is on record."""
    offered = answers.names(data.frames(stamp), kinds_told.tests()[0])
    order = _named("Job (repair order)", "job_order", offered.orders)
    before = answers.order_row(data.frames(stamp), order)
    if before:
        st.caption("This job is on record; what you change here is the later word, and the log keeps both.")
    with st.form(f"job_{order}"):
        left, middle, right = st.columns(3)
        typed: dict[str, Any] = {"repair_order": order}
        typed["opened_at"] = left.date_input(
            "Opened on", value=answers.day_of(before, "opened_at", today=True)
        )
        typed["closed_at"] = left.date_input("Closed on", value=answers.day_of(before, "closed_at"))
        with middle:
            typed["technician"] = _in_form("Technician", offered.technicians, before.get("technician"))
            typed["vehicle"] = _in_form("Vehicle", offered.vehicles, before.get("vehicle"))
            typed["engine_family"] = _in_form("Engine family", offered.families, before.get("engine_family"))
            typed["model_year"] = st.number_input("Model year", 1886, 2100, before.get("model_year"), step=1)
        typed["complaint"] = left.text_input("Complaint", value=before.get("complaint") or "")
        eligible = {None: "not decided", True: "yes", False: "no"}
        typed["scope_eligible"] = left.selectbox(
            "Would a scope have served?", list(eligible), format_func=eligible.__getitem__,
            index=list(eligible).index(before.get("scope_eligible")),
        )  # fmt: skip
        with right:
            typed["comeback_of"] = _in_form("Comes back from job", offered.orders, before.get("comeback_of"))
            typed["labour_h"] = st.number_input("Labour, hours", 0.0, None, before.get("labour_h"))
            typed["parts_cost"] = st.number_input("Parts", 0.0, None, before.get("parts_cost"))
            typed["parts_returned"] = st.number_input(
                "Parts returned", 0.0, None, before.get("parts_returned")
            )
        by = who.ask("job")
        if st.form_submit_button("Enter", icon=":material/check:", type="primary") and _write(
            lambda: writing.add("repair_orders", answers.job_cells(before, typed), by=by),
            by,
            f"Job {order} entered.",
        ):
            st.rerun()


def technician(stamp: str) -> None:
    """Add a technician."""
    if who.refused(who.COACH):
        return
    people = answers.names(data.frames(stamp), kinds_told.tests()[0]).technicians
    st.caption(f"On record: {', '.join(people) or 'nobody yet'}.")
    with st.form("technician"):
        left, right = st.columns(2)
        name = left.text_input("Technician", key="technician_name")
        day = right.date_input("Started on", value=None, key="technician_day")
        by = who.ask("technician")
        cells = {"technician": name.strip(), "started_on": day.isoformat() if day else ""}
        if st.form_submit_button("Enter", icon=":material/check:", type="primary") and _write(
            lambda: writing.add("technicians", cells, by=by), by, f"{name} entered."
        ):
            st.rerun()


def drill(stamp: str) -> None:
    """Ask for practice: so many captures in a week."""
    if who.refused(who.COACH):
        return
    people = answers.names(data.frames(stamp), kinds_told.tests()[0]).technicians
    with st.form("drill"):
        left, right = st.columns(2)
        name = left.selectbox("Who practises", [EVERYBODY, *people], key="drill_who")
        test = left.selectbox("Test", kinds_told.tests(), format_func=kinds_told.title, key="drill_test")
        day = right.date_input("In the week of", key="drill_week", help="Any day of that week.")
        target = right.number_input("Captures", 1, 1000, 3, key="drill_target")
        by = who.ask("drill")
        if st.form_submit_button("Set this drill", icon=":material/check:", type="primary"):
            week = answers.this_monday(day or dt.date.today())
            person = "" if name == EVERYBODY else name
            if _write(lambda: writing.set_drill(person, test, week, target, by=by), by, "Set."):
                st.rerun()


def coaching(stamp: str) -> None:
    """Note a coaching session."""
    if who.refused(who.COACH):
        return
    people = answers.names(data.frames(stamp), kinds_told.tests()[0]).technicians
    if not people:
        notices.too_little("Enter a technician first.")
        return
    tests = [None, *kinds_told.tests()]
    with st.form("coaching_entry"):
        left, right = st.columns(2)
        name = left.selectbox("Technician", people, key="session_who")
        day = left.date_input("Held on", key="session_day")
        topic = right.selectbox(
            "Topic", writing.coaching_topics(), key="session_topic",
            format_func=lambda one: skills.TOPIC_WORDS.get(one, one),
        )  # fmt: skip
        test = right.selectbox(
            "Test",
            tests,
            format_func=lambda one: kinds_told.title(one) if one else "all tests",
            key="session_test",
        )
        note = st.text_area("What was agreed", key="session_note", max_chars=900)
        by = who.ask("session")
        if st.form_submit_button("Log this session", icon=":material/check:", type="primary") and _write(
            lambda: writing.log_coaching(name, day, topic, test, note, by=by), by, "Logged."
        ):
            st.rerun()


def history(stamp: str) -> None:
    """What was entered by whom, with a way back; where files and forms disagree; the tables as files."""
    said = answers.disagreements(data.frame(stamp, "disagreements"))
    st.header("Files and forms")
    if said:
        st.markdown(
            "The later one stands; the log shows both. Write the tables below to bring the files in step."
        )
        for line in said[:SHOWN]:
            st.markdown(f"- {line}")
    else:
        notices.fine("No table of the drop folder says anything else than what was entered here.")
    if not who.refused(*writing.ALL_ROWS):
        st.download_button(
            "All tables, as the drop folder takes them (zip)", access.in_session(writing.tables_zip),
            file_name="shopspread-tables.zip", mime="application/zip", icon=":material/folder_zip:", on_click="ignore",
        )  # fmt: skip
    st.header("Entered here, the newest first")
    rows = answers.entered_rows(data.frame(stamp, "entered", rows=SHOWN * 4))[:SHOWN]
    if not rows:
        notices.too_little("Nobody has entered anything here yet.")
        return
    may = not who.refused(who.UNDO)
    by = who.ask("undo", label="Your name, to take something back") if may else ""
    for row in rows:
        left, right = st.columns([5, 1], vertical_alignment="center")
        left.markdown(f"- {answers.entered_sentence(row)}")
        if may and not row["undone"]:
            with right:
                if st.button("Take back", key=f"undo_{row['batch']}", icon=":material/undo:"):
                    _take_back(row["batch"], by)


def _take_back(batch: str, by: str) -> None:
    try:
        with st.spinner("Taking it back"):
            undone = writing.undo(batch, by=by)
    except ShopspreadError as error:
        notices.trouble(str(error))
        return
    who.remember(by)
    for sentence in undone.kept:
        notices.trouble(sentence)
    if not undone.kept:
        st.toast("Taken back; the log keeps both.")
        st.rerun()


def pattern(stamp: str) -> None:
    """What the shop's capture files are called, so that labels fill themselves in; for who may change settings."""
    if not who.may(who.SET):
        return
    now = data.settings(stamp)["file_name_pattern"]
    with st.expander("File names that fill in the label", icon=":material/badge:"):
        st.markdown(
            "Say how your files are called, fields in braces: `{technician}_{repair_order}_{captured_at}`. Fields: "
            f"{', '.join(f'`{one}`' for one in answers.FIELDS)}, and `{{any}}` for what does not matter."
        )
        text = st.text_input("Pattern", value=now, key="pattern_text")
        by = who.ask("pattern", label="Who decides")
        if st.button("Use this pattern", key="pattern_save") and _write(
            lambda: writing.set_settings(
                {"file_name_pattern": text.strip()}, seen={"file_name_pattern": now}, set_by=by
            ),
            by,
            "Saved.",
        ):
            st.session_state.pop("add_started", None)
            st.rerun()


def _named(title: str, key: str, options: list[str]) -> str:
    now = st.session_state.get(key)
    offered = [now, *options] if now and now not in options else options
    found = st.selectbox(
        title, offered, key=key, index=None, accept_new_options=True, placeholder="choose or type"
    )
    return str(found or "").strip()


def _in_form(title: str, options: list[str], now: str | None) -> str:
    offered = [now, *options] if now and now not in options else options
    found = st.selectbox(
        title, offered, index=offered.index(now) if now else None, accept_new_options=True,
        placeholder="choose or type",
    )  # fmt: skip
    return str(found or "").strip()
