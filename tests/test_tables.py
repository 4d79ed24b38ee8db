"""The drop folder's tables: tolerant in form, strict in meaning, every bad row named with its line.

Outside sources: the SI Brochure and NIST SP 811, appendix B.8 (1 bar = 100 kPa, 1 psi = 6.894757 kPa).
"""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines import kinds
from pipelines.errors import BadTable
from pipelines.intake.table_specs import TESTS
from pipelines.intake.tables import SPECS, read_table
from tests.constructed_tables import CAPTURE_HEAD, FAMILY_HEAD, ORDER_HEAD, read


def test_a_capture_row_becomes_lists_in_channel_order(tmp_path: Path) -> None:
    head = "capture_file;captured_at;engine_family;test;ch1_signal;ch1_scale;ch3_signal;ch3_scale;call;call_cylinders\n"
    text = (
        head + 'a.csv;2026-03-02;f;Relative compression;Battery voltage;;ignition-primary;"10,5";odd;"3;4"\n'
    )
    table = read(tmp_path, "captures", text)
    (row,) = table.rows.to_dicts()
    assert row["ch_signals"] == ["battery_voltage", "", "ignition_primary"]
    assert row["ch_scales"] == [1.0, 1.0, 10.5]
    assert row["call_elements"] == [3, 4]
    assert row["sync_cylinder"] == 1
    assert row["test"] == "relative_compression"
    assert (row["purpose"], table.notes) == ("drill", ())
    assert "purpose" in table.missing_columns
    assert table.rows.schema["ch_signals"] == pl.List(pl.String)
    assert table.rows.schema["ch_scales"] == pl.List(pl.Float64)
    assert table.rows.schema["call_elements"] == pl.List(pl.Int32)


@pytest.mark.parametrize(("order", "purpose"), [("", "drill"), ("RO-1", "diagnosis")])
def test_an_empty_purpose_follows_from_the_repair_order_and_is_noted(
    order: str, purpose: str, tmp_path: Path
) -> None:
    head = "capture_file,captured_at,repair_order,purpose\n"
    table = read(tmp_path, "captures", f"{head}a.csv,2026-03-02,{order},\n")
    assert table.rows["purpose"].to_list() == [purpose]
    assert [note.reason for note in table.notes] == [f"purpose is empty; it was taken as {purpose}."]


def test_every_test_kind_there_is_counts_as_known() -> None:
    assert set(kinds.kinds()) <= set(TESTS)


def test_new_signals_and_tests_pass_but_slips_do_not(tmp_path: Path) -> None:
    row = "{file},2026-03-02,ada,f,{test},drill,{signal},,\n"
    text = CAPTURE_HEAD + row.format(file="a.csv", test="injector_flow", signal="injector_current")
    text += row.format(file="b.csv", test="relative_compresion", signal="battery_voltage")
    text += row.format(file="c.csv", test="relative_compression", signal="batery_voltage")
    table = read(tmp_path, "captures", text)
    assert table.rows["ch_signals"].to_list() == [["injector_current"]]
    assert [problem.reason for problem in table.problems] == [
        "test 'relative_compresion' is not known; did you mean relative_compression?",
        "ch1_signal 'batery_voltage' is not known; did you mean battery_voltage?",
    ]


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("1-3-4-2", "1-3-4-2"),
        ("1342", "1-3-4-2"),
        ("1 3 4 2", "1-3-4-2"),
        ("1–3–4–2", "1-3-4-2"),
        ('"1,3,4,2"', "1-3-4-2"),
    ],
)
def test_a_firing_order_has_one_spelling(written: str, kept: str, tmp_path: Path) -> None:
    table = read(tmp_path, "engine_families", f"{FAMILY_HEAD}f,4,{written},,Coil on plug\n")
    assert table.rows.rows() == [("f", 4, kept, "", "coil_on_plug", "")]


