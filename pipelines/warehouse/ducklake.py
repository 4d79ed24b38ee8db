"""The engine for many: tables as Parquet in a shared folder, their catalog in PostgreSQL (a DuckLake).

Named `ducklake:postgres:` and what libpq takes as a connection string, with `folder=` for the shared folder:
`ducklake:postgres:host=db.shop dbname=shop user=shop folder=/srv/shop`. A password is never part of the name, which
stands in process lists and messages: libpq reads PGPASSWORD and ~/.pgpass.

Any number of processes on any number of computers read and write. A reader sees the snapshot of one moment; a
writer takes an advisory lock of PostgreSQL, which goes with its connection however that ends. Whoever writes without
the lock is noticed when landing, because every transaction changes the one row of the table `warehouse`.

DuckLake takes no keys and no sequences: `keys.py` holds them. Its extensions come as packages (`shopspread[lake]`)
and are loaded once a process, since that takes a second; connections to the one instance are cheap.
"""

from __future__ import annotations

import json
import re
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb

from pipelines.errors import WarehouseError, WriteConflict
from pipelines.warehouse.engine import engine_of, installed, let_go, quoted
from pipelines.warehouse.keeping import room_for_upgrade
from pipelines.warehouse.keys import CATALOG, without_keys
from pipelines.warehouse.opening import STORAGE_VERSION, WORN_OUT
from pipelines.warehouse.schema import applied, migrations

PREFIX = "ducklake:postgres:"
MARK = "shopspread.ducklake"
_TIDY_WAIT_S = 120.0
# Any number will do, as long as it is always the same: locks of other databases are others.
LOCK_KEY = 7_346_112_090
_FOLDER = re.compile(r"(?:^|\s)folder\s*=\s*('(?:[^'\\]|\\.)*'|\S+)")
_CONFLICT = re.compile(r"conflict", re.IGNORECASE)


def is_name(path: Path) -> bool:
    """Whether a warehouse's name asks for this engine."""
    return str(path).startswith(PREFIX)


