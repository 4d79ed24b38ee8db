"""Backup, restore, upgrades, export, undo, and what a person may ask for: nothing lost, nothing left behind."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest

from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.fit.run import fit_warehouse
from pipelines.intake.check import check
from pipelines.intake.ingest import ingest
from pipelines.intake.undo import undo
from pipelines.reports.report import build_report
from pipelines.warehouse import database as module
from pipelines.warehouse import keeping
from pipelines.warehouse import log as intake_log
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.backups import backup, restore
from pipelines.warehouse.database import Warehouse, migrations
from pipelines.warehouse.exporting import export
from pipelines.warehouse.log import LogRow
from tests.small_shop import log_row, small_drop, write_capture

SHOP = ("captures", "elements", "orders", "outcomes", "technicians", "families", "intake_captures")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("upkeep")
    small_drop(folder / "drop")
    house = Warehouse(folder / "w", create=True)
    assert ingest(folder / "drop", house, jobs=1).clean
    fit_warehouse(house)
    return folder


@pytest.fixture
def shop(built: Path, tmp_path: Path) -> Path:
    shutil.copytree(built, tmp_path / "shop")
    return tmp_path / "shop"


def frames(house: Warehouse) -> dict[str, pl.DataFrame]:
    return house.frames(SHOP)


def assert_same(house: Warehouse, before: dict[str, pl.DataFrame]) -> None:
    for name, frame in frames(house).items():
        assert frame.equals(before[name]), name


# -- backup and restore ----------------------------------------------------------------------------------


def test_a_restored_warehouse_says_what_the_old_one_said(shop: Path) -> None:
    house = Warehouse(shop / "w")
    copied = backup(house, shop / "b")
    assert copied.copies == 4
    assert not list(shop.glob("*.part"))
    before, report = frames(house), build_report(house)
    # The old one is lost, the drop folder too.
    shutil.rmtree(shop / "w")
    shutil.rmtree(shop / "drop")
    restored = restore(shop / "b", shop / "new")
    assert restored.version == copied.version
    again = Warehouse(shop / "new")
    assert_same(again, before)
    assert json.dumps(build_report(again), default=str) == json.dumps(report, default=str)
    assert check(again).damaged == {}
    assert ingest(None, again, reread=True, jobs=1).statuses == {"read": 4}


def test_a_backup_overwrites_nothing_and_a_damaged_one_is_refused(shop: Path) -> None:
    house = Warehouse(shop / "w")
    backup(house, shop / "b")
    with pytest.raises(WarehouseError, match="is there already"):
        backup(house, shop / "b")
    with pytest.raises(WarehouseError, match="is there already"):
        restore(shop / "b", shop / "w")
    with pytest.raises(WarehouseError, match="no backup"):
        restore(shop / "drop", shop / "new")
    file = shop / "b" / module.DATABASE_NAME
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    with pytest.raises(WarehouseError, match="damaged"):
        restore(shop / "b", shop / "new")
    assert not (shop / "new").exists()


def test_a_damaged_waveform_is_named_by_a_backup_and_not_copied(shop: Path) -> None:
    house = Warehouse(shop / "w")
    name = sorted(store.names(house.waveforms))[0]
    store.path_of(house.waveforms, name).write_bytes(b"x")
    assert backup(house, shop / "b").damaged == (name,)
    assert name not in store.names(shop / "b" / "waveforms")


def test_an_upgrade_keeps_the_database_as_it_was(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    house = Warehouse(shop / "w")
    before, steps = frames(house), migrations()
    for number in range(5):
        steps = (*steps, (f"99{number}", f"ALTER TABLE technician ADD COLUMN c{number} VARCHAR"))
        monkeypatch.setattr(module, "migrations", lambda steps=steps: steps)
        Warehouse(shop / "w")
    kept = sorted((shop / "w" / keeping.FOLDER).glob("*.duckdb"))
    assert len(kept) == keeping.KEPT_UPGRADES
    monkeypatch.setattr(module, "migrations", migrations)
    with duckdb.connect(str(kept[-1]), read_only=True) as connection:
        columns = [row[0] for row in connection.execute("DESCRIBE technician").fetchall()]
        assert columns == ["technician", "started_on", "shop", "c0", "c1", "c2", "c3"]
        rows = connection.execute("SELECT count(*) FROM element_reading").fetchone()
    assert rows == (before["elements"].height,)


def test_without_room_for_that_copy_nothing_is_upgraded(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    longer = (*migrations(), ("9999_wider", "ALTER TABLE technician ADD COLUMN bench VARCHAR"))
    with monkeypatch.context() as patch:
        patch.setattr(keeping, "copy_database", full)
        patch.setattr(module, "migrations", lambda: longer)
        with pytest.raises(WarehouseError, match=r"make room.*Nothing was changed"):
            Warehouse(shop / "w")
    assert "bench" not in Warehouse(shop / "w").frame("technicians").columns


# -- export ----------------------------------------------------------------------------------------------


def test_every_export_view_comes_as_a_whole_file_of_one_version(shop: Path) -> None:
    house = Warehouse(shop / "w")
    for _ in range(2):  # the second time over the first
        rows = export(house, shop / "out of it's")
    files = {path.name for path in (shop / "out of it's").iterdir()}
    assert files == {*(f"{view}.parquet" for view in rows), "export.json"}
    assert {"captures", "elements", "checks", "thresholds"} <= set(rows)
    about = json.loads((shop / "out of it's" / "export.json").read_text())
    assert about == {"warehouse_version": house.version(), "rows": rows}
    with house.reading() as connection:
        for view in rows:
            path = shop / "out of it's" / f"{view}.parquet"
            wanted = connection.sql(f"SELECT * FROM export.{view} ORDER BY ALL").pl()
            found = connection.sql(
                f"SELECT * FROM '{str(path).replace(chr(39), chr(39) * 2)}' ORDER BY ALL"
            ).pl()
            assert found.equals(wanted), view
            assert pq.read_schema(path).metadata[b"warehouse_version"] == str(house.version()).encode()


def test_an_export_that_fails_leaves_the_last_one(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    house = Warehouse(shop / "w")
    export(house, shop / "out")
    before = {path.name: path.read_bytes() for path in (shop / "out").iterdir()}

    def full(self: Path, target: Path) -> None:  # noqa: ARG001
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", full)
        with pytest.raises(WarehouseError, match="make room"):
            export(house, shop / "out")
    assert {path.name: path.read_bytes() for path in (shop / "out").iterdir()} == before


# -- undo ------------------------------------------------------------------------------------------------


def test_an_undone_ingest_leaves_rows_and_readings_as_they_were(shop: Path) -> None:
    house, drop = Warehouse(shop / "w"), shop / "drop"
    before, shares = frames(house), house.frame("elements")["relative_pct"].to_list()
    write_capture(drop / "new.csv", (1, 1, 1, 1), seed=41)
    write_capture(drop / "week1/weak.csv", (1, 1, 1, 1), seed=42)  # another waveform under the old name
    log = (drop / "captures.csv").read_text().replace(",v9,", ",v77,") + log_row("new.csv") + "\n"
    (drop / "captures.csv").write_text(log)
    (drop / "technicians.csv").write_text("technician,started_on\nada,2025-11-03\nbo,2026-01-05\n")
    (drop / "repair_orders.csv").write_text("repair_order,opened_at\nR1,2026-03-02\n")
    summary = ingest(drop, house, jobs=1)
    assert summary.statuses == {"read": 5}
    undone = undo(house, summary.batch)
    assert undone.kept == ()
    assert (undone.rows, undone.captures) == (4, 2)
    after = frames(house)
    for name in ("orders", "outcomes", "technicians", "families"):
        assert after[name].equals(before[name]), name
    same = ("capture_file", "vehicle", "status", "engine_family", "captured_at")
    assert after["captures"].select(same).equals(before["captures"].select(same))
    # Read again from our copy of the first waveform: within its 16 bits.
    assert house.frame("elements")["relative_pct"].to_list() == pytest.approx(shares, abs=0.2)
    assert "undone" in house.frame("intake_log", {"rows": 1000})["action"].to_list()
    # The folder still says the same, so the next ingest brings it again.
    assert ingest(drop, house, jobs=1).statuses == {"read": 5}


def test_what_changed_since_is_not_undone(shop: Path) -> None:
    house, drop = Warehouse(shop / "w"), shop / "drop"
    batches = []
    for started in ("2026-01-05", "2026-02-02"):
        (drop / "technicians.csv").write_text(f"technician,started_on\nada,{started}\n")
        batches.append(ingest(drop, house, jobs=1).batch)
    undone = undo(house, batches[0])
    assert undone.rows == 0
    assert batches[1] in undone.kept[0]
    assert str(house.frame("technicians")["started_on"][0]) == "2026-02-02"
    assert undo(house, batches[1]).rows == 1
    assert str(house.frame("technicians")["started_on"][0]) == "2026-01-05"
    with pytest.raises(ShopspreadError, match="no ingest 'nonsense'"):
        undo(house, "nonsense")


def test_rows_logged_by_an_earlier_version_are_put_back_whole(shop: Path) -> None:
    """Before 0.2 an outcome had no test in its key, and elements were called cylinders."""
    house = Warehouse(shop / "w")
    outcome = {"repair_order": "R1", "finding": "odd", "confirmed_cylinders": [3], "method": "gauge"}
    capture = {"capture_file": "gone.csv", "vehicle": "v1", "call": "odd", "call_cylinders": [2]}
    changes = [
        LogRow("outcomes.csv", "R1", "changed", None, outcome, outcome | {"confirmed_cylinders": [4]}),
        LogRow("outcomes.csv", "R2", "added", None, None, outcome | {"repair_order": "R2"}),
        LogRow("captures.csv", "gone.csv", "changed", None, capture, capture | {"call_cylinders": [1]}),
    ]
    with house.transaction() as connection:
        connection.execute(
            "INSERT INTO outcome (repair_order, test, finding, confirmed_elements, method) "
            "VALUES ('R1', '', 'odd', [4], 'gauge'), ('R2', '', 'odd', [3], 'gauge')"
        )
        connection.execute("INSERT INTO capture_log (capture_file, call_elements) VALUES ('gone.csv', [1])")
        intake_log.write(connection, "0ld", changes)
    assert undo(house, "0ld").rows == 3
    with house.reading() as connection:
        outcomes = connection.execute(
            "SELECT repair_order, test, confirmed_elements, method FROM outcome WHERE repair_order IN ('R1', 'R2')"
        ).fetchall()
        calls = connection.execute(
            "SELECT vehicle, call_elements FROM capture_log WHERE capture_file = 'gone.csv'"
        ).fetchall()
    assert outcomes == [("R1", "", [3], "gauge")]
    assert calls == [("v1", [2])]


def test_uploaded_files_are_backed_up_and_come_back_and_a_changed_one_is_named(shop: Path) -> None:
    house = Warehouse(shop / "w")
    kept = house.waveforms.parent / "uploads" / "sub" / "one.csv"
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_bytes(b"time,v\n0,1\n")
    try:
        assert backup(house, shop / "with-uploads").uploads >= 1
        back = restore(shop / "with-uploads", shop / "restored-uploads")
        assert (back.damaged, (shop / "restored-uploads/uploads/sub/one.csv").read_bytes()) == (
            (),
            kept.read_bytes(),
        )
        (shop / "with-uploads/uploads/sub/one.csv").write_bytes(b"other")
        assert restore(shop / "with-uploads", shop / "restored-again").damaged == ("uploads/sub/one.csv",)
    finally:
        kept.unlink()
