"""The filters every page shares. They live in the session, so that they survive a change of page."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl
import streamlit as st

from dashboard import access, data
from dashboard.shared import kinds_told, palette
from dashboard.shared.go import PENDING, WENT
from models.records.measure import Measure
from models.records.shops import NO_NAME
from pipelines.kinds import kinds
from pipelines.kinds.base import Kind

EVERY = "all"
OF_ONE_SHOP = (
    "as_of", "group", "kept_group", "technician", "capture", "kept_over", "kept_order", "kept_vehicle", "kept_jobs",
)  # fmt: skip
"""Choices that mean nothing in another shop."""
KEYS = (access.SHOP, "as_of", "subject", "measure", "group", "technician", "test", "capture")


@dataclass(frozen=True, slots=True)
class Filters:
    """What the sidebar says; `None` stands for all."""

    as_of: dt.date
    group: str | None = None
    technician: str | None = None
    test: str | None = None


@dataclass(frozen=True, slots=True)
class Subject:
    """What a page about a test is about: the test, one of its measures, and its comparison groups by name.

    Attributes:
        group_noun: what a group is: `engine family` or `component`, or `group` where both occur.
    """

    kind: Kind
    measure: Measure
    groups: tuple[str, ...]
    group_noun: str

    @property
    def test(self) -> str:
        """The test's name."""
        return self.kind.name

    @property
    def none_yet(self) -> str:
        """What to do where the test has no group yet."""
        if self.kind.needs_engine:
            return "No engine family is defined yet: add engine_families.csv to the drop folder."
        return f"No capture of {self.kind.title} is logged yet: name its component or engine family in captures.csv."


HELD = "_held"
KEYBOARD = (
    "Without a mouse: Tab moves on, Enter or Space presses, arrow keys move in lists, sliders and tables. Every chart "
    "has its figures as a table."
)


def keep() -> None:
    """Hold on to the session's filters: Streamlit drops the state of a widget a page does not show.

    They are held a second time under a key that belongs to no widget, because what looks after the warehouse's
    version runs by itself, and after such a run the state of widgets of other pages is gone.
    """
    state = st.session_state
    held: dict[str, object] = state.setdefault(HELD, {})
    pending = state.pop(PENDING, {})
    state[WENT] = bool(pending)
    for key, value in pending.items():
        state[key] = held[key] = value
    names = {*KEYS, *held, *[str(key) for key in state if str(key).startswith("kept_")]}
    for key in names:
        if key in state:
            held[key] = state[key]
        if key in held:
            state[key] = held[key]


def shop(shops: Sequence[str]) -> None:
    """Which of several shops is shown; nothing where there is no choice."""
    if shops:
        with st.sidebar:
            st.selectbox(
                "Shop",
                list(shops),
                key=access.SHOP,
                format_func=lambda name: name or NO_NAME,
                on_change=_another_shop,
            )


def _another_shop() -> None:
    """What was chosen is another shop's."""
    for key in OF_ONE_SHOP:
        st.session_state[key] = None
        st.session_state.get(HELD, {}).pop(key, None)


def subject(stamp: str) -> Subject:
    """The test a page is about, and its measure where it has more than one; chosen in the sidebar."""
    grouped = data.groups(stamp)
    known = kinds()
    used = {*data.frames(stamp)["captures"]["test"].drop_nulls().unique(), *grouped["test"].unique()}
    offered = [name for name in known if name in used] or list(known)
    with st.sidebar:
        name = pick("Test", "subject", offered, title=kinds_told.title) if len(offered) > 1 else offered[0]
        kind = known[name or offered[0]]
        titles = {measure.name: measure.title for measure in kind.measures}
        chosen = (
            pick("Measure", "measure", list(titles), title=titles.__getitem__) if len(titles) > 1 else None
        )
    groups = tuple(grouped.filter(pl.col("test") == kind.name)["group"].sort())
    return Subject(kind, kind.measure(chosen or ""), groups, group_noun(stamp, kind))


