"""Finished captures written into the warehouse, each change with its row in the intake log."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from pipelines.intake import standing
from pipelines.intake.work import Done
from pipelines.kinds import Reading, kind
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow, PolarsType

NOT_LOGGED = (
    "No row in captures.csv names this file yet; add one with capture_file set to its path below the drop "
    "folder. The waveform is kept and is read as soon as the row arrives."
)

# Everything the reader says of a capture; replaced as a whole when it is read again.
CHILD_TABLES = (
    "feature", "element_reading", "setup_check", "capture_drawing", "measure_score", "element_score", "outlier",
    "capture_health",
)  # fmt: skip

# What the log keeps of a capture's state; the waveform's name is what an undo goes back to.
LOGGED = ("status", "reason", "file_sha256", "reader_version", "waveform_sha256", "told")

STATE_SCHEMA: dict[str, PolarsType] = {
    "capture_file": pl.String,
    "status": pl.String,
    "reason": pl.String,
    "file_sha256": pl.String,
    "file_bytes": pl.Int64,
    "file_mtime_ns": pl.Int64,
    "waveform_sha256": pl.String,
    "rate_hz": pl.Float64,
    "duration_s": pl.Float64,
    "channels": pl.Int32,
    "reader_version": pl.Int32,
    "read_from": pl.String,
    "read_at": pl.Datetime("us"),
    "noun": pl.String,
    "read_as": pl.String,
    "told": pl.String,
    "notes": pl.String,
}


def save_done(warehouse: Warehouse, batch: str, done: Sequence[Done], waits: Mapping[str, str]) -> None:
    """Land a batch of finished captures in one transaction.

    Args:
        waits: for captures that have a waveform but cannot be read yet, what they wait for.
    """
    if done:
        warehouse.land(lambda connection: _save(connection, batch, done, waits))


def _save(
    connection: duckdb.DuckDBPyConnection, batch: str, done: Sequence[Done], waits: Mapping[str, str]
) -> None:
    before = _states(connection, [item.capture_file for item in done])
    kept = [item for item in done if standing.stands(item, before.get(item.capture_file))]
    standing.note(connection, batch, kept)
    standing_still = {item.capture_file for item in kept}
    done = [item for item in done if item.capture_file not in standing_still]
    standing.settle(connection, [item.capture_file for item in done])
    for item in (item for item in done if item.same and item.file_bytes is not None):
        connection.execute(
            "UPDATE capture_state SET file_bytes = ?, file_mtime_ns = ? WHERE capture_file = ?",
            [item.file_bytes, item.file_mtime_ns, item.capture_file],
        )
    news = [item for item in done if not item.same]
    states = [_state(item, before.get(item.capture_file), waits) for item in news]
    log = [
        row
        for item, state in zip(news, states, strict=True)
        for row in _log_rows(connection, item, state, before.get(item.capture_file))
    ]
    _clear(connection, [item.capture_file for item in news])
    intake_log.append(
        connection, "capture_state", pl.DataFrame(states, schema=STATE_SCHEMA, orient="row"), replace=True
    )
    _insert_readings(
        connection,
        {item.capture_file: _Read(item.test or "", item.reading) for item in news if item.reading},
    )
    intake_log.write(connection, batch, log)


def settle_waiting(warehouse: Warehouse, batch: str, waiting: Mapping[str, str]) -> None:
    """Give every capture that waits its present reason; a reason that stands already is left alone."""
    with warehouse.reading() as connection:
        before = _states(connection, list(waiting))
    news = {
        name: reason
        for name, reason in waiting.items()
        if (state := before.get(name)) is None or (state["status"], state["reason"]) != ("waiting", reason)
    }
    if not news:
        return
    with warehouse.transaction() as connection:
        empty: dict[str, Any] = dict.fromkeys(STATE_SCHEMA)
        states = [
            (before.get(name) or empty) | {"capture_file": name, "status": "waiting", "reason": reason}
            for name, reason in news.items()
        ]
        intake_log.append(
            connection, "capture_state", pl.DataFrame(states, schema=STATE_SCHEMA), replace=True
        )
        intake_log.write(
            connection, batch, [LogRow("waveform", name, "waiting", reason) for name, reason in news.items()]
        )


def _states(connection: duckdb.DuckDBPyConnection, names: list[str]) -> dict[str, dict[str, Any]]:
    frame = connection.sql(
        "SELECT * FROM capture_state WHERE list_contains($names, capture_file)", params={"names": names}
    ).pl()
    return {row["capture_file"]: row for row in frame.to_dicts()}


def _state(item: Done, before: dict[str, Any] | None, waits: Mapping[str, str]) -> dict[str, Any]:
    reading = item.reading
    status: str
    reason: str | None
    if item.refused is not None:
        status, reason = "refused", item.refused
    elif reading is None:
        status, reason = "waiting", waits.get(item.capture_file, NOT_LOGGED)
    else:
        status, reason = reading.status, reading.reason or None
    kept = before or {}
    size, mtime_ns = item.file_bytes, item.file_mtime_ns
    if size is None and (item.refused is None or item.waveform is not None):
        # Read from our own copy: the file is as it was. (A file that could not be opened is tried again.)
        size, mtime_ns = kept.get("file_bytes"), kept.get("file_mtime_ns")
    return {
        "capture_file": item.capture_file,
        "status": status,
        "reason": reason,
        "file_sha256": item.file_sha256 or kept.get("file_sha256"),
        "file_bytes": size,
        "file_mtime_ns": mtime_ns,
        "waveform_sha256": item.waveform,
        "rate_hz": item.rate_hz,
        "duration_s": item.duration_s,
        "channels": item.channels,
        "reader_version": reading.reader_version if reading else None,
        "read_from": item.read_from,
        "read_at": dt.datetime.now() if reading else None,
        "read_as": item.read_as or kept.get("read_as"),
        "told": item.told,
        "notes": json.dumps(reading.notes, ensure_ascii=False) if reading and reading.notes else None,
        "noun": known.element.noun if reading and (known := kind(item.test or "")) else None,
    }


def _log_rows(
    connection: duckdb.DuckDBPyConnection, item: Done, state: dict[str, Any], before: dict[str, Any] | None
) -> list[LogRow]:
    rows = [LogRow("waveform", item.capture_file, "noted", note) for note in item.notes]
    after = {key: state[key] for key in LOGGED}
    if item.reading is not None:
        after["relative_pct"] = [round(c.relative_pct, 3) for c in item.reading.elements]
    if before is None or before["file_sha256"] is None:
        action = {"refused": "refused", "waiting": "waiting"}.get(state["status"], "added")
        rows.append(LogRow("waveform", item.capture_file, action, state["reason"], None, after))  # type: ignore[arg-type]
        return rows
    earlier = {key: before[key] for key in LOGGED}
    values = connection.execute(
        "SELECT list(round(relative_pct, 3) ORDER BY rank, position) FROM element_reading WHERE capture_file = ?",
        [item.capture_file],
    ).fetchone()
    if values and values[0]:
        earlier["relative_pct"] = values[0]
    same_file = before["file_sha256"] == state["file_sha256"]
    action = {"refused": "refused", "waiting": "waiting"}.get(
        state["status"], "read_again" if same_file else "changed"
    )
    rows.append(LogRow("waveform", item.capture_file, action, state["reason"], earlier, after))  # type: ignore[arg-type]
    return rows


def _clear(connection: duckdb.DuckDBPyConnection, names: list[str]) -> None:
    for table in CHILD_TABLES:
        connection.execute(f"DELETE FROM {table} WHERE list_contains($names, capture_file)", {"names": names})
    # Flags are history: they lose force until the next fit judges the new reading, but they stay.
    connection.execute(
        "UPDATE flag SET in_force = false WHERE list_contains($names, capture_file)", {"names": names}
    )


@dataclass(frozen=True, slots=True)
class _Read:
    """A reading and the test it was made for."""

    test: str
    reading: Reading


def _element_rows(reading: Reading, test: str) -> list[tuple[Any, ...]]:
    """Rows of `element_reading`: measure, rank, position, element, relative_pct, se_pct, identified, companion."""
    known = kind(test)
    names = [measure.name for measure in known.measures] if known else []
    return [
        (
            one.measure or names[0], names.index(one.measure) if one.measure else 0, one.position, one.element,
            one.relative_pct, one.se_pct, one.identified, one.companion,
        )
        for one in reading.elements
    ]  # fmt: skip


def _insert_readings(connection: duckdb.DuckDBPyConnection, readings: Mapping[str, _Read]) -> None:
    read = {name: item.reading for name, item in readings.items()}
    features = [
        (name, feature, float(value) if value == value else None)  # NaN is 'unknown': NULL in the warehouse
        for name, reading in read.items()
        for feature, value in reading.features.items()
    ]
    intake_log.append(
        connection, "feature", _frame(features, capture_file=pl.String, feature=pl.String, value=pl.Float64)
    )
    elements = [
        (name, *row) for name, item in readings.items() for row in _element_rows(item.reading, item.test)
    ]
    intake_log.append(
        connection,
        "element_reading",
        _frame(
            elements,
            capture_file=pl.String,
            measure=pl.String,
            rank=pl.Int32,
            position=pl.Int32,
            element=pl.Int32,
            relative_pct=pl.Float64,
            se_pct=pl.Float64,
            identified=pl.String,
            companion=pl.Int32,
        ),
    )
    _insert_checks(connection, read)
    _insert_drawings(connection, read)


def _insert_checks(connection: duckdb.DuckDBPyConnection, read: Mapping[str, Reading]) -> None:
    checks = [
        (name, check.check, check.severity, check.detail)
        for name, reading in read.items()
        for check in {check.check: check for check in reading.checks}.values()
    ]
    intake_log.append(
        connection,
        "setup_check",
        _frame(checks, capture_file=pl.String, check=pl.String, severity=pl.String, detail=pl.String),
    )


def _insert_drawings(connection: duckdb.DuckDBPyConnection, read: Mapping[str, Reading]) -> None:
    events = [
        (
            name,
            reading.events.start_s,
            reading.events.end_s,
            reading.events.index_s.tolist(),
            reading.events.event_s.tolist(),
            reading.events.position.tolist(),
            reading.events.mean_shape.tolist(),
        )
        for name, reading in read.items()
        if reading.events is not None
    ]
    intake_log.append(
        connection,
        "capture_drawing",
        _frame(
            events,
            capture_file=pl.String,
            start_s=pl.Float64,
            end_s=pl.Float64,
            index_s=pl.List(pl.Float64),
            event_s=pl.List(pl.Float64),
            position=pl.List(pl.Int32),
            mean_shape=pl.List(pl.Float32),
        ),
    )


def _frame(rows: list[tuple[Any, ...]], **schema: Any) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=schema, orient="row")
