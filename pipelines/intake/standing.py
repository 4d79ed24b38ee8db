"""Captures whose earlier reading stands although the newest file, or our copy, cannot be read.

A failed attempt never takes the place of a good reading: it is noted beside it, named at every ingest
until the file is mended, and settled by the next attempt that succeeds.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from models.records.shops import shop_of
from pipelines.intake.work import Done
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.log import LogRow

SCHEMA: dict[str, intake_log.PolarsType] = {
    "capture_file": pl.String,
    "what": pl.String,
    "reason": pl.String,
    "file_bytes": pl.Int64,
    "file_mtime_ns": pl.Int64,
    "tried_with": pl.String,
    "noticed_at": pl.Datetime("us"),
}
STANDS = " The reading made before stands."


@dataclass(frozen=True, slots=True)
class Trouble:
    """One failed attempt beside a standing reading; `stamp` is (bytes, mtime_ns) of the file refused."""

    what: str
    reason: str
    stamp: tuple[int, int] | None
    tried_with: str | None

    def settled_for(self, stamp: tuple[int, int] | None, wanted: str | None) -> bool:
        """Whether this very file was refused already, for this very row: trying again tells nothing new."""
        return self.what == "file" and stamp is not None and self.stamp == stamp and self.tried_with == wanted


def stands(item: Done, before: Mapping[str, Any] | None) -> bool:
    """Whether what the warehouse has of a capture outlives the refusal of its newest attempt."""
    if item.refused is None or before is None or before["waveform_sha256"] is None:
        return False
    return item.waveform is None or before["status"] in ("read", "unusable")


def note(connection: duckdb.DuckDBPyConnection, batch: str, items: Sequence[Done]) -> None:
    """Write the failed attempts beside the readings that stand; the log says so once each."""
    now = dt.datetime.now()
    rows = [
        (
            item.capture_file,
            item.at_fault,
            f"{item.refused}{STANDS}",
            item.file_bytes,
            item.file_mtime_ns,
            item.tried_with,
            now,
        )
        for item in items
    ]
    intake_log.append(
        connection, "capture_trouble", pl.DataFrame(rows, schema=SCHEMA, orient="row"), replace=True
    )
    said = [LogRow("waveform", row[0], "refused", row[2]) for row in rows]
    intake_log.write(connection, batch, intake_log.unsaid(connection, said))


def settle(connection: duckdb.DuckDBPyConnection, names: Iterable[str]) -> None:
    """Take back the troubles of captures that are well again."""
    connection.execute(
        "DELETE FROM capture_trouble WHERE list_contains($names, capture_file)", {"names": list(names)}
    )


def forget_gone(warehouse: Warehouse, present: Collection[str], shops: Collection[str]) -> None:
    """Take back the troubles with files of these shops that are no longer in their drop folder."""
    with warehouse.reading() as connection:
        known = troubles(connection)
    gone = [
        name
        for name, trouble in known.items()
        if trouble.what == "file" and name not in present and shop_of(name) in shops
    ]
    if gone:
        with warehouse.transaction() as connection:
            settle(connection, gone)


def note_damaged(warehouse: Warehouse, reasons: Mapping[str, str]) -> None:
    """Note captures whose copy is missing or damaged; the next ingest of the same file writes it again."""
    items = [Done(name, refused=reason, at_fault="copy") for name, reason in reasons.items()]
    with warehouse.reading() as connection:
        known = {name for name, trouble in troubles(connection).items() if trouble.what == "copy"}
    if any(item.capture_file not in known for item in items):
        with warehouse.transaction() as connection:
            note(connection, uuid.uuid4().hex[:12], items)


def troubles(connection: duckdb.DuckDBPyConnection) -> dict[str, Trouble]:
    """Every trouble by capture."""
    return {
        row["capture_file"]: Trouble(
            what=row["what"],
            reason=row["reason"],
            stamp=(row["file_bytes"], row["file_mtime_ns"]) if row["file_bytes"] is not None else None,
            tried_with=row["tried_with"],
        )
        for row in query(connection, "capture_troubles").to_dicts()
    }