def group_noun(stamp: str, kind: Kind) -> str:
    """What a group of a test is called."""
    if kind.needs_engine:
        return "engine family"
    own = data.frames(stamp)["captures"].filter(pl.col("test") == kind.name)
    components, families = own["component"].drop_nulls().len(), own["component"].null_count()
    return "component" if not families else "engine family" if not components else "group"


def sidebar(stamp: str, wanted: tuple[str, ...], about: Subject | None = None) -> Filters:
    """Draw the filters a page listens to, and return what is chosen.

    Args:
        wanted: names among `as_of`, `group`, `technician`, `test`.
        about: the test the page is about, whose groups are on offer; without one, every group.
    """
    state, newest, frames = st.session_state, data.newest_day(stamp), data.frames(stamp)
    # the as-of day follows the newest day on record until somebody picks another
    if state.get("as_of") is None or state.get("as_of") == state.get("as_of_followed"):
        state["as_of"] = newest
    state["as_of_followed"] = newest
    group = technician = test = None
    with st.sidebar:
        if "as_of" in wanted:
            st.date_input(
                "Figures as of",
                key="as_of",
                max_value=max(newest, dt.date.today()),
                help="Everything logged after this day is left out. It follows the newest day on record.",
            )
        if "group" in wanted:
            names = list(about.groups) if about else data.groups(stamp)["group"].unique().sort().to_list()
            group = _choice(
                (about.group_noun if about else "engine family or component").capitalize(), "group", names
            )
        if "technician" in wanted:
            people = {*_known(frames["technicians"], "technician"), *_known(frames["captures"], "technician")}
            technician = _choice("Technician", "technician", sorted(people))
        if "test" in wanted:
            tests = _known(frames["captures"], "test")
            test = _choice("Test", "test", tests, kinds_told.title) if len(tests) > 1 else None
        _legend()
        st.caption(KEYBOARD)
    return Filters(state["as_of"], group, technician, test)


def pick(
    label: str,
    key: str,
    options: list[str],
    *,
    title: Callable[[str], str] = str,
    help: str | None = None,
) -> str | None:
    """One of `options`, kept over pages; the first where the kept one is gone. None without options."""
    if not options:
        return None
    if st.session_state.get(key) not in options:
        st.session_state[key] = options[0]
    chosen: str | None = st.selectbox(label, options, key=key, help=help, format_func=title)
    return chosen


def pick_group(about: Subject) -> str:
    """The group a page is about: the one chosen on any page before, else the first.

    For pages that do not show the sidebar's own choice of group.
    """
    state, groups = st.session_state, list(about.groups)
    if state.get("group") in groups:
        state["kept_group"] = state["group"]

    def share() -> None:
        state["group"] = state["kept_group"]

    if state.get("kept_group") not in groups:
        state["kept_group"] = groups[0]
    return str(st.selectbox(about.group_noun.capitalize(), groups, key="kept_group", on_change=share))


def tabs(names: list[str], key: str) -> str:
    """One of several parts of a page, of which only the one shown is worked out and drawn."""
    if st.session_state.get(key) not in names:
        st.session_state[key] = names[0]
    chosen = st.segmented_control(
        "Part of this page", names, key=key, label_visibility="collapsed", required=True
    )
    return str(chosen)


def _legend() -> None:
    with st.expander("What the colours mean"):
        for colour, meaning in palette.LEGEND:
            st.html(
                f'<span style="display:inline-block;width:0.8em;height:0.8em;border-radius:2px;'
                f'border:1px solid #666;background:{colour}"></span>&nbsp; {meaning}'
            )


def _choice(label: str, key: str, options: list[str], title: Callable[[str], str] = str) -> str | None:
    chosen = pick(label, key, [EVERY, *options], title=lambda name: name if name == EVERY else title(name))
    return None if chosen == EVERY else chosen


def _known(frame: pl.DataFrame, column: str) -> list[str]:
    return sorted(str(value) for value in frame[column].drop_nulls().unique())
