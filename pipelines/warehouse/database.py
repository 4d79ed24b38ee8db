"""The warehouse: one door to the tables, whichever engine holds them (`store.py`).

Nobody holds a connection: each read and each transaction asks the engine for one, does its work and gives it back.
Writers wait their turn, readers see one moment, and every transaction that lands raises the warehouse's version.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

import duckdb
import polars as pl

from pipelines.errors import WarehouseError, WriteConflict
from pipelines.warehouse import ducklake
from pipelines.warehouse.duckdb_file import DATABASE_NAME, DuckDBFile
from pipelines.warehouse.opening import refuse_foreign
from pipelines.warehouse.schema import applied, apply_steps, migrations
from pipelines.warehouse.store import Store

DEFAULT_WAREHOUSE = Path("shopspread_warehouse")
LOCK_TIMEOUT_S = 120.0
_TRIES = 6
_PAUSE_S = 0.05
_MOST_LISTED = 1000

Made = TypeVar("Made")


class Warehouse:
    """The tables and our copies of the waveforms.

    Args:
        path: the warehouse folder, or a path ending in `.duckdb` that names the database file itself, or a
            shared warehouse's `ducklake:postgres:…` (see `store_at`).
        create: make the folder and the tables where there are none; otherwise a missing warehouse
            is an error.

    Raises:
        WarehouseError: when there is no warehouse, it is newer than this program, or it is locked.
    """

    def __init__(self, path: Path, *, create: bool = False) -> None:
        path = Path(path)
        self.store = store_at(path)
        self._looked: tuple[tuple[int, ...] | None, int] = (None, 0)
        self._last: int | None = None
        self.database, self.waveforms = self.store.database, self.store.waveforms
        self.path = path
        if not self.database.exists() and not create:
            raise WarehouseError(
                f"There is no warehouse at {path}. Make one with: shopspread ingest DROP --warehouse {path}"
            )
        self.store.make()
        self._upgrade()

    # -- connections -------------------------------------------------------------------------------

    @contextmanager
    def reading(self, patience_s: float = LOCK_TIMEOUT_S) -> Iterator[duckdb.DuckDBPyConnection]:
        """A read-only connection for one short piece of work, which sees one moment; shared with other readers.

        Args:
            patience_s: how long to wait for a writer.

        Raises:
            WarehouseError: when a writer held the warehouse for longer than the lock's time-out.
        """
        with (
            self.store.locked(write=False, timeout_s=patience_s),
            self.store.connected(write=False, patience_s=patience_s) as connection,
        ):
            yield connection

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """One write transaction: all of it lands, with the warehouse version bumped, or none of it.

        Raises:
            WriteConflict: when somebody who took no lock landed in the same moment; see `land`.
            WarehouseError: when other users held the warehouse for longer than the lock's time-out.
        """
        with (
            self.store.locked(write=True, timeout_s=LOCK_TIMEOUT_S),
            self.store.connected(write=True, patience_s=LOCK_TIMEOUT_S) as connection,
        ):
            connection.execute("BEGIN")
            try:
                yield connection
                connection.execute("UPDATE warehouse SET version = version + 1")
                connection.execute("COMMIT")
            except BaseException:
                with suppress(duckdb.Error):  # the first error is the one that tells
                    connection.execute("ROLLBACK")
                raise

    def land(self, work: Callable[[duckdb.DuckDBPyConnection], Made]) -> Made:
        """Do a piece of work in a transaction, and all of it again where another writer landed meanwhile.

        The version every transaction raises is what two of them conflict over, so that neither can land on rows it
        has not seen.

        Args:
            work: may be called several times; only the last time counts.
        """
        for tried in range(1, _TRIES):
            try:
                with self.transaction() as connection:
                    return work(connection)
            except WriteConflict:
                time.sleep(_PAUSE_S * 2**tried)
        with self.transaction() as connection:
            return work(connection)

    # -- schema ------------------------------------------------------------------------------------

    def _upgrade(self) -> None:
        """Bring the schema to this program's version, each step in a transaction of its own."""
        steps, have = migrations(), 0
        if self.database.exists():
            with self.reading() as connection:
                refuse_foreign(connection, self.database, steps[0][0])
                names = applied(connection)
            have = len(names)
            if names == {name for name, _ in steps}:
                return
            if not names <= {name for name, _ in steps}:
                raise WarehouseError(
                    f"The warehouse at {self.path} was written by a newer Shopspread (schema {have}, this "
                    f"one knows {len(steps)}). Update Shopspread; nothing was changed."
                )
        with self.store.locked(write=True, timeout_s=LOCK_TIMEOUT_S):
            if have:
                self.store.keep(have)
            with self.store.connected(write=True, patience_s=LOCK_TIMEOUT_S) as connection:
                apply_steps(connection, steps, self.store.step)

    # -- questions ---------------------------------------------------------------------------------

    def version(self, *, wait: bool = True) -> int:
        """The warehouse version: one higher after every transaction that landed.

        Args:
            wait: for a writer who is at work; else the version is that of the last look, where there was one.
        """
        touched = self.store.touched()
        if touched is not None and touched == self._looked[0]:
            return self._looked[1]
        last = self._last
        try:
            with self.reading(LOCK_TIMEOUT_S if wait or last is None else 0.0) as connection:
                row = connection.execute("SELECT version FROM warehouse").fetchone()
        except WarehouseError:
            if wait or last is None:
                raise
            return last
        version = int(row[0]) if row else 0
        # of what stood before the look, so that whatever lands meanwhile is looked at again
        self._looked, self._last = (touched, version), version
        return version

    def frame(self, name: str, parameters: Mapping[str, Any] | None = None) -> pl.DataFrame:
        """Run the named query `sql/frames/NAME.sql` and return its rows.

        Parameters are the query's own `$name` placeholders.
        """
        return self.frames([name], parameters)[name]

    def frames(
        self,
        names: Sequence[str],
        parameters: Mapping[str, Any] | None = None,
        *,
        captures: Sequence[str] | None = None,
    ) -> dict[str, pl.DataFrame]:
        """Run several named queries over one connection, so that they see the same warehouse version.

        Args:
            captures: only rows of these captures, of those queries that have a `capture_file`.
        """
        with self.reading() as connection:
            return {name: query(connection, name, parameters, captures=captures) for name in names}


