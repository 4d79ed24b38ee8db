"""Captures by drag and drop, and the short form that says what they are."""

from __future__ import annotations

import datetime as dt
from typing import Any

import streamlit as st

from dashboard import data, writing
from dashboard.shared import kinds_told, notices, parts, who
from dashboard.shared.pages import script
from dashboard.views.add import answer as answers
from pipelines.errors import ShopspreadError
from pipelines.kinds import engine_words, kind
from pipelines.kinds.base import Kind

SAID, ROUND, DONE = "add_said", "add_round", "add_done"
LOOKED_BACK = 400  # rows of the log among which somebody's last label is sought


def draw(stamp: str) -> None:
    """Drop files, then label those that wait."""
    by = who.ask("captures")
    _drop(by)
    files = answers.unlabelled(data.frames(stamp)["captures"])
    _done(stamp)
    st.header("What are these?" if files else "Labels")
    if not files:
        notices.fine("Every capture that came in has its label.")
        return
    asked = [name for name in st.session_state.get("kept_to_label", []) if name in files]
    if "add_files" not in st.session_state:
        st.session_state["add_files"] = asked or files[:1]
    st.session_state["add_files"] = [name for name in st.session_state["add_files"] if name in files]
    chosen = st.multiselect(
        f"Captures without a label ({len(files)}): choose those that share one", files, key="add_files"
    )
    if chosen:
        _label(stamp, chosen, by)


def _drop(by: str) -> None:
    """Whatever is dropped is kept at once, so that nothing is lost when the form below is left half filled in."""
    turn = st.session_state.setdefault(ROUND, 0)
    dropped = st.file_uploader(
        "Drop saved captures here, one or many",
        accept_multiple_files=True,
        key=f"add_drop_{turn}",
        help="The formats, limits and checks are those of the drop folder; the same file twice is one capture.",
    )
    if dropped and not by.strip():
        notices.too_little("Type your name above, and the files are taken in.")
    elif dropped:
        with st.spinner(f"Taking in {len(dropped)} files"):
            try:
                found = writing.upload([(one.name, one.getvalue()) for one in dropped], by=by)
            except ShopspreadError as error:
                notices.trouble(str(error))
                return
        who.remember(by)
        st.session_state[SAID] = answers.taken_lines(found.taken, found.troubles)
        st.session_state["kept_to_label"] = [
            one.capture_file
            for one in found.taken
            if one.capture_file and not one.known and one.capture_file not in found.troubles
        ]
        st.session_state.pop("add_files", None)
        st.session_state[ROUND] = turn + 1
        st.rerun()
    for line, good in st.session_state.get(SAID, []):
        if good:
            st.markdown(f"- {line}")
        else:
            notices.trouble(line)


def _done(stamp: str) -> None:
    """What became of the captures labelled last."""
    files = st.session_state.get(DONE, [])
    for name, status, sentence in answers.read_sentence(data.frames(stamp)["captures"], files):
        if status == "read":
            left, right = st.columns([4, 1])
            left.markdown(f":material/check: **{name}**: {sentence}.")
            with right:
                if st.button("Look at it", key=f"look_{name}"):
                    st.session_state["capture"] = name
                    st.switch_page(script("capture"))
        else:
            notices.trouble(f"{name} is {sentence}")


def _own_label(stamp: str, by: str) -> dict[str, Any]:
    """The label this person saved last: in this tab, or, after a reload, by the log."""
    if "kept_label" not in st.session_state and by.strip():
        entered = data.frame(stamp, "entered", rows=LOOKED_BACK)
        st.session_state["kept_label"] = answers.own_label(entered, data.frames(stamp), by.strip())
    return dict(st.session_state.get("kept_label", {}))


def _start(stamp: str, known: Kind, files: list[str], by: str) -> None:
    """Fill the form's fields, once for each choice of files and test: by file name, else as the last label had it."""
    mark = (tuple(files), known.name)
    state = st.session_state
    if state.get("add_started") == mark:
        return
    frames, kept = data.frames(stamp), _own_label(stamp, by)
    last = kept if kept.get("test") == known.name else answers.last_label(frames, known.name)
    named = answers.by_name(data.settings(stamp)["file_name_pattern"], files)[files[0]]
    state["add_started"] = mark
    for field in ("technician", "repair_order", "vehicle", "engine_family", "component"):
        state[f"add_{field}"] = named.get(field) or kept.get(field) or None
    taken = named.get("captured_at")
    moment = dt.datetime.fromisoformat(taken) if taken else dt.datetime.now()
    state["add_day"], state["add_time"] = moment.date(), moment.time().replace(second=0, microsecond=0)
    state["add_purpose"] = named.get("purpose") or kept.get("purpose") or "diagnosis"
    state["add_call"] = named.get("call") if named.get("call") in known.wording.calls else answers.NO_CALL
    state["add_called"] = []
    signals, scales, index = answers.hookup_of(known, data.settings(stamp)["house_setup"], last)
    state["add_signals"], state["add_index"] = signals, index
    state["add_scales"] = ", ".join(f"{scale:g}" for scale in scales)


def _last_test(stamp: str, tests: list[str], by: str) -> str:
    last = st.session_state.get("kept_test_added") or _own_label(stamp, by).get("test")
    return str(last) if last in tests else tests[0]


