"""Backup and restore of a whole warehouse: database, stored waveforms and uploaded files, proven equal."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipelines.errors import WarehouseError
from pipelines.warehouse import ducklake
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import LOCK_TIMEOUT_S, Warehouse
from pipelines.warehouse.duckdb_file import DATABASE_NAME
from pipelines.warehouse.keeping import copy_database
from pipelines.warehouse.opening import attached

MANIFEST = "backup.json"
UPLOADS = "uploads"
"""Beside the waveforms: what came through the browser, as it came (`pipelines.intake.uploads`)."""
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Copied:
    """What a backup or restore covered; `damaged` names waveforms and uploaded files that were so already."""

    version: int
    tables: int
    copies: int
    damaged: tuple[str, ...]
    uploads: int = 0


def backup(warehouse: Warehouse, target: Path, progress: Progress | None = None) -> Copied:
    """Copy a warehouse into a new folder, which appears whole or not at all; others may go on reading.

    Whichever engine holds it, its tables stand in the backup as one DuckDB file, so that either can restore it.

    Raises:
        WarehouseError: when the target is there already or cannot be written.
    """
    if target.exists():
        raise WarehouseError(f"{target} is there already; name a new folder for this backup.")
    part = target.with_name(target.name + ".part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        warehouse.store.copy_tables(part / DATABASE_NAME)
        prints, names, version = _look(part / DATABASE_NAME)
        damaged = _copy_waveforms(names, warehouse.waveforms, part / "waveforms", progress)
        uploads = _copy_uploads(warehouse.waveforms.parent / UPLOADS, part / UPLOADS)
        about = {
            "warehouse_version": version,
            "written_at": dt.datetime.now().isoformat(timespec="seconds"),
            "database_sha256": _sha256(part / DATABASE_NAME),
            "tables": prints,
            "waveforms": len(names),
            "uploads": uploads,
        }
        (part / MANIFEST).write_text(json.dumps(about, indent=1), encoding="utf-8")
        part.rename(target)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise WarehouseError(
            f"The backup {target} cannot be written ({error.strerror or error}); make room or name another place."
        ) from error
    return Copied(version, len(prints), len(names), damaged, len(uploads))


def restore(source: Path, target: Path, progress: Progress | None = None) -> Copied:
    """Make a warehouse of a backup in a new folder, and prove that every table holds what it held.

    Raises:
        WarehouseError: when the backup is none or damaged, or the target is there already.
    """
    about = _manifest(source)
    if not ducklake.is_name(target) and target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise WarehouseError(
            f"{target} is there already and is left alone; restore into a new folder, then move it into place."
        )
    if _sha256(source / DATABASE_NAME) != about["database_sha256"]:
        raise WarehouseError(f"The database of the backup {source} is damaged; take another backup.")
    if ducklake.is_name(target):
        return _restore_shared(source, ducklake.DuckLake.named(target), about, progress)
    part = target.with_name(target.name + ".part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        copy_database(source / DATABASE_NAME, part / DATABASE_NAME)
        prints, names, version = _look(part / DATABASE_NAME)
        if prints != about["tables"]:
            raise WarehouseError(f"The tables of the backup {source} are not what they were; take another.")
        damaged = _copy_waveforms(names, source / "waveforms", part / "waveforms", progress)
        had = about.get("uploads")
        named = dict(had) if isinstance(had, dict) else {}  # a backup of before has none
        uploads = _copy_uploads(source / UPLOADS, part / UPLOADS)
        damaged += tuple(f"{UPLOADS}/{name}" for name, sha in named.items() if uploads.get(name) != sha)
        with suppress(OSError):
            target.rmdir()
        part.rename(target)
    except OSError as error:
        raise WarehouseError(
            f"The warehouse {target} cannot be written ({error.strerror or error}); make room or name another place."
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Copied(version, len(prints), len(names), damaged, len(uploads))


def _restore_shared(
    source: Path, target: ducklake.DuckLake, about: dict[str, object], progress: Progress | None
) -> Copied:
    """The same into a catalog and a folder: nothing is left of it unless every table is equal."""
    database = source / DATABASE_NAME
    _, names, version = _look(database)
    target.take_tables(database)
    try:
        with (
            _opened(database) as there,
            target.connected(write=False, patience_s=LOCK_TIMEOUT_S) as here,
        ):
            prints = {table: _fingerprint(here, table, _columns(there, table)) for table in _tables(there)}
        if prints != about["tables"]:
            raise WarehouseError(f"The tables of the backup {source} are not what they were; take another.")
        damaged = _copy_waveforms(names, source / "waveforms", target.waveforms, progress)
        had = about.get("uploads")
        uploads = _copy_uploads(source / UPLOADS, target.folder / UPLOADS)
        named = had if isinstance(had, dict) else {}
        damaged += tuple(f"{UPLOADS}/{name}" for name, sha in named.items() if uploads.get(name) != sha)
    except BaseException as error:
        target.remove()
        if isinstance(error, OSError):
            raise WarehouseError(
                f"The folder {target.folder} cannot be written ({error.strerror or error}); make room."
            ) from error
        raise
    return Copied(version, len(prints), len(names), damaged, len(uploads))


def _manifest(source: Path) -> dict[str, object]:
    try:
        about = json.loads((source / MANIFEST).read_text(encoding="utf-8"))
        known = isinstance(about, dict) and {"tables", "database_sha256"} <= set(about)
        if not known or not (source / DATABASE_NAME).is_file():
            raise ValueError
    except (OSError, ValueError) as error:
        raise WarehouseError(f"{source} is no backup of a warehouse (it has no {MANIFEST}).") from error
    return about  # type: ignore[no-any-return]


@contextmanager
def _opened(database: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    connection = attached(database, read_only=True, patience_s=LOCK_TIMEOUT_S)
    try:
        yield connection
    except duckdb.Error as error:
        raise WarehouseError(f"The database {database} cannot be read whole ({error}).") from error
    finally:
        connection.close()


def _look(database: Path) -> tuple[dict[str, list[str]], list[str], int]:
    """A fingerprint of every table (rows, and the sum of their hashes), the waveforms named, the version."""
    with _opened(database) as connection:
        prints = {name: _fingerprint(connection, name) for name in _tables(connection)}
        names = connection.execute(
            "SELECT DISTINCT waveform_sha256 FROM capture_state WHERE waveform_sha256 IS NOT NULL ORDER BY 1"
        ).fetchall()
        version = connection.execute("SELECT version FROM warehouse").fetchone()
    return prints, [name for (name,) in names], int(version[0]) if version else 0


def _tables(connection: duckdb.DuckDBPyConnection) -> list[str]:
    rows = connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = 'warehouse_file' ORDER BY 1"
    ).fetchall()
    return [name for (name,) in rows]


def _columns(connection: duckdb.DuckDBPyConnection, table: str) -> str:
    """A table's columns in their order, for a table elsewhere that may have them in another."""
    return ", ".join(f'"{column[0]}"' for column in connection.execute(f'DESCRIBE "{table}"').fetchall())


