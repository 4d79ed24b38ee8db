"""What the last fit says, and what a fit would have said on an earlier day, as the person who looks may see it."""

from __future__ import annotations

import datetime as dt

import polars as pl
import streamlit as st

from dashboard import data
from models.spread.fit import GroupFit, Scores, fit_groups
from models.thresholds.proposal import Proposal
from pipelines.fit.landing import STORED, stored_fit, stored_proposals, stored_scores
from pipelines.kinds import kinds


@st.cache_resource(max_entries=8, show_spinner=False)
def _fit(stamp: str, test: str, measure: str) -> GroupFit:
    found = {name: data.rows(stamp, name, test=test, measure=measure) for name in STORED}
    known = kinds()[test]
    return stored_fit(known, measure, {**found, "comparison_groups": data.rows(stamp, "comparison_groups")})


def fit(stamp: str, test: str, measure: str) -> GroupFit:
    """The last fit of one measure of a test, as the warehouse keeps it."""
    return data.as_seen(stamp, ("fit", test, measure), lambda: _fit(stamp, test, measure))


@st.cache_resource(max_entries=8, show_spinner="Working out what was known on that day")
def _fit_then(stamp: str, test: str, measure: str, as_of: dt.date) -> GroupFit:
    # of all shops, which borrow from each other; what is shown of it are the groups in sight
    own = data.records_of_test(stamp, test, measure)
    then = own.with_frames(
        captures=own.captures.filter(pl.col("captured_at").dt.date() <= as_of),
        outcomes=own.outcomes.filter(pl.col("confirmed_at").dt.date() <= as_of),
    )
    return fit_groups(then, kinds()[test].measure(measure)).of_groups(data.groups(stamp)["group"].to_list())


def fit_as_of(stamp: str, test: str, measure: str, as_of: dt.date) -> GroupFit:
    """What a fit would have said at the end of a day: the stored one, or for an earlier day one of what was known."""
    if as_of >= data.newest_day(stamp):
        return fit(stamp, test, measure)
    return data.as_seen(stamp, ("then", test, measure, as_of), lambda: _fit_then(stamp, test, measure, as_of))


def thresholds_as_of(stamp: str, as_of: dt.date) -> pl.DataFrame:
    """The thresholds in force at the end of a day, one a test, measure and group."""
    held = data.frames(stamp)
    if as_of >= data.newest_day(stamp):
        return held["thresholds_in_force"]
    return (
        held["thresholds"]
        .filter(pl.col("set_at").dt.date() <= as_of)
        .sort(pl.col("source") == "set", "version")
        .unique(["test", "measure", "group"], keep="last", maintain_order=True)
    )


def scores(stamp: str, test: str, measure: str) -> Scores:
    """The last fit's scores of one measure of a test."""
    return data.as_seen(stamp, ("scores", test, measure), lambda: _scores(stamp, test, measure))


@st.cache_resource(max_entries=8, show_spinner=False)
def _scores(stamp: str, test: str, measure: str) -> Scores:
    captures = data.rows(stamp, "captures").filter(pl.col("test") == test)
    found = data.rows(stamp, "test_scores", test=test, measure=measure)
    elements = data.rows(stamp, "test_element_scores", test=test, measure=measure)
    return stored_scores(measure, found, elements, captures)


data.KEEPS.append(_scores)


@st.cache_resource(max_entries=8, show_spinner=False)
def proposals(stamp: str, test: str, measure: str) -> tuple[Proposal, ...]:
    """The last fit's proposed thresholds of one measure of a test, one a group."""
    return stored_proposals(data.rows(stamp, "proposals", test=test, measure=measure))
