"""Check a warehouse: every table read whole, every copy of a waveform compared with its checksum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import duckdb

from pipelines.errors import UnreadableFile, WarehouseError
from pipelines.intake import standing, uploads
from pipelines.warehouse import keys
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found: reasons by capture, and counts.

    Attributes:
        copies: copies that belong to a capture.
        damaged: captures whose copy is missing or damaged, with the reason.
        unsealed: sound copies of the first format, which carry no checksum.
        strays: copies that no capture names.
        tables: tables read whole.
        uploads: uploaded files that are not what was uploaded, with the reason.
    """

    copies: int
    damaged: dict[str, str]
    unsealed: int
    strays: int
    tables: int
    uploads: dict[str, str] = field(default_factory=dict)


def check(warehouse: Warehouse, progress: Progress | None = None) -> Checked:
    """Read everything the warehouse holds; damaged copies are noted, so that the next ingest mends them.

    Raises:
        WarehouseError: when a table of the database cannot be read, or holds two rows of one key.
    """
    with warehouse.reading() as connection:
        tables = _read_tables(connection, warehouse)
        if doubles := keys.doubled(connection):
            said = ", ".join(f"{table} ({count})" for table, count in doubles.items())
            raise WarehouseError(
                f"Keys stand more than once in {said}; restore the newest backup and report this."
            )
        rows = connection.execute(
            "SELECT waveform_sha256, list(capture_file ORDER BY capture_file) FROM capture_state "
            "WHERE waveform_sha256 IS NOT NULL GROUP BY ALL ORDER BY ALL"
        ).fetchall()
    damaged: dict[str, str] = {}
    unsealed = 0
    for done, (name, captures) in enumerate(rows, start=1):
        try:
            unsealed += not store.sealed(warehouse.waveforms, name)
        except UnreadableFile as error:
            damaged |= dict.fromkeys(captures, str(error))
        if progress is not None:
            progress(done, len(rows))
    standing.note_damaged(warehouse, damaged)
    strays = store.names(warehouse.waveforms) - {name for name, _ in rows}
    return Checked(len(rows), damaged, unsealed, len(strays), tables, uploads.damaged(warehouse))


def _read_tables(connection: duckdb.DuckDBPyConnection, warehouse: Warehouse) -> int:
    """Read every block of every table; DuckDB compares the checksum of each block as it reads it."""
    names = connection.execute(
        "SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = 'warehouse_file'"
    ).fetchall()
    for schema, table in names:
        try:
            connection.execute(f'SELECT sum(hash(t)) FROM "{schema}"."{table}" AS t').fetchone()
        except duckdb.Error as error:
            raise WarehouseError(
                f"The table {table} of {warehouse.database} cannot be read; restore the newest backup "
                "with: shopspread restore BACKUP --warehouse NEW"
            ) from error
    return len(names)
