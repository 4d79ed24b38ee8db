"""What the lines above the table say: sample interval or rate, time of the first sample."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipelines.errors import UnreadableFile
from pipelines.readers._cells import is_number, name_and_unit, split_cells, unit_of

_RATE_KEY = re.compile(
    r"(?:(?:sampl\w*|acquisition|scan) ?(?:rate|freq(?:uency)?)|samples? per second|samples/s|rate|fs"
    r"|abtast(?:rate|frequenz)|fréquence d.échantillonnage|frecuencia de muestreo)"
)
_INTERVAL_KEY = re.compile(
    r"(?:(?:(?:sampl\w*|time|horizontal|x|point|scan)(?: time)? ?)?(?:intervall?|period|increment|spacing|step)"
    r"|sampl(?:e|ing) time|time per sample|seconds per sample|dt|delta t|Δt|δt|delta x"
    r"|abtast(?:intervall|periode|zeit))"
)
_START_KEY = re.compile(r"(?:start time|time of (?:the )?first sample|first sample(?: time| at)?|startzeit)")
_RATE_UNITS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "s/s": 1.0, "ks/s": 1e3, "ms/s": 1e6, "sa/s": 1.0}
_RATE_UNITS |= {"ksa/s": 1e3, "msa/s": 1e6, "sps": 1.0, "ksps": 1e3, "msps": 1e6, "1/s": 1.0, "/s": 1.0}
_RATE_UNITS |= {"samples/s": 1.0, "samples per second": 1.0, "samples/second": 1.0}
_PAIR = re.compile(r"^([^:=]+?)\s*[:=]\s*(.+)$")
_SPACED = re.compile(r"^([^\d]*?[^\d\s+\-.,])\s+([+-]?[.,]?\d.*)$")
_VALUE = re.compile(r"^([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(.*)$")


@dataclass(frozen=True, slots=True)
class Preamble:
    """Facts of the lines above the table, None where they say nothing."""

    interval_s: float | None = None
    start_s: float | None = None
    notes: tuple[str, ...] = ()


def read_preamble(lines: list[str], delimiter: str, decimal_comma: bool | None) -> Preamble:
    """Find the facts among free text and key/value lines.

    Args:
        lines: everything above the table, header and units rows not included.
        delimiter: the table's delimiter.
        decimal_comma: the table's decimal sign; None when its numbers are all whole.

    Raises:
        UnreadableFile: when two lines contradict each other, or a number can be read in two ways.
    """
    intervals: dict[str, float] = {}
    start_s = None
    notes: list[str] = []
    for line in lines:
        for key, value in _pairs(line, delimiter, decimal_comma):
            name, key_unit = name_and_unit(key)
            plain = re.sub(r"[\s_-]+", " ", name.lower()).strip(" #%;/*!.\"'")
            match = _VALUE.match(value.strip().strip('"'))
            if match is None:
                continue
            number, unit_text = match.group(1), match.group(2).strip().strip("()[]{} ,;")
            unit_text = unit_text or (key_unit.text if key_unit else _bracketed(key))
            if _RATE_KEY.fullmatch(plain):
                factor = _RATE_UNITS.get(unit_text.lower(), None if unit_text else 1.0)
                rate_hz = _number(number, decimal_comma, key) if factor is not None else None
                if factor is not None and rate_hz:
                    intervals[line.strip()] = 1.0 / (rate_hz * factor)
                    if not unit_text:
                        notes.append(f"{name!r} names no unit; it was read as samples per second.")
            elif _INTERVAL_KEY.fullmatch(plain) or _START_KEY.fullmatch(plain):
                unit = unit_of(unit_text) if unit_text else None
                if unit_text and (unit is None or unit.kind != "time"):
                    continue
                seconds = _number(number, decimal_comma, key)
                if seconds is None:
                    continue
                seconds *= unit.factor if unit else 1.0
                if not unit:
                    notes.append(f"{name!r} names no unit; it was read as seconds.")
                if _START_KEY.fullmatch(plain):
                    start_s = seconds
                else:
                    intervals[line.strip()] = seconds
    return Preamble(_agreed(intervals), start_s, tuple(dict.fromkeys(notes)))


def _agreed(intervals: dict[str, float]) -> float | None:
    good = {line: value for line, value in intervals.items() if value > 0}
    if not good:
        return None
    low, high = min(good, key=good.__getitem__), max(good, key=good.__getitem__)
    if good[high] > 1.001 * good[low]:
        raise UnreadableFile(
            f"The lines {low!r} and {high!r} above the table contradict each other; correct one of them, "
            "or export the capture with a time column."
        )
    return good[low]


def _bracketed(key: str) -> str:
    match = re.search(r"[(\[]([^)\]]+)[)\]]\s*$", key)
    return match.group(1).strip() if match else ""


def _pairs(line: str, delimiter: str, decimal_comma: bool | None) -> list[tuple[str, str]]:
    """Every `key: value`, `key = value`, `key<delimiter>value[<delimiter>unit]` or `key value` in a line."""
    text = line.strip().lstrip("#%!*/ ")
    if decimal_comma and delimiter == "," and '"' not in text and _PAIR.match(text):
        # the table quotes its numbers, free text above does not: `sample interval: 0,002 s` is one value
        parts = [part.strip() for part in re.split(r",(?!\d)|(?<!\d),", text)]
    else:
        parts = split_cells(text, delimiter)
    cells = [cell for cell in parts if cell]
    found: list[tuple[str, str]] = []
    for cell in dict.fromkeys((text, *cells)):
        pair = _PAIR.match(cell) or _SPACED.match(cell)
        if pair:
            found.append((pair.group(1), pair.group(2)))
    for position, cell in enumerate(cells[:-1]):
        key = cell.rstrip(":= ")
        value = cells[position + 1]
        if _VALUE.match(key) is None and _VALUE.match(value):
            unit = cells[position + 2] if position + 2 < len(cells) else ""
            alone = is_number(value, decimal_comma=False) or is_number(value, decimal_comma=True)
            found.append((key, f"{value} {unit}" if alone and _is_unit(unit) else value))
    return found


def _is_unit(text: str) -> bool:
    bare = text.strip("()[]{} ")
    return bare.lower() in _RATE_UNITS or (bare not in ("MV", "MA") and unit_of(bare) is not None)


def _number(text: str, decimal_comma: bool | None, key: str) -> float | None:
    """The number of a preamble value.

    Raises:
        UnreadableFile: where a single comma can be a decimal sign or a thousands separator.
    """
    if "," in text:
        thousands = re.fullmatch(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?", text) is not None
        if thousands and (decimal_comma is False or text.count(",") > 1 or "." in text):
            text = text.replace(",", "")
        elif thousands and decimal_comma is None and not text.startswith("0"):
            raise UnreadableFile(
                f"The value {text!r} of {key.strip()!r} above the table can be read in two ways "
                "(decimal comma or thousands); write it without a comma."
            )
        else:
            text = text.replace(",", ".")
    try:
        return float(text)
    except ValueError:
        return None
