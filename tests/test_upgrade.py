"""A warehouse of schema 2, made by its own SQL, upgraded in place: nothing is lost and the old views say the same."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipelines.fit.run import fit_warehouse
from pipelines.warehouse.database import DATABASE_NAME, Warehouse, migrations
from pipelines.warehouse.decisions import Place, set_threshold
from pipelines.warehouse.shop import read_shop
from tests.groups_shop import TEST
from tests.shop_in_warehouse import drawn, write_rows

VIEWS = ("captures", "cylinders", "checks", "thresholds")
KEPT = (
    "setting", "intake_log", "engine_family", "technician", "drill", "coaching", "feature", "setup_check", "fit_run",
)  # fmt: skip
"""Tables the upgrade has no reason to touch."""


def old_rows(connection: duckdb.DuckDBPyConnection) -> None:
    """Rows of every table of schema 2; figures of the models are made up, they only have to survive."""
    shop = drawn()
    # The new schema's rows of the same shop, put into the old tables.
    connection.execute("ATTACH ':memory:' AS aside; USE aside")
    for _, sql in migrations():
        connection.execute(sql)
    write_rows(connection, shop)
    connection.execute("USE old")
    for sql in (
        "INSERT INTO engine_family SELECT * EXCLUDE (shop) FROM aside.engine_family",
        "INSERT INTO capture_log BY NAME SELECT * EXCLUDE (component, call_elements, shop), "
        "call_elements AS call_cylinders FROM aside.capture_log",
        "INSERT INTO capture_state BY NAME SELECT * EXCLUDE (noun, read_as, told, notes) FROM aside.capture_state",
        "INSERT INTO feature SELECT * FROM aside.feature",
        "INSERT INTO cylinder_reading SELECT capture_file, position, element, relative_pct, se_pct, identified, "
        "companion FROM aside.element_reading",
        "INSERT INTO outcome SELECT repair_order, confirmed_at, finding, confirmed_elements, method, gauge_kpa "
        "FROM aside.outcome",
        "INSERT INTO score SELECT capture_file, hash(capture_file) % 97 / 7.0, 0.4, 1, "
        "CASE WHEN hash(capture_file) % 3 > 0 THEN 1 END, NULL, 0.25, '30 captures', 0.03, "
        "CASE WHEN hash(capture_file) % 5 > 0 THEN 0.5 END, CASE WHEN hash(capture_file) % 5 > 0 THEN 0.7 END, "
        "CASE WHEN hash(capture_file) % 5 > 0 THEN 'pooled' END, 40, '[]' FROM capture_state",
        "INSERT INTO cylinder_score SELECT capture_file, firing_position, 100.5, relative_pct - 100.5 "
        "FROM cylinder_reading",
        "INSERT INTO family_stat (engine_family, captures, cylinders, spread_pct, why) "
        "SELECT engine_family, 7, cylinders, 1.5, 'because' FROM engine_family",
        "INSERT INTO family_pattern SELECT engine_family, 1, 99.5, 99.0, 100.0, 7 FROM engine_family",
        "INSERT INTO threshold SELECT engine_family, 1, 6.5, TIMESTAMP '2026-02-01', 'shopspread fit', 'spread', "
        "'proposed' FROM engine_family",
        "INSERT INTO threshold VALUES ('group-0', 2, 9.0, TIMESTAMP '2026-02-02', 'mira', 'too many tests', 'set')",
        "INSERT INTO threshold VALUES ('group-0', 3, 5.5, TIMESTAMP '2026-02-03', 'shopspread fit', 'costs', "
        "'proposed')",
        "INSERT INTO flag SELECT capture_file, 1, 6.5, odd_pct, odd_pct >= 6.5, CASE WHEN odd_pct >= 6.5 THEN [1, 2] "
        "ELSE [] END, CASE WHEN odd_pct >= 6.5 THEN [3, 4] ELSE [] END, TIMESTAMP '2026-02-01', "
        "NOT starts_with(capture_file, 'group-0/') FROM score",
        "INSERT INTO flag SELECT capture_file, 2, 9.0, odd_pct, odd_pct >= 9.0, CASE WHEN odd_pct >= 9.0 THEN [2] "
        "ELSE [] END, CASE WHEN odd_pct >= 9.0 THEN [3] ELSE [] END, TIMESTAMP '2026-02-02', true FROM score "
        "WHERE starts_with(capture_file, 'group-0/')",
        "INSERT INTO capture_events SELECT capture_file, 1.0, 7.5, [1.5, 2.1], [1.2, 1.3], [1, 2], [0.5, 0.25] "
        "FROM capture_state",
        "INSERT INTO capture_state (capture_file, status, reason) VALUES ('late.csv', 'waiting', 'has not arrived'), "
        "('bad.csv', 'refused', 'empty')",
        "INSERT INTO capture_log (capture_file, engine_family, test, call, call_cylinders) "
        "VALUES ('late.csv', 'group-0', 'relative_compression', 'odd', [3, 4])",
        "INSERT INTO setting VALUES ('cost_miss', '700', TIMESTAMP '2026-02-01', 'mira')",
        "INSERT INTO technician VALUES ('t', DATE '2025-11-03')",
        "INSERT INTO repair_order (repair_order, opened_at) VALUES ('R', TIMESTAMP '2026-02-01')",
        "INSERT INTO drill VALUES ('D', NULL, 'relative_compression', DATE '2026-02-02', 3)",
        "INSERT INTO coaching VALUES ('C', 't', DATE '2026-02-03', 'calls', NULL)",
        "INSERT INTO setup_check VALUES ('group-0/0.csv', 'too_short', 'warning', 'Record longer.')",
        "INSERT INTO fit_run VALUES (1, TIMESTAMP '2026-02-01', 191, 2.5)",
        "INSERT INTO intake_log (batch, logged_at, subject, key, action, before, after) "
        "VALUES ('b1', TIMESTAMP '2026-02-01', 'captures.csv', 'group-0/0.csv', 'changed', '{}', '{\"a\": 1}')",
    ):
        connection.execute(sql)


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse folder as the program of schema 2 left it."""
    folder = tmp_path_factory.mktemp("old") / "shop"
    folder.mkdir()
    connection = duckdb.connect()
    connection.execute(f"ATTACH '{folder / DATABASE_NAME}' AS old (STORAGE_VERSION 'v1.5.0'); USE old")
    connection.execute(
        "CREATE TABLE migration (step INTEGER PRIMARY KEY, name VARCHAR, applied_at TIMESTAMP)"
    )
    connection.execute("CREATE TABLE warehouse (version BIGINT NOT NULL); INSERT INTO warehouse VALUES (12)")
    for step, (name, sql) in enumerate(migrations()[:2], start=1):
        connection.execute(sql)
        connection.execute("INSERT INTO migration VALUES (?, ?, ?)", [step, name, dt.datetime(2026, 1, 1)])
    old_rows(connection)
    connection.close()
    return folder


