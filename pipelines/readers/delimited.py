"""Delimited text as oscilloscopes export it.

Any of `,` `;` and tab between the cells, decimal point or comma, free lines above the table, a header or
none, units in a row of their own or inside the header, a time column or a sample interval above the
table. Quoting follows RFC 4180. The first lines are sniffed here; the numbers are parsed by polars with
explicit types, and only a table that it refuses is looked at cell by cell.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from pipelines.errors import UnreadableFile
from pipelines.readers._cells import TOKENS, is_data_row, is_sample, last_place, split_cells
from pipelines.readers._sniff import Layout, sniff
from pipelines.readers._timebase import Timebase, timebase
from pipelines.source import HEAD_BYTES, looks_like_text, read_all, to_utf8
from pipelines.waveform import MAX_DURATION_S, Waveform

SUFFIXES = (".csv", ".txt", ".tsv", ".tab", ".dat", ".asc")
MAX_FOOTER_LINES = 20
_TIME_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
Column = npt.NDArray[np.floating]


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """Whether the first bytes are text."""
    return looks_like_text(head)


def read(path: Path) -> Waveform:
    """The samples of one file, in s, V and A as far as the file names its units.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    content = to_utf8(read_all(path))
    layout = sniff(_head(content))
    offset = _offset_of_line(content, layout.first_line)
    body, notes = _whole_rows(content, offset, layout)
    del content
    columns = _parse(body, layout)
    notes = [*layout.notes, *notes]
    base, columns = _time(columns, layout, body, notes)
    return _waveform(columns, base, layout, notes)


def _head(content: bytes) -> str:
    """Whole lines from the beginning; more of them where the table begins late."""
    head = content[:HEAD_BYTES]
    if len(content) > HEAD_BYTES:
        cut = head.rfind(b"\n")
        head = head[:cut] if cut > 0 else content[: 4 * HEAD_BYTES]
    return head.decode("utf-8", errors="replace")


def _offset_of_line(content: bytes, line: int) -> int:
    offset = 0
    for _ in range(line):
        offset = content.index(b"\n", offset) + 1
    return offset


def _whole_rows(content: bytes, offset: int, layout: Layout) -> tuple[bytes, list[str]]:
    """The rows from the first to the last whole one, and what was left out at the end."""
    notes: list[str] = []
    end = len(content)
    while end > offset and content[end - 1] in b"\r\n\0\x1a":
        end -= 1
    if b"\0" in content[end:]:
        notes.append("The file ends in zero bytes, as after a copy that broke off; they were left out.")
    ended = content[end : end + 2].startswith((b"\n", b"\r"))
    comma = layout.decimal_comma is not False
    last_whole = end
    for _ in range(MAX_FOOTER_LINES):
        begin = content.rfind(b"\n", offset, last_whole) + 1
        if begin <= offset:
            break
        line = content[begin:last_whole].decode("utf-8", errors="replace").strip("\r\n")
        cells = split_cells(line, layout.delimiter)
        complete = not line.strip() or (
            len(cells) == layout.width
            and (
                is_data_row(cells, decimal_comma=False) or (comma and is_data_row(cells, decimal_comma=True))
            )
        )
        complete = complete or (len(cells) == layout.width and not any(cells))
        if complete and not (last_whole == end and not ended and _cut_short(content, begin, cells, layout)):
            break
        shown = line if len(line) <= 60 else f"{line[:57]}..."
        notes.append(f"The last line, {shown!r}, is no whole row of samples and was left out.")
        last_whole = begin - 1
        while last_whole > offset and content[last_whole - 1] in b"\r\n":
            last_whole -= 1
    return content[offset:last_whole] + b"\n", notes


def _cut_short(content: bytes, begin: int, cells: list[str], layout: Layout) -> bool:
    """Whether the file ends inside a number: fewer decimals than all rows shortly before it."""
    lines = content[max(0, begin - 4096) : begin].decode("utf-8", errors="replace").splitlines()[1:]
    before = [split_cells(line, layout.delimiter)[-1] for line in lines if line.strip()]
    places = {last_place(cell) for cell in before if cell.lower() not in TOKENS}
    if len(before) < 8 or len(places) != 1 or cells[-1].lower() in TOKENS:
        return False
    return places.pop() < min(1.0, last_place(cells[-1]))