class DuckLake:
    """A shared warehouse.

    Args:
        catalog: libpq's connection string. folder: the shared folder, absolute.
    """

    def __init__(self, catalog: str, folder: Path) -> None:
        self.catalog, self.folder = catalog, folder
        self.database, self.waveforms = folder / MARK, folder / "waveforms"
        self.tables = folder / "tables"
        self.folders: tuple[Path, ...] = (folder,)

    @classmethod
    def named(cls, path: Path) -> DuckLake:
        """The warehouse of a name.

        Raises:
            WarehouseError: the name has no absolute folder, or holds a password.
        """
        said = str(path).removeprefix(PREFIX)
        found = _FOLDER.search(said)
        folder = Path(re.sub(r"\\(.)", r"\1", found[1].strip("'"))) if found else Path()
        if found is None or not folder.is_absolute() or "?" in str(folder):
            raise WarehouseError(
                f"A shared warehouse is named {PREFIX}CONNECTION folder=FOLDER, with the whole path of a folder that "
                "every computer sees, say: ducklake:postgres:host=db.shop dbname=shop folder=/srv/shop"
            )
        if re.search(r"(?:^|\s)password\s*=", said):
            raise WarehouseError(
                "Put no password into a warehouse's name, everybody on the computer could read it; put it into "
                "~/.pgpass or PGPASSWORD."
            )
        return cls((said[: found.start()] + said[found.end() :]).strip(), folder)

    # -- the place ---------------------------------------------------------------------------------

    def make(self) -> None:
        missing = installed()
        if missing is not None:
            raise WarehouseError(
                f"A shared warehouse needs {missing}, which is not installed: pip install 'shopspread[lake]'"
            )
        here = self._mark()
        with self._psycopg() as catalog:
            there = _known_as(catalog)
            if here is not None and here == there:
                return
            if here is not None or there is not None:
                raise WarehouseError(
                    f"The folder {self.folder} and the catalog ({self.catalog}) do not belong together; mount the "
                    "folder the catalog was made with, or name another of both. Nothing was changed."
                )
            catalog.execute("SELECT pg_advisory_lock(%s)", (LOCK_KEY,))
            if _known_as(catalog) is None:
                self._begin(catalog)

    def _begin(self, catalog: Any) -> None:
        """Take an empty catalog and an empty folder for a new warehouse."""
        taken = catalog.execute("SELECT to_regclass('ducklake_metadata')").fetchone()
        if taken != (None,) or (self.tables.exists() and any(self.tables.iterdir())):
            raise WarehouseError(
                f"The catalog ({self.catalog}) or {self.tables} is in use by another program; name another. "
                "Nothing was changed."
            )
        try:
            self.tables.mkdir(parents=True, exist_ok=True)
            with self.connected(write=True, patience_s=0):
                pass  # makes the catalog's own tables, while nobody else does
            name = uuid.uuid4().hex
            catalog.execute("CREATE TABLE shopspread_warehouse (id text PRIMARY KEY)")
            catalog.execute("INSERT INTO shopspread_warehouse VALUES (%s)", (name,))
            part = self.database.with_suffix(".part")
            part.write_text(json.dumps({"id": name}), encoding="utf-8")
            part.replace(self.database)
        except OSError as error:
            catalog.execute("DROP TABLE IF EXISTS shopspread_warehouse")
            raise WarehouseError(
                f"The folder {self.folder} cannot be written ({error.strerror or error}); give permission or name "
                "another."
            ) from error

    def _mark(self) -> str | None:
        try:
            return str(json.loads(self.database.read_text(encoding="utf-8"))["id"])
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise WarehouseError(
                f"{self.database} cannot be read ({error}); restore it, or give permission."
            ) from error

    @contextmanager
    def _psycopg(self) -> Iterator[Any]:
        """A connection to the catalog's own database, for what DuckDB does not ask it."""
        import psycopg

        try:
            with psycopg.connect(self.catalog, autocommit=True, connect_timeout=30) as connection:
                yield connection
        except psycopg.Error as error:
            raise WarehouseError(
                f"The catalog ({self.catalog}) cannot be used: {' '.join(str(error).split())}. Start PostgreSQL, or "
                "correct the name given with --warehouse. Nothing of this step was changed."
            ) from error

    # -- connections -------------------------------------------------------------------------------

    @contextmanager
    def locked(self, *, write: bool, timeout_s: float) -> Iterator[None]:
        if not write:  # a snapshot needs none
            yield
            return
        import psycopg

        with self._psycopg() as catalog:
            catalog.execute(f"SET lock_timeout = {int(timeout_s * 1000)}")
            try:
                catalog.execute("SELECT pg_advisory_lock(%s)", (LOCK_KEY,))
            except psycopg.errors.LockNotAvailable as error:
                raise WarehouseError(
                    f"The warehouse at {self.folder} is in use by another program; try again when it is done."
                ) from error
            yield

    @contextmanager
    def connected(self, *, write: bool, patience_s: float) -> Iterator[duckdb.DuckDBPyConnection]:  # noqa: ARG002
        engine = engine_of(self.catalog, self.tables)
        try:
            connection = engine.take()
        except duckdb.Error as error:
            raise WarehouseError(self._worn_out(error)) from error
        try:
            if not write:
                connection.execute("BEGIN TRANSACTION READ ONLY")
            yield connection
            if not write:
                connection.execute("COMMIT")
        except BaseException as error:
            with suppress(duckdb.Error):
                connection.close()  # ends its transaction too
            if isinstance(error, duckdb.TransactionException) and _CONFLICT.search(str(error)):
                raise WriteConflict(
                    "Somebody else has changed the warehouse in the same moment. Nothing of this step was changed; "
                    "do it again."
                ) from error
            if isinstance(error, WORN_OUT):
                # Perhaps PostgreSQL was started anew: the next look opens everything again.
                let_go(self.catalog, self.tables)
                raise WarehouseError(self._worn_out(error)) from error
            raise
        engine.give_back(connection)

    def _worn_out(self, error: duckdb.Error) -> str:
        reason = " ".join(str(error).split("\n", 1)[0].split())
        return (
            f"The shared warehouse ({self.catalog}, {self.folder}) cannot be read or written: {reason}. See whether "
            "PostgreSQL runs and the folder is there and has room. Nothing of this step was changed."
        )

    # -- the tables --------------------------------------------------------------------------------

    def touched(self) -> tuple[int, ...] | None:
        return None

    def step(self, sql: str) -> str:
        return without_keys(sql) or "SELECT 1"

    def keep(self, schema: int) -> None:
        with room_for_upgrade(self.database, schema) as part:
            self.copy_tables(part)

    def copy_tables(self, target: Path) -> None:
        with (
            self.connected(write=True, patience_s=0) as connection,
            _file(connection, target, new=True) as name,
        ):
            connection.execute("BEGIN")
            taken = applied(connection)
            tables = _tables(connection, CATALOG)
            connection.execute(f"USE {name}")
            for step, sql in migrations():
                if step in taken:
                    connection.execute(sql)
            connection.execute(
                "CREATE TABLE migration (step INTEGER PRIMARY KEY, name VARCHAR, applied_at TIMESTAMP); "
                "CREATE TABLE warehouse (version BIGINT NOT NULL)"
            )
            for table in tables:
                connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM {CATALOG}.main.{table}")
            connection.execute("COMMIT")
            connection.execute(f"USE {CATALOG}")

    def take_tables(self, source: Path) -> None:
        if self._mark() is not None:
            raise WarehouseError(
                f"There is a warehouse at {self.folder} already, and it is left alone; restore into a new one."
            )
        self.make()
        try:
            with (
                self.connected(write=True, patience_s=0) as connection,
                _file(connection, source, new=False) as name,
            ):
                steps = connection.execute(f"SELECT name FROM {name}.main.migration ORDER BY step").fetchall()
                known = dict(migrations())
                unknown = [step for (step,) in steps if step not in known]
                if unknown:
                    raise WarehouseError("The backup is of a newer Shopspread; update Shopspread first.")
                connection.execute("BEGIN")
                connection.execute(
                    "CREATE TABLE migration (step INTEGER, name VARCHAR, applied_at TIMESTAMP); "
                    "CREATE TABLE warehouse (version BIGINT NOT NULL)"
                )
                for (step,) in steps:
                    connection.execute(self.step(known[step]))
                for table in _tables(connection, name):
                    connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM {name}.main.{table}")
                connection.execute("COMMIT")
        except BaseException:
            self.remove()
            raise

    def remove(self) -> None:
        """Take away everything this warehouse has in catalog and folder."""
        let_go(self.catalog, self.tables)
        with self._psycopg() as catalog:
            rows = catalog.execute(
                r"SELECT tablename FROM pg_tables WHERE schemaname = current_schema() AND "
                r"(tablename LIKE 'ducklake\_%' OR tablename = 'shopspread_warehouse')"
            ).fetchall()
            for (table,) in rows:
                catalog.execute(f'DROP TABLE "{table}"')
        self.database.unlink(missing_ok=True)
        shutil.rmtree(self.tables, ignore_errors=True)

    def scrub(self) -> None:
        # A row that is replaced stays in its Parquet file and in the snapshots before. DuckLake cannot write every file
        # anew: not where rows kept in the catalog are older than a column. Such files keep what they held (README).
        with (
            self.locked(write=True, timeout_s=_TIDY_WAIT_S),
            self.connected(write=True, patience_s=0) as connection,
        ):
            with suppress(duckdb.Error):
                connection.execute(f"CALL ducklake_flush_inlined_data('{CATALOG}')")
            for table in _tables(connection, CATALOG):
                with suppress(duckdb.Error):
                    connection.execute(
                        f"CALL ducklake_rewrite_data_files('{CATALOG}', '{table}', delete_threshold => 0)"
                    )
            connection.execute(f"CALL ducklake_expire_snapshots('{CATALOG}', older_than => now())")
            connection.execute(f"CALL ducklake_cleanup_old_files('{CATALOG}', cleanup_all => true)")

    def tidy(self) -> None:
        # Whoever still reads an old snapshot has a day for it.
        with (
            self.locked(write=True, timeout_s=_TIDY_WAIT_S),
            self.connected(write=True, patience_s=0) as connection,
        ):
            connection.execute(f"CALL ducklake_merge_adjacent_files('{CATALOG}')")
            connection.execute(
                f"CALL ducklake_expire_snapshots('{CATALOG}', older_than => now() - INTERVAL 1 DAY)"
            )
            connection.execute(
                f"CALL ducklake_cleanup_old_files('{CATALOG}', older_than => now() - INTERVAL 1 DAY)"
            )


