"""The records of a table file: delimited text line by line, so that a stray quote costs its own line only,
or one sheet of a spreadsheet."""

from __future__ import annotations

import csv
import re
import zipfile
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipelines.errors import BadTable

DELIMITERS = (",", ";", "\t")
# A remark may run over so many lines; beyond that a quote is missing.
REMARK_LINES = 20
# More short rows than this share are a way of writing (empty cells at the end left out), fewer are cut off.
SHORT_SHARE = 0.2
MAX_UNZIPPED = 256 << 20
_QUOTES = "The quotes on this line do not match"


@dataclass(frozen=True, slots=True)
class Record:
    """One row as its cells; `reason` says why it cannot be used at all, else it is None."""

    line: int
    cells: list[str]
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Records:
    """A table's heading and rows.

    Attributes:
        delimiter: of delimited text; a comma for a spreadsheet, whose numbers have decimal points.
        header: the column names, as `plain_name` writes them.
        rows: in file order.
        notes: what was decided, in sentences.
    """

    delimiter: str
    header: list[str]
    rows: list[Record]
    notes: tuple[str, ...] = ()


def plain_name(name: str) -> str:
    """A column's name in lower case with single underscores."""
    return re.sub(r"[\s_-]+", "_", name.strip().lower()).strip("_")


def delimited(text: str, file: str, known: Collection[str]) -> Records:
    """The records of delimited text (RFC 4180, with `,`, `;` or tab).

    Args:
        known: the columns the table may have, by which the delimiter is told.

    Raises:
        BadTable: when the heading cannot be read.
    """
    lines = re.split(r"\r\n|\n|\r", text)
    open_end = bool(lines[-1].strip())
    first = 0
    while first < len(lines) - 1 and (
        not lines[first].strip() or re.fullmatch(r"sep=.", lines[first].strip())
    ):
        first += 1

    def hits(delimiter: str) -> int:
        cells, _ = _cells(lines[first], delimiter)
        return sum(plain_name(cell) in known for cell in cells)

    delimiter = max(DELIMITERS, key=hits)
    header, reason = _cells(lines[first], delimiter)
    if reason is not None:
        raise BadTable(f"The heading of {file} cannot be read: {reason}. Correct the quotes.")
    names = [plain_name(cell) for cell in header]
    while names and not names[-1]:
        names.pop()
    rows = []
    place = first + 1
    while place < len(lines):
        record, taken = _record(lines, place, delimiter, len(names))
        if record.reason is not None or any(cell.strip() for cell in record.cells):
            rows.append(record)
        place += taken
    return Records(delimiter, names, _without_cut_rows(rows, len(names), open_end=open_end))


def _cells(line: str, delimiter: str) -> tuple[list[str], str | None]:
    """The cells of one line; with the reason where its quotes do not match."""
    if '"' not in line:
        return line.split(delimiter), None
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True)), None
    except csv.Error as error:
        return [], str(error)


def _record(lines: Sequence[str], place: int, delimiter: str, width: int) -> tuple[Record, int]:
    """The record that begins on a line, and how many lines it takes.

    Quoted cells may run over lines (RFC 4180, section 2, rule 6), but where that would swallow what is a
    whole row by itself, the quote is a stray one.
    """
    cells, reason = _cells(lines[place], delimiter)
    if reason is None:
        return Record(place + 1, cells), 1
    for taken in range(2, min(REMARK_LINES, len(lines) - place) + 1):
        if len(_cells(lines[place + taken - 1], delimiter)[0]) >= width > 1:
            break
        cells, still = _cells("\n".join(lines[place : place + taken]), delimiter)
        if still is None:
            if len(cells) != width:
                break
            return Record(place + 1, cells), taken
    return Record(place + 1, [], f"{_QUOTES} ({reason}). Correct the quotes."), 1


def _without_cut_rows(rows: list[Record], width: int, *, open_end: bool) -> list[Record]:
    """Rows that were cut off become refused ones; where many are short it is a way of writing."""
    short = [k for k, row in enumerate(rows) if row.reason is None and len(row.cells) < width]
    few = len(short) <= max(1, SHORT_SHARE * len(rows))
    for k in short:
        row = rows[k]
        counts = f"({len(row.cells)} of {width} cells)"
        if open_end and k == len(rows) - 1:
            rows[k] = Record(
                row.line, row.cells, f"The file breaks off on this line {counts}; copy it once more."
            )
        elif few:
            rows[k] = Record(
                row.line, row.cells, f"The line seems to be cut off {counts}; fill in the rest, empty cells too."
            )  # fmt: skip
    return rows


def spreadsheet(path: Path, known: Collection[str], key: str) -> Records:
    """The records of the one sheet of a spreadsheet (Office Open XML, ISO/IEC 29500) that has the key column.

    Raises:
        BadTable: when there is none, or several, or the file cannot be read.
    """
    try:
        with zipfile.ZipFile(path) as parts:
            if sum(part.file_size for part in parts.infolist()) > MAX_UNZIPPED:
                raise BadTable(f"{path.name} grows to more than {MAX_UNZIPPED >> 20} MiB; split it.")
        sheets = pl.read_excel(
            path, sheet_id=0, has_header=False, drop_empty_rows=False, drop_empty_cols=False,
            raise_if_empty=False, read_options={"dtypes": "string"},
        )  # fmt: skip
    except BadTable:
        raise
    except Exception as error:
        # The reader below raises errors of many kinds for broken files, none of them documented.
        raise BadTable(
            f"{path.name} cannot be read as a spreadsheet ({error}); save it once more as .xlsx or as CSV."
        ) from error
    tables = {name: [["" if c is None else c for c in row] for row in f.rows()] for name, f in sheets.items()}
    fitting = {name: first for name, rows in tables.items() if (first := _heading(rows, key)) is not None}
    if len(fitting) != 1:
        which = "no sheet" if not fitting else f"several sheets ({', '.join(fitting)})"
        raise BadTable(
            f"{path.name} has {which} with a column {key!r}; keep the table on one sheet, its columns named "
            f"({', '.join(known)})."
        )
    ((name, first),) = fitting.items()
    header = [plain_name(cell) for cell in tables[name][first]]
    while header and not header[-1]:
        header.pop()
    rows = [
        Record(first + 2 + k, row)
        for k, row in enumerate(tables[name][first + 1 :])
        if any(cell.strip() for cell in row)
    ]
    others = [other for other in tables if other != name]
    note = f"{path.name}: the sheet {name!r} was read" + (
        f", and {', '.join(map(repr, others))} left alone." if others else "."
    )
    return Records(",", header, rows, (note,))


def _heading(rows: list[list[str]], key: str) -> int | None:
    """Which row names the columns: the first that is not empty, if it has the key."""
    for number, row in enumerate(rows):
        if any(cell.strip() for cell in row):
            return number if key in map(plain_name, row) else None
    return None
