"""A drop folder into the warehouse: what is read, what waits, what is refused, and that nothing is lost."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipelines.intake.ingest import ingest
from pipelines.intake.summary import IntakeSummary
from pipelines.warehouse.database import Warehouse
from tests.small_shop import FAMILIES, log_row, small_drop, write_capture, write_log


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    small_drop(tmp_path / "drop")
    return tmp_path / "drop"


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    return Warehouse(tmp_path / "warehouse", create=True)


def exported(house: Warehouse, view: str) -> pl.DataFrame:
    with house.reading() as connection:
        frame: pl.DataFrame = connection.sql(f"SELECT * FROM export.{view} ORDER BY ALL").pl()
    return frame


def reason_of(summary: IntakeSummary, what: str) -> tuple[str, str]:
    found = [(trouble.status, trouble.reason) for trouble in summary.troubles if trouble.what == what]
    assert len(found) == 1, summary.troubles
    return found[0]


def test_clean_captures_are_read_and_the_weak_cylinder_is_the_lowest(drop: Path, house: Warehouse) -> None:
    summary = ingest(drop, house, jobs=1)
    assert summary.clean
    assert summary.statuses == {"read": 4}
    captures = exported(house, "captures")
    assert captures["cycles"].min() > 5
    # The construction turns at 200 rpm from 12.6 V at rest.
    assert captures["crank_rpm"].to_list() == pytest.approx([200.0] * 4, rel=0.03)
    assert captures["rest_v"].to_list() == pytest.approx([12.6] * 4, abs=0.05)
    weak = exported(house, "cylinders").filter(pl.col("capture_file") == "week1/weak.csv")
    assert weak.sort("relative_pct")["cylinder"][0] == 4
    assert weak.sort("firing_position")["cylinder"].to_list() == [1, 3, 4, 2]
    assert set(weak["identified"]) == {"sync"}


def test_what_a_reading_says_besides_its_figures_is_kept(drop: Path, house: Warehouse) -> None:
    file = drop / "week1" / "weak.csv"
    head, *rows = file.read_text().splitlines()
    cells = [row.split(",") for row in rows]
    sparks = [k for k, cell in enumerate(cells) if float(cell[2]) > 50.0]
    middle = sparks[len(sparks) // 2]
    for cell in cells[middle - len(cells) // 8 : middle + len(cells) // 8]:
        cell[2] = "12"  # the lead slipped off for a while
    file.write_text("\n".join([head, *(",".join(cell) for cell in cells)]) + "\n")
    ingest(drop, house, jobs=1)
    with house.reading() as connection:
        kept = dict(connection.sql("SELECT capture_file, notes FROM capture_state").fetchall())
    assert any("sync pulses were missing" in said for said in json.loads(kept["week1/weak.csv"]))
    assert kept["week1/even0.csv"] is None


def test_dropping_the_same_thing_twice_changes_nothing(drop: Path, house: Warehouse, tmp_path: Path) -> None:
    ingest(drop, house, jobs=1)
    before = {view: exported(house, view) for view in ("captures", "cylinders", "checks")}
    log = house.frame("intake_log", {"rows": 10_000})
    assert ingest(drop, house, jobs=1).worked_on == 0
    # The same bytes in another place and at another time are the same drop.
    shutil.copytree(drop, tmp_path / "again")
    for path in (tmp_path / "again").rglob("*.csv"):
        path.touch()
    ingest(tmp_path / "again", house, jobs=1)
    for view, rows in before.items():
        assert exported(house, view).equals(rows), view
    assert house.frame("intake_log", {"rows": 10_000}).equals(log)


def test_a_changed_row_replaces_the_old_one_and_both_stand_in_the_log(drop: Path, house: Warehouse) -> None:
    ingest(drop, house, jobs=1)
    text = (drop / "captures.csv").read_text()
    (drop / "captures.csv").write_text(text.replace(",v9,", ",v77,"))
    ingest(drop, house, jobs=1)
    assert (
        exported(house, "captures").filter(pl.col("capture_file") == "week1/weak.csv")["vehicle"][0] == "v77"
    )
    changed = house.frame("intake_log", {"rows": 1000}).filter(
        (pl.col("subject") == "captures.csv") & (pl.col("action") == "changed")
    )
    assert changed.height == 1
    assert json.loads(changed["before"][0])["vehicle"] == "v9"
    assert json.loads(changed["after"][0])["vehicle"] == "v77"


def test_a_changed_firing_order_is_read_again_from_our_own_copy(drop: Path, house: Warehouse) -> None:
    ingest(drop, house, jobs=1)
    shutil.rmtree(drop / "week1")
    # One engine in the field fires 1-4-3-2 (common practice, no source).
    (drop / "engine_families.csv").write_text(FAMILIES.replace("1-3-4-2", "1-4-3-2"))
    summary = ingest(drop, house, jobs=1)
    assert summary.statuses == {"read": 4}
    weak = exported(house, "cylinders").filter(pl.col("capture_file") == "week1/weak.csv")
    assert weak.sort("relative_pct")["cylinder"][0] == 3
    assert "read_again" in house.frame("intake_log", {"rows": 1000})["action"].to_list()


def test_a_file_before_its_row_waits_and_is_read_when_the_row_comes(drop: Path, house: Warehouse) -> None:
    write_capture(drop / "early.csv", (1, 1, 1, 1))
    status, reason = reason_of(ingest(drop, house, jobs=1), "early.csv")
    assert status == "waiting"
    assert "captures.csv" in reason
    # Even when the dropped file itself is gone by then.
    (drop / "early.csv").unlink()
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("early.csv") + "\n")
    summary = ingest(drop, house, jobs=1)
    assert summary.clean
    assert summary.statuses == {"read": 5}


def test_a_row_before_its_file_waits_and_is_read_when_the_file_comes(drop: Path, house: Warehouse) -> None:
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("late.csv") + "\n")
    status, reason = reason_of(ingest(drop, house, jobs=1), "late.csv")
    assert status == "waiting"
    assert "has not arrived" in reason
    assert reason_of(ingest(drop, house, jobs=1), "late.csv")[0] == "waiting"
    write_capture(drop / "late.csv", (1, 1, 1, 1))
    assert ingest(drop, house, jobs=1).statuses == {"read": 5}


def test_a_family_nobody_defined_waits_for_its_definition(drop: Path, house: Warehouse) -> None:
    write_capture(drop / "other.csv", (1, 1, 1, 1, 1))
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("other.csv", engine_family="odd-5") + "\n")
    status, reason = reason_of(ingest(drop, house, jobs=1), "other.csv")
    assert status == "waiting"
    assert "odd-5" in reason
    assert "engine_families.csv" in reason
    with (drop / "engine_families.csv").open("a") as file:
        file.write("odd-5,5,1-2-4-5-3,,coil_on_plug\n")
    assert ingest(drop, house, jobs=1).statuses == {"read": 5}


def test_a_firing_order_that_is_no_permutation_is_refused_by_name(drop: Path, house: Warehouse) -> None:
    with (drop / "engine_families.csv").open("a") as file:
        file.write("twice-4,4,1-3-3-2,,coil_on_plug\n")
    summary = ingest(drop, house, jobs=1)
    refused = [trouble for trouble in summary.troubles if trouble.status == "refused"]
    assert len(refused) == 1
    assert "1-3-3-2" in refused[0].reason
    assert summary.statuses == {"read": 4}
    assert "twice-4" not in house.frame("families")["engine_family"].to_list()


@pytest.mark.parametrize(
    "content", [b"", b"\x00\x01\x02\xff" * 400, b"this is a letter, not a capture\n" * 40]
)
def test_an_unreadable_file_is_refused_with_its_reason_and_the_rest_goes_on(
    drop: Path, house: Warehouse, content: bytes
) -> None:
    (drop / "bad.csv").write_bytes(content)
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("bad.csv") + "\n")
    summary = ingest(drop, house, jobs=1)
    status, reason = reason_of(summary, "bad.csv")
    assert status == "refused"
    assert len(reason) > 20
    assert summary.statuses == {"read": 4, "refused": 1}
    # Still named the next time, and healed by a readable file.
    assert reason_of(ingest(drop, house, jobs=1), "bad.csv")[0] == "refused"
    write_capture(drop / "bad.csv", (1, 1, 1, 1))
    assert ingest(drop, house, jobs=1).statuses == {"read": 5}


def test_a_test_nobody_reads_yet_waits_with_its_waveform_kept(drop: Path, house: Warehouse) -> None:
    write_capture(drop / "pump.csv", (1, 1, 1, 1), seed=33)
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("pump.csv", test="seat_heater_current") + "\n")
    status, reason = reason_of(ingest(drop, house, jobs=1), "pump.csv")
    assert status == "waiting"
    assert "seat_heater_current" in reason
    assert len(list(house.waveforms.rglob("*.parquet"))) == 5


def test_a_reread_gives_the_same_readings_from_our_copies(drop: Path, house: Warehouse) -> None:
    ingest(drop, house, jobs=1)
    before = exported(house, "cylinders")
    shutil.rmtree(drop)
    summary = ingest(None, house, reread=True, jobs=1)
    assert summary.worked_on == 4
    after = exported(house, "cylinders")
    assert after["cylinder"].to_list() == before["cylinder"].to_list()
    # Our copy keeps 16 bits of each channel's range: far below the reading's own error.
    assert after["relative_pct"].to_numpy() == pytest.approx(before["relative_pct"].to_numpy(), abs=0.2)


def test_worker_processes_read_what_one_process_reads(drop: Path, tmp_path: Path) -> None:
    for number in range(12):
        write_capture(drop / f"more/{number}.csv", (1, 1, 1, 1), seed=20 + number)
    write_log(drop, *(log_row(f"more/{number}.csv") for number in range(12)))
    one, two = Warehouse(tmp_path / "one", create=True), Warehouse(tmp_path / "two", create=True)
    seen: list[tuple[int, int]] = []
    ingest(drop, one, jobs=1)
    ingest(drop, two, jobs=2, progress=lambda done, total: seen.append((done, total)))
    alone, shared = exported(one, "cylinders"), exported(two, "cylinders")
    # To the last digit, whoever read it: a reader works with one thread of linear algebra everywhere.
    assert shared.equals(alone)
    assert seen[-1] == (16, 16)


def test_a_bad_row_is_named_each_time_but_logged_once(drop: Path, house: Warehouse) -> None:
    with (drop / "technicians.csv").open("a") as file:
        file.write("bo,soon\n")
    for _ in range(2):
        summary = ingest(drop, house, jobs=1)
        assert any("bo" in trouble.reason or "soon" in trouble.reason for trouble in summary.troubles)
    log = house.frame("intake_log", {"rows": 1000})
    assert log.filter((pl.col("subject") == "technicians.csv") & (pl.col("action") == "refused")).height == 1


def test_a_file_name_in_either_unicode_form_meets_its_row(drop: Path, house: Warehouse) -> None:
    # Some file systems store decomposed names (Unicode Standard Annex 15, forms NFC and NFD).
    composed, decomposed = "w\u00e4rme.csv", "wa\u0308rme.csv"
    write_capture(drop / decomposed, (1, 1, 1, 1), seed=5)
    with (drop / "captures.csv").open("a", encoding="utf-8") as file:
        file.write(log_row(composed) + "\n")
    assert ingest(drop, house, jobs=1).statuses == {"read": 5}
