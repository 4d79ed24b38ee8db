"""Delimited text as oscilloscopes export it.

Any of `,` `;` and tab between the cells, decimal point or comma, free lines above the table, a header or
none, units in a row of their own or inside the header, a time column or a sample interval above the
table. Quoting follows RFC 4180. The first lines are sniffed here; the numbers are parsed by polars with
explicit types, and only a table that it refuses is looked at cell by cell.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipelines.errors import UnreadableFile
from pipelines.readers._form import NOTHING_TOLD, TextForm
from pipelines.readers._rates import merged_rows, repeated_rows
from pipelines.readers._sniff import Layout, sniff
from pipelines.readers._table import Column, open_text, printed_place, read_columns
from pipelines.readers._timebase import Timebase, timebase
from pipelines.source import looks_like_text
from pipelines.sparse import filled_between
from pipelines.waveform import MAX_DURATION_S, Waveform

# Text has no mark of its own: every other format is asked first.
RANK = 9
SUFFIXES = (".csv", ".txt", ".tsv", ".tab", ".dat", ".asc")
_TIME_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """Whether the first bytes are text."""
    return looks_like_text(head)


def read(path: Path) -> Waveform:
    """The samples of one file, in s, V and A as far as the file names its units.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    return read_as(path, NOTHING_TOLD)


def read_as(path: Path, told: TextForm) -> Waveform:
    """The same, where somebody has said what the file looks like.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    source = open_text(path)
    try:
        layout = sniff(source.head, told)
        columns, notes = read_columns(source, layout)
        notes = [*layout.notes, *notes]
        place = printed_place(source, layout)
        base, columns = _time(columns, layout, place, notes)
        return _waveform(columns, base, layout, notes)
    except UnreadableFile as error:
        if told.untold:
            raise
        raise UnreadableFile(f"{error} It was read the way its folder's text_format.json says.") from error


def _time(
    columns: dict[int, Column], layout: Layout, place: float, notes: list[str]
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
    unit = layout.units[layout.time]
    factor = unit.factor if unit and unit.kind == "time" else _guess_factor(raw, said.interval_s, notes)
    columns, raw = _rows_once(columns, raw, layout, place, notes)
    base = timebase(raw * factor if factor != 1.0 else raw, place * factor, layout.first_line + 1)
    if said.interval_s is not None and abs(said.interval_s * base.rate_hz - 1.0) > 0.01:
        notes.append(
            f"The lines above the table say one sample every {said.interval_s:.6g} s, the time column says "
            f"{1.0 / base.rate_hz:.6g} s; the time column was used."
        )
    elif said.interval_s is not None:
        base = replace(base, rate_hz=_exact_rate(base, said.interval_s, raw.size, place * factor))
    return base, columns


def _rows_once(
    columns: dict[int, Column],
    raw: npt.NDArray[np.float64],
    layout: Layout,
    place: float,
    notes: list[str],
) -> tuple[dict[int, Column], npt.NDArray[np.float64]]:
    """Every time once: rows said twice go, rows of one time that hold a channel each become one."""
    gone = repeated_rows(raw, columns, layout.channels, place)
    if gone is not None:
        columns, raw = {k: column[~gone] for k, column in columns.items()}, raw[~gone]
        notes.append(f"{int(gone.sum())} rows that repeat the row before them were left out.")
    gone = merged_rows(raw, columns, layout.channels)
    if gone is not None:
        columns, raw = {k: column[~gone] for k, column in columns.items()}, raw[~gone]
        notes.append(f"{int(gone.sum())} rows of the same time as the row before were joined with it.")
    return columns, raw


def _exact_rate(base: Timebase, interval_s: float, count: int, place_s: float) -> float:
    """The rate the preamble states, where the time column agrees with it to within its digits."""
    off_s = abs(count / base.rate_hz - count * interval_s)
    return 1.0 / interval_s if off_s <= 2 * place_s else base.rate_hz


def _guess_factor(raw: npt.NDArray[np.float64], interval_s: float | None, notes: list[str]) -> float:
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
        column, every = filled_between(column)
        if every > 1:
            notes.append(
                f"Channel {row + 1} has a sample in every {every}. row only; the rows between were filled in straight "
                "lines, so that all channels share one time base."
            )
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
    return Waveform(base.rate_hz, base.start_s, samples, labels, (*notes, *base.notes), layout.words)


def _off_screen_note(channel: int, column: Column) -> str:
    above, below = int(np.count_nonzero(column == np.inf)), int(np.count_nonzero(column == -np.inf))
    missing = int(np.count_nonzero(np.isnan(column)))
    parts = [
        f"{number} {words}"
        for number, words in ((above, "above the screen"), (below, "below the screen"), (missing, "missing"))
        if number
    ]
    return f"Channel {channel} has samples without a number: {', '.join(parts)}."
