"""The manager's and the trainer's answers, kept by (work stamp, as-of day); see `data.work_stamp`.

Those of the newest day were worked out by the fit and are only read; those of an earlier day are worked out here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TypeVar

import polars as pl
import streamlit as st

from dashboard import data
from models.jobs.adoption import Adoption, adoption
from models.jobs.comebacks import Comebacks, comebacks
from models.jobs.listing import listed_jobs
from models.people.coaching import (
    BeforeAfter,
    CoachingEffect,
    CoachingList,
    before_after,
    coaching_effect,
    needs_coaching,
)
from models.people.funnels import Funnel, funnel
from models.people.power import delays
from models.people.skill import TechnicianSkill, technicians
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from pipelines.reports.report import Figures, people_settings

KEPT = 6
Found = TypeVar("Found")


def settings_of(stamp: str) -> PeopleSettings:
    """The shop's settings as the models about people take them."""
    return people_settings(data.settings(stamp))


def _shop(work_stamp: str) -> Shop:
    """The records as they are now; the work stamp is the key under which the answer is kept."""
    del work_stamp
    return data.shop(data.stamp())


def _settings() -> PeopleSettings:
    return settings_of(data.stamp())


def _stored_or(
    work_stamp: str,
    as_of: dt.date,
    stored: Callable[[Figures], Found],
    worked_out: Callable[[Shop, PeopleSettings], Found],
) -> Found:
    """A figure as the fit stored it, or, where it stored none of that day, worked out from the records."""
    figures = data.figures(work_stamp, as_of)
    return stored(figures) if figures is not None else worked_out(_shop(work_stamp), _settings())


@st.cache_resource(max_entries=KEPT, show_spinner="Counting where the scope was used")
def scope_use(work_stamp: str, as_of: dt.date) -> Adoption:
    """Use of the scope up to a day."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.adoption,
        lambda shop, settings: adoption(shop, as_of=as_of, settings=settings),
    )


@st.cache_resource(max_entries=KEPT, show_spinner="Comparing comebacks")
def returns(work_stamp: str, as_of: dt.date) -> Comebacks:
    """Comebacks up to a day."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.comebacks,
        lambda shop, settings: comebacks(shop, as_of=as_of, settings=settings),
    )


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def jobs(work_stamp: str, as_of: dt.date) -> pl.DataFrame:
    """Every job up to a day with what the figures count it by; see `models.jobs.listing`."""
    return listed_jobs(_shop(work_stamp), as_of=as_of, window_days=_settings().window_days)


@st.cache_resource(max_entries=KEPT, show_spinner="Weighing everybody's captures and calls")
def skills(work_stamp: str, as_of: dt.date) -> tuple[TechnicianSkill, ...]:
    """Every technician's figures up to a day, by name."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.skills,
        lambda shop, settings: technicians(shop, as_of=as_of, settings=settings),
    )


@st.cache_resource(max_entries=KEPT, show_spinner="Looking for who may need a hand")
def coaching_list(work_stamp: str, as_of: dt.date) -> CoachingList:
    """Who needs coaching, on the evidence up to a day."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.coaching,
        lambda shop, settings: needs_coaching(
            skills(work_stamp, as_of), shop, as_of=as_of, settings=settings
        ),
    )


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def sessions(work_stamp: str, as_of: dt.date) -> tuple[tuple[BeforeAfter, ...], CoachingEffect]:
    """Each coaching session with the work before and after it, and all of them together."""

    def worked_out(shop: Shop, settings: PeopleSettings) -> tuple[tuple[BeforeAfter, ...], CoachingEffect]:
        each = before_after(shop, as_of=as_of, settings=settings)
        return each, coaching_effect(each)

    return _stored_or(work_stamp, as_of, lambda figures: (figures.sessions, figures.effect), worked_out)


def funnel_of(work_stamp: str, as_of: dt.date, measure: str) -> Funnel:
    """The funnel of one measure over the technicians."""
    return funnel(skills(work_stamp, as_of), measure, least_n=PeopleSettings().least_n)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def delay_sentences(work_stamp: str, as_of: dt.date) -> tuple[str, ...]:
    """How soon each topic's charts find trouble at this shop's pace, and what would make it sooner."""
    found, everybody = coaching_list(work_stamp, as_of), skills(work_stamp, as_of)
    return tuple(delay.sentence for delay in delays(found, everybody, settings=_settings()))


def chart_points(found: CoachingList, technician: str, topic: str) -> pl.DataFrame:
    """The points of one technician's chart of one topic."""
    return found.chart_points.filter((pl.col("technician") == technician) & (pl.col("topic") == topic))
