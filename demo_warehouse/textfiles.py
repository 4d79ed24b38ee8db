"""Writes a recording as delimited text, in the shapes that saved captures come in.

The preambles are our own inventions; no program's file is imitated.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

from pipelines.kinds.simulated import Recording

TIME_UNITS: dict[str, float] = {"s": 1.0, "ms": 1e3, "us": 1e6}


@dataclass(frozen=True, slots=True)
class TextDialect:
    """One shape of delimited text.

    Attributes:
        name: for the scenario's own notes.
        delimiter: `,`, `;` or a tab.
        decimal_comma: needs another delimiter than `,`.
        preamble: lines above the table; `{interval}`, `{rate}`, `{count}`, `{start}` are filled in, decimal comma
            applied where the dialect has it.
        header: `names`, `names_with_units` (`ch1 [V]`) or `none`.
        units_row: a row of units in brackets under the header.
        time_column: whether there is one; without it the preamble has to give the interval.
        time_unit: `s`, `ms` or `us`.
        millivolts: voltages in mV.
        off_screen: how a sample off the screen is written: `inf` or `empty`.
        lost: how a lost sample is written: `empty` or `nan`.
        value_decimals: digits after the point.
        byte_order_mark: a UTF-8 mark at the beginning.
        line_end: line terminator.

    Raises:
        ValueError: for a decimal comma between commas, or no way to tell the sample rate.
    """

    name: str = "plain"
    delimiter: Literal[",", ";", "\t"] = ","
    decimal_comma: bool = False
    preamble: tuple[str, ...] = ()
    header: Literal["names", "names_with_units", "none"] = "names"
    units_row: bool = False
    time_column: bool = True
    time_unit: Literal["s", "ms", "us"] = "s"
    millivolts: bool = False
    off_screen: Literal["inf", "empty"] = "inf"
    lost: Literal["empty", "nan"] = "empty"
    value_decimals: int = 4
    byte_order_mark: bool = False
    line_end: Literal["\n", "\r\n"] = "\n"

    def __post_init__(self) -> None:
        if self.decimal_comma and self.delimiter == ",":
            raise ValueError("a decimal comma needs another delimiter")
        says_rate = any("{interval}" in line or "{rate}" in line for line in self.preamble)
        if not self.time_column and not says_rate:
            raise ValueError("without a time column the preamble has to give the sample interval")


DIALECTS: tuple[TextDialect, ...] = (
    TextDialect("plain"),
    TextDialect("units_row", preamble=("saved capture", ""), units_row=True, time_unit="ms"),
    TextDialect(
        "semicolon_comma",
        delimiter=";",
        decimal_comma=True,
        header="names_with_units",
        time_unit="ms",
        line_end="\r\n",
        off_screen="empty",
    ),
    TextDialect(
        "interval_only",
        delimiter="\t",
        preamble=("recorder notes: invented shop", "sample interval: {interval} s", "samples: {count}", ""),
        time_column=False,
    ),
    TextDialect(
        "tab_millivolts",
        delimiter="\t",
        preamble=("# capture", "# rate: {rate} Hz"),
        units_row=True,
        millivolts=True,
        value_decimals=1,
        time_unit="us",
        byte_order_mark=True,
    ),
    TextDialect("bare", header="none", lost="nan"),
)


def _number(value: float, dialect: TextDialect) -> str:
    text = np.format_float_positional(value, precision=12, trim="0")
    return text.replace(".", ",") if dialect.decimal_comma else text


def _head(recording: Recording, dialect: TextDialect) -> str:
    """Everything above the numbers, each line ended."""
    facts = {
        "interval": _number(1.0 / recording.rate_hz, dialect),
        "rate": _number(recording.rate_hz, dialect),
        "start": _number(recording.start_s, dialect),
        "count": str(recording.samples.shape[1]),
    }
    lines = [line.format(**facts) for line in dialect.preamble]
    volt = "mV" if dialect.millivolts else "V"
    units = [volt if unit == "V" else unit for unit in recording.units]
    names = [f"ch{k + 1}" for k in range(len(units))]
    if dialect.time_column:
        names, units = ["time", *names], [dialect.time_unit, *units]
    if dialect.header == "names_with_units":
        names = [f"{name} [{unit}]" for name, unit in zip(names, units, strict=True)]
    if dialect.header != "none":
        lines.append(dialect.delimiter.join(names))
    if dialect.units_row:
        lines.append(dialect.delimiter.join(f"({unit})" for unit in units))
    return "".join(line + dialect.line_end for line in lines)


def _time_decimals(rate_hz: float, unit: str) -> int:
    """Digits that tell neighbouring samples apart to a thousandth of the interval, at least 1."""
    return max(1, int(np.ceil(np.log10(rate_hz / TIME_UNITS[unit]) + 1.5)))


def write_text(path: Path, recording: Recording, dialect: TextDialect) -> None:
    """Write a recording; parent folders are made.

    Time is rounded so that neighbours stay apart, values to the dialect's decimals; both use the greater count
    of digits.

    Raises:
        OSError: when the file cannot be written.
    """
    columns: dict[str, pl.Series] = {}
    if dialect.time_column:
        count = recording.samples.shape[1]
        time_s = recording.start_s + np.arange(count, dtype=np.float64) / recording.rate_hz
        columns["time"] = pl.Series(time_s * TIME_UNITS[dialect.time_unit])
    for k, (row, unit) in enumerate(zip(recording.samples, recording.units, strict=True)):
        factor = 1e3 if dialect.millivolts and unit == "V" else 1.0
        column = pl.Series(row * factor + 0.0)
        missing = np.zeros(row.size, dtype=bool)
        if dialect.lost == "empty":
            missing |= np.isnan(row)
        if dialect.off_screen == "empty":
            missing |= np.isinf(row)
        if missing.any():
            column = column.set(pl.Series(missing), None)
        columns[f"ch{k + 1}"] = column
    decimals = dialect.value_decimals
    if dialect.time_column:
        decimals = max(decimals, _time_decimals(recording.rate_hz, dialect.time_unit))
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        head = _head(recording, dialect)
        file.write((b"\xef\xbb\xbf" if dialect.byte_order_mark else b"") + head.encode())
        pl.DataFrame(columns).write_csv(
            file,
            include_header=False,
            separator=dialect.delimiter,
            line_terminator=dialect.line_end,
            decimal_comma=dialect.decimal_comma,
            float_precision=decimals,
            float_scientific=False,
        )
