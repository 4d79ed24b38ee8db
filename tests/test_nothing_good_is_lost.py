"""A failed attempt never takes the place of a good reading, and a refusal ends when its cause does."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

from dashboard.views.intake import answer as intake_answers
from pipelines.errors import UnreadableFile
from pipelines.intake import work
from pipelines.intake.check import check
from pipelines.intake.ingest import ingest
from pipelines.intake.summary import IntakeSummary
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse
from pipelines.waveform import Waveform
from tests.small_shop import FAMILIES, log_row, small_drop, write_capture, write_log

ROOT = Path(__file__).parents[1]
WEAK = "week1/weak.csv"


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    small_drop(tmp_path / "drop")
    return tmp_path / "drop"


@pytest.fixture
def house(tmp_path: Path, drop: Path) -> Warehouse:
    """A warehouse that has read the drop folder once."""
    warehouse = Warehouse(tmp_path / "warehouse", create=True)
    assert ingest(drop, warehouse, jobs=1).clean
    return warehouse


def readings(house: Warehouse) -> pl.DataFrame:
    with house.reading() as connection:
        frame: pl.DataFrame = connection.sql("SELECT * FROM export.cylinders ORDER BY ALL").pl()
    return frame


def reasons(summary: IntakeSummary, what: str) -> list[str]:
    return [trouble.reason for trouble in summary.troubles if trouble.what == what]


def copy_of(house: Warehouse, capture_file: str) -> Path:
    name = house.frame("waveform_of", {"capture_file": capture_file})["waveform_sha256"][0]
    return store.path_of(house.waveforms, name)


def flip(path: Path, bit: int) -> None:
    content = bytearray(path.read_bytes())
    content[bit // 8] ^= 1 << (bit % 8)
    path.write_bytes(content)


def test_both_ways_of_naming_a_warehouse_find_its_waveforms(house: Warehouse) -> None:
    before = readings(house)
    alias = Warehouse(house.path / "shopspread.duckdb")
    summary = ingest(None, alias, reread=True, jobs=1)
    assert summary.clean
    assert summary.statuses == {"read": 4}
    assert readings(alias)["cylinder"].to_list() == before["cylinder"].to_list()


def test_waveforms_an_earlier_version_put_elsewhere_are_found(drop: Path, tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w" / "shopspread.duckdb", create=True)
    ingest(drop, house, jobs=1)
    (house.path.parent / "shopspread").mkdir()
    house.waveforms.rename(house.path.parent / "shopspread" / "waveforms")
    assert ingest(None, house, reread=True, jobs=1).clean
    assert check(house).damaged == {}


def test_a_reread_without_the_copies_leaves_every_reading(house: Warehouse) -> None:
    before = readings(house)
    elsewhere = house.path.parent / "elsewhere"
    house.waveforms.rename(elsewhere)
    summary = ingest(None, house, reread=True, jobs=1)
    assert len(summary.troubles) == 4
    assert summary.statuses == {"read": 4}
    assert readings(house).equals(before)
    elsewhere.rename(house.waveforms)
    assert ingest(None, house, jobs=1).clean


@pytest.mark.parametrize("content", [b"", b"a letter, not a capture\n" * 50, b"\x00" * 4000])
def test_a_file_that_becomes_unreadable_leaves_its_reading(
    drop: Path, house: Warehouse, content: bytes
) -> None:
    before, good = readings(house), (drop / WEAK).read_bytes()
    (drop / WEAK).write_bytes(content)
    for _ in range(2):  # named at each ingest, tried once
        summary = ingest(drop, house, jobs=1)
        assert len(reasons(summary, WEAK)) == 1
        assert "The reading made before stands." in reasons(summary, WEAK)[0]
        assert summary.statuses == {"read": 4}
        assert readings(house).equals(before)
    assert summary.worked_on == 0
    log = house.frame("intake_log", {"rows": 1000})
    assert log.filter((pl.col("key") == WEAK) & (pl.col("action") == "refused")).height == 1
    assert copy_of(house, WEAK).exists()
    (drop / WEAK).write_bytes(good)
    assert ingest(drop, house, jobs=1).clean
    assert readings(house).equals(before)


def test_a_bad_file_taken_away_is_no_trouble_any_more(drop: Path, house: Warehouse) -> None:
    (drop / WEAK).write_bytes(b"")
    assert not ingest(drop, house, jobs=1).clean
    (drop / WEAK).unlink()
    assert ingest(drop, house, jobs=1).clean


def test_a_refusal_ends_when_the_permission_is_back(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A permission changes neither size nor time of a file, so neither may be taken as known."""
    write_capture(drop / "locked.csv", (1, 1, 1, 1), seed=4)
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("locked.csv") + "\n")
    real = Path.open

    def locked(path: Path, *mode: Any, **options: Any) -> Any:
        if path.name == "locked.csv":
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path, *mode, **options)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", locked)
        summary = ingest(drop, house, jobs=1)
    assert summary.statuses == {"read": 4, "refused": 1}
    assert "may be read" in reasons(summary, "locked.csv")[0]
    assert ingest(drop, house, jobs=1).statuses == {"read": 5}


