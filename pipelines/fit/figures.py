"""The people's and jobs' figures of the newest day, stored by the fit and read by the report and the pages.

Each stands with a key that says everything it depends on: whatever was logged, set or decided since, and a newer
program, make another key, and a figure of another key is never shown: whoever asks then works it out again.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from models.jobs.adoption import Adoption, adoption
from models.jobs.comebacks import Comebacks, comebacks
from models.people.coaching import (
    BeforeAfter,
    CoachingEffect,
    CoachingItem,
    CoachingList,
    before_after,
    coaching_effect,
    needs_coaching,
)
from models.people.power import delays
from models.people.skill import TechnicianSkill, technicians
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from models.records.shops import narrowed
from models.shops.beside import ShopsBeside
from models.stats.logistic import NotConverged
from pipelines import __version__
from pipelines.fit import standing_hookup
from pipelines.fit.beside import BESIDE, BESIDE_FRAMES, beside_of
from pipelines.fit.limits import GroupCosts, LimitFigure, costs_of, limit_figures, name_of
from pipelines.threads import one_thread
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.codec import CodecError, decode, encode
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.decisions import settings_in
from pipelines.warehouse.shop import shop_of
from pipelines.warehouse.shops import figure_name, frames_of, shops_in

FIGURES_VERSION = 5
"""Raise it whenever a model of `models.people`, `models.jobs` or `models.thresholds` says something else of the
same records, so that no figure of the earlier model is shown."""

SETTINGS_THAT_MATTER = ("comeback_window_days", "house_setup")

PEOPLE_FRAMES: tuple[str, ...] = (
    "captures", "checks", "outcomes", "orders", "technicians", "drills", "coaching", "repeated_elements",
)  # fmt: skip
COST_FRAMES: tuple[str, ...] = ("captures", "outcomes", "scores", "thresholds_in_force", "comparison_groups")
_STATE = ("last_day", "figures_log", "settings", "thresholds_in_force")


@dataclass(frozen=True, slots=True)
class Figures:
    """The people's and jobs' figures as of the end of one day.

    Attributes:
        as_of: the newest day on record.
        skills: every technician's figures, by name.
        coaching: who needs coaching.
        sessions, effect: every coaching session with the work before and after it, and all together.
        adoption: use of the scope. comebacks: of scoped and other jobs.
        delays: how soon each topic's charts find trouble, in sentences.
    """

    as_of: dt.date
    skills: tuple[TechnicianSkill, ...]
    coaching: CoachingList
    sessions: tuple[BeforeAfter, ...]
    effect: CoachingEffect
    adoption: Adoption
    comebacks: Comebacks
    delays: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PeopleWeek:
    """What a week's digest says of people and of the scope's use, as they stood when the week ended.

    Attributes:
        monday: the week's first day.
        skills: every technician's figures, by name. coaching: who needs coaching.
        earlier: who needed coaching a week before.
        used: `models.jobs.adoption.Adoption.by_week`.
    """

    monday: dt.date
    skills: tuple[TechnicianSkill, ...]
    coaching: tuple[CoachingItem, ...]
    earlier: tuple[CoachingItem, ...]
    used: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _State:
    """What stands in the warehouse now, as far as figures depend on it."""

    day: dt.date
    people_key: str
    costs_key: str
    settings: PeopleSettings


def people_settings(settings: Mapping[str, Any]) -> PeopleSettings:
    """The shop's settings as the models about people take them."""
    return PeopleSettings(
        window_days=int(settings["comeback_window_days"]),
        hookups=standing_hookup.setups(settings["house_setup"]),
    )


def last_day(frame: pl.DataFrame) -> dt.date:
    """The newest day on record, of all shops in the frame; today for an empty warehouse."""
    found = frame["last_day"].max()
    return found if isinstance(found, dt.date) else dt.date.today()


def last_over(newest: dt.date) -> dt.date:
    """The Monday of the last week that was over on a day; a week is over on its Sunday."""
    return newest - dt.timedelta(days=newest.weekday() + (0 if newest.weekday() == 6 else 7))


def people_shop(frames: Mapping[str, pl.DataFrame]) -> Shop:
    """The bundle the figures are worked out from; of `PEOPLE_FRAMES`.

    It holds only the elements that a person's repeatability can rest on.
    """
    return shop_of({**frames, "elements": frames["repeated_elements"]})


