"""What a person may ask for: their data as files, and to be forgotten by name."""

from __future__ import annotations

import json
import secrets
import shutil
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl

from models.records.shops import own_name, qualified, shop_of
from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.formulas import no_formulas
from pipelines.warehouse import log as intake_log
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.decisions import settings_in
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.names import forgotten, note_forgotten, rename_captures
from pipelines.warehouse.traces import in_texts, remaining
from pipelines.whole import whole

# Where a person's name stands besides the columns called `technician`.
_OTHER_COLUMNS = (
    ("setting", "set_by"), ("threshold", "set_by"), ("intake_log", "entered_by"),
    ("waiting_mark", "entered_by"), ("waiting_mark", "assigned_to"),
)  # fmt: skip
# What hangs on a capture, by capture_file.
_PER_CAPTURE = ("capture_state", "feature", "element_reading", "setup_check", "flag", "measure_score")
# When somebody was last heard of, by table.
_DAYS = (
    ("capture_log", "captured_at"), ("repair_order", "coalesce(closed_at, opened_at)"), ("coaching", "held_on"),
    ("drill", "week_of"), ("technician", "started_on"),
)  # fmt: skip
WAVEFORMS = "waveforms"


class UnknownPerson(ShopspreadError):
    """Nobody of that name is on record."""


@dataclass(frozen=True, slots=True)
class Gone:
    """A name taken out: its pseudonym, captures renamed (old path to new), and paths that still bear the name.

    Attributes:
        left: cells that still hold the name or a word of it, by `table.column`: keys of the shop, first names alone.
    """

    pseudonym: str
    renamed: dict[str, str]
    stay: list[str]
    left: dict[str, int] = field(default_factory=dict)


def forget(
    warehouse: Warehouse, technician: str, *, also: Iterable[str] = (), why: str = "at its owner's wish"
) -> Gone:
    """Put a pseudonym in the place of a name everywhere, for good; all figures stay as they are.

    Everywhere: tables, the log, what people wrote, the paths of captures; nothing of it is left in the engine's files.
    What lies in files of their own, uploads, is for `pipelines.intake.leaver`. Figures of people stored by a fit are
    dropped; the next fit stores them anew. A later ingest whose tables or paths still bear the name gets the
    pseudonym too (only salted hashes of the name are kept).

    Args:
        also: further names of the same person, with which they signed in. why: in the log's words.

    Raises:
        UnknownPerson: when nobody of that name is on record.
    """
    shop = shop_of(technician)
    pseudonym = qualified(shop, f"person-{secrets.token_hex(4)}")
    names = tuple(dict.fromkeys([own_name(technician), *(name for name in also if name)]))
    with warehouse.transaction() as connection:
        _refuse_unknown(connection, technician)
        alone = _alone(connection, technician)
        for table, column in (*_columns(connection), *_OTHER_COLUMNS):
            connection.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", [pseudonym, technician])
        # People sign in by the name their shop calls them, or by another.
        for name in names if alone else names[1:]:
            for table, column in _OTHER_COLUMNS:
                bare = [own_name(pseudonym), name]
                connection.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", bare)
        connection.execute("DELETE FROM figure")
        # Paths first: a sentence that names one then names the new one.
        for name in names:
            note_forgotten(connection, qualified(shop, name), secrets.token_hex(16), pseudonym)
        renamed, stay = rename_captures(connection, forgotten(connection))
        in_texts(connection, names, own_name(pseudonym), shop=shop, alone=alone)
        said = f"A name was taken out {why}."
        intake_log.write(
            connection, uuid.uuid4().hex[:12], [LogRow("technicians.csv", pseudonym, "changed", said)]
        )
        left = remaining(connection, names)
    warehouse.store.scrub()
    return Gone(pseudonym, renamed, stay, left)


