"""Rows that a slip of the pen, a cut file or a spreadsheet would lose or falsify without a word.

Outside sources: RFC 4180 (quoting), Unicode Technical Standard 39 (confusable letters), the WHATWG Encoding
Standard (windows-1252), ISO/IEC 29500 through a spreadsheet writer that is not ours.
"""

from __future__ import annotations

import datetime as dt
import random
from pathlib import Path

import polars as pl
import pytest

from pipelines.errors import BadTable
from pipelines.intake import moments
from pipelines.intake.cross_checks import skeleton
from pipelines.intake.ingest import ingest
from pipelines.intake.summary import IntakeSummary
from pipelines.intake.table_records import delimited
from pipelines.intake.tables import SPECS, read_table
from pipelines.warehouse.database import Warehouse
from tests.constructed_tables import read
from tests.small_shop import FAMILIES, HEADER, log_row, small_drop

ORDERS = (
    "repair_order,opened_at,closed_at,technician,vehicle,engine_family,complaint,scope_eligible,comeback_of\n"
)


def order(name: str, opened: str = "2026-03-02", **changes: str) -> str:
    row = {
        "repair_order": name, "opened_at": opened, "closed_at": "", "technician": "ada", "vehicle": "v1",
        "engine_family": "plain-4", "complaint": "misfire", "scope_eligible": "true", "comeback_of": "",
    }  # fmt: skip
    return ",".join((row | changes).values())


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    folder = tmp_path / "drop"
    folder.mkdir()
    (folder / "engine_families.csv").write_text(FAMILIES)
    return folder


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    return Warehouse(tmp_path / "w", create=True)


def write(drop: Path, file: str, head: str, *rows: str) -> None:
    (drop / file).write_text(head + "".join(f"{row}\n" for row in rows), encoding="utf-8")


def said(summary: IntakeSummary, file: str) -> str:
    """Everything about one file: refusals, then notes."""
    refused = [f"{trouble.what}: {trouble.reason}" for trouble in summary.troubles if file in trouble.what]
    return "\n".join([*refused, *(note for note in summary.notes if file in note)])


# -- quotes and cut lines --------------------------------------------------------------------------------


def test_two_stray_quotes_cost_their_two_rows(tmp_path: Path) -> None:
    rows = [order(f"R{n}") for n in range(54)]
    rows[2] = rows[2].replace("misfire", '"misfire')
    rows[53] = rows[53].replace("misfire", 'misfire"')
    rows[40] = rows[40].replace("misfire", '"no start')
    table = read(tmp_path, "repair_orders", ORDERS + "\n".join(rows) + "\n")
    kept = set(table.rows["repair_order"].to_list())
    # A quote in the middle of a cell is a character like any other (RFC 4180 leaves it open).
    assert kept == {f"R{n}" for n in range(54)} - {"R2", "R40"}
    assert [problem.line for problem in table.problems] == [4, 42]


def test_no_quote_anywhere_costs_a_row_that_it_does_not_stand_in(tmp_path: Path) -> None:
    """Every quote thrown into a whole table: rows without one come back as they were."""
    rng = random.Random(5)
    for _ in range(60):
        rows = [order(f"R{n}", complaint='"no start, hot"' if n % 9 == 0 else "misfire") for n in range(30)]
        touched = set()
        for _ in range(rng.randrange(1, 5)):
            n = rng.randrange(30)
            at = rng.randrange(len(rows[n]) + 1)
            rows[n] = rows[n][:at] + '"' + rows[n][at:]
            touched.add(f"R{n}")
        table = read(tmp_path, "repair_orders", ORDERS + "\n".join(rows) + "\n")
        kept = set(table.rows["repair_order"].to_list())
        assert {f"R{n}" for n in range(30)} - touched <= kept
        # Whatever did not come back is named with its line.
        lines = {problem.line for problem in table.problems}
        assert table.rows.height + len(lines) == 30
        assert lines <= {int(name[1:]) + 2 for name in touched}


@pytest.mark.parametrize("end", ["", "\n"])
def test_a_cut_last_line_does_not_overwrite_the_whole_row(drop: Path, house: Warehouse, end: str) -> None:
    write(drop, "repair_orders.csv", ORDERS, *(order(f"R{n}") for n in range(6)))
    assert ingest(drop, house).clean
    whole = house.frame("orders")
    text = (drop / "repair_orders.csv").read_text().rstrip("\n")
    (drop / "repair_orders.csv").write_text(text[: text.rindex("ada")].rstrip(",") + end)
    summary = ingest(drop, house)
    assert "3 of 9 cells" in said(summary, "repair_orders.csv") or "2 of 9 cells" in said(
        summary, "repair_orders.csv"
    )
    assert not summary.clean
    assert house.frame("orders").equals(whole)