def figures_of(shop: Shop, chosen: PeopleSettings, day: dt.date) -> Figures:
    """Everything about people and jobs, as of the end of a day.

    Raises:
        models.stats.logistic.NotConverged: where a model of the people's shares does not settle.
    """
    skills, coaching = people_of(shop, chosen, day)
    with one_thread():
        sessions = before_after(shop, as_of=day, settings=chosen)
        return Figures(
            as_of=day,
            skills=skills,
            coaching=coaching,
            sessions=sessions,
            effect=coaching_effect(sessions),
            adoption=adoption(shop, as_of=day, settings=chosen),
            comebacks=comebacks(shop, as_of=day, settings=chosen),
            delays=tuple(one.sentence for one in delays(coaching, skills, settings=chosen)),
        )


def people_of(
    shop: Shop, chosen: PeopleSettings, day: dt.date
) -> tuple[tuple[TechnicianSkill, ...], CoachingList]:
    """Everybody's figures and the coaching list, as of the end of a day.

    Raises:
        models.stats.logistic.NotConverged: where a model of the people's shares does not settle.
    """
    # With more threads the last digit would depend on the machine, and on whether a figure was stored or not.
    with one_thread():
        skills = technicians(shop, as_of=day, settings=chosen)
        return skills, needs_coaching(skills, shop, as_of=day, settings=chosen)


def people_week(
    shop: Shop, chosen: PeopleSettings, monday: dt.date, newest: Figures | None = None
) -> PeopleWeek:
    """A week's part about people, as of its Sunday and of the day before it.

    Args:
        newest: figures of the same shop; where they are of the week's Sunday they are not worked out again.

    Raises:
        models.stats.logistic.NotConverged: where a model of the people's shares does not settle.
    """
    sunday = monday + dt.timedelta(days=6)
    if newest is not None and newest.as_of == sunday:
        skills, coaching, used = newest.skills, newest.coaching, newest.adoption
    else:
        skills, coaching = people_of(shop, chosen, sunday)
        with one_thread():
            used = adoption(shop, as_of=sunday, settings=chosen)
    _, earlier = people_of(shop, chosen, monday - dt.timedelta(days=1))
    return PeopleWeek(monday, skills, coaching.items, earlier.items, used.by_week)


# -- stored ------------------------------------------------------------------------------------------------------------


def store_figures(warehouse: Warehouse) -> bool:
    """Work the newest day's figures out and store them in the place of the last ones, each shop's by itself.

    No connection is held meanwhile. Where something landed in between, nothing is stored: those figures would
    be of a shop that is no more. Nobody's work is weighed against another shop's.

    Returns:
        whether they stand in the warehouse now.
    """
    with warehouse.reading() as connection:
        shops = shops_in(connection)
        before = {shop: _state(connection, shop) for shop in shops}
    rows: list[tuple[str, dt.date, str, str]] = []
    used: dict[str, tuple[int, int]] = {}
    for shop in shops:
        try:
            values, found = _worked_out(warehouse, before[shop], shop)
        except NotConverged:
            return False  # the page that asks says why
        rows += [(figure_name(name, shop), before[shop].day, *value) for name, value in values.items()]
        used[shop or ""] = found.eligible, found.scoped
    if len(shops) > 1:
        newest = max(before.values(), key=lambda state: state.day)
        found_beside = beside_of(warehouse.frames(BESIDE_FRAMES), used, newest.day)
        rows.append((BESIDE, newest.day, newest.costs_key, encode(found_beside)))
    with warehouse.transaction() as connection:
        if {shop: _state(connection, shop) for shop in shops_in(connection)} != before:
            return False
        connection.execute("DELETE FROM figure")
        schema = {"name": pl.String, "as_of": pl.Date, "key": pl.String, "value": pl.String}
        intake_log.append(connection, "figure", pl.DataFrame(rows, schema=schema, orient="row"))
    return True


def _worked_out(
    warehouse: Warehouse, state: _State, shop: str | None
) -> tuple[dict[str, tuple[str, str]], Adoption]:
    """One shop's figures as they are stored, (key, value) by name; and its use of the scope.

    Raises:
        models.stats.logistic.NotConverged: where a model of the people's shares does not settle.
    """
    frames = frames_of(warehouse, PEOPLE_FRAMES, shop)
    records = people_shop(frames)
    figures = figures_of(records, state.settings, state.day)
    week = people_week(records, state.settings, last_over(state.day), figures)
    values = _encoded(figures, state)
    values[_WEEK] = (state.people_key, encode([getattr(week, name) for name in _WEEK_PARTS]))
    used = figures.adoption
    del frames, records, figures, week
    frames = frames_of(warehouse, COST_FRAMES, shop)
    costs = costs_of(frames, dt.datetime.combine(state.day, dt.time.max))
    values["costs"] = (state.costs_key, encode(dict(costs)))
    for name, found in limit_figures(warehouse, frames).items():
        values[name] = (state.costs_key, encode([found]))
    return values, used


