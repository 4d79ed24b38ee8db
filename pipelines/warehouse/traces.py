"""Where a name stands besides columns of its own: in what people wrote, in files of ours, in copies made before."""

from __future__ import annotations

import gzip
import json
import re
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from zlib import error as ZlibError

import duckdb
import polars as pl

from models.records.shops import MARK
from pipelines.spelling import BETWEEN, WORD
from pipelines.warehouse.opening import CONFIG

# Where people write freely, or a sentence of ours holds what they wrote, and what a row of it is about: a named shop's
# begins with the shop.
TEXTS = {
    "intake_log": ("key", "reason"), "threshold": ("reason",), "coaching": ("session", "note"),
    "waiting_mark": ("reason",), "repair_order": ("complaint",), "drill": ("drill",), "capture_state": ("reason",),
    "setup_check": ("detail",), "setting": ("value",),
}  # fmt: skip
_ABOUT = {
    "intake_log": "key", "threshold": '"group"', "coaching": "session", "waiting_mark": "item",
    "repair_order": "repair_order", "drill": "drill", "capture_state": "capture_file", "setup_check": "capture_file",
    "setting": "NULL",
}  # fmt: skip
_ENCODINGS = ("utf-8", "latin-1", "utf-16-le")
MOST_BYTES = 1 << 30
"""Of a file that is looked through."""


def pattern(names: Iterable[str]) -> str:
    """What finds these names as words of their own (`_spellings`), for DuckDB's regular expressions."""
    return rf"(^|[^\pL\pN]){_spellings(names)}($|[^\pL\pN])"


def finder(names: Iterable[str]) -> re.Pattern[str]:
    """The same for Python, which does not name classes of letters and can look around instead."""
    return re.compile(rf"(?<![^\W_]){_spellings(names)}(?![^\W_])")


def _spellings(names: Iterable[str]) -> str:
    """These names however their words are joined and, of several words, spelt.

    A name of one word is found as it is written and with its first letter large, since in small letters it may be any
    word. Both DuckDB's and Python's regular expressions understand it.
    """
    found = []
    for name in sorted(set(names), key=lambda name: (-len(name), name)):
        words = WORD.findall(name)
        if not words:
            continue
        joined = re.escape(name).replace(r"\ ", " ") + "|" + BETWEEN.join(words)
        found.append(f"(?i:{joined})" if len(words) > 1 else "|".join({joined, words[0].capitalize()}))
    return f"(?:{'|'.join(found)})"


def in_texts(
    connection: duckdb.DuckDBPyConnection, names: Iterable[str], pseudonym: str, *, shop: str, alone: bool
) -> None:
    """Put a pseudonym in the place of these names wherever people wrote them, also inside the rows the log keeps.

    A remark calls people what their shop does; another shop's rows may mean somebody else by it.

    Args:
        shop: theirs. alone: whether no other shop has somebody of the name, so that rows of no shop mean this person.
    """
    names = tuple(names)
    words = {"pattern": pattern(names), "instead": rf"\1{pseudonym}\2"}
    mark = {"mark": shop + MARK}
    whose = "contains({0}, $mark)" if shop else "NOT contains({0}, $mark)"
    nobodys = "$mark" if shop and alone else "''"
    of_shop = {table: whose.format(f"coalesce({about}, {nobodys})") for table, about in _ABOUT.items()}
    for table, columns in TEXTS.items():
        found = " OR ".join(f"regexp_matches({column}, $pattern)" for column in columns)
        found = f"({found}) AND {of_shop[table]}"
        # Twice: where only one sign stands between two mentions, the first pass takes every other one.
        for _ in range(2):
            sets = ", ".join(f"{c} = regexp_replace({c}, $pattern, $instead, 'g')" for c in columns)
            connection.execute(f"UPDATE {table} SET {sets} WHERE {found}", words | mark)
    find = finder(names)
    rows = connection.execute(
        "SELECT log_id, before, after FROM intake_log WHERE regexp_matches(concat_ws(' ', before, after), $pattern) "
        f"AND {of_shop['intake_log']}",
        {"pattern": words["pattern"]} | mark,
    ).fetchall()
    if rows:
        told = [
            (log_id, _told(one, find, pseudonym), _told(two, find, pseudonym)) for log_id, one, two in rows
        ]
        frame = pl.DataFrame(
            told, schema={"log_id": pl.Int64, "before": pl.String, "after": pl.String}, orient="row"
        )
        connection.register("told_anew", frame.to_arrow())
        connection.execute(
            "UPDATE intake_log SET before = told.before, after = told.after FROM told_anew AS told "
            "WHERE intake_log.log_id = told.log_id"
        )
        connection.unregister("told_anew")