def test_a_table_written_without_its_empty_ends_is_read(tmp_path: Path) -> None:
    rows = [f"R{n},2026-03-02" if n % 2 else order(f"R{n}") for n in range(10)]
    table = read(tmp_path, "repair_orders", ORDERS + "\n".join(rows) + "\n")
    assert table.rows.height == 10


# -- moments ---------------------------------------------------------------------------------------------


def test_a_year_ahead_does_not_move_the_shops_as_of(drop: Path, house: Warehouse) -> None:
    write(drop, "repair_orders.csv", ORDERS, *(order(f"R{n}") for n in range(6)), order("R9", "2062-03-02"))
    summary = ingest(drop, house)
    assert "lies in the future" in said(summary, "repair_orders.csv")
    assert house.frame("last_day")["last_day"][0] == dt.date(2026, 3, 2)


def test_a_clock_set_back_does_not_refuse_the_shops_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(moments, "now", lambda: dt.datetime(2000, 1, 1))
    rows = [order(f"R{n}", f"2031-0{1 + n % 9}-02") for n in range(20)]
    table = read(tmp_path, "repair_orders", ORDERS + "\n".join([*rows, order("R99", "2062-01-01")]) + "\n")
    assert table.rows.height == 20
    assert [problem.key for problem in table.problems] == ["R99"]
    # A single row has nothing to lean on but what the warehouse knows already.
    one = tmp_path / "repair_orders.csv"
    one.write_text(ORDERS + order("R1", "2031-05-02") + "\n")
    assert read_table(one, SPECS["repair_orders"]).rows.height == 0
    assert read_table(one, SPECS["repair_orders"], known_until=dt.date(2031, 5, 1)).rows.height == 1


def test_a_drill_may_be_planned_ahead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(moments, "now", lambda: dt.datetime(2027, 1, 1))
    head = "drill,technician,test,week_of,target\n"
    table = read(
        tmp_path, "drills",
        head + "d1,,relative_compression,2027-06-07,3\nd2,,relative_compression,2062-06-05,3\n",
    )  # fmt: skip
    assert table.rows["drill"].to_list() == ["d1"]
    assert "lies in the future" in table.problems[0].reason


# -- one table against another ---------------------------------------------------------------------------


def test_outcomes_of_orders_and_cylinders_there_are_not(drop: Path, house: Warehouse) -> None:
    write(drop, "repair_orders.csv", ORDERS, *(order(f"RO-10{n}") for n in range(4)))
    head = "repair_order,confirmed_at,finding,confirmed_cylinders,method,gauge_kpa\n"
    write(
        drop, "outcomes.csv", head,
        "RO-100,2026-03-03,odd,3,gauge,1180;1190;720;1175",
        "RO-101,2026-03-03,odd,12,gauge,",
        "RO-102,2026-03-03,even,,gauge,1180;1190;1170;1175;1190",
        "RO-1O3,2026-03-03,even,,gauge,",
    )  # fmt: skip
    text = said(summary := ingest(drop, house), "outcomes.csv")
    assert "outcomes.csv, line 3: The finding names cylinder 12, but the engine of this order has 4" in text
    assert "gauge_kpa has 5 values" in text
    assert "There is no repair order 'RO-1O3' on record; did you mean RO-103?" in text
    assert not summary.clean
    assert house.frame("outcomes")["repair_order"].to_list() == ["RO-100", "RO-1O3"]


def test_a_call_on_a_cylinder_the_engine_has_not(drop: Path, house: Warehouse) -> None:
    rows = [
        log_row("a.csv", call="odd", call_cylinders="5"),
        log_row("b.csv", call="odd", call_cylinders="4"),
    ]
    write(drop, "captures.csv", HEADER + "\n", *rows)
    text = said(ingest(drop, house), "captures.csv")
    assert "The call names cylinder 5, but 'plain-4' has 4" in text
    assert "line 3" not in text


