"""Captures, known good, paid work, hookup, wrong calls: one number each, wherever it stands."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboard.documents import sheet
from dashboard.documents.digest import share_text
from dashboard.shared import words
from dashboard.views.shop import answer as shop_answers
from dashboard.views.technicians import answer as people_answers
from models.jobs.listing import listed_jobs
from models.records.logbook import ON_THE_JOB, captures_until
from models.records.people_settings import as_moment
from models.records.pieces import first_tries
from pipelines.fit.figures import figures_of, last_day, people_settings
from pipelines.kinds import kinds
from pipelines.reports.report import build_report
from pipelines.reports.text import percent_short, report_text
from pipelines.reports.week import last_over, week_of
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import read_settings
from pipelines.warehouse.shop import read_shop
from tests.page_driver import assert_sound, opened, texts


@pytest.fixture(scope="module")
def found(small_warehouse: Path) -> dict[str, Any]:
    warehouse = Warehouse(small_warehouse)
    day = last_day(warehouse.frame("last_day"))
    shop = read_shop(warehouse)
    chosen = people_settings(read_settings(warehouse))
    return {
        "warehouse": warehouse, "day": day, "shop": shop, "settings": chosen, "report": build_report(warehouse),
        "figures": figures_of(shop, chosen, day),
    }  # fmt: skip


def test_captures_and_known_good_are_equal_on_report_pages_and_log(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, found: dict[str, Any]
) -> None:
    log = found["warehouse"].frame("captures")
    test = next(one for one in found["report"]["tests"] if one["test"] == next(iter(kinds())))
    app = opened(monkeypatch, small_warehouse, "spread", subject=test["test"])
    assert_sound(app)
    rows = next(t.value for t in app.dataframe if "known healthy" in t.value.columns).to_dict("records")
    page = {row["engine family"]: row for row in rows}
    assert set(page) == {group["engine_family"] for group in test["groups"]}
    for group in test["groups"]:
        own = log.filter((pl.col("test") == test["test"]) & (pl.col("group") == group["engine_family"]))
        logged = own.filter(pl.col("captured_at").is_not_null())
        assert group["captures"] == logged.height
        assert group["known_good"] == logged.filter(purpose="known_good").height
        measured = group["measures"][0]
        shown = page[group["engine_family"]]
        assert (shown["compared"], shown["known healthy"]) == (
            measured["spread_n"],
            measured["known_healthy"],
        )
        assert measured["known_healthy"] <= measured["spread_n"] <= group["captures"]


def test_a_technicians_figures_are_equal_on_page_sheet_and_report(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, found: dict[str, Any]
) -> None:
    figures, day = found["figures"], found["day"]
    taken = captures_until(found["shop"], as_moment(day))
    printed = report_text(found["report"])
    for skill in figures.skills:
        row = next(one for one in found["report"]["technicians"] if one["technician"] == skill.technician)
        assert row["captures"] == skill.captures == taken.filter(technician=skill.technician).height
        page = sheet.gather(
            skill, figures.coaching, found["warehouse"].frames(("captures", "checks")), day, []
        )
        assert words.plural(row["captures"], "capture") in page.opening
        lines = dict(page.figures)
        assert lines["Hookup as the shop does it"] == words.share(skill.hookup)
        assert (row["hookup"]["n"], row["hookup"]["estimate"]) == (skill.hookup.n, skill.hookup.estimate)
        assert lines["Usable captures"] == words.share(skill.usable)
        assert percent_short(row["usable"]) in printed
        on_page = {line.what: line.sentence for line in people_answers.lines_of(skill)}
        for what in ("Hookup as the shop does it", "Usable captures", "Right calls"):
            assert on_page[what] == lines[what]
    name = figures.skills[0].technician
    app = opened(
        monkeypatch, small_warehouse, "technicians", technician=name, kept_people_tab="One technician"
    )
    assert_sound(app)
    assert words.plural(figures.skills[0].captures, "capture") in texts(app)


def test_paid_work_and_scoped_jobs_are_equal_on_page_digest_and_report(found: dict[str, Any]) -> None:
    figures, warehouse, day = found["figures"], found["warehouse"], found["day"]
    tries = first_tries(captures_until(found["shop"], as_moment(day)))
    paid = tries.filter(pl.col("purpose").is_in(ON_THE_JOB)).height
    by_test, by_week = figures.adoption.by_test, figures.adoption.practice_by_week
    assert by_test["paid"].sum() == by_week["paid"].sum() == paid
    assert by_test["practice"].sum() == by_week["practice"].sum() == tries.height - paid
    use = found["report"]["adoption"]
    jobs = listed_jobs(found["shop"], as_of=day, window_days=found["settings"].window_days)
    assert jobs.filter("counted").height == use["eligible_orders"] == figures.adoption.eligible
    assert jobs.filter("scoped").height == use["scoped_orders"] == figures.adoption.scoped
    # the digest's week is the week of the page's own chart
    week = week_of(warehouse, last_over(day))
    monday = week.monday
    own = figures.adoption.by_week.filter(pl.col("week") == monday)
    change = next(one for one in week.changes if one.what.startswith("jobs scoped"))
    assert change.now.n == int(own["eligible"].sum())
    assert str(change.now.n) in share_text(change.now)
    since = shop_answers.used_since(week.weeks, monday + dt.timedelta(days=6), 1)
    assert (since.n, since.estimate) == (change.now.n, change.now.estimate)


def test_wrong_calls_and_comebacks_are_equal_in_figure_list_and_report(found: dict[str, Any]) -> None:
    figures = found["figures"]
    jobs = listed_jobs(found["shop"], as_of=found["day"], window_days=found["settings"].window_days)
    rows = shop_answers.quality_rows(figures.comebacks)
    for row in rows.iter_rows(named=True):
        own = jobs.filter(pl.col("counted") & (pl.col("quality") == row["quality"]))
        assert row["orders"] == own.height, row["quality"]
        assert row["comebacks"] == own.filter("came_back").height, row["quality"]
    crude = found["report"]["comebacks"]["crude"]
    scoped = pl.col("scoped")
    for arm, holds in (("scoped", scoped), ("not_scoped", ~scoped)):
        own = jobs.filter(pl.col("counted") & holds)
        assert crude[arm]["orders"] == own.height
        assert crude[arm]["comebacks"] == own.filter("came_back").height
