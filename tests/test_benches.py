"""The benches are no part of the test run, so that here it is held that each still starts and copies a whole shop."""

from __future__ import annotations

import importlib
from pathlib import Path

import duckdb
import pytest

from pipelines.warehouse.database import Warehouse
from tests.bench.bench_fit import COPIED, WHOLE, copied_shop

BENCHES = sorted(file.stem for file in Path(__file__).with_name("bench").glob("bench_*.py"))


@pytest.mark.parametrize("name", BENCHES)
def test_each_bench_starts(name: str) -> None:
    assert callable(importlib.import_module(f"tests.bench.{name}").main)


def test_a_copied_shop_holds_everything_so_many_times(small_warehouse: Path, tmp_path: Path) -> None:
    source = Warehouse(small_warehouse).database
    copied_shop(source, tmp_path / "many", 3)
    many = Warehouse(tmp_path / "many")
    with duckdb.connect() as connection:
        connection.execute(f"ATTACH '{source}' AS one (READ_ONLY)")
        connection.execute(f"ATTACH '{many.database}' AS many (READ_ONLY)")
        count = {
            (where, table): connection.sql(f"SELECT count(*) FROM {where}.{table}").fetchall()[0][0]
            for table in (*COPIED, *WHOLE)
            for where in ("one", "many")
        }
    assert all(count["many", table] == 3 * count["one", table] for table in COPIED), count
    assert all(count["many", table] == count["one", table] for table in WHOLE), count
    assert min(count["one", table] for table in ("capture_state", "element_reading", "intake_log"))
    captures, before = many.frame("captures"), Warehouse(small_warehouse).frame("captures")
    assert captures["capture_file"].n_unique() == captures.height == 3 * before.height
