"""What an engine has to offer to hold a warehouse: `Warehouse` works on this and on nothing else of it.

Two engines do: `duckdb_file`, one file for one computer, and `ducklake`, Parquet in a shared folder with its catalog
in PostgreSQL, for many. Keys, ids and the schema are the door's (`keys.py`, `schema.py`), so both are used alike.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

import duckdb


class Store(Protocol):
    """One warehouse's place.

    Attributes:
        database: the file that stands where there is a warehouse; what lies beside it bears its name.
        waveforms: the folder with our copies of the waveforms.
        folders: what no ingest looks into, besides.
    """

    database: Path
    waveforms: Path
    folders: tuple[Path, ...]

    def make(self) -> None:
        """Make the place ready, or find that it is.

        Raises:
            WarehouseError: it cannot be used, or is another's.
        """
        ...

    def locked(self, *, write: bool, timeout_s: float) -> AbstractContextManager[None]:
        """Hold the lock for one piece of work: one writer at a time.

        Raises:
            WarehouseError: others held it for longer.
        """
        ...

    def connected(
        self, *, write: bool, patience_s: float
    ) -> AbstractContextManager[duckdb.DuckDBPyConnection]:
        """A connection with the tables in use, of one moment where it only reads; the caller holds the lock.

        Raises:
            WriteConflict: another writer landed in the same moment; nothing was changed.
            WarehouseError: the engine, the disk or the network gave way.
        """
        ...

    def touched(self) -> tuple[int, ...] | None:
        """What differs whenever something has landed, without a connection; None where only the tables can tell."""
        ...

    def step(self, sql: str) -> str:
        """A schema step as this engine takes it."""
        ...

    def keep(self, schema: int) -> None:
        """Keep the tables as they are before the schema is upgraded from so many steps; the caller holds the lock.

        Raises:
            WarehouseError: there is no room; the upgrade must not go on then.
        """
        ...

    def scrub(self) -> None:
        """Leave nothing of rows that were replaced or deleted in the engine's files, as far as they are ours.

        Raises:
            WarehouseError: there is no room, or others hold the warehouse; the tables are as they were.
        """
        ...

    def copy_tables(self, target: Path) -> None:
        """Write every table, of one moment, into a new DuckDB file.

        Raises:
            OSError, WarehouseError: it cannot be written.
        """
        ...

    def take_tables(self, source: Path) -> None:
        """Make this warehouse, which must not exist yet, of such a file: whole or not at all.

        Raises:
            OSError, WarehouseError: there is something already, or it cannot be written.
        """
        ...

    def tidy(self) -> None:
        """Put together what many small transactions have scattered, where the engine does not do so by itself."""
        ...
