"""Tables of the drop folder in every form that spreadsheets and people write them.

Outside sources: RFC 4180 (delimited text), ISO 8601 with the examples of RFC 3339 section 5.8, Python's csv
module as reference parser.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake.table_cells import CellProblem, Form, capture_path, instant
from pipelines.intake.tables import SPECS
from tests.constructed_tables import CAPTURE_HEAD, read

ORDERS = [
    ("RO-1", "2026-03-02T08:00:00", "2026-03-02T15:30:00", True, 1.5, None),
    ("RO-2", "2026-03-03T08:15:00", None, False, 0.25, "RO-1"),
    ("RO ü,3", "2026-03-04T00:00:00", "2026-03-05T00:00:00", None, None, None),
]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_the_same_rows_come_back_from_every_form(
    encoding: str, delimiter: str, line_end: str, tmp_path: Path
) -> None:
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=delimiter, lineterminator=line_end)
    writer.writerow(["Repair Order", "opened_at ", "CLOSED_AT", "scope-eligible", "labour_h", "comeback_of"])
    truths = {True: "Yes", False: "0", None: ""}
    for order, opened, closed, eligible, hours, earlier in ORDERS:
        written = "" if hours is None else f"{hours}"
        written = written if delimiter == "," else written.replace(".", ",")
        writer.writerow([f" {order} ", opened, closed or "", truths[eligible], written, earlier or ""])
    table = read(tmp_path, "repair_orders", stream.getvalue().encode(encoding))
    assert table.problems == ()
    assert table.rows.schema == pl.Schema(SPECS["repair_orders"].schema)
    wanted = ["repair_order", "opened_at", "closed_at", "scope_eligible", "labour_h", "comeback_of"]
    expected = [
        (order, dt.datetime.fromisoformat(opened), closed and dt.datetime.fromisoformat(closed), *rest)
        for order, opened, closed, *rest in ORDERS
    ]
    assert table.rows.select(wanted).rows() == expected
    assert set(table.missing_columns) == {
        "technician",
        "vehicle",
        "engine_family",
        "complaint",
        "parts_cost",
        "parts_returned",
        "model_year",
    }


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    names=st.lists(
        st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=12),
        min_size=1,
        max_size=8,
        unique=True,
    ),
    delimiter=st.sampled_from([",", ";", "\t"]),
)
def test_any_key_that_the_csv_module_writes_is_read_as_it_reads_it(
    tmp_path: Path, names: list[str], delimiter: str
) -> None:
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=delimiter)
    writer.writerow(["technician", "started_on"])
    writer.writerows([name, "2025-11-03"] for name in names)
    table = read(tmp_path, "technicians", stream.getvalue())
    assert table.problems == ()
    # Composed (NFC), so that a name typed on two machines is one key.
    composed = list(dict.fromkeys(reversed([pl.Series([name]).str.normalize("NFC")[0] for name in names])))
    assert table.rows["technician"].to_list() == composed[::-1]


def test_quoted_cells_follow_rfc_4180(tmp_path: Path) -> None:
    # Section 2, rules 6 and 7: line breaks, commas and doubled quotes inside quotes.
    text = 'repair_order,opened_at,complaint\r\n"R ""1"", a",2026-03-02,"no start,\r\nthen rough idle"\r\n'
    text += "R2,2026-03-03,x\r\n"
    table = read(tmp_path, "repair_orders", text)
    assert table.rows["repair_order"].to_list() == ['R "1", a', "R2"]
    assert table.rows["complaint"][0] == "no start, then rough idle"


def test_line_numbers_count_lines_of_the_file_not_records(tmp_path: Path) -> None:
    text = 'repair_order,opened_at,complaint\nR1,2026-03-02,"a\nb\nc"\n\nR2,oops,x\n'
    (problem,) = read(tmp_path, "repair_orders", text).problems
    assert (problem.file, problem.line, problem.key) == ("repair_orders.csv", 6, "R2")


@pytest.mark.parametrize(
    ("written", "utc"),
    # RFC 3339, section 5.8: the second names the same instant as 1996-12-20T00:39:57Z.
    [
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57"),
        ("1990-12-31T23:59:59.5Z", "1990-12-31T23:59:59.500000"),
        ("2026-03-18T14:05+02:00", "2026-03-18T12:05:00"),
        ("20260318T140500Z", "2026-03-18T14:05:00"),
    ],
)
def test_times_with_an_offset_are_the_same_instant_on_the_shops_clock(written: str, utc: str) -> None:
    moment = dt.datetime.fromisoformat(utc)
    assert instant(written, Form(zone=dt.UTC)) == moment
    shop = ZoneInfo("America/Chicago")
    local = moment.replace(tzinfo=dt.UTC).astimezone(shop).replace(tzinfo=None)
    assert instant(written, Form(zone=shop)) == local
    machine = moment.replace(tzinfo=dt.UTC).astimezone().replace(tzinfo=None)
    assert instant(written, Form()) == machine


@pytest.mark.parametrize("written", ["2026-03-18 14:05", "2026-03-18T14:05:00", "2026-W12-3T14:05"])
def test_times_without_an_offset_are_taken_as_they_stand(written: str) -> None:
    assert instant(written, Form(zone=ZoneInfo("Asia/Tokyo"))) == dt.datetime(2026, 3, 18, 14, 5)


@pytest.mark.parametrize("written", ["18.03.2026", "03/18/2026 2 pm", "2026-02-30", "45734.58", "yesterday"])
def test_other_dates_are_refused_with_the_form_to_write(written: str) -> None:
    with pytest.raises(CellProblem, match="2026-03-18T14:05"):
        instant(written, Form())


def test_a_year_no_shop_can_mean_is_refused() -> None:
    with pytest.raises(CellProblem, match="outside the years"):
        instant("1900-01-00".replace("-00", "-01"), Form())


@pytest.mark.parametrize(
    ("written", "one"),
    [
        ("week1/a.csv", "week1/a.csv"),
        ("week1\\a.csv", "week1/a.csv"),
        ("./week1//sub/./a.csv", "week1/sub/a.csv"),
        (" a b.csv ", "a b.csv"),
        ("Zylinder u\u0308ber.csv", "Zylinder \u00fcber.csv"),
    ],
)
def test_a_capture_path_has_one_spelling(written: str, one: str, tmp_path: Path) -> None:
    assert capture_path(written) == one
    table = read(
        tmp_path, "captures", f"{CAPTURE_HEAD}{written},2026-03-02,ada,f,relative_compression,drill,,,\n"
    )
    assert table.rows["capture_file"].to_list() == [one]