def load_figures(warehouse: Warehouse, *, charts: bool = True, shop: str | None = None) -> Figures | None:
    """The stored figures of the newest day, or None where there are none of the shop as it is now.

    Args:
        charts: also the points of the coaching charts, which are many; without them that frame is empty.
        shop: one of several; None where there is but one.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    with warehouse.reading() as connection:
        state = _state(connection, shop)
        names = [*_PARTS, "coaching", *(["chart_points"] if charts else [])]
        found = {
            name: _stored(connection, figure_name(name, shop), state.people_key, state.day) for name in names
        }
    if any(value is _NOTHING for value in found.values()):
        return None
    coaching: CoachingList = found.pop("coaching")
    if charts:
        coaching = _with_points(coaching, found.pop("chart_points"))
    return Figures(as_of=state.day, coaching=coaching, **found)


def load_people_week(warehouse: Warehouse, monday: dt.date, shop: str | None = None) -> PeopleWeek | None:
    """A week's part about people, or None where the fit stored none of that week and the shop as it is now.

    It stores the last week that is over.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    with warehouse.reading() as connection:
        state = _state(connection, shop)
        if monday != last_over(state.day):
            return None
        found = _stored(connection, figure_name(_WEEK, shop), state.people_key, state.day)
    return None if found is _NOTHING else PeopleWeek(**dict(zip(_WEEK_PARTS, found, strict=True)))


def load_costs(warehouse: Warehouse, shop: str | None = None) -> GroupCosts | None:
    """What the limits in force do, as stored, or None where something was logged or decided since.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    with warehouse.reading() as connection:
        state = _state(connection, shop)
        found = _stored(connection, figure_name("costs", shop), state.costs_key, state.day)
    return None if found is _NOTHING else found


def load_limit_figure(
    warehouse: Warehouse, what: str, test: str, measure: str, shop: str | None = None
) -> list[LimitFigure]:
    """One of `limits.limit_figures` as stored, alone in a list; empty where something was logged or decided since.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    with warehouse.reading() as connection:
        state = _state(connection, shop)
        name = figure_name(name_of(what, test, measure), shop)
        found = _stored(connection, name, state.costs_key, state.day)
    return [] if found is _NOTHING else list(found)


def load_beside(warehouse: Warehouse) -> ShopsBeside | None:
    """The shops beside each other as stored, or None where something was logged or decided since, or there is one.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    with warehouse.reading() as connection:
        state = _state(connection, None)
        found = _stored(connection, BESIDE, state.costs_key, state.day)
    return None if found is _NOTHING else found


_PARTS = ("skills", "sessions", "effect", "adoption", "comebacks", "delays")
_WEEK, _WEEK_PARTS = "week", ("monday", "skills", "coaching", "earlier", "used")
_NOTHING = object()


def _encoded(figures: Figures, state: _State) -> dict[str, tuple[str, str]]:
    points = figures.coaching.chart_points
    values = {name: getattr(figures, name) for name in _PARTS}
    values |= {"coaching": _with_points(figures.coaching, points.clear()), "chart_points": points}
    return {name: (state.people_key, encode(value)) for name, value in values.items()}


def _with_points(coaching: CoachingList, points: pl.DataFrame) -> CoachingList:
    return CoachingList(
        items=coaching.items,
        false_alarm_per_year=coaching.false_alarm_per_year,
        charts=coaching.charts,
        unwatched=coaching.unwatched,
        chart_points=points,
        past=coaching.past,
        note=coaching.note,
    )


def _state(connection: duckdb.DuckDBPyConnection, shop: str | None) -> _State:
    frames = {name: query(connection, name) for name in _STATE}
    days = frames["last_day"] if shop is None else narrowed(frames["last_day"], [shop])
    settings = settings_in(frames["settings"])
    people = {
        "figures": FIGURES_VERSION,
        "program": __version__,
        "log": frames["figures_log"]["log_id"][0],
        "settings": {name: settings[name] for name in SETTINGS_THAT_MATTER},
    }
    limits = frames["thresholds_in_force"].select("test", "measure", "group", "version", "threshold_pct")
    digest = hashlib.sha256(json.dumps(limits.rows()).encode()).hexdigest()
    return _State(
        day=last_day(days),
        people_key=json.dumps(people, sort_keys=True),
        costs_key=json.dumps(people | {"thresholds": digest}, sort_keys=True),
        settings=people_settings(settings),
    )


def _stored(connection: duckdb.DuckDBPyConnection, name: str, key: str, day: dt.date) -> Any:
    row = connection.execute(
        "SELECT value FROM figure WHERE name = ? AND key = ? AND as_of = ?", [name, key, day]
    ).fetchone()
    if row is None:
        return _NOTHING
    try:
        return decode(row[0])
    except CodecError:
        return _NOTHING  # written by a program whose results had another shape