def _alone(connection: duckdb.DuckDBPyConnection, technician: str) -> bool:
    """Whether no other shop has a technician it calls by the same name."""
    union = " UNION ".join(f"SELECT {column} AS name FROM {table}" for table, column in _columns(connection))
    rows = connection.execute(f"SELECT name FROM ({union}) WHERE name IS NOT NULL").fetchall()
    return not any(name != technician and own_name(name) == own_name(technician) for (name,) in rows)


def refuse_unknown(warehouse: Warehouse, technician: str) -> None:
    """Refuse a name nobody on record has.

    Raises:
        UnknownPerson: when nobody of that name is on record.
    """
    with warehouse.reading() as connection:
        _refuse_unknown(connection, technician)


def due(warehouse: Warehouse) -> tuple[list[str], int]:
    """Of whom nothing new has come for as many months as the setting says, and the months; 0: nobody.

    Counted back from the newest day on record, so that a shop that stands still loses nobody.
    """
    with warehouse.reading() as connection:
        months = int(settings_in(query(connection, "settings"))["people_retention_months"])
        if not months:
            return [], 0
        union = " UNION ALL ".join(
            f"SELECT technician, {day}::DATE AS day FROM {table}" for table, day in _DAYS
        )
        rows = connection.execute(
            f"SELECT technician FROM ({union}) WHERE technician IS NOT NULL "
            "AND technician NOT IN (SELECT pseudonym FROM forgotten) GROUP BY ALL "
            f"HAVING max(day) < (SELECT max(day) FROM ({union})) - to_months(CAST(? AS INTEGER)) ORDER BY 1",
            [months],
        ).fetchall()
    return [name for (name,) in rows], months


def without_forgotten(rows: pl.DataFrame, connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Rows about to land, with pseudonyms for names that were taken out, in paths too."""
    known = forgotten(connection)
    if not known.rows:
        return rows
    for column, look in (("technician", known.name), ("capture_file", known.path)):
        if column in rows.columns:
            found = {name: look(name) for name in rows[column].drop_nulls().unique().to_list()}
            rows = rows.with_columns(pl.col(column).replace(found))
    return rows


def person(warehouse: Warehouse, technician: str, folder: Path) -> dict[str, int]:
    """Write everything on record about a person as CSV files, and the copies of their waveforms as Parquet.

    The log says that it was done. Returns rows by file, waveforms counted by their folder.

    Raises:
        ShopspreadError: when nobody of that name is on record.
        WarehouseError: when the folder cannot be written.
    """
    with warehouse.reading() as connection:
        _refuse_unknown(connection, technician)
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
    copies = {name for name in frames["capture_state"]["waveform_sha256"].to_list() if name}
    written: dict[str, int] = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in sorted(copies & store.names(warehouse.waveforms)):
            target = folder / WAVEFORMS / f"{name}.parquet"
            target.parent.mkdir(exist_ok=True)
            with whole(target) as part:
                shutil.copyfile(store.path_of(warehouse.waveforms, name), part)
            written[f"{WAVEFORMS}/"] = written.get(f"{WAVEFORMS}/", 0) + 1
        for table, frame in frames.items():
            if frame.height:
                lists = [name for name, dtype in frame.schema.items() if dtype.is_nested()]
                frame = frame.with_columns(
                    pl.Series(name, [json.dumps(value) for value in frame[name].to_list()]) for name in lists
                )
                with whole(folder / f"{table}.csv") as part:
                    part.write_text(no_formulas(frame).write_csv(), encoding="utf-8", newline="")
                written[f"{table}.csv"] = frame.height
    except OSError as error:
        raise WarehouseError(
            f"The folder {folder} cannot be written ({error.strerror or error}); make room or name another. What "
            "stands in it now is not all there is."
        ) from error
    with warehouse.transaction() as connection:
        done = LogRow("technicians.csv", technician, "noted", "Their data were written out as files.")
        intake_log.write(connection, uuid.uuid4().hex[:12], [done])
    return written


def _refuse_unknown(connection: duckdb.DuckDBPyConnection, technician: str) -> None:
    if not _known(connection, technician):
        raise UnknownPerson(f"There is no technician {technician!r} in the warehouse.")


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