def _parse(body: bytes, layout: Layout) -> dict[int, Column]:
    """Every column that matters: time as float64, channels as float32, what is missing as NaN."""
    wanted = [column for column in range(layout.width) if column not in layout.spare]
    times = {layout.time, *layout.other_times}
    types = {
        f"c{k}": pl.String() if k in layout.spare else pl.Float64() if k in times else pl.Float32()
        for k in range(layout.width)
    }
    commas = [bool(layout.decimal_comma)]
    if layout.decimal_comma is None:
        commas.append(True)
    for comma in commas:
        try:
            frame = pl.read_csv(
                io.BytesIO(body),
                has_header=False,
                separator=layout.delimiter,
                decimal_comma=comma and layout.delimiter != ",",
                schema=types,
                quote_char='"' if b'"' in body else None,
            )
        except pl.exceptions.PolarsError:
            continue
        if not (comma and layout.delimiter == ","):
            return {k: frame[f"c{k}"].to_numpy() for k in wanted}
    return _parse_cell_by_cell(body, layout, wanted, types)


def _parse_cell_by_cell(
    body: bytes, layout: Layout, wanted: list[int], types: Mapping[str, pl.DataType]
) -> dict[int, Column]:
    """The same for tables with marks, blanks or quotes that the fast way refuses."""
    try:
        frame = pl.read_csv(
            io.BytesIO(body),
            has_header=False,
            separator=layout.delimiter,
            schema={name: pl.String() for name in types},
            quote_char='"' if b'"' in body else None,
            encoding="utf8-lossy",
        )
    except pl.exceptions.PolarsError as error:
        raise UnreadableFile(
            _first_bad_line(body, layout) or f"The table cannot be parsed ({error})."
        ) from error
    marks = {mark: value for mark, value in TOKENS.items() if mark}
    columns: dict[int, Column] = {}
    for k in wanted:
        cells = frame[f"c{k}"].str.strip_chars(' \t"').str.to_lowercase()
        cells = cells.replace(marks)
        if layout.decimal_comma is not False:
            cells = cells.str.replace(",", ".", literal=True)
        numbers = cells.cast(types[f"c{k}"], strict=False)
        if (numbers.is_null() & cells.is_not_null() & (cells != "")).any():
            raise UnreadableFile(_first_bad_line(body, layout) or "The table holds a cell that is no number.")
        columns[k] = numbers.to_numpy()
    return columns


def _first_bad_line(body: bytes, layout: Layout) -> str | None:
    """The first line that is no row of samples, as a sentence."""
    comma = bool(layout.decimal_comma)
    for number, line in enumerate(body.decode("utf-8", errors="replace").splitlines(), layout.first_line + 1):
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


def _time(
    columns: dict[int, Column], layout: Layout, body: bytes, notes: list[str]
) -> tuple[Timebase, dict[int, Column]]:
    """Sample rate, start and grid; rows without a time are taken out of the columns."""
    said = layout.preamble
    if layout.time is None:
        if said.interval_s is None:
            what = "the first column only counts the samples" if layout.spare else "there is no time column"
            raise UnreadableFile(
                f"Nothing says how fast the samples were taken: {what}, and no sample interval or sample rate "
                "stands above the table. Export the capture with a time column, or with a line such as "
                "'sample interval: 0.0001 s'."
            )
        return Timebase(1.0 / said.interval_s, said.start_s or 0.0), columns
    raw = np.asarray(columns[layout.time], dtype=np.float64)
    for other in layout.other_times:
        if not np.allclose(columns[other], raw, rtol=1e-6, atol=0.0, equal_nan=True):
            raise UnreadableFile(
                f"The file has several time columns that differ ({layout.names[other]!r} and "
                f"{layout.names[layout.time]!r}); export all channels over one time column."
            )
    kept = np.isfinite(raw)
    if not kept.all():
        blank = (
            np.all([~np.isfinite(columns[k]) for k in layout.channels], axis=0) if layout.channels else ~kept
        )
        lost = int(np.count_nonzero(~kept & ~blank))
        if lost:
            notes.append(f"{lost} rows without a time were left out.")
        columns = {k: column[kept] for k, column in columns.items()}
        raw = raw[kept]
    if raw.size < 2:
        raise UnreadableFile(f"The file holds {raw.size} samples with a time; save the capture again.")
    place = _printed_place(body, layout)
    unit = layout.units[layout.time]
    factor = (
        unit.factor if unit and unit.kind == "time" else _guess_factor(raw, place, said.interval_s, notes)
    )
    base = timebase(raw * factor if factor != 1.0 else raw, place * factor, layout.first_line + 1)
    if said.interval_s is not None and abs(said.interval_s * base.rate_hz - 1.0) > 0.01:
        notes.append(
            f"The lines above the table say one sample every {said.interval_s:.6g} s, the time column says "
            f"{1.0 / base.rate_hz:.6g} s; the time column was used."
        )
    elif said.interval_s is not None:
        base = replace(base, rate_hz=_exact_rate(base, said.interval_s, raw.size, place * factor))
    return base, columns


