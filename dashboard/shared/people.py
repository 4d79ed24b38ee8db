"""The manager's and the trainer's answers, kept by (work stamp, as-of day); see `data.work_stamp`.

Those of the newest day were worked out by the fit and are only read; those of an earlier day are worked out here, of
all records. What leaves here is what the person who looks may see: of other people nothing, unless they coach them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import polars as pl
import streamlit as st

from dashboard import access, data
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
from pipelines.access.roles import Right
from pipelines.access.sight import seen
from pipelines.reports.report import Figures, load_figures, people_settings
from pipelines.reports.week import Week, week_of

KEPT = 6
Found = TypeVar("Found")


def own_work_only() -> bool:
    """Whether whoever looks is shown figures about their own work alone."""
    return not access.present().may(Right.SEE_PEOPLE)


def settings_of(stamp: str) -> PeopleSettings:
    """The shop's settings as the models about people take them."""
    return people_settings(data.settings(stamp))


def _shop(work_stamp: str) -> Shop:
    """The records as they are now; the work stamp is the key under which the answer is kept."""
    del work_stamp
    return data.whole_shop(data.stamp())


def _settings() -> PeopleSettings:
    return settings_of(data.stamp())


@st.cache_resource(max_entries=2, show_spinner=False)
def _figures(work_stamp: str, day: dt.date) -> Figures | None:  # noqa: ARG001
    return load_figures(data.warehouse(), shop=data.shop_shown(work_stamp))


def figures(work_stamp: str, day: dt.date) -> Figures | None:
    """The people's and jobs' figures as the fit stored them, or None where there are none of that day as it is now."""
    found = _figures(work_stamp, day)
    return found if found is not None and found.as_of == day else None


def _stored_or(
    work_stamp: str,
    as_of: dt.date,
    stored: Callable[[Figures], Found],
    worked_out: Callable[[Shop, PeopleSettings], Found],
) -> Found:
    """A figure as the fit stored it, or, where it stored none of that day, worked out from the records."""
    found = figures(work_stamp, as_of)
    return stored(found) if found is not None else worked_out(_shop(work_stamp), _settings())


@st.cache_resource(max_entries=KEPT, show_spinner="Counting where the scope was used")
def _scope_use(work_stamp: str, as_of: dt.date) -> Adoption:
    """Use of the scope up to a day."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.adoption,
        lambda shop, settings: adoption(shop, as_of=as_of, settings=settings),
    )


@st.cache_resource(max_entries=KEPT, show_spinner="Comparing comebacks")
def _returns(work_stamp: str, as_of: dt.date) -> Comebacks:
    """Comebacks up to a day."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.comebacks,
        lambda shop, settings: comebacks(shop, as_of=as_of, settings=settings),
    )


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _jobs(work_stamp: str, as_of: dt.date) -> pl.DataFrame:
    del work_stamp  # the key
    return listed_jobs(data.jobs_shop(data.stamp()), as_of=as_of, window_days=_settings().window_days)


def jobs(work_stamp: str, as_of: dt.date) -> pl.DataFrame:
    """Every job up to a day with what the figures count it by; see `models.jobs.listing`.

    Names, money and what came back only as far as they are this person's to see.
    """
    viewer, rows = access.present(), _jobs(work_stamp, as_of)
    if not viewer.may(Right.SEE_JOBS):
        hidden = ("scoped", "quality", "days", "week", "comeback_of", "came_back_as")
        nothing = [pl.lit(None, dtype=rows.schema[name]).alias(name) for name in hidden]
        rows = rows.with_columns(*nothing, pl.lit(False).alias("counted"), pl.lit(False).alias("came_back"))
    return rows if viewer.all_rights else seen(viewer, "orders", rows, data.hiding(data.stamp()))


