"""The engine for one computer: one DuckDB file, every connection short-lived behind one reader-writer file lock.

DuckDB lets one process hold a file read-write, or many hold it read-only, and one process cannot do
both at once. So nobody holds a connection: each read and each transaction opens the file, does its
work and closes it, and a lock file beside the database lets readers share and writers wait their turn.
That keeps the dashboard open and right while an ingest runs.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path

import duckdb

from pipelines.errors import WarehouseError
from pipelines.warehouse.keeping import copy_database, keep_before_upgrade
from pipelines.warehouse.lock import locked, share_with_group
from pipelines.warehouse.opening import STORAGE_VERSION, WORN_OUT, attached, let_go, make_folder, worn_out

DATABASE_NAME = "shopspread.duckdb"
_COPYING_S = 120.0
# Two writes this close could bear one time, on file systems that count in whole seconds.
_RACY_NS = 3_000_000_000


class DuckDBFile:
    """A folder with the database, its lock and our copies of the waveforms."""

    def __init__(self, database: Path, waveforms: Path) -> None:
        self.database, self.waveforms = database, waveforms
        self.folders: tuple[Path, ...] = ()

    def make(self) -> None:
        make_folder(self.database)
        share_with_group(self.database.parent)

    def locked(self, *, write: bool, timeout_s: float) -> AbstractContextManager[None]:
        return locked(self.database, write=write, timeout_s=timeout_s)

    @contextmanager
    def connected(self, *, write: bool, patience_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
        connection = attached(self.database, read_only=not write, patience_s=patience_s)
        try:
            yield connection
        except WORN_OUT as error:
            raise WarehouseError(worn_out(error, self.database)) from error
        finally:
            if write:
                with suppress(duckdb.Error):  # a full disk: what had landed has landed
                    connection.close()
            else:
                let_go(connection)

    def touched(self) -> tuple[int, ...] | None:
        found: list[int] = []
        for file in (self.database, self.database.with_name(f"{self.database.name}.wal")):
            with suppress(FileNotFoundError):
                now = file.stat()
                found += [now.st_ino, now.st_size, now.st_mtime_ns]
                if time.time_ns() - now.st_mtime_ns < _RACY_NS:
                    return None
        return tuple(found)

    def step(self, sql: str) -> str:
        return sql

    def keep(self, schema: int) -> None:
        keep_before_upgrade(self.database, schema)

    def copy_tables(self, target: Path) -> None:
        with self.locked(write=False, timeout_s=_COPYING_S):
            copy_database(self.database, target)

    def take_tables(self, source: Path) -> None:
        self.make()
        copy_database(source, self.database)

    def scrub(self) -> None:
        # What a row held before stays in the file's free blocks until they are used again: the file is written anew.
        part = self.database.with_suffix(".part")
        with self.locked(write=True, timeout_s=_COPYING_S):
            try:
                part.unlink(missing_ok=True)
                with self.connected(write=True, patience_s=_COPYING_S) as connection:
                    connection.execute("CHECKPOINT")
                    target = str(part).replace("'", "''")
                    connection.execute(
                        f"ATTACH '{target}' AS written_anew (TYPE duckdb, STORAGE_VERSION '{STORAGE_VERSION}')"
                    )
                    connection.execute("COPY FROM DATABASE warehouse_file TO written_anew")
                    same = _described(connection, "warehouse_file") == _described(connection, "written_anew")
                    connection.execute("DETACH written_anew")
                if not same:
                    raise WarehouseError(
                        f"A copy of {self.database} without what its rows held before is not equal to it, so the file "
                        "was left as it is; the tables themselves are right."
                    )
                shutil.copymode(self.database, part)
                part.replace(self.database)
            except (OSError, duckdb.Error) as error:
                raise WarehouseError(
                    f"{self.database} cannot be written anew ({error}), so what its rows held before may still be "
                    "found in it; make room, and the next name that is taken out writes it anew. The tables are right."
                ) from error
            finally:
                part.unlink(missing_ok=True)

    def tidy(self) -> None:
        """Nothing: the file reuses its own free space."""


def _described(connection: duckdb.DuckDBPyConnection, database: str) -> list[object]:
    """Everything a database is: its tables with what they hold, their keys, columns and views."""
    tables = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = ? AND schema_name = 'main' ORDER BY 1",
        [database],
    ).fetchall()
    found: list[object] = [
        (table, connection.execute(
            f'SELECT count(*), sum(hash(t)) FROM {database}.main."{table}" AS t'
        ).fetchone())
        for (table,) in tables
    ]  # fmt: skip
    for what, columns in (
        ("duckdb_columns", "schema_name, table_name, column_name, data_type, column_default, is_nullable"),
        ("duckdb_constraints", "schema_name, table_name, constraint_type, constraint_text"),
        ("duckdb_views", "schema_name, view_name"),
        ("duckdb_sequences", "schema_name, sequence_name, last_value"),
        ("duckdb_indexes", "schema_name, index_name, expressions"),
    ):
        rows = connection.execute(
            f"SELECT {columns} FROM {what}() WHERE database_name = ? ORDER BY ALL", [database]
        ).fetchall()
        found.append([row for row in rows if row[0] in ("main", "export")])
    return found