def test_comebacks_that_cannot_be(drop: Path, house: Warehouse) -> None:
    write(
        drop, "repair_orders.csv", ORDERS,
        order("R1", "2026-03-02"),
        order("R2", "2026-03-20", comeback_of="R1"),
        order("R3", "2026-03-01", comeback_of="R2"),
        order("R4", comeback_of="R4"),
        order("R5", comeback_of="R77"),
        order("R6", "2026-03-21", vehicle="v2", comeback_of="R1"),
        order("R7", comeback_of="R8"),
        order("R8", comeback_of="R7"),
    )  # fmt: skip
    text = said(ingest(drop, house), "repair_orders.csv")
    assert "line 4: comeback_of names 'R2', which was opened later" in text
    assert "names the repair order itself" in text
    assert "R77" in text
    assert "another vehicle (v1)" in text
    assert "which itself names this order" in text
    assert set(house.frame("orders")["repair_order"]) == {"R1", "R2", "R5", "R6"}


# -- names -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other"),
    [("Ann", "ann"), ("Ann", "\u0410nn"), ("Ann Lee", "Ann\u00a0Lee"), ("Ann", "An\u200bn"), ("Ann", "\uff21nn"),
     ("pete", "\u0440\u0435t\u0435")],
)  # fmt: skip
def test_names_that_read_the_same_are_asked_about(drop: Path, house: Warehouse, one: str, other: str) -> None:
    assert skeleton(one) == skeleton(other)
    write(drop, "technicians.csv", "technician,started_on\n", f"{one},2025-01-06", f"{other},2025-01-06")
    text = said(ingest(drop, house), "technicians.csv")
    assert "reads the same as" in text
    assert "If they are one, write both alike" in text
    assert house.frame("technicians").height == 2  # asked, not merged
    # Asked once: the second time both are known.
    assert "reads the same" not in said(ingest(drop, house), "technicians.csv")


def test_names_that_only_resemble_each_other_are_left_alone() -> None:
    assert len({skeleton(name) for name in ("Ann", "Anna", "An", "Jan", "\u00c4nn", "v1", "v2")}) == 7


def test_windows_quotes_are_read_as_such_and_named(drop: Path, house: Warehouse) -> None:
    text = (
        "technician,started_on\n\u201cada\u201d,2025-01-06\nO\u2019Brien,2025-01-06\nM\u00fcller,2025-01-06\n"
    )
    (drop / "technicians.csv").write_bytes(text.encode("cp1252"))
    words = said(ingest(drop, house), "technicians.csv")
    assert "not UTF-8" in words
    assert "begins with a typographic quote" in words
    assert set(house.frame("technicians")["technician"]) == {"\u201cada\u201d", "O\u2019Brien", "M\u00fcller"}


def test_a_control_character_in_a_name_is_refused(tmp_path: Path) -> None:
    names = "".join(f"a{n},2025-01-06\n" for n in range(60))
    table = read(tmp_path, "technicians", "technician,started_on\nad\x1ba,2025-01-06\n" + names)
    assert "a7" in table.rows["technician"].to_list()
    assert "control character" in table.problems[0].reason


# -- spreadsheets ----------------------------------------------------------------------------------------


def sheet(path: Path, sheets: dict[str, list[list[object]]]) -> None:
    xlsxwriter = pytest.importorskip("xlsxwriter")
    book = xlsxwriter.Workbook(path, {"default_date_format": "dd.mm.yyyy hh:mm"})
    for name, rows in sheets.items():
        page = book.add_worksheet(name)
        for number, row in enumerate(rows):
            page.write_row(number, 0, row)
    book.close()


def test_a_spreadsheet_is_read_like_the_text_of_the_same_table(tmp_path: Path) -> None:
    head = ["repair_order", "opened_at", "scope_eligible", "labour_h", "complaint"]
    rows = [
        ["R1", dt.datetime(2026, 3, 2, 8, 30), True, 1.5, "no start,\nhot"],
        [4711, dt.datetime(2026, 3, 3), False, 0.25, ""],
    ]
    sheet(tmp_path / "repair_orders.xlsx", {"Notes": [["mine"]], "Orders": [[], head, *rows]})
    table = read_table(tmp_path / "repair_orders.xlsx", SPECS["repair_orders"])
    text = "repair_order,opened_at,scope_eligible,labour_h,complaint\n"
    text += 'R1,2026-03-02T08:30:00,true,1.5,"no start,\nhot"\n4711,2026-03-03,false,0.25,\n'
    assert table.problems == ()
    assert table.rows.equals(read(tmp_path, "repair_orders", text).rows)
    assert "the sheet 'Orders' was read, and 'Notes' left alone" in table.notes[0].reason