def _told(row: str | None, find: re.Pattern[str], pseudonym: str) -> str | None:
    """A row the log keeps, its cells without the names; the names of its columns stay."""
    if row is None:
        return None
    try:
        return json.dumps(_cells(json.loads(row), find, pseudonym))
    except ValueError:
        return find.sub(pseudonym, row)


def _cells(value: Any, find: re.Pattern[str], pseudonym: str) -> Any:
    if isinstance(value, str):
        return find.sub(pseudonym, value)
    if isinstance(value, dict):
        return {name: _cells(one, find, pseudonym) for name, one in value.items()}
    if isinstance(value, list):
        return [_cells(one, find, pseudonym) for one in value]
    return value


def remaining(connection: duckdb.DuckDBPyConnection, names: Iterable[str]) -> dict[str, int]:
    """Cells in which one of these names, or a longer word of one, still stands: how many, by `table.column`."""
    words = {word for name in names for word in WORD.findall(name) if len(word) > 2} | set(names)
    return dict(_cells_with(connection, "warehouse_file", pattern(words)))


def _cells_with(
    connection: duckdb.DuckDBPyConnection, database: str, words: str
) -> Iterator[tuple[str, int]]:
    columns = connection.execute(
        "SELECT table_name, column_name FROM duckdb_columns() WHERE database_name = ? AND schema_name = 'main' "
        "AND data_type IN ('VARCHAR', 'VARCHAR[]') AND table_name IN "
        "(SELECT table_name FROM duckdb_tables() WHERE database_name = ?) ORDER BY ALL",
        [database, database],
    ).fetchall()
    for table, column in columns:
        row = connection.execute(
            f'SELECT count(*) FROM "{database}".main."{table}" WHERE regexp_matches("{column}"::VARCHAR, ?)',
            [words],
        ).fetchone()
        if row and row[0]:
            yield f"{table}.{column}", int(row[0])


def holding(folder: Path, names: Iterable[str]) -> dict[Path, str]:
    """Files below a folder (backups, exports, digests, drop folders) that hold one of these names, and where.

    Databases of ours are read table by table, everything else as bytes, zipped files (`.gz`, `.zip`, `.xlsx`) and the
    columns of Parquet unpacked. A file nobody can open is named as such.
    """
    names = tuple(names)
    find = finder(names)
    found: dict[Path, str] = {}
    for path in sorted(folder.rglob("*")) if folder.is_dir() else [folder]:
        if not path.is_file() or path.is_symlink():
            continue
        where = []
        if find.search(path.name):
            where.append("its name")
        try:
            where += _inside(path, names)
        except (
            OSError,
            duckdb.Error,
            pl.exceptions.PolarsError,
            EOFError,
            ZlibError,
            zipfile.BadZipFile,
        ) as error:
            where.append(f"it cannot be looked through ({' '.join(str(error).split())[:80]})")
        if where:
            found[path] = ", ".join(where)
    return found


def _inside(path: Path, names: tuple[str, ...]) -> list[str]:
    if path.suffix == ".duckdb":
        with duckdb.connect(config=CONFIG) as connection:
            target = str(path).replace("'", "''")
            connection.execute(f"ATTACH '{target}' AS looked_at (READ_ONLY)")
            return [column for column, _ in _cells_with(connection, "looked_at", pattern(names))]
    if path.stat().st_size > MOST_BYTES:
        return ["it is too large to be looked through"]
    if path.suffix == ".parquet":
        find = pattern(names)
        rows = pl.scan_parquet(path)
        texts = [name for name, dtype in rows.collect_schema().items() if dtype == pl.String]
        return [
            name
            for name in texts
            if rows.filter(pl.col(name).str.contains(find)).select(pl.len()).collect().item()
        ]
    return ["its content"] if any(has(content, names) for content in _contents(path)) else []


def _contents(path: Path) -> Iterator[bytes]:
    if path.suffix == ".gz":
        with gzip.open(path) as file:
            yield file.read(MOST_BYTES)
    elif path.suffix in (".zip", ".xlsx"):
        with zipfile.ZipFile(path) as parts:
            for one in parts.infolist():
                yield parts.read(one)
    else:
        yield path.read_bytes()


def has(content: bytes, names: Iterable[str]) -> bool:
    """Whether a file's bytes hold one of the names, as text of any usual encoding."""
    for name in names:
        for encoding in _ENCODINGS:
            with suppress(UnicodeEncodeError):
                for found in re.finditer(re.escape(name.encode(encoding)), content, re.IGNORECASE):
                    around = (
                        content[max(0, found.start() - 1) : found.start()]
                        + content[found.end() : found.end() + 1]
                    )
                    if not re.search(rb"[A-Za-z]", around):
                        return True
    return False