@st.cache_resource(max_entries=KEPT, show_spinner="Weighing everybody's captures and calls")
def _skills(work_stamp: str, as_of: dt.date) -> tuple[TechnicianSkill, ...]:
    """Every technician's figures up to a day, by name."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.skills,
        lambda shop, settings: technicians(shop, as_of=as_of, settings=settings),
    )


@st.cache_resource(max_entries=KEPT, show_spinner="Looking for who may need a hand")
def _coaching_list(work_stamp: str, as_of: dt.date) -> CoachingList:
    """Who needs coaching, on the evidence up to a day."""
    return _stored_or(
        work_stamp,
        as_of,
        lambda figures: figures.coaching,
        lambda shop, settings: needs_coaching(
            _skills(work_stamp, as_of), shop, as_of=as_of, settings=settings
        ),
    )


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _sessions(work_stamp: str, as_of: dt.date) -> tuple[tuple[BeforeAfter, ...], CoachingEffect]:
    """Each coaching session with the work before and after it, and all of them together."""

    def worked_out(shop: Shop, settings: PeopleSettings) -> tuple[tuple[BeforeAfter, ...], CoachingEffect]:
        each = before_after(shop, as_of=as_of, settings=settings)
        return each, coaching_effect(each)

    return _stored_or(work_stamp, as_of, lambda figures: (figures.sessions, figures.effect), worked_out)


@st.cache_resource(max_entries=KEPT, show_spinner=False)
def _delay_sentences(work_stamp: str, as_of: dt.date) -> tuple[str, ...]:
    """How soon each topic's charts find trouble at this shop's pace, and what would make it sooner."""

    def worked_out(_: Shop, settings: PeopleSettings) -> tuple[str, ...]:
        found, everybody = _coaching_list(work_stamp, as_of), _skills(work_stamp, as_of)
        return tuple(delay.sentence for delay in delays(found, everybody, settings=settings))

    return _stored_or(work_stamp, as_of, lambda figures: figures.delays, worked_out)


def _shown(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows by technician as the person who looks may see them."""
    looks = access.present()
    return rows if looks.may(Right.SEE_PEOPLE) else rows.filter(pl.col("technician") == looks.technician)


def scope_use(work_stamp: str, as_of: dt.date) -> Adoption:
    """Use of the scope up to a day.

    Raises:
        NotAllowed: for somebody who sees no jobs.
    """
    access.allow(Right.SEE_JOBS)
    found = _scope_use(work_stamp, as_of)
    return replace(found, by_technician=_shown(found.by_technician))


def returns(work_stamp: str, as_of: dt.date) -> Comebacks:
    """Comebacks up to a day.

    Raises:
        NotAllowed: for somebody who sees no jobs.
    """
    access.allow(Right.SEE_JOBS)
    found = _returns(work_stamp, as_of)
    return replace(found, stepped=replace(found.stepped, by_technician=_shown(found.stepped.by_technician)))


def skills(work_stamp: str, as_of: dt.date) -> tuple[TechnicianSkill, ...]:
    """Technicians' figures up to a day, by name: everybody's, or the person's own."""
    looks = access.present()
    return tuple(one for one in _skills(work_stamp, as_of) if looks.sees(one.technician))


def coaching_list(work_stamp: str, as_of: dt.date) -> CoachingList:
    """Who needs coaching, on the evidence up to a day: everybody, or the person themselves."""
    looks, found = access.present(), _coaching_list(work_stamp, as_of)
    if looks.may(Right.SEE_PEOPLE):
        return found
    own = pl.col("technician") == looks.technician
    return replace(
        found,
        items=tuple(item for item in found.items if looks.sees(item.technician)),
        unwatched=tuple(name for name in found.unwatched if looks.sees(name)),
        chart_points=found.chart_points.filter(own),
        past=found.past.filter(own),
    )


def sessions(work_stamp: str, as_of: dt.date) -> tuple[tuple[BeforeAfter, ...], CoachingEffect]:
    """Each coaching session with the work before and after it, and all of them together."""
    looks = access.present()
    each, effect = _sessions(work_stamp, as_of)
    return tuple(one for one in each if looks.sees(one.technician)), effect


def delay_sentences(work_stamp: str, as_of: dt.date) -> tuple[str, ...]:
    """How soon each topic's charts find trouble at this shop's pace, and what would make it sooner."""
    access.present()
    return _delay_sentences(work_stamp, as_of)


def funnel_of(work_stamp: str, as_of: dt.date, measure: str) -> Funnel:
    """The funnel of one measure over the technicians."""
    return funnel(skills(work_stamp, as_of), measure, least_n=PeopleSettings().least_n)


def chart_points(found: CoachingList, technician: str, topic: str) -> pl.DataFrame:
    """The points of one technician's chart of one topic."""
    return found.chart_points.filter((pl.col("technician") == technician) & (pl.col("topic") == topic))


@st.cache_resource(max_entries=8, show_spinner="Summing up the week")
def _week(work_stamp: str, monday: dt.date) -> Week:
    return week_of(data.warehouse(), monday, data.shop_shown(work_stamp))


def week(work_stamp: str, monday: dt.date) -> Week:
    """One week's facts as they stood when it ended, as far as they are this person's to see.

    Raises:
        NotAllowed: when scope use is not theirs to see.
    """
    looks = access.present()
    looks.require(Right.SEE_JOBS)
    found = _week(work_stamp, monday)
    if not looks.may(Right.SEE_PEOPLE):
        found = replace(found, coaching=(), new=frozenset(), drills_short=())
    if looks.all_rights:
        return found
    hides = data.hiding(data.stamp())
    return hides.result(replace(found, flagged=seen(looks, "captures", found.flagged, hides)))