def rows_of(connection: duckdb.DuckDBPyConnection, *names: str) -> dict[str, pl.DataFrame]:
    return {name: connection.sql(f"SELECT * FROM {name} ORDER BY ALL").pl() for name in names}


@pytest.fixture(scope="module")
def before(old: Path) -> dict[str, pl.DataFrame]:
    views = [f"export.{view}" for view in VIEWS]
    tables = ("threshold", "flag", "outcome", "capture_log", "capture_events", "score", "cylinder_score")
    with duckdb.connect(str(old / DATABASE_NAME), read_only=True) as connection:
        return rows_of(connection, *views, *KEPT, *tables)


@pytest.fixture(scope="module")
def house(old: Path, before: dict[str, pl.DataFrame]) -> Warehouse:
    assert all(rows.height > 0 for rows in before.values())
    return Warehouse(old)


def test_the_old_views_give_the_same_rows_in_their_old_columns(
    house: Warehouse, before: dict[str, pl.DataFrame]
) -> None:
    for view in VIEWS:
        columns = ", ".join(f'"{name}"' for name in before[f"export.{view}"].columns)
        with house.reading() as connection:
            after = connection.sql(f"SELECT {columns} FROM export.{view} ORDER BY ALL").pl()
        assert_frame_equal(after, before[f"export.{view}"], check_exact=True)


def test_untouched_tables_and_history_are_kept_whole(
    house: Warehouse, before: dict[str, pl.DataFrame]
) -> None:
    with house.reading() as connection:
        for name, rows in rows_of(connection, *KEPT).items():
            # Later steps may add columns; what was there stays as it was.
            assert_frame_equal(rows.select(before[name].columns), before[name], check_exact=True)
        flags = connection.sql(
            "SELECT * EXCLUDE (measure, rank) RENAME (flagged_elements AS flagged_cylinders) FROM flag ORDER BY ALL"
        ).pl()
        drawings = connection.sql("SELECT * FROM capture_drawing ORDER BY ALL").pl()
        outcomes = connection.sql("SELECT * FROM outcome ORDER BY ALL").pl()
        log = connection.sql(
            "SELECT * EXCLUDE (component, shop) RENAME (call_elements AS call_cylinders) FROM capture_log ORDER BY ALL"
        ).pl()
        assert connection.execute("SELECT version FROM warehouse").fetchone() == (
            12 + len(migrations()) - 2,
        )  # one step a migration
    assert_frame_equal(flags, before["flag"], check_exact=True)
    assert_frame_equal(log, before["capture_log"], check_exact=True)
    for after, name in ((drawings, "capture_events"), (outcomes.drop("test", "shop"), "outcome")):
        old_names = dict(zip(after.columns, before[name].columns, strict=True))
        assert_frame_equal(after.rename(old_names), before[name], check_exact=True)
    assert set(outcomes["test"]) == {""}


def test_a_fit_after_the_upgrade_works_and_keeps_what_people_decided(house: Warehouse) -> None:
    summary = fit_warehouse(house)
    assert summary.captures == 191
    in_force = {row["group"]: row for row in house.frame("thresholds_in_force").to_dicts()}
    assert (in_force["group-0"]["threshold_pct"], in_force["group-0"]["version"]) == (9.0, 2)
    with house.reading() as connection:
        old_versions = connection.execute(
            "SELECT count(*) FROM export.thresholds WHERE set_at < TIMESTAMP '2026-02-04'"
        ).fetchone()
        flagged = connection.execute("SELECT count(*) FROM flag WHERE NOT in_force").fetchone()
    assert old_versions == (8,)
    assert flagged is not None
    assert flagged[0] >= 191
    shop = read_shop(house).of_test(TEST)
    assert shop.outcomes.height > 0
    newest = house.frame("thresholds").filter(pl.col("group") == "group-0")["version"].max()
    assert isinstance(newest, int)
    place = Place(TEST, TEST, "group-0")
    assert set_threshold(house, place, 8.0, set_by="jo", reason="a test", seen_version=newest) == newest + 1
