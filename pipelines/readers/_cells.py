"""What a cell of delimited text can be: a number, a sample off the screen, a unit, a name."""

from __future__ import annotations

import csv
import re
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal

from pipelines.errors import UnreadableFile

_POINT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?")

# What stands where a sample left the screen or is missing, and the number polars shall read for it.
TOKENS: dict[str, str | None] = {
    "": None,
    "inf": "inf",
    "+inf": "inf",
    "-inf": "-inf",
    "infinity": "inf",
    "+infinity": "inf",
    "-infinity": "-inf",
    "∞": "inf",
    "+∞": "inf",
    "-∞": "-inf",
    "−∞": "-inf",
    "nan": None,
    "-nan": None,
    "null": None,
    "na": None,
    "n/a": None,
    "-": None,
    "--": None,
    "---": None,
}

UnitKind = Literal["time", "value", "other"]


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as written: what it measures and the factor to s, V or A (1 where it is none of those)."""

    text: str
    kind: UnitKind
    factor: float


_TIME = {"s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0}
_TIME |= {"ms": 1e-3, "msec": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3}
_TIME |= {"us": 1e-6, "usec": 1e-6, "µs": 1e-6, "μs": 1e-6, "microsecond": 1e-6, "microseconds": 1e-6}
_TIME |= {"ns": 1e-9, "nanosecond": 1e-9, "nanoseconds": 1e-9}
_PREFIX = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6}
_VALUE = {f"{prefix}{unit}": factor for prefix, factor in _PREFIX.items() for unit in ("v", "a")}
_VALUE |= {"volt": 1.0, "volts": 1.0, "amp": 1.0, "amps": 1.0, "ampere": 1.0, "amperes": 1.0}
_VALUE |= {"millivolt": 1e-3, "millivolts": 1e-3, "milliamp": 1e-3, "milliamps": 1e-3, "kilovolt": 1e3}
# Kept as they are: a transducer's own quantity, which the capture's scale has to turn into V or A.
_OTHER = {"%", "kpa", "hpa", "mbar", "bar", "psi", "°c", "degc", "°", "deg", "rpm", "hz", "khz", "w", "ohm"}

_BRACKETED = re.compile(r"^(.*?)\s*[(\[{<]\s*([^()\[\]{}<>]{1,14})\s*[)\]}>]\s*$")
_SLASHED = re.compile(r"^(.+?)\s*/\s*([^\s/]{1,12})$")
_WORDED = re.compile(r"^(.+?)[\s_]+(?:in\s+)?([a-zµμ]{1,12})$", re.IGNORECASE)

_TIME_NAME = re.compile(r"\b(?:time|times|zeit|temps|tiempo|tempo|tijd|czas)\b")
_TIME_WORDS = {"t", "time", "times", "zeit", "temps", "tiempo", "tempo", "tijd", "czas", "timebase"}
_TIME_WORDS |= {
    "sec",
    "secs",
    "second",
    "seconds",
    "millisecond",
    "milliseconds",
    "microsecond",
    "microseconds",
}
_FIRST_AXIS = {"x", "x axis"}
_INDEX_NAME = re.compile(
    r"(?:samples?|index|idx|point|row|no|nr|number|n|#)(?: ?(?:no|nr|number|index|#))?\.?"
)


def split_cells(line: str, delimiter: str) -> list[str]:
    """The line's cells without surrounding blanks or quotes (RFC 4180 quoting)."""
    if '"' in line:
        with suppress(csv.Error):  # quotes that do not match: taken as they stand
            reader = csv.reader([line], delimiter=delimiter, skipinitialspace=True)
            return [cell.strip() for cell in next(reader)]
    return [cell.strip() for cell in line.split(delimiter)]


def is_number(cell: str, *, decimal_comma: bool) -> bool:
    """Whether the whole cell is one number, without thousands separators."""
    return (_COMMA if decimal_comma else _POINT).fullmatch(cell) is not None


def is_sample(cell: str, *, decimal_comma: bool) -> bool:
    """Whether the cell can stand for a sample: a number, or a mark for one that is missing."""
    return is_number(cell, decimal_comma=decimal_comma) or cell.lower() in TOKENS


def is_data_row(cells: list[str], *, decimal_comma: bool) -> bool:
    """Whether every cell can be a sample and at least one says something."""
    number = (_COMMA if decimal_comma else _POINT).fullmatch
    for cell in cells:  # hundreds of rows a file are asked
        if number(cell) is None and cell.lower() not in TOKENS:
            return False
    return any(cells)


def unit_of(text: str) -> Unit | None:
    """The unit a text names, with or without brackets around it; None when it names none.

    Raises:
        UnreadableFile: for a prefix that can mean two things (`MV`: milli or mega).
    """
    bare = text.strip().strip("()[]{}<>").strip()
    if bare in ("MV", "MA"):
        raise UnreadableFile(
            f"The unit {bare!r} can mean milli or mega; write m{bare[1]} (or {bare[1]}) in the file's units."
        )
    low = bare.lower()
    if low in _TIME:
        return Unit(bare, "time", _TIME[low])
    if low in _VALUE:
        return Unit(bare, "value", _VALUE[low])
    if low in _OTHER:
        return Unit(bare, "other", 1.0)
    return None


def name_and_unit(cell: str) -> tuple[str, Unit | None]:
    """A header cell taken apart: `Time (ms)`, `t / ms`, `time_ms`, `Volts in mV` -> name, unit."""
    for pattern in (_BRACKETED, _SLASHED, _WORDED):
        match = pattern.match(cell.strip())
        unit = unit_of(match.group(2)) if match else None
        if match is None or unit is None or (pattern is _WORDED and not _surely(unit, match.group(1))):
            continue
        return match.group(1).strip(), unit
    bracketed = _BRACKETED.match(cell.strip())
    if bracketed and bracketed.group(1):
        # In brackets, but nothing we know: named, so that the note can say so.
        return bracketed.group(1).strip(), Unit(bracketed.group(2).strip(), "other", 1.0)
    return cell.strip(), None


def _surely(unit: Unit, name: str) -> bool:
    """Whether a last word is a unit: `time s` and `ch1 mV` are, the `A` of `channel A` is a letter."""
    return names_time(name, first=True) if unit.kind == "time" else len(unit.text) > 1


def _plain(name: str) -> str:
    return re.sub(r"[\s_-]+", " ", name.lower()).strip()


def names_time(name: str, *, first: bool = False) -> bool:
    """Whether a column's name says that it holds time.

    `first`: it stands left of all others, where a longer name with `time` in it, or `x`, will do; further
    right, `dwell time` is a channel.
    """
    plain = _plain(name)
    return plain in _TIME_WORDS or (first and (plain in _FIRST_AXIS or _TIME_NAME.search(plain) is not None))


def names_index(name: str) -> bool:
    """Whether a column's name says that it only counts the samples."""
    return _INDEX_NAME.fullmatch(_plain(name)) is not None


def last_place(cell: str) -> float:
    """The value of one unit in the last printed place: `1.25` -> 0.01, `3.1e-4` -> 1e-5, `7` -> 1."""
    mantissa, _, exponent = cell.strip().lower().replace(",", ".").partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(10.0 ** ((int(exponent) if exponent else 0) - decimals))
