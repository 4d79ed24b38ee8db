"""A row from a form passes the same checks as a row of a table, and the log says who entered it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipelines.errors import ShopspreadError
from pipelines.intake.form import enter
from pipelines.intake.ingest import ingest
from pipelines.warehouse.database import Warehouse

ORDERS = "repair_order,opened_at,closed_at,technician,vehicle\nro-1,2026-03-02T08:00:00,2026-03-03T16:00:00,ada,v1\n"
OUTCOME = {
    "repair_order": "ro-1",
    "confirmed_at": "2026-03-03T15:00:00",
    "finding": "odd",
    "confirmed_cylinders": "3",
    "method": "gauge",
    "gauge_kpa": "1150;1160;700;1140",
}


@pytest.fixture
def warehouse(tmp_path: Path) -> Warehouse:
    (tmp_path / "drop").mkdir()
    (tmp_path / "drop" / "repair_orders.csv").write_text(ORDERS, encoding="utf-8")
    made = Warehouse(tmp_path / "wh", create=True)
    ingest(tmp_path / "drop", made, jobs=1)
    return made


def test_a_form_and_a_table_leave_the_same_row(warehouse: Warehouse, tmp_path: Path) -> None:
    enter(warehouse, "outcomes", OUTCOME, by="Ida")
    by_form = warehouse.frame("outcomes")
    other = Warehouse(tmp_path / "other", create=True)
    table = ",".join(OUTCOME) + "\n" + ",".join(OUTCOME.values()) + "\n"
    (tmp_path / "drop" / "outcomes.csv").write_text(table, encoding="utf-8")
    ingest(tmp_path / "drop", other, jobs=1)
    assert by_form.equals(other.frame("outcomes"))
    assert by_form["confirmed_elements"][0].to_list() == [3]
    # and the table dropped afterwards says nothing new
    before = (
        warehouse.frame("intake_log", {"rows": 1000}).filter(subject="outcomes.csv", action="changed").height
    )
    ingest(tmp_path / "drop", warehouse, jobs=1)
    log = warehouse.frame("intake_log", {"rows": 1000}).filter(subject="outcomes.csv")
    assert log.filter(action="changed").height == before == 0


def test_the_log_says_who_and_what_stood_before(warehouse: Warehouse) -> None:
    enter(warehouse, "outcomes", OUTCOME, by="Ida")
    enter(warehouse, "outcomes", OUTCOME | {"confirmed_cylinders": "2", "gauge_kpa": ""}, by="Olaf")
    log = warehouse.frame("intake_log", {"rows": 100}).filter(subject="outcomes.csv", key="ro-1")
    assert log["entered_by"].to_list() == ["Olaf", "Ida"]
    assert log["action"].to_list() == ["changed", "added"]
    assert log["logged_at"].null_count() == 0
    changed = log.filter(action="changed").row(0, named=True)
    assert json.loads(changed["before"])["confirmed_elements"] == [3]
    assert json.loads(changed["after"])["confirmed_elements"] == [2]
    assert warehouse.frame("outcomes")["confirmed_elements"][0].to_list() == [2]  # the later one stands


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"finding": "broken"}, "finding"),
        ({"finding": "even"}, "finding is even, yet confirmed_cylinders names some"),
        ({"gauge_kpa": "11;11;7;11"}, "looks like bar"),
        ({"confirmed_at": "the other day"}, "confirmed_at"),
        ({"repair_order": ""}, "repair_order"),
        ({"colour": "red"}, "no column colour"),
    ],
)
def test_what_a_table_may_not_hold_a_form_may_not_either(
    warehouse: Warehouse, change: dict[str, str], reason: str
) -> None:
    with pytest.raises(ShopspreadError, match=reason) as refused:
        enter(warehouse, "outcomes", OUTCOME | change, by="Ida")
    assert "line 2" not in str(refused.value)
    assert warehouse.frame("outcomes").is_empty()


def test_nobody_enters_nothing(warehouse: Warehouse) -> None:
    with pytest.raises(ShopspreadError, match="Say who"):
        enter(warehouse, "outcomes", OUTCOME, by=" ")
    with pytest.raises(ShopspreadError, match="no table 'results'"):
        enter(warehouse, "results", OUTCOME, by="Ida")
