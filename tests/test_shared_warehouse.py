"""One contract over both engines: a DuckDB file, and Parquet in a shared folder with its catalog in PostgreSQL."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.errors import ShopspreadError, ThresholdConflict, WarehouseError, WriteConflict
from pipelines.fit.run import fit_warehouse
from pipelines.intake.check import check
from pipelines.intake.ingest import ingest
from pipelines.intake.undo import undo
from pipelines.reports.report import build_report
from pipelines.warehouse import keys
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.backups import backup, restore
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import Place, set_setting, set_threshold
from pipelines.warehouse.exporting import export
from pipelines.warehouse.people import forget
from tests.small_shop import FAMILIES, log_row, write_capture, write_log
from tests.throw_away_postgres import cluster, missing, new_shared

pytestmark = [
    pytest.mark.skipif(missing() is not None, reason=f"a shared warehouse cannot be tested: {missing()}"),
    pytest.mark.xdist_group("shared-warehouse"),
]
ENGINES = ("duckdb_file", "ducklake")
HEALTHY, WEAK = 8, 2


def write_drop(drop: Path) -> None:
    """Ten engines of one family, two of them weak and confirmed to be so."""
    drop.mkdir(parents=True)
    (drop / "engine_families.csv").write_text(FAMILIES, encoding="utf-8")
    (drop / "technicians.csv").write_text(
        "technician,started_on\nada,2025-11-03\nbo,2026-01-07\n", encoding="utf-8"
    )
    rows, orders, outcomes = [], [], []
    for number in range(HEALTHY + WEAK):
        weak = number >= HEALTHY
        file = f"week{number % 3}/capture{number}.csv"
        strength = 1 + 0.004 * number
        write_capture(drop / file, (1, strength, 0.6 if weak else 1, 1), seed=number)
        rows.append(
            log_row(
                file, vehicle=f"v{number}", repair_order=f"r{number}", purpose="diagnosis", technician="ab"[number % 2],
                captured_at=f"2026-03-{number + 1:02d}T10:00:00", call="odd" if weak else "even",
                call_cylinders="4" if weak else "",
            )
        )  # fmt: skip
        day = f"2026-03-{number + 1:02d}"
        orders.append(f"r{number},{day}T08:00:00,{day}T17:00:00,ada,v{number},plain-4,misfire,true,,1.5,40,0")
        finding = "odd,4" if weak else "even,"
        outcomes.append(f"r{number},2026-03-{number + 2:02d}T09:00:00,{finding},leak_down")
    write_log(drop, *rows)
    (drop / "repair_orders.csv").write_text(
        "repair_order,opened_at,closed_at,technician,vehicle,engine_family,complaint,scope_eligible,comeback_of,"
        "labour_h,parts_cost,parts_returned\n" + "\n".join(orders) + "\n",
        encoding="utf-8",
    )
    (drop / "outcomes.csv").write_text(
        "repair_order,confirmed_at,finding,confirmed_cylinders,method\n" + "\n".join(outcomes) + "\n",
        encoding="utf-8",
    )


@pytest.fixture(scope="module")
def host() -> Iterator[Path]:
    with cluster() as place:
        yield place


@pytest.fixture(scope="module")
def houses(tmp_path_factory: pytest.TempPathFactory, host: Path) -> dict[str, Warehouse]:
    """The same drop folder read and fitted by both engines."""
    root = tmp_path_factory.mktemp("both")
    write_drop(root / "drop")
    places = {"duckdb_file": root / "file", "ducklake": new_shared(host, "both", root / "shared")}
    found = {}
    for name in ENGINES:
        house = Warehouse(places[name], create=True)
        summary = ingest(root / "drop", house, jobs=1)
        assert summary.statuses == {"read": HEALTHY + WEAK}
        fit_warehouse(house)
        found[name] = house
    return found


def exported(house: Warehouse, folder: Path) -> dict[str, pl.DataFrame]:
    export(house, folder)
    frames = {file.stem: pl.read_parquet(file) for file in sorted(folder.glob("*.parquet"))}
    # The moment of a decision is the clock's, not the drop folder's.
    return {name: frame.drop("set_at", strict=False) for name, frame in frames.items()}


def test_one_drop_folder_gives_the_same_figures_to_the_last_digit(
    houses: dict[str, Warehouse], tmp_path: Path
) -> None:
    of_file, of_lake = (exported(houses[name], tmp_path / name) for name in ENGINES)
    assert set(of_file) == set(of_lake)
    assert of_file["captures"].height == HEALTHY + WEAK
    for name, frame in of_file.items():
        order = [column for column, dtype in frame.schema.items() if not dtype.is_nested()]
        assert frame.sort(order).equals(of_lake[name].select(frame.columns).sort(order)), name
    reports = [json.dumps(build_report(houses[name]), default=str, sort_keys=True) for name in ENGINES]
    assert reports[0] == reports[1]
    assert '"scoped_orders": 10' in reports[0]


def test_both_engines_have_the_same_tables_columns_and_rows(houses: dict[str, Warehouse]) -> None:
    said = []
    for name in ENGINES:
        with houses[name].reading() as connection:
            columns = connection.execute(
                "SELECT schema_name, table_name, column_name, data_type, is_nullable FROM duckdb_columns() "
                "WHERE database_name = 'warehouse_file' ORDER BY ALL"
            ).fetchall()
            # A key is never empty, which the lake's tables do not say by themselves.
            kept = [row[:4] for row in columns]
            tables = {row[1] for row in columns if row[0] == "main"}
            counts = {
                table: connection.execute(f'SELECT count(*) FROM "{table}"').fetchall()
                for table in tables - {"capture_group"}
            }
            said.append((kept, counts, keys.doubled(connection)))
    assert said[0] == said[1]
    assert said[0][2] == {}


def test_both_engines_keep_the_waveforms_in_their_own_folder(houses: dict[str, Warehouse]) -> None:
    of_file, of_lake = (store.names(houses[name].waveforms) for name in ENGINES)
    assert of_file == of_lake
    assert len(of_lake) == HEALTHY + WEAK
    assert houses["ducklake"].waveforms.parent == houses["ducklake"].database.parent
    for name in ENGINES:
        found = check(houses[name])
        assert (found.copies, found.damaged, found.strays) == (HEALTHY + WEAK, {}, 0)


def _half_done(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute("INSERT INTO technician (technician, started_on) VALUES ('nobody', NULL)")
    raise ShopspreadError("broken off")


@pytest.mark.parametrize("engine", ENGINES)
def test_a_transaction_lands_whole_with_the_version_raised_or_not_at_all(
    houses: dict[str, Warehouse], engine: str
) -> None:
    house = houses[engine]
    before = house.version()
    set_setting(house, "cost_miss", 700.0, set_by="Olga")
    assert house.version() == before + 1
    with pytest.raises(ShopspreadError), house.transaction() as connection:
        _half_done(connection)
    assert house.version() == before + 1
    assert "nobody" not in house.frame("technicians")["technician"]
    set_setting(house, "cost_miss", 600.0, set_by="Olga")
    assert house.frame("settings").filter(name="cost_miss")["value"].to_list() == ["600.0"]


@pytest.mark.parametrize("engine", ENGINES)
def test_a_decision_on_what_somebody_else_has_changed_is_refused(
    houses: dict[str, Warehouse], engine: str
) -> None:
    house, place = houses[engine], Place("relative_compression", "relative_compression", "plain-4")
    seen = int(house.frame("thresholds").filter(group="plain-4")["version"].max())  # type: ignore[arg-type]
    version = set_threshold(house, place, 12.5, set_by="Lea", reason="a try", seen_version=seen)
    with pytest.raises(ThresholdConflict):
        set_threshold(house, place, 13.5, set_by="Max", reason="another", seen_version=seen)
    assert version == seen + 1


@pytest.mark.parametrize("engine", ENGINES)
def test_writers_side_by_side_draw_every_id_once_and_lose_nothing(
    houses: dict[str, Warehouse], engine: str
) -> None:
    house = houses[engine]
    before = house.frame("intake_log", {"rows": 10**6}).height
    failed: list[BaseException] = []

    def write(who: str) -> None:
        try:
            for number in range(4):
                set_setting(house, "cost_false_alarm", 90.0 + number, set_by=who)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=write, args=(who,)) for who in ("Ann", "Bob", "Cem")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    log = house.frame("intake_log", {"rows": 10**6})
    assert log.height == before + 12
    assert log["log_id"].n_unique() == log.height


def test_whoever_writes_without_the_lock_is_noticed_and_done_again(houses: dict[str, Warehouse]) -> None:
    house, tried = houses["ducklake"], []

    def work(connection: duckdb.DuckDBPyConnection) -> None:
        tried.append(1)
        connection.execute(
            "INSERT INTO technician (technician, started_on) VALUES (?, NULL)", [f"late {len(tried)}"]
        )
        if len(tried) == 1:  # somebody who takes no lock lands in between
            with house.store.connected(write=True, patience_s=1) as other:
                other.execute("BEGIN; UPDATE warehouse SET version = version + 1; COMMIT")

    before = house.version()
    house.land(work)
    names = house.frame("technicians")["technician"].to_list()
    assert (len(tried), "late 2" in names, "late 1" in names) == (2, True, False)
    assert house.version() == before + 2
    tried.clear()
    with (
        pytest.raises(WriteConflict, match="Nothing of this step was changed"),
        house.transaction() as connection,
    ):
        work(connection)


def test_a_reader_sees_one_moment_while_a_writer_lands(houses: dict[str, Warehouse]) -> None:
    house = houses["ducklake"]
    with house.reading() as connection:
        first = connection.execute("SELECT version FROM warehouse").fetchall()
        set_setting(house, "cost_miss", 650.0, set_by="Olga")
        again = connection.execute("SELECT version FROM warehouse").fetchall()
    assert first == again
    assert house.version() == first[0][0] + 1


def test_a_writer_that_is_killed_leaves_nothing_and_gives_the_lock_back(houses: dict[str, Warehouse]) -> None:
    house = houses["ducklake"]
    before = house.version()
    script = (
        "import sys, time\nfrom pathlib import Path\nfrom pipelines.warehouse.database import Warehouse\n"
        "with Warehouse(Path(sys.argv[1])).transaction() as connection:\n"
        "    connection.execute(\"INSERT INTO technician (technician, started_on) VALUES ('half', NULL)\")\n"
        "    print('writing', flush=True)\n    time.sleep(600)\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(house.path)], stdout=subprocess.PIPE, text=True,
        cwd=Path(__file__).parents[1], env=os.environ,
    )  # fmt: skip
    assert process.stdout is not None
    with process.stdout:
        assert process.stdout.readline() == "writing\n"
        process.send_signal(signal.SIGKILL)
        process.wait(timeout=30)
    started = time.monotonic()
    set_setting(house, "cost_miss", 660.0, set_by="Olga")
    assert time.monotonic() - started < 30
    assert house.version() == before + 1
    assert "half" not in house.frame("technicians")["technician"]


def test_a_backup_of_either_engine_is_restored_equal_into_either(
    houses: dict[str, Warehouse], host: Path, tmp_path: Path
) -> None:
    for name in ENGINES:
        copied = backup(houses[name], tmp_path / name)
        assert (copied.copies, copied.damaged) == (HEALTHY + WEAK, ())
    crossed = {
        "ducklake": tmp_path / "file of the lake",
        "duckdb_file": new_shared(host, "restored", tmp_path / "lake of the file"),
    }
    for name, place in crossed.items():
        restored = restore(tmp_path / name, place)
        again = Warehouse(place)
        assert again.version() == houses[name].version() == restored.version
        assert check(again).damaged == {}
        want, have = exported(houses[name], tmp_path / f"{name} 1"), exported(again, tmp_path / f"{name} 2")
        for view, frame in want.items():
            order = [column for column, dtype in frame.schema.items() if not dtype.is_nested()]
            assert frame.sort(order).equals(have[view].sort(order)), view
    with pytest.raises(WarehouseError, match="left alone"):
        restore(tmp_path / "ducklake", crossed["duckdb_file"])
    set_setting(Warehouse(crossed["duckdb_file"]), "cost_miss", 555.0, set_by="Olga")


def test_a_restore_that_fails_leaves_an_empty_place(
    houses: dict[str, Warehouse], host: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    backup(houses["duckdb_file"], tmp_path / "b")
    place = new_shared(host, "broken", tmp_path / "lake")

    def full(*_: object) -> tuple[str, ...]:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("pipelines.warehouse.backups._copy_waveforms", full)
        with pytest.raises(WarehouseError, match="make room"):
            restore(tmp_path / "b", place)
    with pytest.raises(WarehouseError, match="There is no warehouse"):
        Warehouse(place)
    assert restore(tmp_path / "b", place).copies == HEALTHY + WEAK


def test_a_folder_that_is_another_catalogs_is_refused(
    houses: dict[str, Warehouse], host: Path, tmp_path: Path
) -> None:
    shared = houses["ducklake"].database.parent
    with pytest.raises(WarehouseError, match="do not belong together"):
        Warehouse(new_shared(host, "other", shared))
    name = str(houses["ducklake"].path).replace(str(shared), str(tmp_path / "not mounted"))
    with pytest.raises(WarehouseError, match="do not belong together"):
        Warehouse(Path(name), create=True)
    with pytest.raises(WarehouseError, match="Start PostgreSQL"):
        Warehouse(Path(f"ducklake:postgres:host={tmp_path} dbname=x folder={tmp_path / 'f'}"), create=True)


def test_a_name_is_taken_out_and_an_ingest_taken_back_alike(
    houses: dict[str, Warehouse], tmp_path: Path
) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "technicians.csv").write_text(
        "technician,started_on\nbo,2026-01-08\nzoe,2026-03-02\n", encoding="utf-8"
    )
    for house in houses.values():
        batch = ingest(drop, house, jobs=1).batch
        assert {"bo", "zoe"} <= set(house.frame("technicians")["technician"])
        assert undo(house, batch).rows == 2
        rows = {
            str(row["technician"]): str(row["started_on"]) for row in house.frame("technicians").to_dicts()
        }
        assert "zoe" not in rows
        assert rows["bo"] == "2026-01-07"
        pseudonym = forget(house, "bo").pseudonym
        names = set(house.frame("technicians")["technician"])
        assert "bo" not in names
        assert pseudonym in names
