"""What a person may ask for: their data as files, and to be forgotten by name."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import secrets
import uuid
from pathlib import Path

import duckdb
import polars as pl

from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow

# Where a person's name stands besides the columns called `technician`.
_OTHER_COLUMNS = (
    ("setting", "set_by"), ("threshold", "set_by"), ("intake_log", "entered_by"),
    ("waiting_mark", "entered_by"), ("waiting_mark", "assigned_to"),
)  # fmt: skip
# What hangs on a capture, by capture_file.
_PER_CAPTURE = ("capture_state", "feature", "element_reading", "setup_check")


def forget(warehouse: Warehouse, technician: str) -> tuple[str, list[str]]:
    """Put a pseudonym in the place of a name everywhere, for good; all figures stay as they are.

    A later ingest whose tables still bear the name gets the pseudonym too (only a salted hash of the name
    is kept). Returns the pseudonym, and the capture files whose own path bears the name, which stay.

    Raises:
        ShopspreadError: when nobody of that name is on record.
    """
    pseudonym = f"person-{secrets.token_hex(4)}"
    with warehouse.transaction() as connection:
        if not _known(connection, technician):
            raise ShopspreadError(f"There is no technician {technician!r} in the warehouse.")
        for table, column in (*_columns(connection), *_OTHER_COLUMNS):
            connection.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", [pseudonym, technician])
        connection.execute(
            "UPDATE coaching SET session = replace(session, ?, ?) WHERE technician = ?",
            [technician, pseudonym, pseudonym],
        )
        # In the log the name stands as a JSON string, as a key, and quoted or named in sentences.
        said, quoted = json.dumps(technician, ensure_ascii=False), json.dumps(pseudonym)
        connection.execute(
            "UPDATE intake_log SET before = replace(before, $said, $quoted), after = replace(after, $said, $quoted), "
            "key = CASE WHEN key = $name OR subject = 'coaching' THEN replace(key, $name, $pseudonym) ELSE key END, "
            "reason = replace(replace(reason, $shown, $pseudonym), 'set by ' || $name, 'set by ' || $pseudonym)",
            {
                "said": said,
                "quoted": quoted,
                "name": technician,
                "pseudonym": pseudonym,
                "shown": repr(technician),
            },
        )
        salt = secrets.token_hex(16)
        connection.execute(
            "INSERT INTO forgotten VALUES (?, ?, ?, ?)",
            [_hash(technician, salt), salt, pseudonym, dt.datetime.now()],
        )
        intake_log.write(
            connection,
            uuid.uuid4().hex[:12],
            [LogRow("technicians.csv", pseudonym, "changed", "A name was taken out at its owner's wish.")],
        )
        paths = connection.execute(
            "SELECT capture_file FROM capture_log WHERE contains(lower(capture_file), lower(?)) ORDER BY 1",
            [technician],
        ).fetchall()
    return pseudonym, [path for (path,) in paths]


def without_forgotten(rows: pl.DataFrame, connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Rows about to land, with pseudonyms for names that were taken out."""
    if "technician" not in rows.columns:
        return rows
    known = connection.execute("SELECT name_hash, salt, pseudonym FROM forgotten").fetchall()
    if not known:
        return rows
    names = {
        name: pseudonym
        for name in rows["technician"].drop_nulls().unique().to_list()
        for name_hash, salt, pseudonym in known
        if _hash(name, salt) == name_hash
    }
    return rows.with_columns(pl.col("technician").replace(names)) if names else rows


def _hash(name: str, salt: str) -> str:
    # scrypt (RFC 7914): guessing names one by one has to cost something.
    return hashlib.scrypt(name.encode("utf-8"), salt=bytes.fromhex(salt), n=2**12, r=8, p=1).hex()


def person(warehouse: Warehouse, technician: str, folder: Path) -> dict[str, int]:
    """Write everything on record about a person as CSV files; returns rows by file.

    Raises:
        ShopspreadError: when nobody of that name is on record.
        WarehouseError: when the folder cannot be written.
    """
    with warehouse.reading() as connection:
        if not _known(connection, technician):
            raise ShopspreadError(f"There is no technician {technician!r} in the warehouse.")
        wanted = {
            table: f"SELECT * FROM {table} WHERE {column} = $name"
            for table, column in (*_columns(connection), *_OTHER_COLUMNS)
        }
        for table in _PER_CAPTURE:
            wanted[table] = (
                f"SELECT * FROM {table} WHERE capture_file IN "
                "(SELECT capture_file FROM capture_log WHERE technician = $name)"
            )
        wanted["intake_log"] = (
            "SELECT * FROM intake_log WHERE key = $name OR entered_by = $name OR contains(coalesce(before, ''), $said) "
            "OR contains(coalesce(after, ''), $said)"
        )
        wanted["waiting_mark"] = "SELECT * FROM waiting_mark WHERE entered_by = $name OR assigned_to = $name"
        said = json.dumps(technician, ensure_ascii=False)
        frames = {
            table: connection.sql(
                sql, params={"name": technician} | ({"said": said} if "$said" in sql else {})
            ).pl()
            for table, sql in wanted.items()
        }
    written = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for table, frame in frames.items():
            if frame.height:
                lists = [name for name, dtype in frame.schema.items() if dtype.is_nested()]
                frame = frame.with_columns(
                    pl.Series(name, [json.dumps(value) for value in frame[name].to_list()]) for name in lists
                )
                frame.write_csv(folder / f"{table}.csv")
                written[f"{table}.csv"] = frame.height
    except OSError as error:
        raise WarehouseError(
            f"The folder {folder} cannot be written ({error.strerror or error}); name another."
        ) from error
    return written


def _known(connection: duckdb.DuckDBPyConnection, technician: str) -> bool:
    union = " UNION ALL ".join(
        f"SELECT count(*) AS n FROM {table} WHERE {column} = $name" for table, column in _columns(connection)
    )
    row = connection.execute(f"SELECT sum(n) FROM ({union})", {"name": technician}).fetchone()
    return bool(row and row[0])


def _columns(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Every table with a column `technician`."""
    rows = connection.execute(
        "SELECT table_name, column_name FROM duckdb_columns() WHERE column_name = 'technician' "
        "AND database_name = 'warehouse_file' AND schema_name = 'main' AND table_name IN "
        "(SELECT table_name FROM duckdb_tables() WHERE database_name = 'warehouse_file') ORDER BY 1"
    ).fetchall()
    return [(table, column) for table, column in rows]
