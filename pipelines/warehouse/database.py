"""The warehouse: one DuckDB file, every connection short-lived behind one reader-writer file lock.

DuckDB lets one process hold a file read-write, or many hold it read-only, and one process cannot do
both at once. So nobody holds a connection: each read and each transaction opens the file, does its
work and closes it, and a lock file beside the database lets readers share and writers wait their turn.
That keeps the dashboard open and right while an ingest runs.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipelines.errors import WarehouseError
from pipelines.warehouse.keeping import keep_before_upgrade
from pipelines.warehouse.lock import locked, share_with_group
from pipelines.warehouse.opening import WORN_OUT, attached, make_folder, refuse_foreign, worn_out

DATABASE_NAME = "shopspread.duckdb"
DEFAULT_WAREHOUSE = Path("shopspread_warehouse")
LOCK_TIMEOUT_S = 120.0
_MOST_LISTED = 1000


class Warehouse:
    """A folder with the database, its lock and our copies of the waveforms.

    Args:
        path: the warehouse folder, or a path ending in `.duckdb` that names the database file itself
            (see `places`).
        create: make the folder and the tables where there are none; otherwise a missing warehouse
            is an error.

    Raises:
        WarehouseError: when there is no warehouse, it is newer than this program, or it is locked.
    """

    def __init__(self, path: Path, *, create: bool = False) -> None:
        path = Path(path)
        self.database, self.waveforms = places(path)
        self.path = path
        if not self.database.exists() and not create:
            raise WarehouseError(
                f"There is no warehouse at {path}. Make one with: shopspread ingest DROP --warehouse {path}"
            )
        make_folder(self.database)
        share_with_group(self.database.parent)
        self._upgrade()

    # -- connections -------------------------------------------------------------------------------

    @contextmanager
    def reading(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """A read-only connection for one short piece of work; shared with other readers.

        Raises:
            WarehouseError: when a writer held the file for longer than the lock's time-out.
        """
        with self._locked(write=False), self._open(read_only=True) as connection:
            yield connection

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """One write transaction: all of it lands, with the warehouse version bumped, or none of it.

        Raises:
            WarehouseError: when other users held the file for longer than the lock's time-out.
        """
        with self._locked(write=True), self._open(read_only=False) as connection:
            connection.execute("BEGIN")
            try:
                yield connection
                connection.execute("UPDATE warehouse SET version = version + 1")
                connection.execute("COMMIT")
            except BaseException:
                with suppress(duckdb.Error):  # the first error is the one that tells
                    connection.execute("ROLLBACK")
                raise

    def _locked(self, *, write: bool) -> AbstractContextManager[None]:
        return locked(self.database, write=write, timeout_s=LOCK_TIMEOUT_S)

    @contextmanager
    def _open(self, *, read_only: bool) -> Iterator[duckdb.DuckDBPyConnection]:
        connection = attached(self.database, read_only=read_only, patience_s=LOCK_TIMEOUT_S)
        try:
            yield connection
        except WORN_OUT as error:
            raise WarehouseError(worn_out(error, self.database)) from error
        finally:
            with suppress(duckdb.Error):  # a full disk: what had landed has landed
                connection.close()

    # -- schema ------------------------------------------------------------------------------------

    def _upgrade(self) -> None:
        """Bring the file's schema to this program's version, each step in a transaction of its own."""
        steps, have = migrations(), 0
        if self.database.exists():
            with self.reading() as connection:
                refuse_foreign(connection, self.database, steps[0][0])
                names = _applied(connection)
            have = len(names)
            if names == {name for name, _ in steps}:
                return
            if not names <= {name for name, _ in steps}:
                raise WarehouseError(
                    f"The warehouse at {self.path} was written by a newer Shopspread (schema {have}, this "
                    f"one knows {len(steps)}). Update Shopspread; nothing was changed."
                )
        with self._locked(write=True):
            if have:
                keep_before_upgrade(self.database, have)
            self._apply(steps)

    def _apply(self, steps: Sequence[tuple[str, str]]) -> None:
        with self._open(read_only=False) as connection:
            connection.execute(
                "CREATE TABLE IF NOT EXISTS migration (step INTEGER PRIMARY KEY, name VARCHAR, applied_at TIMESTAMP)"
            )
            connection.execute("CREATE TABLE IF NOT EXISTS warehouse (version BIGINT NOT NULL)")
            for name, sql in steps:
                # By name, not by number: steps written side by side may land in another order than they count.
                if name in _applied(connection):
                    continue
                connection.execute("BEGIN")
                try:
                    connection.execute(sql)
                    connection.execute(
                        "INSERT INTO migration SELECT coalesce(max(step), 0) + 1, ?, ? FROM migration",
                        [name, dt.datetime.now()],
                    )
                    if connection.execute("SELECT count(*) FROM warehouse").fetchone() == (0,):
                        connection.execute("INSERT INTO warehouse VALUES (0)")
                    connection.execute("UPDATE warehouse SET version = version + 1")
                    connection.execute("COMMIT")
                except BaseException:
                    with suppress(duckdb.Error):
                        connection.execute("ROLLBACK")
                    raise

    # -- questions ---------------------------------------------------------------------------------

    def version(self) -> int:
        """The warehouse version: one higher after every transaction that landed."""
        with self.reading() as connection:
            row = connection.execute("SELECT version FROM warehouse").fetchone()
        return int(row[0]) if row else 0

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


def places(path: Path) -> tuple[Path, Path]:
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


@cache
def migrations() -> tuple[tuple[str, str], ...]:
    """Every schema step in order, as (name, SQL): the files of `sql/migrations/`, by number."""
    folder = resources.files("pipelines.warehouse") / "sql" / "migrations"
    files = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".sql")), key=lambda e: e.name)
    return tuple((entry.name.removesuffix(".sql"), entry.read_text(encoding="utf-8")) for entry in files)


def _applied(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """The names of the schema steps a file has behind it."""
    known = connection.execute(
        "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'migration' AND database_name = 'warehouse_file'"
    ).fetchone()
    if not known or known[0] == 0:
        return set()
    return {name for (name,) in connection.execute("SELECT name FROM migration").fetchall()}
