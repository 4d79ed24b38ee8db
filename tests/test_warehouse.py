"""The warehouse file: upgrades in place, all-or-nothing transactions, readers and writers side by side."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipelines.errors import WarehouseError
from pipelines.warehouse import database as module
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse, migrations

ROOT = Path(__file__).parents[1]


def add_technician(house: Warehouse, name: str) -> None:
    with house.transaction() as connection:
        connection.execute(
            "INSERT INTO technician (technician, started_on) VALUES (?, ?)", [name, dt.date(2026, 1, 5)]
        )


def test_a_missing_warehouse_is_named_with_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(WarehouseError, match="shopspread ingest"):
        Warehouse(tmp_path / "none")
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("name", ["shop", "shop.duckdb"])
def test_a_folder_or_a_database_file_may_be_named(tmp_path: Path, name: str) -> None:
    house = Warehouse(tmp_path / name, create=True)
    add_technician(house, "ada")
    assert Warehouse(tmp_path / name).frame("technicians")["technician"].to_list() == ["ada"]
    with duckdb.connect(str(house.database), read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM export.captures").fetchone() == (0,)


def test_the_export_views_keep_the_promised_columns(tmp_path: Path) -> None:
    promised = {
        "captures": "capture_file engine_family technician repair_order vehicle captured_at test purpose status reason "
        "cycles crank_rpm rest_v crank_min_v call call_cylinders odd_pct p_value outlier_score flagged "
        "flagged_cylinders threshold_pct threshold_version",
        "cylinders": "capture_file cylinder firing_position relative_pct se_pct family_pct deviation_pct identified "
        "companion",
        "checks": "capture_file check severity detail",
        "thresholds": "engine_family version threshold_pct set_at set_by reason source",
    }
    house = Warehouse(tmp_path / "shop", create=True)
    with house.reading() as connection:
        for view, columns in promised.items():
            have = connection.sql(f"SELECT * FROM export.{view}").pl().columns
            assert set(columns.split()) <= set(have), view


def test_each_transaction_bumps_the_version_and_a_failed_one_leaves_nothing(tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "shop", create=True)
    before = house.version()
    add_technician(house, "ada")
    assert house.version() == before + 1

    def fail_half_way() -> None:
        with house.transaction() as connection:
            connection.execute("INSERT INTO technician (technician, started_on) VALUES ('bo', NULL)")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert house.version() == before + 1
    assert house.frame("technicians")["technician"].to_list() == ["ada"]


def test_who_only_looks_whether_something_landed_waits_for_no_writer(tmp_path: Path) -> None:
    house, looks = Warehouse(tmp_path, create=True), Warehouse(tmp_path)
    before = looks.version()
    with house.transaction():
        pass  # landed, and not looked at yet
    with house.transaction():
        started = time.monotonic()
        assert looks.version(wait=False) == before
        assert time.monotonic() - started < 5.0
    assert looks.version(wait=False) == before + 2
    assert Warehouse(tmp_path).version(wait=False) == before + 2  # who never looked has nothing to go by


def test_an_older_file_is_upgraded_in_place_and_keeps_its_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house = Warehouse(tmp_path / "shop", create=True)
    add_technician(house, "ada")
    longer = (*migrations(), ("9999_wider", "ALTER TABLE technician ADD COLUMN bench VARCHAR"))
    monkeypatch.setattr(module, "migrations", lambda: longer)
    upgraded = Warehouse(tmp_path / "shop")
    with upgraded.reading() as connection:
        assert connection.execute("SELECT technician, bench FROM technician").fetchall() == [("ada", None)]
        assert connection.execute("SELECT max(step) FROM migration").fetchone() == (len(longer),)


def test_a_failing_upgrade_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Warehouse(tmp_path / "shop", create=True)
    broken = (
        *migrations(),
        ("9999_broken", "ALTER TABLE technician ADD COLUMN bench VARCHAR; SELECT nonsense"),
    )
    with monkeypatch.context() as patch:
        patch.setattr(module, "migrations", lambda: broken)
        with pytest.raises(duckdb.Error):
            Warehouse(tmp_path / "shop")
    assert "bench" not in Warehouse(tmp_path / "shop").frame("technicians").columns


def test_a_file_of_a_newer_program_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Warehouse(tmp_path / "shop", create=True)
    monkeypatch.setattr(module, "migrations", lambda: migrations()[:1])
    with pytest.raises(WarehouseError, match="newer Shopspread"):
        Warehouse(tmp_path / "shop")


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop" / module.DATABASE_NAME).write_bytes(
        b"not a database, but long enough to look at " * 200
    )
    with pytest.raises(WarehouseError, match="cannot be opened"):
        Warehouse(tmp_path / "shop")


def test_readers_in_threads_stay_right_while_another_process_writes(tmp_path: Path) -> None:
    """Readers see whole transactions only: rows come in pairs, so an odd count would be half of one."""
    house = Warehouse(tmp_path / "shop", create=True)
    writer = subprocess.Popen(
        [
            sys.executable,
            "-c",
            textwrap.dedent(
                """
                import sys
                from pathlib import Path
                from pipelines.warehouse.database import Warehouse
                house = Warehouse(Path(sys.argv[1]))
                for number in range(15):
                    with house.transaction() as connection:
                        connection.execute("INSERT INTO technician (technician, started_on) "
                            "VALUES (?, NULL)", [f"a{number}"])
                        connection.execute("INSERT INTO technician (technician, started_on) "
                            "VALUES (?, NULL)", [f"b{number}"])
                """
            ),
            str(tmp_path / "shop"),
        ],
        cwd=ROOT,
    )
    counts: list[int] = []
    failures: list[BaseException] = []

    def look() -> None:
        try:
            while writer.poll() is None:
                counts.append(house.frame("technicians").height)
                time.sleep(0.005)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=look) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert writer.wait(timeout=60) == 0
    assert not failures
    assert counts
    assert all(count % 2 == 0 for count in counts)
    assert house.frame("technicians").height == 30


def test_a_killed_writer_leaves_all_or_nothing(tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "shop", create=True)
    add_technician(house, "ada")
    script = textwrap.dedent(
        """
        import os, signal, sys
        from pathlib import Path
        from pipelines.warehouse.database import Warehouse
        with Warehouse(Path(sys.argv[1])).transaction() as connection:
            connection.execute("INSERT INTO technician (technician, started_on) VALUES ('bo', NULL)")
            os.kill(os.getpid(), signal.SIGKILL)
        """
    )
    killed = subprocess.run([sys.executable, "-c", script, str(tmp_path / "shop")], cwd=ROOT, check=False)
    assert killed.returncode != 0
    assert house.frame("technicians")["technician"].to_list() == ["ada"]
    add_technician(house, "cy")
    assert house.frame("technicians").height == 2


# NIST Statistical Reference Datasets, univariate summary statistics, NumAcc1 and NumAcc2: certified mean
# and standard deviation. The database's aggregates stand behind every figure on the pages.
@pytest.mark.parametrize(
    ("values", "mean", "sd"),
    [
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0),
        ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1),
    ],
)
def test_aggregates_inside_the_database_match_certified_values(
    tmp_path: Path, values: list[float], mean: float, sd: float
) -> None:
    house = Warehouse(tmp_path / "shop", create=True)
    rows = pl.DataFrame(
        {
            "capture_file": [str(n) for n in range(len(values))],
            "feature": ["x"] * len(values),
            "value": values,
        }
    )
    with house.transaction() as connection:
        intake_log.append(connection, "feature", rows)
    with house.reading() as connection:
        found = connection.execute("SELECT avg(value), stddev_samp(value) FROM feature").fetchone()
    assert found is not None
    np.testing.assert_allclose(found, (mean, sd), rtol=1e-13)


def test_a_row_the_warehouse_refuses_is_told_by_the_error_that_refused_it(tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "shop", create=True)
    twice = pl.DataFrame({"capture_file": ["a", "a"], "feature": ["x", "x"], "value": [1.0, 2.0]})
    with pytest.raises(duckdb.ConstraintException, match="duplicate key"), house.transaction() as connection:
        intake_log.append(connection, "feature", twice)
    with house.transaction() as connection:
        intake_log.append(connection, "feature", twice[:1])
    assert house.frame("features").height == 1


def test_a_schema_step_that_lands_late_is_applied_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two people add 0008 and 0009; a warehouse that met 0009 first gets 0008 at the next opening, once."""
    first, *others, last = migrations()
    monkeypatch.setattr(module, "migrations", lambda: (first, *others))
    Warehouse(tmp_path, create=True)
    late = (first, ("0001b_late", "CREATE TABLE late (n INTEGER)"), *others, last)
    monkeypatch.setattr(module, "migrations", lambda: late)
    for _ in range(2):
        house = Warehouse(tmp_path)
        with house.reading() as connection:
            assert connection.execute("SELECT count(*) FROM late").fetchone() == (0,)
            steps = connection.execute("SELECT step, name FROM migration ORDER BY step").fetchall()
    assert steps == list(enumerate([first[0], *(name for name, _ in others), "0001b_late", last[0]], start=1))


@pytest.mark.parametrize("count", [0, 2, 1200])
def test_a_query_asked_for_some_captures_gives_their_rows_and_no_others(tmp_path: Path, count: int) -> None:
    house = Warehouse(tmp_path / "shop", create=True)
    names = [f"it's {n};--" for n in range(1500)]
    rows = pl.DataFrame({"capture_file": names, "feature": ["x"] * 1500, "value": np.arange(1500.0)})
    with house.transaction() as connection:
        intake_log.append(connection, "feature", rows)
    wanted = names[:count]
    found = house.frames(["features", "version"], captures=wanted)
    everything = house.frame("features")
    assert found["features"].equals(everything.filter(pl.col("capture_file").is_in(wanted)))
    assert found["version"].height == 1
