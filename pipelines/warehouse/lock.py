"""The lock file beside the database: readers share, a writer waits its turn, a group may use it together.

A user who may only read the folder cannot take the lock and reads without it: DuckDB itself refuses to open
a file that somebody is writing, and the opening is tried again until it is free.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from filelock import ReadWriteLock, Timeout

from pipelines.errors import WarehouseError


@contextmanager
def locked(database: Path, *, write: bool, timeout_s: float) -> Iterator[None]:
    """Hold the warehouse's lock for one piece of work.

    Raises:
        WarehouseError: when others hold it for longer, or the folder may not be written.
    """
    path = database.with_name(database.name + ".lock")
    with ExitStack() as stack:
        try:
            _take(path, stack, write=write, timeout_s=timeout_s)
        except (sqlite3.DatabaseError, ValueError):
            # What stands there is no lock (a broken copy, perhaps), so nobody can be holding it.
            with suppress(OSError):
                path.unlink()
            _take(path, stack, write=write, timeout_s=timeout_s)
        except Timeout as error:
            raise WarehouseError(
                f"The warehouse at {database.parent} is in use by another program; try again when it is done."
            ) from error
        except OSError as error:
            if write or not isinstance(error, PermissionError):
                raise WarehouseError(
                    f"The lock file {path} cannot be used ({error.strerror or error}); give permission to write "
                    "the warehouse's folder, or choose another with --warehouse."
                ) from error
        yield


def _take(path: Path, stack: ExitStack, *, write: bool, timeout_s: float) -> None:
    _prepare(path)
    # A lock instance of its own each time: one instance coordinates processes, not threads.
    lock = ReadWriteLock(path, timeout=timeout_s, is_singleton=False)
    stack.callback(lock.close)
    stack.enter_context(lock.write_lock() if write else lock.read_lock())


def _prepare(path: Path) -> None:
    """Make the lock file as open as the folder is: left to itself it would be its maker's alone."""
    shared = group_bits(path.parent)
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600 | shared))
    except FileExistsError:
        pass
    else:
        with suppress(OSError):
            path.chmod(0o600 | shared)  # whatever the umask took


def group_bits(folder: Path) -> int:
    """Reading and writing for the group where the folder itself grants it, else nothing."""
    try:
        return 0o060 if folder.stat().st_mode & stat.S_IWGRP else 0
    except OSError:
        return 0


def share_with_group(folder: Path) -> None:
    """Let what this process writes be as open to the group as the folder is (`chmod g+ws FOLDER` once).

    Sets the process's umask, because the database makes files of its own that nobody else may name.
    """
    if os.name == "posix" and group_bits(folder):
        mask = os.umask(0o077)
        os.umask(mask & ~0o070)
