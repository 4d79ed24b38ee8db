"""Use of the scope: what counts, by week, technician and test, practice apart from paid work."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import polars as pl
import pytest

from models.jobs.adoption import adoption
from models.records import schemas
from models.records.shop import Shop
from models.stats.intervals import wilson
from tests.simulated_shop import capture_row, captures_of, frame_of

MONDAY = datetime(2025, 3, 3, 9)


def _order(order: str, week: int, technician: str | None, **other: object) -> dict[str, object]:
    opened = MONDAY + timedelta(weeks=week)
    given = {
        "repair_order": order, "opened_at": opened, "closed_at": opened + timedelta(days=2), "technician": technician,
        "vehicle": order, "engine_family": "f", "complaint": "misfire", "scope_eligible": True,
    }  # fmt: skip
    return {**given, **other}


def _capture(file: str, order: str | None, week: int, technician: str, **other: object) -> dict[str, object]:
    at = MONDAY + timedelta(weeks=week, hours=3)
    given = {"technician": technician, "repair_order": order, "captured_at": at, "purpose": "diagnosis"}
    return capture_row(file, **{**given, **other})


@pytest.fixture
def shop() -> Shop:
    orders = [_order(f"a{i}", i % 4, "a") for i in range(20)] + [
        _order(f"b{i}", i % 4, "b") for i in range(20)
    ]
    orders += [
        _order("open", 0, "a", closed_at=None),
        _order("not eligible", 0, "a", scope_eligible=False),
        _order("nobody", 0, None),
    ]
    captures = [_capture(f"a{i}.csv", f"a{i}", i % 4, "a") for i in range(15)]
    captures += [_capture("second.csv", "a0", 0, "a"), _capture("help.csv", "b0", 0, "a", status="unusable")]
    captures += [_capture(f"d{i}.csv", None, i % 4, "b", purpose="drill") for i in range(9)]
    captures += [
        _capture("open.csv", "open", 0, "a"),
        _capture("other.csv", None, 1, "a", test="other_test", purpose="drill", status="unusable"),
        _capture("waiting.csv", "b5", 1, "b", status="waiting"),
    ]
    first = {"a": date(2020, 1, 1), "b": date(2020, 1, 1), "new": date(2025, 4, 1)}
    staff = [{"technician": name, "started_on": day} for name, day in first.items()]
    return Shop(
        captures=captures_of(captures),
        orders=frame_of(schemas.ORDERS, orders),
        technicians=frame_of(schemas.TECHNICIANS, staff),
    )


def test_counts(shop: Shop) -> None:
    result = adoption(shop, as_of=date(2025, 6, 1))
    # 15 of a's, and b0 with a capture somebody else took
    assert (result.eligible, result.scoped) == (41, 16)
    assert result.overall.estimate == pytest.approx(16 / 41)
    assert (result.overall.low, result.overall.high) == pytest.approx(wilson(16, 41))
    assert result.by_week["week"].to_list() == [MONDAY.date() + timedelta(weeks=w) for w in range(4)]
    assert (result.by_week["eligible"].sum(), result.by_week["scoped"].sum()) == (41, 16)


def test_by_technician(shop: Shop) -> None:
    a, b, new = adoption(shop, as_of=date(2025, 6, 1)).by_technician.iter_rows(named=True)
    assert (a["eligible"], a["scoped"], b["eligible"], b["scoped"]) == (20, 15, 20, 1)
    assert a["low"] < a["adjusted"] < a["high"]
    assert b["high"] < a["low"]
    # drawn towards each other
    assert b["share"] < b["adjusted"] < a["adjusted"] < a["share"]
    assert (new["technician"], new["eligible"], new["share"], new["adjusted"]) == ("new", 0, None, None)


def test_practice_is_kept_apart(shop: Shop) -> None:
    result = adoption(shop, as_of=date(2025, 6, 1))
    assert result.by_test.rows() == [("other_test", 0, 1, 1), ("relative_compression", 18, 9, 1)]
    assert result.practice_by_week.select(pl.col("paid").sum(), pl.col("practice").sum()).row(0) == (18, 10)


def test_as_of_is_kept(shop: Shop) -> None:
    early = adoption(shop, as_of=(MONDAY + timedelta(days=8)).date())
    # the first week's orders are closed, the second's not yet
    assert early.eligible == 11
    assert early.by_week.height == 1


def test_an_empty_shop() -> None:
    result = adoption(Shop(), as_of=date(2025, 6, 1))
    assert (result.eligible, result.scoped, result.overall.estimate) == (0, 0, None)
    assert result.by_week.height == result.by_technician.height == result.by_test.height == 0
