"""What a person may ask for: their data as files, and to be forgotten by name."""

from __future__ import annotations

import json
import re
import secrets
import shutil
import uuid
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from models.records.shops import MARK, own_name, qualified, shop_of
from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.warehouse import log as intake_log
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.decisions import settings_in
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.names import forgotten, note_forgotten, rename_captures

# Where a person's name stands besides the columns called `technician`.
_OTHER_COLUMNS = (
    ("setting", "set_by"), ("threshold", "set_by"), ("intake_log", "entered_by"),
    ("waiting_mark", "entered_by"), ("waiting_mark", "assigned_to"),
)  # fmt: skip
# What hangs on a capture, by capture_file.
_PER_CAPTURE = ("capture_state", "feature", "element_reading", "setup_check", "flag", "measure_score")
# Where people write freely.
_TEXTS = {
    "intake_log": ("key", "reason"), "threshold": ("reason",), "coaching": ("session", "note"),
    "waiting_mark": ("reason",),
}  # fmt: skip
# What a row of those is about: a named shop's begins with it.
_ABOUT = {"intake_log": "key", "threshold": '"group"', "coaching": "session", "waiting_mark": "item"}
# When somebody was last heard of, by table.
_DAYS = (
    ("capture_log", "captured_at"), ("repair_order", "coalesce(closed_at, opened_at)"), ("coaching", "held_on"),
    ("drill", "week_of"), ("technician", "started_on"),
)  # fmt: skip
WAVEFORMS = "waveforms"


@dataclass(frozen=True, slots=True)
class Gone:
    """A name taken out: its pseudonym, captures renamed (old path to new), and paths that still bear the name."""

    pseudonym: str
    renamed: dict[str, str]
    stay: list[str]


def forget(warehouse: Warehouse, technician: str, *, why: str = "at its owner's wish") -> Gone:
    """Put a pseudonym in the place of a name everywhere, for good; all figures stay as they are.

    Everywhere: tables, the log, what people wrote, the paths of captures. Figures of people stored by a fit are
    dropped; the next fit stores them anew. A later ingest whose tables or paths still bear the name gets the
    pseudonym too (only salted hashes of the name are kept).

    Args:
        why: in the log's words.

    Raises:
        ShopspreadError: when nobody of that name is on record.
    """
    pseudonym, salt = qualified(shop_of(technician), f"person-{secrets.token_hex(4)}"), secrets.token_hex(16)
    with warehouse.transaction() as connection:
        if not _known(connection, technician):
            raise ShopspreadError(f"There is no technician {technician!r} in the warehouse.")
        alone = _alone(connection, technician)
        for table, column in (*_columns(connection), *_OTHER_COLUMNS):
            connection.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", [pseudonym, technician])
        if alone:  # people sign in by the name their shop calls them
            for table, column in _OTHER_COLUMNS:
                bare = [own_name(pseudonym), own_name(technician)]
                connection.execute(f"UPDATE {table} SET {column} = ? WHERE {column} = ?", bare)
        connection.execute("DELETE FROM figure")
        _in_texts(connection, technician, pseudonym, alone=alone)
        note_forgotten(connection, technician, salt, pseudonym)
        renamed, stay = rename_captures(connection, forgotten(connection))
        said = f"A name was taken out {why}."
        intake_log.write(
            connection, uuid.uuid4().hex[:12], [LogRow("technicians.csv", pseudonym, "changed", said)]
        )
    return Gone(pseudonym, renamed, stay)


def _alone(connection: duckdb.DuckDBPyConnection, technician: str) -> bool:
    """Whether no other shop has a technician it calls by the same name."""
    union = " UNION ".join(f"SELECT {column} AS name FROM {table}" for table, column in _columns(connection))
    rows = connection.execute(f"SELECT name FROM ({union}) WHERE name IS NOT NULL").fetchall()
    return not any(name != technician and own_name(name) == own_name(technician) for (name,) in rows)


def _in_texts(connection: duckdb.DuckDBPyConnection, technician: str, pseudonym: str, *, alone: bool) -> None:
    """The name inside sentences, remarks and the rows the log keeps: as a word of its own, not inside another."""
    # A remark calls them what their shop does; another shop's rows may mean somebody else by it.
    words = {
        "pattern": rf"(^|[^\pL\pN]){re.escape(own_name(technician))}($|[^\pL\pN])",
        "instead": rf"\1{own_name(pseudonym)}\2",
        "shop": shop_of(technician) + MARK,
    }
    whose = "NOT contains({0}, $shop)" if words["shop"] == MARK else "contains({0}, $shop)"
    nobodys = "''" if words["shop"] == MARK or not alone else "$shop"
    for table, columns in _TEXTS.items():
        of_shop = whose.format(f"coalesce({_ABOUT[table]}, {nobodys})")
        # Twice: where only one sign stands between two mentions, the first pass takes every other one.
        for _ in range(2):
            sets = ", ".join(f"{c} = regexp_replace({c}, $pattern, $instead, 'g')" for c in columns)
            connection.execute(f"UPDATE {table} SET {sets} WHERE {of_shop}", words)
    said, quoted = json.dumps(technician, ensure_ascii=False), json.dumps(pseudonym)
    connection.execute(
        "UPDATE intake_log SET before = replace(before, $said, $quoted), after = replace(after, $said, $quoted), "
        "reason = replace(reason, $shown, $pseudonym) WHERE contains(concat_ws(' ', before, after, reason), $part)",
        {
            "said": said, "quoted": quoted, "shown": repr(technician), "pseudonym": pseudonym,
            "part": technician[:1],
        },
    )  # fmt: skip


def retire(warehouse: Warehouse) -> list[Gone]:
    """Take out the names of those of whom nothing new has come for as many months as the setting says; 0: nobody.

    Counted back from the newest day on record, so that a shop that stands still loses nobody.
    """
    with warehouse.reading() as connection:
        months = settings_in(query(connection, "settings"))["people_retention_months"]
        if not months:
            return []
        union = " UNION ALL ".join(
            f"SELECT technician, {day}::DATE AS day FROM {table}" for table, day in _DAYS
        )
        rows = connection.execute(
            f"SELECT technician FROM ({union}) WHERE technician IS NOT NULL "
            "AND technician NOT IN (SELECT pseudonym FROM forgotten) GROUP BY ALL "
            f"HAVING max(day) < (SELECT max(day) FROM ({union})) - to_months(CAST(? AS INTEGER)) ORDER BY 1",
            [months],
        ).fetchall()
    why = f"by the setting people_retention_months ({months})"
    return [forget(warehouse, name, why=why) for (name,) in rows]


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
    copies = {name for name in frames["capture_state"]["waveform_sha256"].to_list() if name}
    written: dict[str, int] = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in sorted(copies & store.names(warehouse.waveforms)):
            target = folder / WAVEFORMS / f"{name}.parquet"
            target.parent.mkdir(exist_ok=True)
            shutil.copyfile(store.path_of(warehouse.waveforms, name), target)
            written[f"{WAVEFORMS}/"] = written.get(f"{WAVEFORMS}/", 0) + 1
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
    with warehouse.transaction() as connection:
        done = LogRow("technicians.csv", technician, "noted", "Their data were written out as files.")
        intake_log.write(connection, uuid.uuid4().hex[:12], [done])
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
