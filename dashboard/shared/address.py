"""What a page shows stands in its address: it survives a reload, and can be sent to somebody else.

An address that asks for something that is not there is answered with what is wrong, never with something else.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import streamlit as st

from dashboard import data
from dashboard.access import SHOP
from dashboard.shared.filters import EVERY, HELD
from dashboard.shared.go import WENT
from dashboard.shared.job_lists import JOB_LISTS
from dashboard.shared.pages import ADD_SECTIONS, PEOPLE_PARTS, Entry
from dashboard.shared.skills import FUNNELS
from pipelines.kinds import kinds
from pipelines.reports.waiting import SORTS

ON, WRITTEN, SAID, SAID_OF = "_page", "_address", "_said", "_said_of"
SHOP_WRITTEN, SHOP_SAID = "_address_shop", "_said_shop"
MOST_COMPARED = 20_000
PLAIN = (None, EVERY, "", "none", "anybody", "oldest")  # where nothing was chosen: not written
OLDEST_DAYS = 3600  # a date field of the pages reaches ten years back


class Wrong(ValueError):
    """A value of the address that is not there; the message says what is wrong."""


@dataclass(frozen=True, slots=True)
class Part:
    """One name of the address: the session's keys it stands for, and how its text is read.

    Attributes:
        keys: the session's keys; the first one is what is written.
        read: the session's value; raises `Wrong`.
    """

    keys: tuple[str, ...]
    read: Callable[[str, str], object]


def _day(text: str, stamp: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(text)
    except ValueError as error:
        raise Wrong(f"{text!r} is no day; write it as 2026-03-31.") from error
    last = max(data.newest_day(stamp), dt.date.today())
    first = dt.date.today() - dt.timedelta(days=OLDEST_DAYS)
    if not first <= day <= last:
        raise Wrong(f"Nothing is known of {day}; name a day from {first} to {last}.")
    return day


def _test(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, list(kinds()), "test")


def _measure(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, [one.name for known in kinds().values() for one in known.measures], "measure")


def _group(text: str, stamp: str) -> str:
    return _one_of(text, data.groups(stamp)["group"].to_list(), "group (engine family or component)")


def _technician(text: str, stamp: str) -> str:
    frames = data.frames(stamp)
    names = {*frames["technicians"]["technician"], *frames["captures"]["technician"].drop_nulls()}
    return _one_of(text, names, "technician")


def _order(text: str, stamp: str) -> str:
    return _one_of(text, data.frames(stamp)["orders"]["repair_order"].to_list(), "job")


def _vehicle(text: str, stamp: str) -> str:
    frames = data.frames(stamp)
    names = {*frames["orders"]["vehicle"].drop_nulls(), *frames["captures"]["vehicle"].drop_nulls()}
    return _one_of(text, sorted(names), "vehicle")


def _jobs(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, JOB_LISTS, "list of jobs")


def _part(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, PEOPLE_PARTS, "part of this page")


def _figure(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, FUNNELS, "figure about people")


def _section(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, ADD_SECTIONS, "form on this page")


def _waiting(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, SORTS, "sort of thing that waits")


def _whose(text: str, stamp: str) -> str:
    return text if text == "nobody yet" else _technician(text, stamp)


def _first(text: str, stamp: str) -> str:
    del stamp
    return _one_of(text, ("oldest", "costliest"), "order of this list")


def _yes(text: str, stamp: str) -> bool:
    del stamp
    return _one_of(text, ("yes",), "answer") == "yes"


def _number(text: str, least: float, most: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not least <= value <= most:
        raise Wrong(f"{text!r} is no {what}; write a number from {least:g} to {most:g}.")
    return value


def _x(text: str, stamp: str) -> float:
    del stamp
    return _number(text, 0.1, 1000.0, "limit in %")


def _cost(text: str, stamp: str) -> float:
    del stamp
    return _number(text, 1.0, 1e9, "cost")


def _week(text: str, stamp: str) -> dt.date:
    day = _day(text, stamp)
    return day - dt.timedelta(days=day.weekday())


def _capture(text: str, stamp: str) -> str:
    return _one_of(text, data.frames(stamp)["captures"]["capture_file"].to_list(), "capture")


def _one_of(text: str, names: Iterable[str], what: str) -> str:
    known = list(dict.fromkeys(names))
    if text in known:
        return text
    near = difflib.get_close_matches(text, known[:MOST_COMPARED], n=1)
    hint = f" Did you mean {near[0]}?" if near else ""
    raise Wrong(f"There is no {what} {text!r} on record.{hint}")


PARTS: dict[str, Part] = {
    "day": Part(("as_of",), _day),
    "test": Part(("subject",), _test),
    "measure": Part(("measure",), _measure),
    "group": Part(("kept_group", "group"), _group),
    "one_group": Part(("kept_group",), _group),
    "of_group": Part(("group",), _group),
    "technician": Part(("technician",), _technician),
    "of_test": Part(("test",), _test),
    "capture": Part(("capture",), _capture),
    "over": Part(("kept_over", "over_asked"), _capture),
    "part": Part(("kept_people_tab",), _part),
    "figure": Part(("kept_measure",), _figure),
    "order": Part(("kept_order",), _order),
    "vehicle": Part(("kept_vehicle",), _vehicle),
    "jobs": Part(("kept_jobs",), _jobs),
    "week": Part(("kept_week",), _week),
    "section": Part(("kept_add",), _section),
    "x": Part(("kept_x", "x_asked"), _x),
    "miss": Part(("kept_miss", "kept_cost_miss"), _cost),
    "false_alarm": Part(("kept_false_alarm", "kept_cost_alarm"), _cost),
    "show": Part(("kept_todo_sort",), _waiting),
    "for": Part(("kept_todo_for",), _whose),
    "first": Part(("kept_todo_order",), _first),
    "closed": Part(("kept_todo_closed",), _yes),
    "digest_week": Part(("kept_digest_week",), _week),
}
"""Every name an address may hold: `of_group` and `of_test` narrow a list, the others say what a page shows."""


def take_shop(shops: Sequence[str]) -> None:
    """Read from the address which of several shops is shown; before all else, because all else is that shop's."""
    state = st.session_state
    if not shops:
        state.pop(SHOP, None)
        return
    asked = st.query_params.get(SHOP)
    if asked is not None and asked != state.get(SHOP_WRITTEN):
        state[SHOP_WRITTEN], state[SHOP_SAID] = asked, None
        if asked in shops:
            _put(SHOP, asked)
        else:
            state[SHOP_SAID] = f"There is no shop {asked!r} on record."
    if state.get(SHOP) not in shops:
        _put(SHOP, shops[0])


