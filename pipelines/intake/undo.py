"""Take back what one ingest brought, from its rows in the intake log."""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from pipelines.errors import ShopspreadError
from pipelines.intake.ingest import ingest
from pipelines.intake.landing import CHILD_TABLES
from pipelines.intake.merge import TARGETS
from pipelines.intake.tables import SPECS
from pipelines.intake.uploads import UPLOAD, set_aside
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow

# What rows logged before version 0.2 call their columns, and the key they lack: an outcome of any test.
RENAMED = {"call_cylinders": "call_elements", "confirmed_cylinders": "confirmed_elements"}
ADDED = {"test": ""}
# Rows logged before there were shops are of the one without a name.
NO_SHOP = {"shop": ""}
_AGAIN = "It is read again, because an ingest was undone."


@dataclass(frozen=True, slots=True)
class Undone:
    """What an undo took back; `kept` are rows and captures that changed since, with the reason."""

    rows: int
    captures: int
    kept: tuple[str, ...]


def undo(warehouse: Warehouse, batch: str, *, by: str | None = None) -> Undone:
    """Put back every row and capture of a batch as it was before; what came later is left alone.

    Nothing is erased: the log keeps both, and a file that was uploaded is set aside, not deleted.

    Captures whose file had changed are read again from the copy of the earlier file. The drop folder is not
    touched: as long as it says the same, the next ingest brings the same again.

    Args:
        by: who takes it back, where a person does so in a form.

    Raises:
        ShopspreadError: when there is no such batch, or it was no ingest.
    """
    done: dict[str, int] = {"rows": 0, "captures": 0}
    kept: list[str] = []
    own = uuid.uuid4().hex[:12]
    with warehouse.transaction() as connection:
        entries = connection.execute(
            "SELECT log_id, subject, key, action, before, after FROM intake_log WHERE batch = ? AND action IN "
            "('added', 'changed', 'read_again', 'waiting', 'refused') AND key IS NOT NULL "
            "ORDER BY subject = 'upload', log_id DESC",
            [batch],
        ).fetchall()
        taken = [
            entry for entry in entries if _table(entry[1]) is not None or entry[1] in ("waveform", UPLOAD)
        ]
        if not taken:
            raise ShopspreadError(
                f"There is no ingest {batch!r} that brought anything; the log on the dashboard's intake page "
                "names every batch."
            )
        log: list[LogRow] = []
        held: set[str] = set()
        for log_id, subject, key, action, before, after in taken:
            later = _later(connection, subject, key, log_id, batch)
            if later is not None:
                kept.append(f"{subject}: {key}: changed since, by {later}; undo that first.")
                held.add(key)
                continue
            was, came = _row(before), _row(after)
            if subject == UPLOAD:
                if key in held:
                    continue
                set_aside(warehouse, key)
            elif subject == "waveform":
                done["captures"] += _put_back_capture(connection, key, action, was)
            elif action in ("added", "changed") and came is not None:
                _put_back_row(connection, str(_table(subject)), was, came)
                done["rows"] += 1
            else:
                continue
            log.append(LogRow(subject, key, "undone", f"undo of {batch}", came, was, by))
        intake_log.write(connection, own, log)
    ingest(None, warehouse, jobs=1, batch=own)
    return Undone(done["rows"], done["captures"], tuple(kept))


def keys_of(warehouse: Warehouse, batch: str) -> list[str]:
    """What a batch is about: the keys of its rows and captures."""
    with warehouse.reading() as connection:
        rows = connection.execute(
            "SELECT DISTINCT key FROM intake_log WHERE batch = ? AND key IS NOT NULL ORDER BY key", [batch]
        ).fetchall()
    return [key for (key,) in rows]


def _later(
    connection: duckdb.DuckDBPyConnection, subject: str, key: str, log_id: int, batch: str
) -> str | None:
    """The batch that changed a row or capture since, None where none did; what was taken back does not count."""
    row = connection.execute(
        "SELECT batch FROM intake_log AS later WHERE subject = $subject AND key = $key AND log_id > $log_id "
        "AND batch <> $batch AND action NOT IN ('noted', 'undone') "
        "AND batch NOT IN (SELECT batch FROM intake_log WHERE action = 'undone') "
        "AND NOT EXISTS (SELECT 1 FROM intake_log AS back WHERE back.action = 'undone' "
        "AND back.subject = later.subject AND back.key = later.key AND back.reason = 'undo of ' || later.batch) "
        "ORDER BY log_id DESC LIMIT 1",
        {"subject": subject, "key": key, "log_id": log_id, "batch": batch},
    ).fetchone()
    return None if row is None else str(row[0])


def _row(text: str | None) -> dict[str, Any] | None:
    """A row as the log kept it, under the names its columns have today."""
    value = json.loads(text) if text else None
    if not isinstance(value, dict):
        return None
    return {RENAMED.get(str(name), str(name)): cell for name, cell in value.items()}


def _table(subject: str) -> str | None:
    """Which table of the drop folder a subject of the log is, None for other subjects."""
    stem = Path(subject).stem
    return stem if subject != stem and stem in TARGETS else None


def _put_back_row(
    connection: duckdb.DuckDBPyConnection, name: str, was: dict[str, Any] | None, came: dict[str, Any]
) -> None:
    target, keys = TARGETS[name], SPECS[name].key
    types = dict(
        connection.execute(
            "SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = ? "
            "AND database_name = 'warehouse_file'",
            [target],
        ).fetchall()
    )
    where = " AND ".join(f"{part} IS NOT DISTINCT FROM CAST(? AS {types[part]})" for part in keys)
    connection.execute(
        f"DELETE FROM {target} WHERE {where}", [came.get(part, ADDED.get(part)) for part in keys]
    )
    if was is not None:
        was = {part: ADDED[part] for part in keys if part in ADDED} | NO_SHOP | was
        columns = [column for column in types if column in was]
        values = ", ".join(f"CAST(? AS {types[column]})" for column in columns)
        connection.execute(
            f"INSERT INTO {target} ({', '.join(columns)}) VALUES ({values})",
            [was[column] for column in columns],
        )


def _put_back_capture(
    connection: duckdb.DuckDBPyConnection, name: str, action: str, was: dict[str, Any] | None
) -> int:
    """The capture as before: gone if this batch brought it, else about to be read from the earlier copy."""
    state = connection.execute("SELECT status FROM capture_state WHERE capture_file = ?", [name]).fetchone()
    if state is None:
        return 0
    if was is None:
        if action in ("read_again", "changed"):
            return 0
        for table in (*CHILD_TABLES, "capture_trouble", "capture_state"):
            connection.execute(f"DELETE FROM {table} WHERE capture_file = ?", [name])
        connection.execute("UPDATE flag SET in_force = false WHERE capture_file = ?", [name])
        return 1
    for table in CHILD_TABLES:
        connection.execute(f"DELETE FROM {table} WHERE capture_file = ?", [name])
    connection.execute(
        "UPDATE capture_state SET status = 'waiting', reason = ?, waveform_sha256 = coalesce(?, waveform_sha256), "
        "file_sha256 = ?, told = ?, file_bytes = NULL, file_mtime_ns = NULL, read_from = NULL WHERE capture_file = ?",
        [_AGAIN, was.get("waveform_sha256"), was.get("file_sha256"), was.get("told"), name],
    )
    return 1
