"""What a technician does next: what to work on, what waits on their jobs, what was given to them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import NoReturn

import streamlit as st

from dashboard import writing
from dashboard.documents.sheet import Sheet
from dashboard.shared import go, parts, waits, words
from dashboard.shared.pages import PEOPLE_PARTS
from models.people.coaching import CoachingItem, CoachingList
from pipelines.reports.waiting import JOB, PERSON, Item

MOST_SHOWN = 5
MOST_BUTTONS = 24


def own_pages(names: Sequence[str]) -> None:
    """One press to somebody's own page, while a shop's names fit a few lines."""
    if len(names) > MOST_BUTTONS:
        return
    with st.container(horizontal=True, gap="small"):
        for name in names:
            if st.button(name, key=f"own_{name}", icon=":material/person:", type="tertiary"):
                go.technician(name)


def log_session(item: CoachingItem) -> NoReturn:
    """The form for a coaching session, filled in for a name on the list."""
    topic = {"coaching_topic": item.topic} if item.topic in writing.coaching_topics() else {}
    go.here(kept_people_tab=PEOPLE_PARTS[3], coaching_who=item.technician, **topic)


def theirs(items: Sequence[Item], name: str) -> list[Item]:
    """What waits on a technician's own captures or was given to them, the newest first."""
    found = [
        item
        for item in items
        if item.open
        and item.sort != PERSON
        and (item.mark.assigned_to == name or (item.sort == JOB and item.facts.get("technician") == name))
    ]
    return sorted(
        found, key=lambda item: (item.since is None, -(item.since or dt.date.min).toordinal(), item.name)
    )


def draw(stamp: str, page: Sheet, found: CoachingList, as_of: dt.date) -> None:
    """The part of the page: what the printed sheet says to work on, and what waits."""
    name = page.technician
    st.subheader("What to do next")
    for sentence in page.to_work_on:
        st.markdown(f"- {sentence}")
    own = theirs(waits.listed(stamp, found.items, as_of), name)
    if not own:
        st.markdown(f"- Nothing waits on a capture of {name}.")
        return
    more = f", the newest {MOST_SHOWN}" if len(own) > MOST_SHOWN else ""
    st.markdown(f"- {words.plural(len(own), 'thing')} on their captures or given to them{more}:")
    for item in own[:MOST_SHOWN]:
        left, right = st.columns([3, 2], vertical_alignment="center")
        left.markdown(f"**{waits.name(item)}**{waits.given(item)}: {waits.says(item)}")
        with right:
            if item.sort == JOB:
                parts.open_capture(item.facts["capture_file"], key=f"next_{item.key}")
    if len(own) > MOST_SHOWN and st.button(
        "Everything that waits", icon=":material/checklist:", key="next_all"
    ):
        go.to("todo")
