"""One page shows of any test who captures it, its normal spread and its odd ones; a person's page says what next."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from dashboard.shared import words
from dashboard.views.technicians import next_up
from pipelines.kinds import kinds
from pipelines.reports.waiting import FILE, JOB, PERSON, Item
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.marks import Mark
from tests.page_driver import assert_sound, fresh_caches, opened, texts  # noqa: F401

pytestmark = pytest.mark.xdist_group("pages")


@pytest.mark.parametrize("test", sorted(kinds()))
def test_any_kind_shows_who_captures_it_its_spread_and_its_odd_ones(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, test: str
) -> None:
    app = opened(monkeypatch, small_warehouse, "spread", subject=test)
    assert_sound(app)
    said = texts(app)
    assert kinds()[test].title in said
    tables = [table.value for table in app.dataframe]
    who = next(table for table in tables if "in 8 weeks" in table.columns)
    assert any("own evidence" in table.columns for table in tables)  # the spread of each group
    # counted again, capture by capture
    frames = Warehouse(small_warehouse).frames(["captures", "flagged_scores"])
    counts: dict[str, int] = {}
    for row in frames["captures"].iter_rows(named=True):
        if row["test"] == test and row["status"] in ("read", "unusable"):
            counts[row["technician"]] = counts.get(row["technician"], 0) + 1
    assert dict(zip(who["technician"], who["captures"], strict=True)) == counts
    assert list(who["technician"]) == sorted(counts), "in order of name, nobody is ranked"
    own = {row["capture_file"] for row in frames["captures"].filter(test=test).iter_rows(named=True)}
    measure = kinds()[test].measures[0].name
    flagged = {
        row["capture_file"]
        for row in frames["flagged_scores"].iter_rows(named=True)
        if row["measure"] == measure and row["capture_file"] in own
    }
    listed = [table for table in tables if "which" in table.columns]
    assert {name for table in listed for name in table["capture_file"]} == flagged
    for table in listed:
        assert list(table["day"]) == sorted(table["day"], reverse=True)
    if not flagged:
        assert "No capture is odd by the limits in force." in said


def item(sort: str, day: int | None, whose: str = "", given: str | None = None, state: str = "open") -> Item:
    since = None if day is None else dt.date(2026, 3, day)
    return Item(
        "key", sort, f"{sort} {day}", since, {"technician": whose}, Mark(state=state, assigned_to=given)
    )


def test_a_technician_is_shown_what_waits_on_their_captures_or_was_given_to_them() -> None:
    items = [
        item(JOB, 3, "ada"), item(JOB, 9, "ada"), item(JOB, 5, "bea"), item(JOB, 4, "bea", given="ada"),
        item(FILE, None, given="ada"), item(FILE, 7), item(PERSON, 8, "ada"), item(JOB, 6, "ada", state="done"),
    ]  # fmt: skip
    assert [one.name for one in next_up.theirs(items, "ada")] == ["job 9", "job 4", "job 3", "file None"]
    assert next_up.theirs(items, "nobody") == []


def test_a_technicians_page_says_what_to_do_next(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    name = Warehouse(small_warehouse).frame("technicians")["technician"].sort()[0]
    app = opened(
        monkeypatch, small_warehouse, "technicians", kept_people_tab="One technician", technician=name
    )
    assert_sound(app)
    said = texts(app)
    assert "What to do next" in said
    waits = (f"Nothing waits on a capture of {name}.", "on their captures or given to them")
    assert sum(said.count(one) for one in waits) == 1
    # the way there from the page's first part is one press
    first = opened(monkeypatch, small_warehouse, "technicians")
    assert name in [button.label for button in first.button]


def test_more_than_one_of_a_thing_with_parts() -> None:
    indexes = {kind.figure.index: words.many(kind.figure.index) for kind in kinds().values()}
    assert indexes["sync pulse"] == "sync pulses"
    assert indexes["end of the gap"] == "ends of the gap"


def test_small_spreads_are_told_apart() -> None:
    assert [words.fine(value) for value in (1.23, 0.284, 0.239)] == ["1.2", "0.28", "0.24"]
