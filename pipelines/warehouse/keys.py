"""Keys, held by the door and not by the tables: one of our two engines knows none.

A row is put in the place of the one with the same key, an id is one more than the largest, and both happen inside
the one write transaction there is at a time (`Warehouse.transaction`), so that no two can draw the same. A shop is part
of every key that is a name: the names of a named shop begin with it (`models.records.shops`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import duckdb
import polars as pl

CATALOG = "warehouse_file"
"""The name the warehouse's tables are attached under, whichever engine holds them."""

KEYS: dict[str, tuple[str, ...]] = {
    "setting": ("name",),
    "intake_log": ("log_id",),
    "engine_family": ("engine_family",),
    "technician": ("technician",),
    "repair_order": ("repair_order",),
    "capture_log": ("capture_file",),
    "outcome": ("repair_order", "test"),
    "drill": ("drill",),
    "coaching": ("session",),
    "capture_state": ("capture_file",),
    "capture_trouble": ("capture_file",),
    "capture_drawing": ("capture_file",),
    "feature": ("capture_file", "feature"),
    "element_reading": ("capture_file", "measure", "position"),
    "setup_check": ("capture_file", "check"),
    "fit_run": ("fit_id",),
    "comparison_group": ("test", "group"),
    "group_stat": ("test", "measure", "group"),
    "group_pattern": ("test", "measure", "group", "element"),
    "group_null": ("test", "measure", "group"),
    "capture_health": ("capture_file", "measure"),
    "proposal": ("test", "measure", "group"),
    "element_score": ("capture_file", "measure", "position"),
    "measure_score": ("capture_file", "measure"),
    "outlier": ("capture_file",),
    "threshold": ("test", "measure", "group", "version"),
    "forgotten": ("name_hash",),
    "figure": ("name",),
    "waiting_mark": ("item", "version"),
    "migration": ("step",),
}
"""What makes a row the only one of its kind, by table; flags are history and have none."""
IDS = {"intake_log": "log_id"}
"""The column of a table whose values are drawn here when a row lands."""

_SEQUENCE = re.compile(r"CREATE SEQUENCE[^;]*;|DROP SEQUENCE[^;]*;|ALTER TABLE[^;]*DROP DEFAULT\s*;")
_KEY = re.compile(r",\s*PRIMARY KEY\s*\([^)]*\)|\s+PRIMARY KEY(\s+DEFAULT\s+nextval\([^)]*\))?")
_REMARK = re.compile(r"--[^\n]*")


def without_keys(step: str) -> str:
    """A schema step for an engine that takes neither keys nor sequences."""
    return _KEY.sub("", _SEQUENCE.sub("", _REMARK.sub("", step)))


def put(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame, *, replace: bool) -> None:
    """Insert a frame's rows by column name, ids drawn; with `replace`, rows of the same key give way.

    Raises:
        duckdb.ConstraintException: two rows would have one key; nothing of the frame was written.
    """
    if frame.is_empty():
        return
    keys = KEYS.get(table, ())
    if table in IDS and IDS[table] not in frame.columns:
        frame = _numbered(connection, table, frame)
    if replace and frame.select(keys).is_duplicated().any():
        raise duckdb.ConstraintException(f"two rows of {table} have one key")
    with _incoming(connection, frame):
        if replace:
            same = " AND ".join(f'old."{key}" = new."{key}"' for key in keys)
            connection.execute(
                f"MERGE INTO {table} AS old USING incoming AS new ON ({same}) "
                "WHEN MATCHED THEN UPDATE BY NAME WHEN NOT MATCHED THEN INSERT BY NAME"
            )
            return
        if keys and not holds_keys(connection):
            _refuse_known(connection, table, frame, keys)
        connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM incoming")


def holds_keys(connection: duckdb.DuckDBPyConnection) -> bool:
    """Whether the engine behind a connection refuses a second row of one key by itself."""
    row = connection.execute(
        "SELECT type FROM duckdb_databases() WHERE database_name = ?", [CATALOG]
    ).fetchone()
    return row is None or row[0] == "duckdb"


def doubled(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """How many keys stand more than once, by table; empty in a sound warehouse."""
    found = {}
    for table, keys in KEYS.items():
        listed = ", ".join(f'"{key}"' for key in keys)
        row = connection.execute(
            f"SELECT count(*) FROM (SELECT 1 FROM {table} GROUP BY {listed} HAVING count(*) > 1)"
        ).fetchone()
        if row and row[0]:
            found[table] = int(row[0])
    return found


def _numbered(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with ids that follow the largest there is, in the order of its rows."""
    # Read to its end: an unfinished answer would keep the frame from being registered.
    ((largest,),) = connection.execute(f"SELECT coalesce(max({IDS[table]}), 0) FROM {table}").fetchall()
    first = 1 + int(largest)
    return frame.with_columns(pl.int_range(first, first + frame.height, dtype=pl.Int64).alias(IDS[table]))


def _refuse_known(
    connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame, keys: tuple[str, ...]
) -> None:
    listed = ", ".join(f'"{key}"' for key in keys)
    known = connection.execute(
        f"SELECT 1 FROM incoming SEMI JOIN {table} USING ({listed}) LIMIT 1"
    ).fetchall()
    if known or frame.select(keys).is_duplicated().any():
        raise duckdb.ConstraintException(f"two rows of {table} would have one key")


@contextmanager
def _incoming(connection: duckdb.DuckDBPyConnection, frame: pl.DataFrame) -> Iterator[None]:
    connection.register("incoming", frame.to_arrow())
    try:
        yield
    except duckdb.Error:
        # A transaction that has failed refuses this as well; the first error is the one that tells.
        with suppress(duckdb.Error):
            connection.unregister("incoming")
        raise
    connection.unregister("incoming")
