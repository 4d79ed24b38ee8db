"""Keys and ids are the door's: they agree with those of the tables where the engine has any."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.errors import WarehouseError
from pipelines.warehouse import keys
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse, places
from pipelines.warehouse.ducklake import DuckLake
from pipelines.warehouse.log import LogRow


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    return Warehouse(tmp_path / "w", create=True)


def test_the_doors_keys_are_those_of_the_tables(house: Warehouse) -> None:
    with house.reading() as connection:
        rows = connection.execute(
            "SELECT table_name, constraint_column_names FROM duckdb_constraints() "
            "WHERE constraint_type = 'PRIMARY KEY' AND database_name = 'warehouse_file'"
        ).fetchall()
    assert {table: tuple(columns) for table, columns in rows} == keys.KEYS


def test_a_row_of_the_same_key_gives_way_and_others_stay(house: Warehouse) -> None:
    columns = {"drill": pl.String, "technician": pl.String, "target": pl.Int32}
    with house.transaction() as connection:
        first = pl.DataFrame([("a", "ada", 1), ("b", "ada", 2)], schema=columns, orient="row")
        intake_log.append(connection, "drill", first)
        second = pl.DataFrame([("b", "bo", 5), ("c", None, 3)], schema=columns, orient="row")
        intake_log.append(connection, "drill", second, replace=True)
    rows = house.frame("drills").select("drill", "technician", "target").sort("drill").rows()
    assert rows == [("a", "ada", 1), ("b", "bo", 5), ("c", None, 3)]
    with pytest.raises(duckdb.ConstraintException, match="one key"), house.transaction() as connection:
        intake_log.append(connection, "drill", pl.concat([second, second]), replace=True)
    assert house.frame("drills").height == 3


def test_ids_follow_one_another_in_the_order_of_the_rows(house: Warehouse) -> None:
    for batch in ("one", "two"):
        with house.transaction() as connection:
            rows = [LogRow("drill", f"{batch} {number}", "noted") for number in range(3)]
            intake_log.write(connection, batch, rows)
    said = house.frame("intake_log", {"rows": 100}).sort("log_id")
    assert said["log_id"].to_list() == list(range(1, 7))
    assert said["key"].to_list() == [f"{batch} {number}" for batch in ("one", "two") for number in range(3)]


def test_doubled_keys_are_found(tmp_path: Path) -> None:
    with duckdb.connect(str(tmp_path / "x.duckdb")) as connection:
        for table, columns in keys.KEYS.items():
            names = ", ".join(f'"{column}" VARCHAR' for column in columns)
            connection.execute(f"CREATE TABLE {table} ({names})")
        assert keys.doubled(connection) == {}
        connection.execute("INSERT INTO drill VALUES ('a'), ('a'), ('b')")
        assert keys.doubled(connection) == {"drill": 1}


def test_a_step_without_keys_keeps_everything_else() -> None:
    step = (
        "CREATE SEQUENCE ids;\nCREATE TABLE t (id BIGINT PRIMARY KEY DEFAULT nextval('ids'), -- which; one\n"
        "  a VARCHAR NOT NULL, b VARCHAR DEFAULT 'x;y', PRIMARY KEY (a, b));\n"
        "ALTER TABLE t ALTER COLUMN id DROP DEFAULT;\nDROP SEQUENCE ids;\nALTER TABLE t ADD COLUMN c INTEGER;"
    )
    with duckdb.connect() as connection:
        connection.execute(keys.without_keys(step))
        columns = connection.execute(
            "SELECT column_name, is_nullable FROM duckdb_columns() WHERE table_name = 't'"
        ).fetchall()
        constraints = connection.execute(
            "SELECT constraint_type FROM duckdb_constraints() WHERE table_name = 't'"
        ).fetchall()
    assert columns == [("id", True), ("a", False), ("b", True), ("c", True)]
    assert constraints == [("NOT NULL",)]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("ducklake:postgres:dbname=shop", "whole path"),
        ("ducklake:postgres:dbname=shop folder=here", "whole path"),
        ("ducklake:postgres:dbname=shop password=secret folder=/srv/shop", "no password"),
    ],
)
def test_a_shared_warehouse_is_named_in_full_and_without_a_password(name: str, why: str) -> None:
    with pytest.raises(WarehouseError, match=why) as refused:
        places(Path(name))
    assert "secret" not in str(refused.value)


def test_a_shared_warehouses_name_is_taken_apart() -> None:
    store = DuckLake.named(Path("ducklake:postgres:host=db.shop folder='/srv/our shop' dbname=shop"))
    assert (store.catalog.split(), store.folder) == (["host=db.shop", "dbname=shop"], Path("/srv/our shop"))
    assert store.waveforms == Path("/srv/our shop/waveforms")
