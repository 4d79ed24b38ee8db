"""The export views as Parquet files, for other programs: they never hold the warehouse up."""

from __future__ import annotations

import json
import os
import re
from contextlib import suppress
from pathlib import Path

import duckdb

from pipelines.errors import WarehouseError
from pipelines.warehouse.database import Warehouse

MANIFEST = "export.json"


def export(warehouse: Warehouse, folder: Path) -> dict[str, int]:
    """Write every view of the export schema as `VIEW.parquet`; returns rows by view.

    All come from one warehouse version, which stands in each file's metadata (`warehouse_version`) and in
    `export.json`, written last. Each file appears whole, in the place of the one before, or not at all.

    Raises:
        WarehouseError: when the folder cannot be written; the files that stood there still do.
    """
    parts: dict[str, Path] = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with warehouse.reading() as connection:
            version = _one(connection, "SELECT version FROM warehouse")
            views = connection.execute(
                "SELECT view_name FROM duckdb_views() WHERE schema_name = 'export' "
                "AND database_name = 'warehouse_file' ORDER BY 1"
            ).fetchall()
            rows = {}
            for (view,) in views:
                parts[view] = folder / f".{view}.{os.getpid()}.part"
                _copy(connection, view, parts[view], version)
                rows[view] = _one(connection, f"SELECT count(*) FROM export.{view}")
        for view, part in parts.items():
            part.replace(folder / f"{view}.parquet")
        manifest = folder / f".{MANIFEST}.{os.getpid()}.part"
        parts[MANIFEST] = manifest
        manifest.write_text(json.dumps({"warehouse_version": version, "rows": rows}), encoding="utf-8")
        manifest.replace(folder / MANIFEST)
    except (OSError, _NotWritten) as error:
        reason = getattr(error, "strerror", None) or error
        raise WarehouseError(
            f"The folder {folder} cannot be written ({reason}); make room, give permission or name another. What "
            "stood in it still does."
        ) from error
    finally:
        for part in parts.values():
            with suppress(OSError):
                part.unlink(missing_ok=True)
    return rows


class _NotWritten(Exception):
    """The database could not write a file of ours that is not its own."""


def _copy(connection: duckdb.DuckDBPyConnection, view: str, part: Path, version: int) -> None:
    target = str(part).replace("'", "''")
    try:
        connection.execute(
            f"COPY (SELECT * FROM export.{view}) TO '{target}' "
            f"(FORMAT parquet, COMPRESSION zstd, KV_METADATA {{warehouse_version: '{version}'}})"
        )
    except duckdb.IOException as error:
        # what went wrong stands at the end of a line, or of the one field of a JSON object that stands there
        line = str(error).split("\n", 1)[0]
        told = re.search(r'"exception_message":"((?:[^"\\]|\\.)*)"', line)
        raise _NotWritten((told[1] if told else line).rpartition(": ")[2]) from error


def _one(connection: duckdb.DuckDBPyConnection, sql: str) -> int:
    row = connection.execute(sql).fetchone()
    return int(row[0]) if row else 0