def _label(stamp: str, files: list[str], by: str) -> None:
    frames = data.frames(stamp)
    tests = kinds_told.tests()
    named = answers.by_name(data.settings(stamp)["file_name_pattern"], files)
    if st.session_state.get("add_test") not in tests:
        told = named[files[0]].get("test")
        st.session_state["add_test"] = told if told in tests else _last_test(stamp, tests, by)
    test = st.selectbox("Test", tests, format_func=kinds_told.title, key="add_test")
    known = kind(test)
    if known is None:
        return
    _start(stamp, known, files, by)
    offered = answers.names(frames, test)
    left, middle, right = st.columns(3)
    with left:
        technician = _choice("Technician", "technician", offered.technicians)
        purpose = st.selectbox(
            "What it was for",
            list(answers.PURPOSES),
            format_func=answers.PURPOSES.__getitem__,
            key="add_purpose",
        )
        day = st.date_input("Taken on", key="add_day")
        time = st.time_input("at", key="add_time")
    with middle:
        order = _choice("Job (repair order)", "repair_order", offered.orders, _follow_job(stamp))
        vehicle = _choice("Vehicle", "vehicle", offered.vehicles)
        family = _choice("Engine family", "engine_family", offered.families)
        component = _choice("Component (a pump, say)", "component", offered.components)
    with right:
        call, called = _call(known, frames, family)
    signals, scales, index = _hookup(known)
    label = answers.Label(
        test, technician, dt.datetime.combine(day, time), purpose, "" if purpose == "drill" else order, vehicle,
        family, component, call, called, signals, scales, index,
    )  # fmt: skip
    rows = [answers.cells(label, name, named[name]) for name in files]
    if len(rows) > 1:
        parts.table(answers.shown_rows(rows))
    if known.needs_engine and family and family not in offered.families:
        notices.too_little(
            f"Nobody has defined the engine family {family} yet: save, then define it once, above."
        )
    if st.button("Save the label", icon=":material/check:", type="primary"):
        _save(rows, label, by)


def _choice(title: str, field: str, options: list[str], on_change: Any = None) -> str:
    """One of the names on record, or a new one."""
    key = f"add_{field}"
    now = st.session_state.get(key)
    offered = [now, *options] if now and now not in options else options
    found = st.selectbox(
        title,
        offered,
        key=key,
        index=None,
        accept_new_options=True,
        placeholder="choose or type",
        on_change=on_change,
    )
    return str(found or "").strip()


def _follow_job(stamp: str) -> Any:
    def follow() -> None:
        row = answers.order_row(data.frames(stamp), st.session_state.get("add_repair_order") or "")
        for field in ("vehicle", "engine_family"):
            if row.get(field):
                st.session_state[f"add_{field}"] = row[field]

    return follow


def _call(known: Kind, frames: Any, family: str) -> tuple[str, tuple[int, ...]]:
    calls = {answers.NO_CALL: "no call", **known.wording.calls}
    call = st.radio("The technician's call", list(calls), format_func=calls.__getitem__, key="add_call")
    if call != "odd":
        return str(call or ""), ()
    most = answers.most_elements(known, frames, family)
    called = st.multiselect(f"Which {known.element.nouns}", list(range(1, most + 1)), key="add_called")
    return "odd", tuple(called)


def _hookup(known: Kind) -> tuple[tuple[str, ...], tuple[float, ...], int]:
    state = st.session_state
    shown = answers.hookup_words(
        known, state["add_signals"], answers.scales_of(state["add_scales"]), state["add_index"]
    )
    with st.expander(f"Hooked up: {shown}", icon=":material/cable:"):
        titles = {signal.name: signal.title for signal in known.signals}
        state["add_signals"] = [name for name in state["add_signals"] if name in titles]
        signals = st.multiselect(
            "Signals in channel order", list(titles), format_func=titles.__getitem__, key="add_signals"
        )
        scales = st.text_input(
            "Scales in channel order",
            key="add_scales",
            help="What turns the file's number into V or A: 10 at 10:1.",
        )
        index = 1
        if known.needs_engine:
            index = st.number_input(engine_words.INDEX_ON, 1, engine_words.MOST, key="add_index")
        notices.cautions(kinds_told.cautions(known.name))
    given = answers.scales_of(scales)
    return tuple(signals), tuple((given + [1.0] * len(signals))[: len(signals)]), int(index)


def _save(rows: list[dict[str, str]], label: answers.Label, by: str) -> None:
    try:
        with st.spinner("Reading"):
            entered = writing.label(rows, by=by)
    except ShopspreadError as error:
        notices.trouble(str(error))
        return
    who.remember(by)
    state = st.session_state
    state["kept_label"] = {
        "test": label.test, "technician": label.technician, "repair_order": label.order, "vehicle": label.vehicle,
        "engine_family": label.family, "component": label.component, "purpose": label.purpose,
        "ch_signals": ";".join(label.signals), "ch_scales": ";".join(f"{one:g}" for one in label.scales),
        engine_words.INDEX_COLUMN: label.index,
    }  # fmt: skip
    state["kept_test_added"], state[DONE] = label.test, [row["capture_file"] for row in rows]
    state[SAID] = []
    for key in ("add_started", "add_files", "kept_to_label"):
        state.pop(key, None)
    st.toast(" ".join(["Saved. The comparison with its like appears by itself in a moment.", *entered.notes]))
    st.rerun()