def store_at(path: Path) -> Store:
    """The engine a warehouse's name asks for: `ducklake:postgres:…` the shared one, any other path a DuckDB file."""
    if ducklake.is_name(path):
        return ducklake.DuckLake.named(path)
    return DuckDBFile(*_places(path))


def places(path: Path) -> tuple[Path, Path]:
    """The file that stands where there is a warehouse of that name, and the waveforms folder."""
    store = store_at(path)
    return store.database, store.waveforms


def absolute(path: Path) -> Path:
    """A warehouse's name that means the same in every folder."""
    return path if ducklake.is_name(path) else path.resolve()


def _places(path: Path) -> tuple[Path, Path]:
    """The database file and the waveforms folder of a warehouse named by its folder or its file.

    A file called `shopspread.duckdb` is the one inside a warehouse folder, whose waveforms stand beside
    it; any other `NAME.duckdb` has its waveforms in `NAME/waveforms`.
    """
    if path.suffix != ".duckdb" or path.is_dir():
        return path / DATABASE_NAME, path / "waveforms"
    if path.name == DATABASE_NAME:
        return path, path.parent / "waveforms"
    return path, path.with_suffix("") / "waveforms"


def query(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    parameters: Mapping[str, Any] | None = None,
    *,
    captures: Sequence[str] | None = None,
) -> pl.DataFrame:
    """Run the named query on an open connection; only the parameters it mentions are passed.

    With `captures`, only rows of these captures, where the query has a `capture_file`: the database then looks no
    further than them.
    """
    sql = named_query(name)
    wanted = {key: value for key, value in (parameters or {}).items() if re.search(rf"\${key}\b", sql)}
    if captures is not None and re.search(r"\bcapture_file\b", sql.partition("FROM")[0]):
        # One placeholder a name: such a list is looked up while the tables are read, a joined one only afterwards.
        names: dict[str, Any] = {f"capture_{n}": name for n, name in enumerate(captures)}
        listed = ", ".join(f"${name}" for name in names) or "NULL"
        if len(names) > _MOST_LISTED:
            names, listed = {"captures": list(captures)}, "SELECT unnest($captures)"
        sql = f"SELECT * FROM (\n{sql}\n) WHERE capture_file IN ({listed})"
        wanted |= names
    relation = connection.sql(sql, params=wanted) if wanted else connection.sql(sql)
    frame: pl.DataFrame = relation.pl()
    return frame


@cache
def named_query(name: str) -> str:
    """The text of `sql/frames/NAME.sql`.

    Raises:
        FileNotFoundError: when there is no such query.
    """
    return (resources.files("pipelines.warehouse") / "sql" / "frames" / f"{name}.sql").read_text(
        encoding="utf-8"
    )