BAD_ROWS: list[tuple[str, str, str, str]] = [
    ("engine_families", FAMILY_HEAD, "f,4,1-3-3-2,,distributor", "each of the cylinders 1 to 4 exactly once"),
    ("engine_families", FAMILY_HEAD, "f,4,1-3-4,,distributor", "each of the cylinders 1 to 4 exactly once"),
    ("engine_families", FAMILY_HEAD, "f,2,1-2,,distributor", "3 to 12 can be read"),
    ("engine_families", FAMILY_HEAD, "f,four,1-3-4-2,,distributor", "cylinders 'four' is no number"),
    (
        "engine_families",
        FAMILY_HEAD,
        "f,6,1-4-2-5-3-6,150-90-150-90-150-80,distributor",
        "sum to 710 degrees",
    ),
    ("engine_families", FAMILY_HEAD, "f,6,1-4-2-5-3-6,120-120,distributor", "2 firing intervals for 6"),
    ("engine_families", FAMILY_HEAD, "f,4,2001-02-03,,distributor", "no firing order.*1-3-4-2"),
    ("engine_families", FAMILY_HEAD, "f,4,1-3-4-2,,coil_on_plugs", "did you mean coil_on_plug"),
    ("engine_families", FAMILY_HEAD, "f,4,1-3-4-2,,", "sync_kind is empty"),
    ("technicians", "technician,started_on\n", "ada,3 March", "started_on '3 March' is no date.*2026-03-18 "),
    ("technicians", "technician,started_on\n", ",2026-03-02", "technician is empty"),
    (
        "technicians",
        "technician,started_on\n",
        f"{'a' * 1001},2026-03-02",
        "1001 characters long, where at most 1000",
    ),
    ("repair_orders", ORDER_HEAD, "R,2026-03-02,2026-03-01,yes,1,", "closed_at .* before opened_at"),
    ("repair_orders", ORDER_HEAD, "R,2026-03-02,,maybe,1,", "neither true nor false"),
    ("repair_orders", ORDER_HEAD, "R,2026-03-02,,yes,-1,", "labour_h '-1' is negative"),
    ("repair_orders", ORDER_HEAD, "R,2026-03-02,,yes,1.5 h,", "labour_h '1.5 h' is no number"),
    ("repair_orders", ORDER_HEAD, 'R,2026-03-02,,yes,"1,500",', "labour_h '1,500' can be read in two ways"),
    ("repair_orders", ORDER_HEAD, "R,2026-03-02,,yes,nan,", "no finite number"),
    ("repair_orders", ORDER_HEAD, "R,2026-03-02,,yes,1,R", "comeback_of names the repair order itself"),
    ("repair_orders", ORDER_HEAD, "R,,,yes,1,", "opened_at is empty, but every row needs it"),
    (
        "repair_orders",
        ORDER_HEAD,
        "R,2026-03-02,,yes,1,5,x",
        "7 cells, but there are 6 columns.*double quotes",
    ),
    (
        "captures",
        CAPTURE_HEAD,
        "/abs/a.csv,2026-03-02,a,f,t,drill,,,",
        "absolute path.*from the drop folder down",
    ),
    ("captures", CAPTURE_HEAD, "C:\\shop\\a.csv,2026-03-02,a,f,t,drill,,,", "absolute path"),
    ("captures", CAPTURE_HEAD, "../a.csv,2026-03-02,a,f,t,drill,,,", "leaves the drop folder"),
    ("captures", CAPTURE_HEAD, "a.csv,,a,f,t,drill,,,", "captured_at is empty"),
    (
        "captures",
        CAPTURE_HEAD,
        "a.csv,2026-03-02,a,f,t,practise,,,",
        "purpose 'practise' is none of drill, diagnosis",
    ),
    (
        "captures",
        CAPTURE_HEAD,
        "a.csv,2026-03-02,a,f,t,drill,battery_voltage,0,",
        "ch1_scale is 0.*10 for 10:1",
    ),
    ("captures", CAPTURE_HEAD, "a.csv,2026-03-02,a,f,t,drill,battery_voltage,inf,", "no finite number"),
    ("captures", CAPTURE_HEAD, "a.csv,2026-03-02,a,f,t,drill,battery_voltage,10:1,", "'10:1' is no number"),
    (
        "captures",
        "capture_file,captured_at,call,call_cylinders\n",
        "a.csv,2026-03-02,even,3",
        "call is even, yet",
    ),
    (
        "captures",
        "capture_file,captured_at,call,call_cylinders\n",
        "a.csv,2026-03-02,odd,3;3",
        "names one twice",
    ),
    (
        "captures",
        "capture_file,captured_at,call,call_cylinders\n",
        "a.csv,2026-03-02,odd,3;x",
        "'x' is no number",
    ),
    (
        "captures",
        "capture_file,captured_at,call,call_cylinders\n",
        "a.csv,2026-03-02,odd,3;;4",
        "empty place in its list",
    ),
    (
        "captures",
        "capture_file,captured_at,call,call_cylinders\n",
        "a.csv,2026-03-02,odd,13",
        "whole number from 1 to 12",
    ),
    (
        "captures",
        "capture_file,captured_at,sync_cylinder\n",
        "a.csv,2026-03-02,1.5",
        "whole number from 1 to 12",
    ),
    ("outcomes", "repair_order,finding,confirmed_cylinders\n", "R,even,2", "finding is even, yet"),
    ("outcomes", "repair_order,finding,confirmed_cylinders\n", "R,,2", "finding is empty"),
    ("outcomes", "repair_order,finding,gauge_kpa\n", "R,odd,11.8;11.9;7.2;11.7", "looks like bar: write kPa"),
    ("outcomes", "repair_order,finding,gauge_kpa\n", "R,odd,1180000;1190000", "write kPa, not Pa"),
    (
        "outcomes",
        "repair_order,finding,confirmed_cylinders,gauge_kpa\n",
        "R,odd,4,1180;1190;720",
        "3 values, but confirmed_cylinders names a higher",
    ),
    ("drills", "drill,test,week_of,target\n", "D,relative_compression,2026-03-18,4", "no Monday.*2026-03-16"),
    (
        "drills",
        "drill,test,week_of,target\n",
        "D,relative_compression,2026-03-16,0",
        "whole number from 1 to 1000",
    ),
    ("coaching", "session,technician,held_on,topic\n", "S,ada,2026-03-18,hook-ups", "did you mean hookup"),
    ("coaching", "session,technician,held_on,topic\n", "S,,2026-03-18,calls", "technician is empty"),
]