def _known_as(catalog: Any) -> str | None:
    """The id of the warehouse a catalog belongs to, None where it belongs to none."""
    if catalog.execute("SELECT to_regclass('shopspread_warehouse')").fetchone() == (None,):
        return None
    row = catalog.execute("SELECT id FROM shopspread_warehouse").fetchone()
    return None if row is None else str(row[0])


@contextmanager
def _file(connection: duckdb.DuckDBPyConnection, path: Path, *, new: bool) -> Iterator[str]:
    """A DuckDB file attached beside the warehouse, under a name of its own."""
    name = f"file_{uuid.uuid4().hex}"
    options = f"STORAGE_VERSION '{STORAGE_VERSION}'" if new else "READ_ONLY"
    connection.execute(f"ATTACH '{quoted(path)}' AS {name} (TYPE duckdb, {options})")
    try:
        yield name
    finally:
        with suppress(duckdb.Error):
            connection.execute("ROLLBACK")
        with suppress(duckdb.Error):
            connection.execute(f"USE {CATALOG}")
            connection.execute(f"DETACH {name}")


def _tables(connection: duckdb.DuckDBPyConnection, catalog: str) -> list[str]:
    rows = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = ? AND schema_name = 'main' ORDER BY 1",
        [catalog],
    ).fetchall()
    return [name for (name,) in rows]