def test_a_bad_row_of_a_spreadsheet_is_named_by_its_row(drop: Path, house: Warehouse) -> None:
    sheet(
        drop / "technicians.xlsx",
        {"People": [["technician", "started_on"], ["ada", dt.datetime(2025, 1, 6)], [], ["bo", "soon"]]},
    )
    text = said(ingest(drop, house), "technicians.xlsx")
    assert "technicians.xlsx, line 4: started_on 'soon'" in text
    assert house.frame("technicians")["technician"].to_list() == ["ada"]


def test_a_spreadsheet_beside_its_text_or_with_two_such_sheets_is_asked_about(
    drop: Path, house: Warehouse
) -> None:
    page = [["technician"], ["ada"]]
    sheet(drop / "technicians.xlsx", {"a": page, "b": page})
    assert "several sheets (a, b)" in said(ingest(drop, house), "technicians")
    (drop / "technicians.csv").write_text("technician\nada\n")
    assert "which of the two counts?" in said(ingest(drop, house), "technicians")
    assert house.frame("technicians").height == 0


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 broken", b"technician\nada\n"])
def test_a_broken_spreadsheet_is_named(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "technicians.xlsx").write_bytes(content)
    with pytest.raises(BadTable, match=r"cannot be read as a spreadsheet.*CSV"):
        read_table(tmp_path / "technicians.xlsx", SPECS["technicians"])


def test_a_spreadsheet_written_by_polars_comes_back(tmp_path: Path) -> None:
    frame = pl.DataFrame({"technician": ["ada", "bo"], "started_on": [dt.date(2025, 1, 6), None]})
    pytest.importorskip("xlsxwriter")
    frame.write_excel(tmp_path / "technicians.xlsx")
    assert read_table(tmp_path / "technicians.xlsx", SPECS["technicians"]).rows.rows() == [
        (*row, "") for row in frame.rows()
    ]


def test_two_outcomes_whose_keys_read_the_same_both_land(drop: Path, house: Warehouse) -> None:
    """An order may be called what the key of another order's outcome reads like."""
    (drop / "outcomes.csv").write_text(
        "repair_order,finding,test\nR1 relative_compression,even,\nR1,odd,relative_compression\n"
    )
    for added in (2, 0):
        (outcomes,) = [table for table in ingest(drop, house, jobs=1).tables if table.name == "outcomes"]
        assert (outcomes.added, outcomes.changed) == (added, 0)
    assert house.frame("outcomes")["finding"].to_list() == ["odd", "even"]


SHORT = "repair_order,opened_at,complaint,vehicle"


def test_a_cut_last_line_is_named_where_short_lines_are_usual_too() -> None:
    text = "\n".join([SHORT, *(f"R{n},2026-03-0{n}" for n in range(1, 8)), "R8,2026-0"])
    *whole, last = delimited(text, "a.csv", set(SHORT.split(","))).rows
    assert [row.reason for row in whole] == [None] * 7
    assert last.reason is not None
    assert "breaks off" in last.reason


def test_a_stray_quote_swallows_no_short_line() -> None:
    """The three lines together would match in quotes, but not make one row."""
    text = "\n".join([SHORT, 'R1,"a', "R2,b", 'c",x', *(f"R{n},d" for n in range(3, 9)), ""])
    rows = delimited(text, "a.csv", set(SHORT.split(","))).rows
    assert [row.line for row in rows if row.reason is not None] == [2]
    assert [row.line for row in rows if row.reason is None] == list(range(3, 11))


def test_an_outcome_of_an_unknown_order_waits_and_is_named_each_time(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "outcomes.csv").write_text("repair_order,finding\nro-9,odd\n", encoding="utf-8")
    house = Warehouse(tmp_path / "w", create=True)
    for _ in range(2):
        summary = ingest(drop, house, jobs=1)
        (one,) = summary.troubles
        assert (one.what, one.status) == ("outcomes.csv: ro-9", "waiting")
        assert "no repair order 'ro-9' on record" in one.reason
    (drop / "repair_orders.csv").write_text("repair_order,opened_at\nro-9,2026-03-02\n", encoding="utf-8")
    assert ingest(drop, house, jobs=1).clean


def test_a_file_name_that_is_nearly_the_logged_one_is_suggested(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    small_drop(drop)
    (drop / "week1" / "weak.csv").rename(drop / "week1" / "week.csv")
    house = Warehouse(tmp_path / "w", create=True)
    reasons = {one.what: one.reason for one in ingest(drop, house, jobs=1).troubles}
    assert "Is it 'week1/week.csv'" in reasons["week1/weak.csv"]