GOOD_ROWS = {
    FAMILY_HEAD: "good,4,1-3-4-2,,waste_spark",
    ORDER_HEAD: "good,2026-03-02,,yes,1,",
    CAPTURE_HEAD: "good.csv,2026-03-02,a,f,relative_compression,drill,battery_voltage,10,",
}


@pytest.mark.parametrize(("name", "head", "row", "sentence"), BAD_ROWS, ids=lambda part: part[:24].strip())
def test_a_bad_row_is_named_and_the_others_go_on(
    name: str, head: str, row: str, sentence: str, tmp_path: Path
) -> None:
    good = GOOD_ROWS.get(head)
    text = f"{head}{row}\n" + (f"{good}\n" if good else "")
    table = read(tmp_path, name, text)
    assert table.rows.height == (1 if good else 0)
    assert table.rows.schema == pl.Schema(SPECS[name].schema)
    (problem,) = table.problems
    assert problem.line == 2
    assert problem.file == SPECS[name].file
    assert re.search(sentence, problem.reason)
    assert problem.reason.endswith((".", "?"))
    assert not problem.reason.endswith("..")


def test_every_table_says_its_problem_with_a_key_where_there_is_one(tmp_path: Path) -> None:
    table = read(tmp_path, "captures", f"{CAPTURE_HEAD}w\\b.csv,oops,a,f,t,drill,,,\n")
    assert table.problems[0].key == "w/b.csv"


def test_a_key_that_stands_twice_counts_once_with_its_last_row(tmp_path: Path) -> None:
    text = "technician,started_on\nada,2025-01-06\nbo,2025-02-03\nada,2025-03-03\n"
    table = read(tmp_path, "technicians", text)
    assert dict(table.rows.drop("shop").rows()) == {"ada": dt.date(2025, 3, 3), "bo": dt.date(2025, 2, 3)}
    assert table.problems == ()
    (note,) = table.notes
    assert (note.line, note.key) == (4, "ada")
    assert "stands on line 2 too; this later row counts" in note.reason


def test_a_negative_scale_and_low_gauge_figures_are_kept_and_noted(tmp_path: Path) -> None:
    table = read(tmp_path, "captures", f"{CAPTURE_HEAD}a.csv,2026-03-02,a,f,t,drill,battery_voltage,-10,\n")
    assert table.rows["ch_scales"].to_list() == [[-10.0]]
    assert "upside down" in table.notes[0].reason
    # 170 psi, a usual gauge figure, written as if it were kPa; 1 psi = 6.894757 kPa (NIST SP 811).
    table = read(tmp_path, "outcomes", "repair_order,finding,gauge_kpa\nR,even,170;172;168;171\n")
    assert table.rows["gauge_kpa"].to_list() == [[170.0, 172.0, 168.0, 171.0]]
    assert "if that was psi, multiply it by 6.895" in table.notes[0].reason


def test_unknown_columns_are_kept_out_and_named_with_a_near_miss(tmp_path: Path) -> None:
    table = read(tmp_path, "technicians", "technician,startedon,shoe_size\nada,2025-01-06,43\n")
    assert table.unknown_columns == ("startedon", "shoe_size")
    assert table.missing_columns == ("started_on",)
    assert table.rows.columns == ["technician", "started_on", "shop"]
    assert [note.reason for note in table.notes] == [
        "The column 'startedon' is not known and was kept out; did you mean started_on?"
    ]


