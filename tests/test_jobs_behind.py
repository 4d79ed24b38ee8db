"""The lists of jobs behind the figures hold as many rows as the figures count."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from dashboard.shared.job_lists import JOB_LISTS, QUALITIES
from models.jobs import comebacks as models_comebacks
from models.jobs.adoption import adoption
from models.jobs.comebacks import comebacks
from models.jobs.listing import listed_jobs
from models.records.shop import Shop
from pipelines.fit.figures import last_day
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.shop import NAMES, shop_of

# On one worker with the pages, so that the small shop is built once.
pytestmark = pytest.mark.xdist_group("pages")
WINDOW = 30


@pytest.fixture(scope="module")
def shop(small_warehouse: Path) -> Shop:
    return shop_of(Warehouse(small_warehouse).frames(NAMES))


@pytest.fixture(scope="module")
def day(small_warehouse: Path) -> dt.date:
    return last_day(Warehouse(small_warehouse).frame("last_day"))


def counted(jobs: pl.DataFrame, which: str) -> int:
    return jobs.filter(JOB_LISTS[which].rows).height


def test_the_pages_know_every_quality_of_the_model() -> None:
    assert QUALITIES == models_comebacks.QUALITIES


@pytest.mark.parametrize("back", [0, 60])
def test_every_figure_counts_the_rows_of_its_list(shop: Shop, day: dt.date, back: int) -> None:
    as_of = day - dt.timedelta(days=back)
    jobs = listed_jobs(shop, as_of=as_of, window_days=WINDOW)
    found, use = comebacks(shop, as_of=as_of, window_days=WINDOW), adoption(shop, as_of=as_of)
    assert jobs.height == shop.orders.filter(pl.col("opened_at").dt.date() <= as_of).height
    assert counted(jobs, "counted") == use.eligible > 50
    assert counted(jobs, "scoped") == use.scoped > 5
    cost = dict(found.cost.select("group", "comebacks").iter_rows())
    assert counted(jobs, "came back") == cost["all"] > 0
    assert counted(jobs, "came back scoped") == cost["scoped"] == found.crude.scoped.comebacks
    assert counted(jobs, "came back not scoped") == cost["not scoped"] == found.crude.not_scoped.comebacks
    for quality, comebacks_of in found.by_call_quality.select("quality", "comebacks").iter_rows():
        assert counted(jobs, f"came back {quality}") == comebacks_of, quality
    for group, returned in found.parts.select("group", "orders_with_returns").iter_rows():
        assert counted(jobs, f"parts back {group}") == returned, group
    weekly = dict(use.by_week.select("week", "eligible").iter_rows())
    assert dict(jobs.filter("counted").group_by("week").len().iter_rows()) == weekly


def test_a_job_names_the_first_one_it_came_back_as(shop: Shop, day: dt.date) -> None:
    jobs = listed_jobs(shop, as_of=day, window_days=WINDOW)
    again = shop.orders.filter(pl.col("comeback_of").is_not_null()).sort("opened_at", "repair_order")
    for first, second in (
        again.group_by("comeback_of", maintain_order=True)
        .first()
        .select("comeback_of", "repair_order")
        .iter_rows()
    ):
        named = jobs.filter(pl.col("repair_order") == first)["came_back_as"].to_list()
        assert named in ([second], [])  # a return may name an order nobody logged
    late = jobs.filter(pl.col("came_back") & (pl.col("days") > WINDOW))
    assert late.is_empty()
    assert jobs.filter(~pl.col("counted"))["scoped"].null_count() == jobs.filter(~pl.col("counted")).height
