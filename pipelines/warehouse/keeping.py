"""Copies of the database file, made while nobody writes it."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipelines.errors import WarehouseError

# So many copies from before an upgrade are kept, the newest ones.
KEPT_UPGRADES = 3
FOLDER = "backups"


def copy_database(database: Path, target: Path) -> None:
    """Copy the database file and, where there is one, its write-ahead log; the caller holds the lock.

    Not to be called while this process has the file open: closing the copy's handle would drop DuckDB's own
    lock on it (POSIX record locks).
    """
    shutil.copy2(database, target)
    log = database.with_name(database.name + ".wal")
    if log.exists():
        shutil.copy2(log, target.with_name(target.name + ".wal"))


def keep_before_upgrade(database: Path, schema: int) -> None:
    """Keep a copy of the database file as it was before its schema is upgraded.

    Raises:
        WarehouseError: when there is no room for it; the upgrade must not go on then.
    """
    with room_for_upgrade(database, schema) as part:
        copy_database(database, part)


@contextmanager
def room_for_upgrade(database: Path, schema: int) -> Iterator[Path]:
    """Where to write the copy from before an upgrade, which then takes its place; older ones go, but the newest.

    Raises:
        WarehouseError: when it cannot be written.
    """
    folder = database.parent / FOLDER
    moment = dt.datetime.now().strftime("%Y%m%dT%H%M%S%f")
    target = folder / f"{database.stem}-before-upgrade-{moment}-schema{schema}.duckdb"
    part = target.with_suffix(".part")
    try:
        folder.mkdir(exist_ok=True)
        yield part
        part.replace(target)
        log = part.with_name(part.name + ".wal")
        if log.exists():
            log.replace(target.with_name(target.name + ".wal"))
        copies = sorted(folder.glob(f"{database.stem}-before-upgrade-*.duckdb"))
        for old in copies[:-KEPT_UPGRADES]:
            old.unlink()
            old.with_name(old.name + ".wal").unlink(missing_ok=True)
    except OSError as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise WarehouseError(
            f"The warehouse must be upgraded, but a copy from before cannot be kept in {folder} "
            f"({error.strerror or error}); make room or give permission. Nothing was changed."
        ) from error
