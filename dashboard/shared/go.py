"""From anything to anything: what a click leads to, and what the next page shows."""

from __future__ import annotations

import datetime as dt
from typing import Any, NoReturn

import streamlit as st

from dashboard.shared.pages import PEOPLE_PARTS, script

PENDING, WENT = "_going", "_went"


class End(Exception):
    """The page has nothing more to say."""


def end() -> NoReturn:
    """Leave the rest of a page out. The server's own way to stop leaves no time to write the address.

    Raises:
        End: always; the entry script catches it.
    """
    raise End


def to(page: str, **state: Any) -> NoReturn:
    """Open a page with these keys of the session set; None takes a choice back.

    They are set when the next run begins, because a widget of this run may own one of them.
    """
    st.session_state[PENDING] = state
    st.switch_page(script(page))


def here(**state: Any) -> NoReturn:
    """The same page with these keys of the session set."""
    st.session_state[PENDING] = state
    st.rerun()


def capture(capture_file: str) -> NoReturn:
    """One capture."""
    to("capture", capture=capture_file)


def captures_of_test(test: str, *, technician: str | None = None) -> NoReturn:
    """The list of captures of one test, of one technician where one is named."""
    whose = {} if technician is None else {"technician": technician, "group": None}
    to("capture", test=test, capture=None, kept_chooser=True, **whose)


def captures_of_group(group: str) -> NoReturn:
    """The list of captures of one engine family or component."""
    to("capture", group=group, test=None, capture=None, kept_chooser=True)


def captures_of_technician(name: str) -> NoReturn:
    """The list of captures of one technician."""
    to("capture", group=None, test=None, technician=name, capture=None, kept_chooser=True)


def job(repair_order: str) -> NoReturn:
    """One job and its vehicle's history."""
    to("jobs", kept_order=repair_order, kept_vehicle=None)


def vehicle(name: str) -> NoReturn:
    """The history of one vehicle."""
    to("jobs", kept_order=None, kept_vehicle=name)


def jobs(which: str, *, technician: str | None = None, week: str | None = None) -> NoReturn:
    """The list of jobs behind a figure; see `dashboard.shared.job_lists.JOB_LISTS`."""
    to(
        "jobs",
        kept_jobs=which,
        technician=technician,
        kept_week=None if week is None else dt.date.fromisoformat(week),
        kept_order=None,
        kept_vehicle=None,
    )


def week(monday: str, *, technician: str | None = None) -> NoReturn:
    """One week's captures."""
    to("week", kept_week=dt.date.fromisoformat(monday), technician=technician)


def technician(name: str) -> NoReturn:
    """One technician's own page."""
    to("technicians", technician=name, kept_people_tab=PEOPLE_PARTS[2])


def known_good(capture_file: str | None, group: str, test: str) -> NoReturn:
    """A capture laid over the known-good ones of its group."""
    to("known_good", subject=test, kept_group=group, group=group, kept_over=capture_file)


def threshold(group: str, test: str) -> NoReturn:
    """A group's threshold."""
    to("thresholds", subject=test, kept_group=group, group=group)


def spread(group: str, test: str | None = None) -> NoReturn:
    """A group's normal spread."""
    subject = {} if test is None else {"subject": test}
    to("spread", kept_group=group, group=group, **subject)
