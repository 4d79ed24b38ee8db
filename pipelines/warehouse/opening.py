"""Opening the database file, and saying in a sentence why that, or writing it, was not possible."""

from __future__ import annotations

import errno
import os
import random
import re
import threading
import time
from contextlib import suppress
from pathlib import Path

import duckdb

from pipelines.errors import WarehouseError

# A file of the newest DuckDB cannot be opened by older ones unless its storage version is pinned.
STORAGE_VERSION = "v1.5.0"
# Nothing is ever fetched: an extension that is not there is an error, not a download.
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
# What DuckDB raises when the disk, the memory or the file itself gives way (not when a query is wrong).
WORN_OUT = (
    duckdb.IOException,
    duckdb.FatalException,
    duckdb.OutOfMemoryException,
    duckdb.TransactionException,
)
_LOCKED = re.compile(r"could not set lock|conflicting lock|being used by another process", re.IGNORECASE)
_FULL = re.compile(r"no space left|not enough space|disk quota|file too large|disk full", re.IGNORECASE)
_FIRST_WAIT_S, _LONGEST_WAIT_S = 0.02, 1.0


def attached(database: Path, *, read_only: bool, patience_s: float) -> duckdb.DuckDBPyConnection:
    """A connection of its own with the file attached and in use.

    Another program that holds the file is waited for, with pauses that grow.

    Raises:
        WarehouseError: when it holds it for longer than that, or the file cannot be opened.
    """
    # Attached by name, because the storage version can only be pinned in ATTACH.
    connection = _instance(read_only)
    target = str(database).replace("'", "''")
    options = "READ_ONLY, TYPE duckdb" if read_only else f"TYPE duckdb, STORAGE_VERSION '{STORAGE_VERSION}'"
    end, pause_s = time.monotonic() + patience_s, _FIRST_WAIT_S
    try:
        while True:
            try:
                connection.execute(f"ATTACH '{target}' AS warehouse_file ({options})")
                connection.execute("USE warehouse_file")
                return connection
            except duckdb.Error as error:
                if not _LOCKED.search(str(error)):
                    raise WarehouseError(worn_out(error, database, opening=True)) from error
                if time.monotonic() + pause_s > end:
                    holder = re.search(r"PID (\d+)", str(error))
                    who = f"process {holder[1]}" if holder else "another program"
                    raise WarehouseError(
                        f"The warehouse file {database} has been held open by {who} for longer than "
                        f"{patience_s:g} s; close it there. (Other programs never block with: shopspread export DIR.)"
                    ) from error
            # Not all at the same moment, should several be waiting.
            time.sleep(pause_s * random.uniform(0.5, 1.0))
            pause_s = min(2 * pause_s, _LONGEST_WAIT_S)
    except BaseException:
        connection.close()
        raise


# A DuckDB instance takes longer to make than the file to open, so those that only read are used again.
_MOST_IDLE = 4
_idle: list[tuple[int, duckdb.DuckDBPyConnection]] = []
_guard = threading.Lock()


def _instance(read_only: bool) -> duckdb.DuckDBPyConnection:
    """An instance without a file: for reading one that was let go of, where there is one, else a new one."""
    with _guard:
        while read_only and _idle:
            process, connection = _idle.pop()
            if process == os.getpid():  # one that came over a fork has lost its threads
                return connection
    return duckdb.connect(config=CONFIG)


def let_go(connection: duckdb.DuckDBPyConnection) -> None:
    """Close the file of a connection that only read; its instance is kept for the next who reads."""
    try:
        connection.execute("USE memory")
        connection.execute("DETACH warehouse_file")
    except duckdb.Error:
        with suppress(duckdb.Error):
            connection.close()
        return
    with _guard:
        if len(_idle) < _MOST_IDLE:
            _idle.append((os.getpid(), connection))
            return
    connection.close()


def worn_out(error: duckdb.Error, database: Path, *, opening: bool = False) -> str:
    """A database error as a sentence that says what to do."""
    reason = " ".join(str(error).split("\n", 1)[0].split())
    if _FULL.search(str(error)):
        return (
            f"There is no room to write {database} (the disk is full, or a quota is); make room and do it again. "
            "Nothing of this step was changed."
        )
    if isinstance(error, duckdb.OutOfMemoryException):
        return (
            "The database needs more memory than there is; close other programs and do it again. "
            "Nothing of this step was changed."
        )
    if opening:
        return (
            f"The warehouse file {database} cannot be opened: {reason}. If it was damaged, restore the newest "
            "backup (shopspread restore); if it is another program's, choose another place with --warehouse. "
            "Nothing was changed."
        )
    return f"The warehouse file {database} cannot be read or written: {reason}. Nothing of this step was changed."


def make_folder(database: Path) -> None:
    """Make the folder of a database.

    Raises:
        WarehouseError: when that is not possible there, or the database could not live under that name.
    """
    if "?" in str(database.absolute()):
        raise WarehouseError(
            f"A warehouse cannot stand at {database}: the database does not bear a '?' in a path. "
            "Choose another with --warehouse."
        )
    try:
        database.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WarehouseError(
            f"The warehouse folder {database.parent} cannot be made ({error.strerror or error}); choose another "
            "with --warehouse."
        ) from error
    if not os.access(database.parent, os.X_OK | os.R_OK):
        raise WarehouseError(
            f"The warehouse folder {database.parent} may not be read ({os.strerror(errno.EACCES)}); ask for permission."
        )


def refuse_foreign(connection: duckdb.DuckDBPyConnection, database: Path, first_step: str) -> None:
    """Leave another program's database alone.

    Raises:
        WarehouseError: when the file holds tables, and our first migration is not on record there.
    """
    tables = connection.execute(
        "SELECT count(*), count(*) FILTER (table_name = 'migration') FROM duckdb_tables() "
        "WHERE database_name = 'warehouse_file'"
    ).fetchone()
    if tables is None or tables[0] == 0:
        return
    ours = False
    if tables[1]:
        try:
            row = connection.execute("SELECT name FROM migration ORDER BY step LIMIT 1").fetchone()
        except duckdb.Error:
            row = None
            tables = (0, 0)
        # Without a step on record it is a first upgrade that was broken off, or another's table.
        ours = row[0] == first_step if row is not None else 0 < tables[0] <= 2
    if not ours:
        raise WarehouseError(
            f"{database} is the database of another program; choose another place with --warehouse. "
            "Nothing was changed."
        )
