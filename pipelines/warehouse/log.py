"""The log of what happened to every row and file; nothing is overwritten without a row here."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import duckdb
import polars as pl

from pipelines.warehouse import keys

PolarsType = pl.DataType | type[pl.DataType]
Action = Literal["added", "changed", "refused", "waiting", "noted", "read_again", "undone"]

SCHEMA: dict[str, PolarsType] = {
    "batch": pl.String,
    "logged_at": pl.Datetime("us"),
    "subject": pl.String,
    "key": pl.String,
    "action": pl.String,
    "reason": pl.String,
    "before": pl.String,
    "after": pl.String,
    "entered_by": pl.String,
}


@dataclass(frozen=True, slots=True)
class LogRow:
    """One thing that happened; `before` and `after` are the row as it was and is, `by` who did it in a form."""

    subject: str
    key: str | None
    action: Action
    reason: str | None = None
    before: Any = None
    after: Any = None
    by: str | None = None


def write(connection: duckdb.DuckDBPyConnection, batch: str, rows: Sequence[LogRow]) -> None:
    """Append rows inside the caller's transaction."""
    if not rows:
        return
    now = dt.datetime.now()
    frame = pl.DataFrame(
        [
            (
                batch, now, row.subject, row.key, row.action, row.reason,
                as_json(row.before), as_json(row.after), row.by,
            )
            for row in rows
        ],
        schema=SCHEMA,
        orient="row",
    )  # fmt: skip
    append(connection, "intake_log", frame)


def unsaid(connection: duckdb.DuckDBPyConnection, rows: Sequence[LogRow]) -> list[LogRow]:
    """The rows whose subject, key, action and reason do not stand in the log yet.

    A bad row stays in the shop's table until somebody mends it; the log says so once, not at each ingest.
    """
    known = set(
        connection.execute(
            "SELECT subject, key, action, reason FROM intake_log WHERE action IN ('refused', 'noted')"
        ).fetchall()
    )
    return [row for row in rows if (row.subject, row.key, row.action, row.reason) not in known]


def append(
    connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame, *, replace: bool = False
) -> None:
    """Insert a frame's rows by column name; with `replace`, rows of the same key give way."""
    keys.put(connection, table, frame, replace=replace)


def as_json(value: Any) -> str | None:
    return None if value is None else json.dumps(value, default=str, ensure_ascii=False)
