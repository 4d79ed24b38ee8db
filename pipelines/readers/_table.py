"""The numbers of a delimited file, once its layout is known.

Polars reads the file by itself wherever it can; only what it refuses (marks, blanks, quoted decimal commas,
other encodings, ends broken off) passes through memory and is looked at cell by cell.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from pipelines.errors import UnreadableFile
from pipelines.readers._cells import TOKENS, is_data_row, is_sample, last_place, split_cells
from pipelines.readers._sniff import Layout
from pipelines.source import (
    GZIP_MAGIC,
    HEAD_BYTES,
    MAX_BYTES,
    check_lines,
    encoding_of,
    read_all,
    read_head,
    to_utf8,
)

TAIL_BYTES = 16_384
MAX_FOOTER_LINES = 20
Column = npt.NDArray[np.floating]
# polars panics, with an exception of no usual kind, on a quote that nothing follows
_REFUSED = (pl.exceptions.PolarsError, pl.exceptions.PanicException)


@dataclass(frozen=True, slots=True)
class TextFile:
    """A text file by its two ends.

    Attributes:
        path: the file.
        head: its first whole lines.
        tail: its last bytes, in UTF-8; the first line of them may be cut.
        direct: whether polars can read the file as it lies on disk.
    """

    path: Path
    head: str
    tail: bytes
    direct: bool

    def content(self) -> bytes:
        """All of it in UTF-8, unzipped."""
        return to_utf8(read_all(self.path))


def open_text(path: Path) -> TextFile:
    """Look at both ends of a file.

    Raises:
        UnreadableFile: when it cannot be opened or is too large.
    """
    head = read_head(path)
    check_lines(path)
    size = path.stat().st_size
    with path.open("rb") as file:
        zipped = file.read(2) == GZIP_MAGIC
        file.seek(max(0, size - TAIL_BYTES))
        tail = file.read()
    name, mark = encoding_of(head)
    direct = (
        not zipped
        and name in ("utf-8", "latin-1", "cp1252")
        and HEAD_BYTES < size <= MAX_BYTES
        and b"\n" in head
    )
    if not direct:
        content = to_utf8(read_all(path))
        return TextFile(path, _whole_lines(content), content[-TAIL_BYTES:], direct=False)
    text = head[mark : head.rfind(b"\n")].decode(name, errors="replace")
    return TextFile(path, text, tail, direct=True)


def _whole_lines(content: bytes) -> str:
    head = content[:HEAD_BYTES]
    if len(content) > HEAD_BYTES and b"\n" in head:
        head = head[: head.rfind(b"\n")]
    return head.decode("utf-8", errors="replace")


def read_columns(source: TextFile, layout: Layout) -> tuple[dict[int, Column], list[str]]:
    """Every column that matters (time as float64, channels as float32, what is missing as NaN), and notes.

    Raises:
        UnreadableFile: naming the first line that is no row of samples.
    """
    cut, notes = _loose_end(source.tail, layout)
    wanted = [column for column in range(layout.width) if column not in layout.spare]
    times = {layout.time, *layout.other_times}
    types = {
        f"column_{k + 1}": pl.String() if k in layout.spare else pl.Float64() if k in times else pl.Float32()
        for k in range(layout.width)
    }
    # Without times a blank line would pass for a missing sample and shift all later ones.
    blanks_matter = layout.time is None and layout.width > 1
    if source.direct and not cut and not blanks_matter:
        frame = _parse(source.path, layout, types)
        if frame is not None:
            return {k: frame[f"column_{k + 1}"].to_numpy() for k in wanted}, notes
    content = source.content()
    if cut:
        content = content[: len(content) - cut] + b"\n"
    if blanks_matter:
        content = _without_blank_lines(content, layout.first_line)
    frame = _parse(io.BytesIO(content), layout, types)
    if frame is not None:
        return {k: frame[f"column_{k + 1}"].to_numpy() for k in wanted}, notes
    return _parse_cell_by_cell(content, layout, wanted, types), notes


def _parse(
    source: Path | io.BytesIO, layout: Layout, types: Mapping[str, pl.DataType]
) -> pl.DataFrame | None:
    """The table by the fast way; None where polars refuses it."""
    for comma in (False, True) if layout.decimal_comma is None else (layout.decimal_comma,):
        if comma and layout.delimiter == ",":
            return None
        try:
            return pl.read_csv(
                source,
                has_header=False,
                skip_lines=layout.first_line,
                separator=layout.delimiter,
                decimal_comma=comma,
                schema=types,
                glob=False,  # a `*` or `[` in a name is part of it
            )
        except _REFUSED:
            if isinstance(source, io.BytesIO):
                source.seek(0)
    return None


def _loose_end(tail: bytes, layout: Layout) -> tuple[int, list[str]]:
    """How many bytes behind the last whole row to leave out (0 for a clean end), and why."""
    notes: list[str] = []
    end = len(tail)
    while end and tail[end - 1] in b"\r\n\0\x1a":
        end -= 1
    if b"\0" in tail[end:]:
        notes.append("The file ends in zero bytes, as after a copy that broke off; they were left out.")
    ended = tail[end : end + 1] in (b"\n", b"\r")
    keep = end
    for _ in range(MAX_FOOTER_LINES):
        begin = tail.rfind(b"\n", 0, keep) + 1
        if not begin:
            break
        line = tail[begin:keep].decode("utf-8", errors="replace").strip("\r\n")
        cells = split_cells(line, layout.delimiter)
        whole = line.count('"') % 2 == 0 and _is_whole(cells, layout)
        if whole and (keep < end or ended or not _cut_short(tail[:begin], cells, layout)):
            break
        shown = line if len(line) <= 60 else f"{line[:57]}..."
        notes.append(f"The last line, {shown!r}, is no whole row of samples and was left out.")
        keep = begin - 1
        while keep and tail[keep - 1] in b"\r\n":
            keep -= 1
    clean = tail[keep:] in (b"\n", b"\r\n", b"")
    return 0 if clean else len(tail) - keep, notes


def _is_whole(cells: list[str], layout: Layout) -> bool:
    if len(cells) != layout.width:
        return False
    commas = (False, True) if layout.decimal_comma is None else (layout.decimal_comma,)
    return not any(cells) or any(is_data_row(cells, decimal_comma=comma) for comma in commas)


def _cut_short(before: bytes, cells: list[str], layout: Layout) -> bool:
    """Whether the file ends inside a number: fewer decimals than all the rows shortly before it."""
    lines = before.decode("utf-8", errors="replace").splitlines()[1:]
    last = [split_cells(line, layout.delimiter)[-1] for line in lines[-100:] if line.strip()]
    places = {
        last_place(cell)
        for cell in last
        if is_sample(cell, decimal_comma=bool(layout.decimal_comma)) and cell.lower() not in TOKENS
    }
    if len(last) < 8 or len(places) != 1 or cells[-1].lower() in TOKENS:
        return False
    return places.pop() < min(1.0, last_place(cells[-1]))


def _without_blank_lines(content: bytes, first_line: int) -> bytes:
    offset = 0
    for _ in range(first_line):
        offset = content.find(b"\n", offset) + 1
        if not offset:
            return content  # a loose end was all there was
    if content.find(b"\n\n", offset) < 0 and content.find(b"\n\r\n", offset) < 0:
        return content
    return content[:offset] + re.sub(rb"\n(?:\r?\n)+", b"\n", content[offset:])


def printed_place(source: TextFile, layout: Layout) -> float:
    """One unit in the last printed place of the time column, as most of its first and last rows show it."""
    if layout.time is None:
        return 0.0
    first = source.head.split("\n")[layout.first_line : layout.first_line + 8]
    last = source.tail[-2048:].decode("utf-8", errors="replace").rstrip().split("\n")[1:][-8:]
    places = []
    for line in (*first, *last):
        cells = split_cells(line.strip("\r"), layout.delimiter)
        if _is_whole(cells, layout) and cells[layout.time].lower() not in TOKENS:
            places.append(last_place(cells[layout.time]))
    # Where trailing zeros are cut off, a single row may show fewer digits than there are.
    return float(np.median(places)) if places else 0.0


def _parse_cell_by_cell(
    content: bytes, layout: Layout, wanted: list[int], types: Mapping[str, pl.DataType]
) -> dict[int, Column]:
    """The same for tables with marks, blanks or quotes that the fast way refuses.

    Polars parses what it can; the cells it had to leave empty are then looked at as text.
    """
    read = partial(pl.read_csv, has_header=False, skip_lines=layout.first_line, separator=layout.delimiter)
    comma = bool(layout.decimal_comma) and layout.delimiter != ","
    try:
        numbers = read(io.BytesIO(content), schema=types, decimal_comma=comma, ignore_errors=True)
        empty = [name for name in numbers.columns if types[name].is_float() and numbers[name].null_count()]
        as_text = {name: pl.String() for name in types}
        texts = read(io.BytesIO(content), schema=as_text, columns=empty or None, encoding="utf8-lossy")
    except _REFUSED as error:
        raise UnreadableFile(
            _first_bad_line(content, layout) or f"The table cannot be parsed ({error})."
        ) from error
    marks = {mark: value for mark, value in TOKENS.items() if mark}
    columns: dict[int, Column] = {}
    for k in wanted:
        name = f"column_{k + 1}"
        column = numbers[name].to_numpy()
        if name in empty:
            where = np.flatnonzero(numbers[name].is_null().to_numpy())
            cells = texts[name].gather(where).str.strip_chars(' \t"').str.to_lowercase().replace(marks)
            if layout.decimal_comma is not False:
                cells = cells.str.replace(",", ".", literal=True)
            repaired = cells.cast(types[name], strict=False)
            if (repaired.is_null() & cells.is_not_null() & (cells != "")).any():
                raise UnreadableFile(
                    _first_bad_line(content, layout) or "The table holds a cell that is no number."
                )
            column = column.copy()
            column[where] = repaired.to_numpy()
        columns[k] = column
    return columns


def _first_bad_line(content: bytes, layout: Layout) -> str | None:
    """The first line that is no row of samples, as a sentence."""
    comma = bool(layout.decimal_comma)
    lines = content.decode("utf-8", errors="replace").split("\n")[layout.first_line :]
    for number, line in enumerate(lines, layout.first_line + 1):
        if not line.strip():
            continue
        cells = split_cells(line, layout.delimiter)
        if len(cells) > layout.width:
            return (
                f"Line {number} has {len(cells)} cells where the rows before have {layout.width}; "
                "save each record as a file of its own."
            )
        for cell in cells:
            if is_sample(cell, decimal_comma=comma):
                continue
            if layout.decimal_comma is None and is_sample(cell, decimal_comma=True):
                continue
            shown = cell if len(cell) <= 40 else f"{cell[:37]}..."
            if any(letter.isalpha() for letter in cell):
                return (
                    f"Line {number} holds {shown!r} between the samples; two records seem to be pasted "
                    "together, or a remark stands in the table. Save each record as a file of its own."
                )
            return (
                f"Line {number} holds {shown!r}, which is no number (thousands separators cannot be read). "
                "Export the capture again without them."
            )
    return None