def _fingerprint(connection: duckdb.DuckDBPyConnection, table: str, columns: str = "*") -> list[str]:
    row = connection.execute(
        f'SELECT count(*), coalesce(sum(hash(t)), 0) FROM (SELECT {columns} FROM "{table}") AS t'
    ).fetchone()
    return [str(value) for value in row or ()]


def _copy_waveforms(
    names: list[str], source: Path, target: Path, progress: Progress | None
) -> tuple[str, ...]:
    damaged = []
    for done, name in enumerate(names, start=1):
        if store.sound(source, name):
            copy = store.path_of(target, name)
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(store.path_of(source, name), copy)
        else:
            damaged.append(name)
        if progress is not None:
            progress(done, len(names))
    return tuple(damaged)


def _copy_uploads(source: Path, target: Path) -> dict[str, str]:
    """Copy every uploaded file, those set aside too; the SHA-256 of each copy by its name."""
    copied: dict[str, str] = {}
    for path in sorted(source.rglob("*")) if source.is_dir() else ():
        if path.is_file() and not path.is_symlink():
            name = path.relative_to(source).as_posix()
            copy = target / name
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, copy)
            copied[name] = _sha256(copy)
    return copied


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise WarehouseError(f"{path} cannot be read ({error.strerror}); give permission.") from error
