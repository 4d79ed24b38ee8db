"""The engine for one computer: one DuckDB file, every connection short-lived behind one reader-writer file lock.

DuckDB lets one process hold a file read-write, or many hold it read-only, and one process cannot do
both at once. So nobody holds a connection: each read and each transaction opens the file, does its
work and closes it, and a lock file beside the database lets readers share and writers wait their turn.
That keeps the dashboard open and right while an ingest runs.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path

import duckdb

from pipelines.errors import WarehouseError
from pipelines.warehouse.keeping import copy_database, keep_before_upgrade
from pipelines.warehouse.lock import locked, share_with_group
from pipelines.warehouse.opening import WORN_OUT, attached, let_go, make_folder, worn_out

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

    def tidy(self) -> None:
        """Nothing: the file reuses its own free space."""