def take(entry: Entry, stamp: str) -> None:
    """Read the address into the session where it is not the one this session wrote itself.

    What is wrong with it is kept for `complaints`; the values it asks for in vain are put to nothing.
    """
    state = st.session_state
    if state.get(ON) != entry.name:
        state[ON], state[SAID], state[WRITTEN] = entry.name, [], {}
    given = {name: str(st.query_params[name]) for name in st.query_params if name != SHOP}
    went = state.pop(WENT, False)
    if given == state[WRITTEN] or (not given and went):
        return
    # an address is the whole of what is shown: what it does not name is not chosen (Back to before it was)
    asked = {key for name in given if name in entry.address for key in PARTS[name].keys}
    if set(given) <= set(entry.address):
        for key in {key for name in entry.address for key in PARTS[name].keys} - asked:
            _put(key, None)
    said = []
    for name, text in given.items():
        part = PARTS.get(name)
        if part is None or name not in entry.address:
            said.append(f"The address names {name!r}, which this page does not know.")
            continue
        try:
            value = part.read(text, stamp)
        except Wrong as wrong:
            said.append(str(wrong))
            value = None
        for key in part.keys:
            _put(key, value)
        if value is None and name == "capture":
            state["capture_asked_in_vain"] = True
    state[SAID], state[SAID_OF], state[WRITTEN] = said, None, given


def _put(key: str, value: object) -> None:
    st.session_state[key] = value
    st.session_state.get(HELD, {}).pop(key, None)


def complaints() -> list[str]:
    """What is wrong with the address the page was opened by; said until the person chooses something."""
    found: list[str] = st.session_state.get(SAID, [])
    said = st.session_state.pop(SHOP_SAID, None)
    return [*found, said] if said else found


# What a tab is called by where a page shows one thing: the most particular first.
_NAMED = ("order", "vehicle", "capture", "over", "one_group", "of_group", "group", "technician")


def title(entry: Entry) -> str:
    """What the tab is called: the one thing the page shows, the page, the program."""
    shown = (st.session_state.get(PARTS[name].keys[0]) for name in _NAMED if name in entry.address)
    named = next((str(value) for value in shown if value not in PLAIN), None)
    return " · ".join(part for part in (named, entry.title, "Shopspread") if part)


def _text(value: object) -> str:
    if isinstance(value, dt.date):
        return value.isoformat()
    if value is True:
        return "yes"
    return f"{value:g}" if isinstance(value, float) else str(value)


def written() -> dict[str, str]:
    """What the address of the page last drawn asks for."""
    state = st.session_state
    shop = {SHOP: str(state[SHOP_WRITTEN])} if state.get(SHOP_WRITTEN) else {}
    return {**shop, **state.get(WRITTEN, {})}


def write(entry: Entry) -> None:
    """Put what the page shows into its address; one that asks in vain stays until the person chooses something."""
    state = st.session_state
    wanted: dict[str, str] = {}
    for name in entry.address:
        key = PARTS[name].keys[0]
        value = state.get(key)
        if value in PLAIN or value is False or (key == "as_of" and value == state.get("as_of_followed")):
            continue
        if name == "one_group" and "of_group" in wanted:
            continue  # the page shows the group its list is narrowed to
        wanted[name] = _text(value)
    if state.get(SAID):
        if state[SAID_OF] in (None, wanted):
            state[SAID_OF] = wanted
            return
        state[SAID] = []
    state[WRITTEN] = wanted
    if state.get(SHOP):
        state[SHOP_WRITTEN] = state[SHOP]
        wanted = {SHOP: state[SHOP], **wanted}
    if wanted != {name: str(st.query_params[name]) for name in st.query_params}:
        st.query_params.from_dict(wanted)