def test_a_quote_never_closed_costs_its_rows_only(tmp_path: Path) -> None:
    table = read(
        tmp_path, "technicians", 'technician,started_on\nada,2025-01-06\n"bo,2025-02-03\ncy,2025-03-03\n'
    )
    assert table.rows["technician"].to_list() == ["ada", "cy"]
    (problem,) = table.problems
    assert problem.line == 3
    assert "quotes on this line do not match" in problem.reason


def test_a_file_that_breaks_off_loses_its_last_row_only(tmp_path: Path) -> None:
    table = read(tmp_path, "repair_orders", f"{ORDER_HEAD}R1,2026-03-02,,yes,1,\nR2,2026-03-03,,y")
    assert table.rows["repair_order"].to_list() == ["R1"]
    assert "breaks off on this line (4 of 6 cells)" in table.problems[0].reason
    whole = read(tmp_path, "repair_orders", f"{ORDER_HEAD}R1,2026-03-02,,yes,1,\nR2,2026-03-03,,y,1,")
    assert whole.rows.height == 2


def test_a_heading_alone_is_an_empty_table_of_the_right_shape(tmp_path: Path) -> None:
    for name, spec in SPECS.items():
        head = ",".join(column.name for column in spec.columns)
        table = read(tmp_path, name, head + "\n")
        assert table.rows.height == 0
        assert table.rows.schema == pl.Schema(spec.schema)
        assert (table.problems, table.unknown_columns, table.missing_columns, table.notes) == ((), (), (), ())


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "empty; its first line must name the columns"),
        (b"\xef\xbb\xbf\r\n", "empty"),
        (b"PK\x03\x04" + bytes(range(256)) * 10, "no text file; save the table as CSV"),
        (b"ada,2025-01-06\n", "no column 'technician'. Its first line must name the columns"),
        (b"techncian,started_on\nada,2025-01-06\n", "no column 'technician'.*techncian"),
        (b"technician,technician\nada,b\n", "the column technician twice"),
        (b'"technician,started_on\nada,2025-01-06\n', "heading of technicians.csv cannot be read"),
    ],
)
def test_a_table_that_is_no_use_at_all_is_refused_whole(
    content: bytes, sentence: str, tmp_path: Path
) -> None:
    with pytest.raises(BadTable, match=sentence):
        read(tmp_path, "technicians", content)


def test_a_column_every_row_needs_is_named_once(tmp_path: Path) -> None:
    with pytest.raises(BadTable, match="no column sync_kind, which every row needs"):
        read(tmp_path, "engine_families", "engine_family,cylinders,firing_order\nf,4,1-3-4-2\n")


def test_a_missing_table_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadTable, match="cannot be opened"):
        read_table(tmp_path / "technicians.csv", SPECS["technicians"])


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.text(alphabet="ab,;\t' 0123456789-:TZ./oden", max_size=60), max_size=8),
    name=st.sampled_from(sorted(SPECS)),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_no_row_is_lost_without_a_word(rows: list[str], name: str, line_end: str, tmp_path: Path) -> None:
    spec = SPECS[name]
    head = ",".join(column.name for column in spec.columns)
    table = read(tmp_path, name, line_end.join([head, *rows, ""]))
    assert table.rows.schema == pl.Schema(spec.schema)
    filled = [number for number, row in enumerate(rows, start=2) if row.replace(",", "").strip()]
    refused = [problem.line for problem in table.problems]
    replaced = sum("this later row counts" in note.reason for note in table.notes)
    assert table.rows.height + replaced + len(refused) == len(filled)
    assert set(refused) <= set(filled)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=300) | st.text(max_size=300))
def test_no_content_ends_in_anything_but_a_table_or_a_sentence(content: bytes | str, tmp_path: Path) -> None:
    content = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    try:
        outcome = str(read(tmp_path, "technicians", b"technician,started_on\n" + content).rows.schema)
    except BadTable as error:
        outcome = str(error)
    assert len(outcome) > 20


def test_a_channel_for_each_coil_is_no_slip_and_two_batteries_are(tmp_path: Path) -> None:
    head = "capture_file,captured_at,test,ch1_signal,ch2_signal\n"
    coils = "a.csv,2026-03-02,ignition_primary,ignition_primary,ignition_primary\n"
    cranked = "b.csv,2026-03-02,relative_compression,ignition_primary,ignition_primary\n"
    batteries = "c.csv,2026-03-02,ignition_primary,battery_voltage,battery_voltage\n"
    table = read(tmp_path, "captures", head + coils + cranked + batteries)
    said = {note.key: note.reason for note in table.notes if "Several channels" in note.reason}
    assert set(said) == {"b.csv", "c.csv"}
    assert "logged as battery_voltage" in said["c.csv"]
