"""Tables written from the warehouse say what it holds: dropped again they change nothing."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pipelines.intake.form import enter
from pipelines.intake.ingest import ingest
from pipelines.intake.tables import SPECS
from pipelines.intake.written import tables, write_tables
from pipelines.warehouse.database import Warehouse

TABLES = {
    "engine_families.csv": "engine_family,cylinders,firing_order,firing_intervals_deg,sync_kind\n"
    "v6,6,1-6-5-4-3-2,150-90-150-90-150-90,waste_spark\nplain,4,1-3-4-2,,coil_on_plug\n",
    "technicians.csv": "technician,started_on\nada,2025-03-03\n\"o'neil, bo\",\n",
    "repair_orders.csv": "repair_order,opened_at,closed_at,technician,vehicle,engine_family,complaint,scope_eligible,"
    "comeback_of,labour_h,parts_cost,parts_returned,model_year\n"
    "ro-1,2026-03-02T08:00:00,2026-03-03T16:00:00,ada,v1,v6,misfire,true,,1.1,0.30000000000000004,0,2014\n"
    "ro-2,2026-03-09,,ada,v1,v6,\"rough idle, \"\"again\"\"\",false,ro-1,,,,\n",
    "captures.csv": "capture_file,captured_at,technician,repair_order,engine_family,test,purpose,ch1_signal,ch1_scale,"
    "ch2_signal,ch2_scale,sync_cylinder,call,call_elements,component\n"
    "week 1/a.csv,2026-03-02T10:00:00.5,ada,ro-1,v6,relative_compression,diagnosis,battery_voltage,-1,"
    "ignition_primary,10,2,odd,3;4,\nb.csv,2026-03-02T11:00:00,,,,fuel_pump_current,drill,fuel_pump_current,20,,,,"
    "unsure,,pump-9\n",
    "outcomes.csv": "repair_order,confirmed_at,finding,confirmed_elements,method,gauge_kpa,test\n"
    "ro-1,2026-03-03T15:00:00,odd,3,gauge,1150;1160;700;1140,relative_compression\nro-1,,other,,,,\n",
    "drills.csv": "drill,technician,test,week_of,target\nd1,,relative_compression,2026-03-02,3\n",
    "coaching.csv": "session,technician,held_on,topic,test,note\n"
    "s1,ada,2026-03-02,calls,,\"three more, with the clamp\"\n",
}  # fmt: skip


@pytest.fixture
def warehouse(tmp_path: Path) -> Warehouse:
    drop = tmp_path / "drop"
    drop.mkdir()
    for name, text in TABLES.items():
        (drop / name).write_text(text, encoding="utf-8")
    made = Warehouse(tmp_path / "wh", create=True)
    summary = ingest(drop, made, jobs=1)
    assert [row.problems for row in summary.tables if row.problems] == []
    return made


def rows_of(house: Warehouse) -> dict[str, list[dict[str, object]]]:
    from pipelines.intake.merge import TARGETS

    with house.reading() as connection:
        return {
            table: connection.sql(f"SELECT * FROM {table} ORDER BY ALL").pl().to_dicts()
            for table in TARGETS.values()
        }


def test_what_is_written_and_dropped_again_changes_nothing(warehouse: Warehouse, tmp_path: Path) -> None:
    enter(warehouse, "outcomes", {"repair_order": "ro-2", "finding": "even"}, by="Ida")
    before = rows_of(warehouse)
    counts = write_tables(warehouse, tmp_path / "out")
    assert set(counts) == {spec.file for spec in SPECS.values()}
    summary = ingest(tmp_path / "out", warehouse, jobs=1)
    assert [(one.name, one.added, one.changed) for one in summary.tables] == [(name, 0, 0) for name in SPECS]
    assert rows_of(warehouse) == before
    # and an empty warehouse made of them holds the same
    other = Warehouse(tmp_path / "other", create=True)
    ingest(tmp_path / "out", other, jobs=1)
    assert rows_of(other) == before


def test_the_columns_are_those_of_the_drop_folder(warehouse: Warehouse) -> None:
    for file, text in tables(warehouse).items():
        spec = next(one for one in SPECS.values() if one.file == file)
        header = next(csv.reader([text.splitlines()[0]]))
        assert set(header) <= {column.name for column in spec.columns}
        assert set(spec.key) <= set(header)


def test_an_unchanged_table_does_not_put_back_what_a_form_has_corrected(
    warehouse: Warehouse, tmp_path: Path
) -> None:
    drop = tmp_path / "drop"
    told = {"repair_order": "ro-1", "finding": "other", "test": "relative_compression"}
    enter(warehouse, "outcomes", told, by="Ida")

    def finding() -> str:
        found = warehouse.frame("outcomes").filter(repair_order="ro-1", test="relative_compression")
        return str(found["finding"][0])

    assert finding() == "other"
    for _ in range(2):
        summary = ingest(drop, warehouse, jobs=1)
        assert finding() == "other", "the table lies there unchanged: it is not the later one"
        (note,) = [note for note in summary.notes if note.startswith("outcomes.csv")]
        assert "later one and stands" in note
    (row,) = warehouse.frame("disagreements").to_dicts()
    assert (row["name"], row["stands"], row["entered_by"]) == ("outcomes", "form", "Ida")
    # the table is changed after the form: now it is the later one
    text = (
        (drop / "outcomes.csv")
        .read_text()
        .replace("ro-1,2026-03-03T15:00:00,odd,3", "ro-1,2026-03-03T15:00:00,odd,2")
    )
    (drop / "outcomes.csv").write_text(text)
    ingest(drop, warehouse, jobs=1)
    assert finding() == "odd"
    (row,) = warehouse.frame("disagreements").to_dicts()
    assert row["stands"] == "table"
    log = warehouse.frame("intake_log", {"rows": 100}).filter(subject="outcomes.csv", action="changed")
    assert log["entered_by"].to_list() == [None, "Ida"], "the log shows both"


def test_written_tables_end_the_disagreement(warehouse: Warehouse, tmp_path: Path) -> None:
    told = {"repair_order": "ro-1", "finding": "other", "test": "relative_compression"}
    enter(warehouse, "outcomes", told, by="Ida")
    write_tables(warehouse, tmp_path / "drop")
    summary = ingest(tmp_path / "drop", warehouse, jobs=1)
    assert not [note for note in summary.notes if "stands" in note]
    assert warehouse.frame("outcomes").filter(test="relative_compression")["finding"].to_list() == ["other"]