def test_a_refusal_ends_when_the_row_is_corrected(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A row whose hookup the reader refuses outright; the file itself never changes."""
    real = work.read

    def strict(waveform: Waveform, assignment: work.Assignment) -> object:
        if "starter_current" in assignment.hookup.signals:
            raise UnreadableFile("No channel is logged as battery voltage; correct the row.")
        return real(waveform, assignment)

    monkeypatch.setattr(work, "read", strict)
    write_capture(drop / "new.csv", (1, 1, 1, 1), seed=6)
    log = (drop / "captures.csv").read_text()
    (drop / "captures.csv").write_text(log + log_row("new.csv", ch1_signal="starter_current") + "\n")
    assert ingest(drop, house, jobs=1).statuses == {"read": 4, "refused": 1}
    assert ingest(drop, house, jobs=1).worked_on == 0
    (drop / "captures.csv").write_text(log + log_row("new.csv") + "\n")
    summary = ingest(drop, house, jobs=1)
    assert summary.clean
    assert summary.statuses == {"read": 5}


def test_a_good_capture_whose_row_becomes_wrong_keeps_its_reading(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, log = readings(house), (drop / "captures.csv").read_text()

    def never(*_: object) -> object:
        raise UnreadableFile("not this way")

    (drop / "captures.csv").write_text(log.replace("battery_voltage,1,", "battery_voltage,2,"))
    with monkeypatch.context() as patch:
        patch.setattr(work, "read", never)
        summary = ingest(drop, house, jobs=1)
    assert summary.statuses == {"read": 4}
    assert len(summary.troubles) == 4
    assert readings(house).equals(before)
    (drop / "captures.csv").write_text(log)
    assert ingest(drop, house, jobs=1).clean


def test_a_capture_that_waited_for_its_family_is_read_when_the_name_is_right_again(
    drop: Path, house: Warehouse
) -> None:
    before, log = readings(house), (drop / "captures.csv").read_text()
    shutil.rmtree(drop / "week1")
    (drop / "captures.csv").write_text(log.replace("plain-4", "plane-4"))
    assert ingest(drop, house, jobs=1).statuses == {"waiting": 4}
    (drop / "captures.csv").write_text(log)
    assert ingest(drop, house, jobs=1).statuses == {"read": 4}
    assert readings(house)["cylinder"].to_list() == before["cylinder"].to_list()


def test_every_flipped_bit_of_a_copy_is_seen(tmp_path: Path) -> None:
    """200 single bits: each is named, or falls where nothing is said (padding, the writer's own name)."""
    rng = np.random.default_rng(11)
    samples = rng.normal(12, 1, (2, 5000)).astype(np.float32)
    saved = Waveform(5000.0, -0.5, samples, ("a", "b"), ("a note",))
    name = store.save(saved, tmp_path)
    path = store.path_of(tmp_path, name)
    whole = path.read_bytes()
    good = store.load(tmp_path, name)
    silent = 0
    for bit in rng.choice(len(whole) * 8, 200, replace=False):
        path.write_bytes(whole)
        flip(path, int(bit))
        try:
            loaded = store.load(tmp_path, name)
        except UnreadableFile:
            continue
        same = (loaded.rate_hz, loaded.start_s, loaded.labels) == (good.rate_hz, good.start_s, good.labels)
        silent += not (same and np.array_equal(loaded.samples, good.samples))
    assert silent == 0


def test_a_changed_rate_in_a_copy_is_seen(tmp_path: Path) -> None:
    name = store.save(Waveform(5000.0, 0.0, np.ones((1, 100), np.float32), ("a",)), tmp_path)
    path = store.path_of(tmp_path, name)
    table = pq.read_table(path)
    about = json.loads(table.schema.metadata[b"shopspread"])
    pq.write_table(
        table.replace_schema_metadata({"shopspread": json.dumps(about | {"rate_hz": 4000.0})}), path
    )
    with pytest.raises(UnreadableFile):
        store.load(tmp_path, name)


def test_check_names_damaged_copies_and_the_same_file_mends_them(drop: Path, house: Warehouse) -> None:
    before = readings(house)
    assert check(house).damaged == {}
    path = copy_of(house, WEAK)
    whole = path.read_bytes()
    flip(path, len(whole) * 4)
    copy_of(house, "week1/even0.csv").unlink()
    found = check(house)
    assert set(found.damaged) == {WEAK, "week1/even0.csv"}
    assert found.copies == 4
    # Without the dropped files both are named at every ingest, and nothing is lost.
    summary = ingest(None, house, jobs=1)
    assert {trouble.what for trouble in summary.troubles} == {WEAK, "week1/even0.csv"}
    assert readings(house).equals(before)
    # Nor does it become well by lying in no drop folder.
    aside = drop.parent / "aside"
    (drop / WEAK).rename(aside)
    assert {trouble.what for trouble in ingest(drop, house, jobs=1).troubles} == {WEAK}
    aside.rename(drop / WEAK)
    # The very same files, unchanged in size and time, are enough.
    assert ingest(drop, house, jobs=1).clean
    assert check(house).damaged == {}
    assert store.load(house.waveforms, path.stem).samples.shape[0] == 2
    assert readings(house).equals(before)


def test_a_file_dropped_again_mends_a_copy_nobody_checked(drop: Path, house: Warehouse) -> None:
    path = copy_of(house, WEAK)
    flip(path, path.stat().st_size * 4)
    (drop / WEAK).touch()
    assert ingest(drop, house, jobs=1).clean
    assert store.sound(house.waveforms, path.stem)
    # One that is gone is seen without any sign on the file.
    path.unlink()
    assert ingest(drop, house, jobs=1).clean
    assert store.sound(house.waveforms, path.stem)


def test_a_damaged_copy_is_not_mended_from_another_file(drop: Path, house: Warehouse) -> None:
    """Of the same size and time, but other bytes: as a restored folder may hold it."""
    before = readings(house)
    path, dropped = copy_of(house, WEAK), drop / WEAK
    flip(path, path.stat().st_size * 4)
    check(house)
    status, content = dropped.stat(), dropped.read_text()
    dropped.write_text(content.replace("1", "2"))
    os.utime(dropped, ns=(status.st_atime_ns, status.st_mtime_ns))
    summary = ingest(drop, house, jobs=1)
    assert [trouble.what for trouble in summary.troubles] == [WEAK]
    assert readings(house).equals(before)
    assert not store.sound(house.waveforms, path.stem)


def test_a_damaged_copy_is_replaced_when_the_same_waveform_is_saved(tmp_path: Path) -> None:
    waveform = Waveform(100.0, 0.0, np.arange(64, dtype=np.float32)[None], ("a",))
    name = store.save(waveform, tmp_path)
    flip(store.path_of(tmp_path, name), 900)
    store.save(waveform, tmp_path)
    assert store.sound(tmp_path, name)


def test_copies_without_a_checksum_are_still_read_and_counted(house: Warehouse) -> None:
    path = copy_of(house, WEAK)
    table = pq.read_table(path)
    about = json.loads(table.schema.metadata[b"shopspread"])
    del about["checksum"]
    pq.write_table(table.replace_schema_metadata({"shopspread": json.dumps(about | {"format": 1})}), path)
    assert check(house).unsealed == 1
    assert ingest(None, house, reread=True, jobs=1).clean


def test_a_reread_makes_no_warehouse_where_there_is_none(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from pipelines.cli import main; main()", "ingest", "--reread", "--warehouse", "typo"],
        cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
        timeout=120,
    )  # fmt: skip
    assert done.returncode == 2
    assert list(tmp_path.iterdir()) == []


def test_the_check_command_says_what_it_found(house: Warehouse) -> None:
    copy_of(house, WEAK).write_bytes(b"")
    done = subprocess.run(
        [sys.executable, "-c", "from pipelines.cli import main; main()", "check", "--warehouse", str(house.path)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 1
    assert f"damaged: {WEAK}: " in done.stderr
    assert "4 stored waveforms checked, 1 damaged" in done.stdout


def test_captures_of_another_family_in_the_same_log_are_no_concern(drop: Path, house: Warehouse) -> None:
    """A change to one family reads only its own captures again."""
    write_log(drop, *(log_row(f"week1/even{n}.csv", vehicle=f"v{n}") for n in range(3)), log_row(WEAK))
    (drop / "engine_families.csv").write_text(FAMILIES.replace("1-5-3-6-2-4", "1-4-2-5-3-6"))
    assert ingest(drop, house, jobs=1).worked_on == 0


def test_the_page_names_a_refused_file_whose_reading_stands(drop: Path, house: Warehouse) -> None:
    (drop / WEAK).write_bytes(b"")
    ingest(drop, house, jobs=1)
    frames = house.frames(["captures", "capture_troubles"])
    rows = intake_answers.troubles(frames["captures"], frames["capture_troubles"])
    assert rows["capture_file"].to_list() == [WEAK]
    assert rows["status"].to_list() == ["refused"]
    assert "The reading made before stands." in rows["what_to_do"][0]


def test_a_refused_file_is_tried_again_by_a_reread(
    drop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Today's readers may manage what yesterday's did not; without the word the same file is left alone."""
    house = Warehouse(tmp_path / "new", create=True)

    def unable(*_: object) -> Waveform:
        raise UnreadableFile("No reader manages this file yet; update the program.")

    with monkeypatch.context() as patched:
        patched.setattr("pipelines.intake.work.read_waveform", unable)
        assert ingest(drop, house, jobs=1).statuses == {"refused": 4}
    summary = ingest(drop, house, jobs=1)
    assert (summary.worked_on, summary.statuses) == (0, {"refused": 4})
    assert ingest(drop, house, jobs=1, reread=True).statuses == {"read": 4}
