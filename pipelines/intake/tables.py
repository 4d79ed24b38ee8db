"""The tables of a drop folder: read, checked row by row, typed."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl
import pyarrow as pa

from pipelines.errors import BadTable, UnreadableFile
from pipelines.intake.moments import latest_instant
from pipelines.intake.table_cells import CellProblem, Form, near_miss
from pipelines.intake.table_records import Records, delimited, spreadsheet
from pipelines.intake.table_specs import SPECS, Column, Row, TableSpec, within_shop
from pipelines.source import check_lines, encoding_of, looks_like_text, read_all, to_utf8

__all__ = ["SPECS", "Column", "RowProblem", "TableRead", "TableSpec", "read_table"]

SHEET_SUFFIX = ".xlsx"
# A year of a busy shop is below one MiB, and no cell of it is longer than a remark.
MAX_TABLE_BYTES = 64 << 20
MAX_CELL = 1000
CURLY = tuple("\u201c\u201d\u201e\u201f\u00ab\u00bb")


@dataclass(frozen=True, slots=True)
class RowProblem:
    """One row that was left out, or (in `TableRead.notes`) one thing that was decided about a row.

    Attributes:
        file: the table's file name.
        line: 1-based line of the file on which the row begins.
        key: the row's key, `""` where it has none.
        reason: a sentence that says what to do.
    """

    file: str
    line: int
    key: str
    reason: str


@dataclass(frozen=True, slots=True)
class TableRead:
    """What a table file holds.

    Attributes:
        spec: which table it is.
        rows: the good rows, in file order, one a key, with the types of `spec.schema` (lists included);
            columns the file lacks are null.
        problems: rows left out, each with its reason.
        notes: what was decided about rows that were kept.
        unknown_columns: columns of the file that are kept out.
        missing_columns: columns of the table that the file does not have; a shop of its own needs no column for it.
        lines: the line of each good row by its key.
    """

    spec: TableSpec
    rows: pl.DataFrame
    problems: tuple[RowProblem, ...]
    unknown_columns: tuple[str, ...]
    missing_columns: tuple[str, ...]
    notes: tuple[RowProblem, ...] = ()
    lines: Mapping[str, int] = field(default_factory=dict)


def read_table(
    path: Path,
    spec: TableSpec,
    *,
    zone: dt.tzinfo | None = None,
    known_until: dt.date | None = None,
    shop: str = "",
) -> TableRead:
    """Read one table of the drop folder.

    Cells may be separated by `,`, `;` or tab (RFC 4180 quoting); any of the usual encodings, with or
    without a byte order mark. A row that cannot be used is left out and named; the others go on. Where a
    key stands twice, the last row counts.

    Args:
        path: the file.
        spec: one of `SPECS`.
        zone: the shop's time zone, for times with an offset; None means the machine's.
        known_until: the newest day the warehouse has on record.
        shop: whose rows they are that name no shop; names come out as that shop's (`within_shop`).

    Raises:
        BadTable: when no row could be used whatever it says (unreadable, no heading, no key column,
            a column missing that every row needs).
    """
    spec = replace(spec, file=path.name)
    records = _records(path, spec)
    header = records.header
    form = Form(records.delimiter, zone, latest_instant(records, spec, known_until))
    columns, unknown, missing, notes = _match_columns(header, spec)
    notes += [RowProblem(spec.file, 1, "", sentence) for sentence in records.notes]
    rows: dict[tuple[str, ...], tuple[int, dict[str, object]]] = {}
    problems: list[RowProblem] = []
    memo: dict[tuple[str, str], object] = {}
    for record_ in records.rows:
        line, record = record_.line, record_.cells
        if record_.reason is not None:
            problems.append(RowProblem(spec.file, line, _key(record, columns, spec, shop), record_.reason))
            continue
        try:
            row = _row(record, columns, header, form, memo)
            said = spec.finish(row)
            within_shop(row, shop)
        except CellProblem as problem:
            key = _key(record, columns, spec, shop)
            problems.append(RowProblem(spec.file, line, key, _sentence(str(problem))))
            continue
        key, own = spec.name_of(row), spec.identity(row)
        notes += [RowProblem(spec.file, line, key, _sentence(sentence)) for sentence in said]
        if own in rows:
            reason = (
                f"{' and '.join(spec.key)} {key!r} stands on line {rows[own][0]} too; this later row counts. "
                "Remove one of them."
            )
            notes.append(RowProblem(spec.file, line, key, reason))
            del rows[own]
        rows[own] = (line, row)
    frame = _frame([row for _, row in rows.values()], spec.schema)
    lines = {spec.name_of(row): line for line, row in rows.values()}
    return TableRead(spec, frame, tuple(problems), unknown, missing, tuple(notes), lines)


def _records(path: Path, spec: TableSpec) -> Records:
    try:
        if path.stat().st_size > MAX_TABLE_BYTES:
            raise BadTable(
                f"{spec.file} holds more than {MAX_TABLE_BYTES >> 20} MiB; split it, or look what is in it."
            )
        if path.suffix.lower() == SHEET_SUFFIX:
            return spreadsheet(path, [column.name for column in spec.columns], spec.key[0])
        check_lines(path)
        content = read_all(path)
    except OSError as error:
        raise BadTable(
            f"{spec.file} cannot be opened ({error.strerror}); check that it may be read."
        ) from error
    except UnreadableFile as error:
        raise BadTable(str(error)) from error
    text = to_utf8(content).decode("utf-8", errors="replace").rstrip("\0\x1a")
    if not text.strip():
        raise BadTable(f"{spec.file} is empty; its first line must name the columns ({_wanted(spec)}).")
    if not looks_like_text(content[:65_536]):
        raise BadTable(f"{spec.file} is no text file; save the table as CSV (delimited text, UTF-8).")
    records = delimited(text, spec.file, {column.name for column in spec.columns})
    encoding = encoding_of(content)[0]
    if encoding in ("latin-1", "cp1252"):
        note = (
            f"{spec.file} is not UTF-8; its accents and quotes were read as Windows text ({encoding}). "
            "Look at the names, or save it as UTF-8."
        )
        records = replace(records, notes=(*records.notes, note))
    return records


def _wanted(spec: TableSpec) -> str:
    return ", ".join(column.name for column in spec.columns if not re.fullmatch(r"ch[2-9]_\w+", column.name))


def _sentence(words: str) -> str:
    return words if words.endswith((".", "?")) else f"{words}."


def _match_columns(
    header: list[str], spec: TableSpec
) -> tuple[dict[int, Column], tuple[str, ...], tuple[str, ...], list[RowProblem]]:
    by_name = {column.name: column for column in spec.columns}
    twice = sorted({name for name in header if name in by_name and header.count(name) > 1})
    if twice:
        raise BadTable(f"{spec.file} has the column {', '.join(twice)} twice; remove one of them.")
    if spec.key[0] not in header:
        hint = near_miss(spec.key[0], [name for name in header if name], cutoff=0.75)
        hint = hint.replace("; did you mean", " Perhaps it is the column") if hint else ""
        raise BadTable(
            f"{spec.file} has no column {spec.key[0]!r}. Its first line must name the columns ({_wanted(spec)}).{hint}"
        )
    lacking = [column.name for column in spec.columns if column.required and column.name not in header]
    if lacking:
        raise BadTable(f"{spec.file} has no column {', '.join(lacking)}, which every row needs; add it.")
    unknown = tuple(dict.fromkeys(name for name in header if name and name not in by_name))
    missing = tuple(
        name for name in by_name if name not in header and name != "shop" and not re.match(r"ch\d", name)
    )
    notes = []
    for name in unknown:
        hint = near_miss(name, missing, cutoff=0.75)
        if hint:
            notes.append(
                RowProblem(spec.file, 1, "", f"The column {name!r} is not known and was kept out{hint}")
            )
    columns = {place: by_name[name] for place, name in enumerate(header) if name in by_name}
    return columns, unknown, missing, notes


def _key(record: list[str], columns: Mapping[int, Column], spec: TableSpec, shop: str) -> str:
    """The key of a row that cannot stand, as the log would name it if it could."""
    row: Row = {}
    for place, column in columns.items():
        cell = record[place].strip() if place < len(record) else ""
        if column.name in (spec.key[0], "shop") and cell:
            row[column.name] = cell
            with suppress(CellProblem):
                row[column.name] = column.parse(cell, Form())
    with suppress(CellProblem):
        within_shop(row, shop)
    return str(row.get(spec.key[0]) or "")


def _row(
    record: list[str],
    columns: Mapping[int, Column],
    header: list[str],
    form: Form,
    memo: dict[tuple[str, str], object],
) -> Row:
    """One record as values by column name.

    Raises:
        CellProblem: for the first cell that cannot be used.
    """
    if any(cell.strip() for cell in record[len(header) :]):
        raise CellProblem(
            f"The row has {len(record)} cells, but there are {len(header)} columns; put a cell that holds "
            f"{form.delimiter!r} in double quotes{_curly_hint(record)}"
        )
    row: Row = {}
    for place, column in columns.items():
        cell = record[place].strip() if place < len(record) else ""
        if len(cell) > MAX_CELL:
            raise CellProblem(
                f"{column.name} is {len(cell)} characters long, where at most {MAX_CELL} are; a quote may be missing"
            )
        if not cell:
            if column.required:
                cut = "; the line seems to be cut off" if place >= len(record) else ""
                raise CellProblem(f"{column.name} is empty, but every row needs it{cut}; fill it in")
            row[column.name] = None
            continue
        known = memo.get((column.name, cell))
        if known is None:
            try:
                known = column.parse(cell, form)
            except CellProblem as problem:
                known = problem
            memo[column.name, cell] = known
        if isinstance(known, CellProblem):
            raise CellProblem(f"{column.name} {known}")
        row[column.name] = known
    return row


def _curly_hint(record: list[str]) -> str:
    if any(cell.strip()[:1] in CURLY for cell in record):
        return ' (straight ones, ": typographic quotes hold nothing together)'
    return ""


def _frame(rows: list[Row], schema: Mapping[str, pl.DataType]) -> pl.DataFrame:
    return pl.DataFrame(
        [_series(name, [row.get(name) for row in rows], dtype) for name, dtype in schema.items()]
    )


def _series(name: str, values: list[object], dtype: pl.DataType) -> pl.Series:
    if isinstance(dtype, pl.List):
        # By way of Arrow: polars would build a series for every single cell.
        inner = pl.Series([], dtype=dtype.inner).to_arrow().type
        return pl.Series(name, pa.array(values, pa.list_(inner)), dtype=dtype)
    return pl.Series(name, values, dtype=dtype)