def _exact_rate(base: Timebase, interval_s: float, count: int, place_s: float) -> float:
    """The rate the preamble states, where the time column agrees with it to within its digits."""
    off_s = abs(count / base.rate_hz - count * interval_s)
    return 1.0 / interval_s if off_s <= 2 * place_s else base.rate_hz


def _printed_place(body: bytes, layout: Layout) -> float:
    """One unit in the last printed place of the time column, the coarser of its first and last rows."""
    time = layout.time or 0
    lines = body[:2048].split(b"\n")[:8] + body[-2048:].rstrip(b"\n").split(b"\n")[-8:]
    places = []
    for line in lines:
        cells = split_cells(line.decode("utf-8", errors="replace").strip("\r"), layout.delimiter)
        if len(cells) == layout.width and cells[time].lower() not in TOKENS:
            places.append(last_place(cells[time]))
    # Numbers printed with trailing zeros cut off show their digits only in most rows: the median does.
    return float(np.median(places)) if places else 0.0


def _guess_factor(
    raw: npt.NDArray[np.float64], place: float, interval_s: float | None, notes: list[str]
) -> float:
    """The factor to s of a time column without a unit: the preamble's interval decides, else seconds."""
    span = float(raw[-1] - raw[0])
    step = span / (raw.size - 1)
    if interval_s is not None:
        for name, factor in _TIME_FACTORS.items():
            if abs(step * factor / interval_s - 1.0) < 0.01:
                notes.append(f"The time column names no unit; the sample interval says that it is {name}.")
                return factor
    if span > MAX_DURATION_S:
        raise UnreadableFile(
            f"The time column names no unit, and as seconds it would last {span:.6g} s. "
            "Name the unit in its heading, such as 'Time (ms)', or export it in seconds."
        )
    if step < place:
        raise UnreadableFile("The time column hardly moves; export it with more digits.")
    notes.append("The time column names no unit; it was read as seconds.")
    return 1.0


def _waveform(columns: dict[int, Column], base: Timebase, layout: Layout, notes: list[str]) -> Waveform:
    channels = [k for k in layout.channels if layout.names[k] or not np.isnan(columns[k]).all()]
    if not channels:
        raise UnreadableFile("The file holds a time column but no channel; export the channels with it.")
    rows = columns[channels[0]].size
    length = rows if base.index is None else int(base.index[-1]) + 1
    samples = np.empty((len(channels), length), dtype=np.float32)
    for row, k in enumerate(channels):
        column = columns[k]
        unit = layout.units[k]
        factor = np.float32(unit.factor if unit else 1.0)
        finite = np.isfinite(column)
        if not finite.all():
            notes.append(_off_screen_note(row + 1, column))
            column = np.where(finite, column, np.float32(np.nan))
        if base.index is None:
            np.multiply(column, factor, out=samples[row], casting="same_kind")
        else:
            samples[row] = np.nan
            samples[row, base.index] = column * factor
        if unit is not None and unit.kind == "other":
            notes.append(
                f"Channel {row + 1} is in {unit.text!r}; its numbers were kept as written. Give the volts or "
                "amperes of one unit as its scale in captures.csv."
            )
    labels = tuple(layout.names[k] for k in channels)
    return Waveform(base.rate_hz, base.start_s, samples, labels, (*notes, *base.notes))


def _off_screen_note(channel: int, column: Column) -> str:
    above, below = int(np.count_nonzero(column == np.inf)), int(np.count_nonzero(column == -np.inf))
    missing = int(np.count_nonzero(np.isnan(column)))
    parts = [
        f"{number} {words}"
        for number, words in ((above, "above the screen"), (below, "below the screen"), (missing, "missing"))
        if number
    ]
    return f"Channel {channel} has samples without a number: {', '.join(parts)}."
