"""The manager's and the trainer's answers, kept by (work stamp, as-of day); see `data.work_stamp`."""

from __future__ import annotations

import datetime as dt

import polars as pl
import streamlit as st

from dashboard import data
from models.jobs.adoption import Adoption, adoption
from models.jobs.comebacks import Comebacks, comebacks
from models.people.coaching import (
    BeforeAfter,
    CoachingEffect,
    CoachingList,
    before_after,
    coaching_effect,
    needs_coaching,
)
from models.people.funnels import Funnel, funnel
from models.people.skill import TechnicianSkill, technicians
from models.records.people_settings import PeopleSettings
from pipelines.reports.report import people_settings

KEPT = 6


def settings_of(stamp: str) -> PeopleSettings:
    """The shop's settings as the models about people take them."""
    return people_settings(data.settings(stamp))


def _frames(work_stamp: str) -> dict[str, pl.DataFrame]:
    """The frames as they are now; the work stamp is the key under which the answer is kept."""
    del work_stamp
    return data.frames(data.stamp())


@st.cache_resource(max_entries=KEPT, show_spinner="Counting where the scope was used")
def scope_use(work_stamp: str, as_of: dt.date) -> Adoption:
    """Use of the scope up to a day."""
    frames = _frames(work_stamp)
    return adoption(
        frames["captures"],
        frames["orders"],
        frames["technicians"],
        as_of=as_of,
        settings=settings_of(data.stamp()),
    )


@st.cache_resource(max_entries=KEPT, show_spinner="Comparing comebacks")
def returns(work_stamp: str, as_of: dt.date) -> Comebacks:
    """Comebacks up to a day."""
    frames = _frames(work_stamp)
    return comebacks(
        frames["captures"],
        frames["orders"],
        frames["outcomes"],
        frames["checks"],
        as_of=as_of,
        settings=settings_of(data.stamp()),
    )


@st.cache_resource(max_entries=KEPT, show_spinner="Weighing everybody's captures and calls")
def skills(work_stamp: str, as_of: dt.date) -> tuple[TechnicianSkill, ...]:
    """Every technician's figures up to a day, by name."""
    frames = _frames(work_stamp)
    return technicians(
        frames["captures"],
        frames["cylinders"],
        frames["checks"],
        frames["orders"],
        frames["outcomes"],
        frames["technicians"],
        frames["drills"],
        as_of=as_of,
        settings=settings_of(data.stamp()),
    )


@st.cache_resource(max_entries=KEPT, show_spinner="Looking for who may need a hand")
def coaching_list(work_stamp: str, as_of: dt.date) -> CoachingList:
    """Who needs coaching, on the evidence up to a day."""
    frames = _frames(work_stamp)
    return needs_coaching(
        skills(work_stamp, as_of),
        frames["captures"],
        frames["checks"],
        frames["outcomes"],
        frames["coaching"],
        as_of=as_of,
        orders=frames["orders"],
        settings=settings_of(data.stamp()),
    )


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def sessions(work_stamp: str, as_of: dt.date) -> tuple[tuple[BeforeAfter, ...], CoachingEffect]:
    """Each coaching session with the work before and after it, and all of them together."""
    frames = _frames(work_stamp)
    each = before_after(
        frames["captures"],
        frames["checks"],
        frames["outcomes"],
        frames["coaching"],
        as_of=as_of,
        orders=frames["orders"],
        settings=settings_of(data.stamp()),
    )
    return each, coaching_effect(each)


def funnel_of(work_stamp: str, as_of: dt.date, measure: str) -> Funnel:
    """The funnel of one measure over the technicians."""
    return funnel(skills(work_stamp, as_of), measure, least_n=PeopleSettings().least_n)


def chart_points(found: CoachingList, technician: str, topic: str) -> pl.DataFrame:
    """The points of one technician's chart of one topic."""
    return found.chart_points.filter((pl.col("technician") == technician) & (pl.col("topic") == topic))
