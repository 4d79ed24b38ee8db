"""Named arrays, as the self-describing formats hold them, made into a waveform by one set of rules.

A column is time when its name or its unit says so; without one, the file has to state a sample rate or a
sample interval. A column's unit stands in its own attribute or in its name (`channel 1 (mV)`), as in text.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipelines.errors import ShopspreadError, UnreadableFile
from pipelines.readers._cells import Unit, name_and_unit, names_index, names_time, unit_of
from pipelines.readers._timebase import Timebase, timebase
from pipelines.source import MAX_BYTES, UNZIPPED_BYTES, UNZIPPED_RATIO
from pipelines.waveform import Waveform

# Names under which files state how fast they were sampled: Hz, and s.
RATES = ("rate_hz", "sample_rate_hz", "sample_rate", "samplerate", "sampling_rate", "fs", "fs_hz")
INTERVALS = ("interval_s", "sample_interval_s", "sample_interval", "dt", "dt_s", "delta_t")
STARTS = ("start_s", "t0", "t0_s")


@dataclass(frozen=True, slots=True)
class Labelled:
    """One array of a file: its name, its values of shape (samples,), and its unit where the file states one."""

    name: str
    values: npt.NDArray[Any]
    unit: str = ""


def too_large(count: int, file_bytes: int) -> None:
    """Refuse what would not fit, by the number of values a file states, before any is read.

    Args:
        count: values stated.
        file_bytes: bytes of the file that states them; a small file may grow to `UNZIPPED_BYTES` without question.

    Raises:
        UnreadableFile: beyond 512 MiB of 4-byte values, or beyond 100 times the file.
    """
    wanted = 4 * count
    if wanted > MAX_BYTES or wanted > max(UNZIPPED_BYTES, UNZIPPED_RATIO * file_bytes):
        raise UnreadableFile(
            f"The file of {file_bytes} bytes states {count} values; save the stretch that matters only."
        )


def stated(about: Mapping[str, Any]) -> dict[str, float]:
    """`rate_hz` and `start_s` out of a file's own attributes, as far as it states them."""
    plain = {str(name).strip().lower().replace(" ", "_"): value for name, value in about.items()}
    found: dict[str, float] = {}
    for names, key, invert in (
        (RATES, "rate_hz", False),
        (INTERVALS, "rate_hz", True),
        (STARTS, "start_s", False),
    ):
        for name in names:
            value = _scalar(plain.get(name))
            if value is not None and key not in found and (value > 0 or key == "start_s"):
                found[key] = 1.0 / value if invert else value
    return found


def _scalar(value: Any) -> float | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", errors="replace")
    try:
        number = float(np.asarray(value).reshape(-1)[0]) if not isinstance(value, str) else float(value)
    except (TypeError, ValueError, IndexError):
        return None
    return number if np.isfinite(number) else None


def waveform_of(columns: Iterable[Labelled], about: Mapping[str, Any], notes: Iterable[str] = ()) -> Waveform:
    """The waveform of a file's arrays, in s, V and A as far as the file names its units.

    Args:
        columns: the arrays in file order.
        about: the file's attributes, for sample rate and start.
        notes: what was decided before.

    Raises:
        UnreadableFile: when nothing says how fast the samples were taken, or the arrays differ in length.
    """
    said, facts = list(notes), stated(about)
    time: Labelled | None = None
    channels: list[tuple[str, Unit | None, npt.NDArray[Any]]] = []
    for place, column in enumerate(columns):
        name, unit = name_and_unit(column.name)
        if column.unit:
            name, unit = column.name.strip(), unit_of(column.unit) or Unit(column.unit, "other", 1.0)
        if column.values.ndim != 1 or column.values.dtype.kind not in "fiubmM":
            said.append(f"{column.name!r} holds no single row of numbers and was left out.")
        elif time is None and ((unit and unit.kind == "time") or names_time(name, first=place == 0)):
            factor = unit.factor if unit and unit.kind == "time" else 1.0
            time = Labelled(name, _seconds(column.values) * factor)
        elif place == 0 and names_index(name):
            said.append(f"{column.name!r} only counts the samples and was left out.")
        else:
            channels.append((name, unit, column.values))
    if not channels:
        raise UnreadableFile("The file holds no channel of numbers; save the capture again.")
    lengths = {values.size for *_, values in channels} | ({time.values.size} if time else set())
    if len(lengths) != 1:
        raise UnreadableFile(
            f"The channels differ in length ({', '.join(map(str, sorted(lengths)))} samples); "
            "export all channels over one time axis."
        )
    base, kept = _base(time, facts, said)
    return _build(channels, base, kept, said)


def _seconds(values: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    """Times as float64; dates and durations become s (NaT becomes NaN)."""
    if values.dtype.kind in "mM":
        gone = np.isnat(values)
        zero = values[~gone][0] if not gone.all() else values[0]
        steps = (values - zero) if values.dtype.kind == "M" else values
        seconds = steps / np.timedelta64(1, "ns") * 1e-9
        return np.where(gone, np.nan, seconds)
    return values.astype(np.float64)


def _base(
    time: Labelled | None, facts: Mapping[str, float], said: list[str]
) -> tuple[Timebase, npt.NDArray[np.bool_] | None]:
    if time is None:
        if "rate_hz" not in facts:
            raise UnreadableFile(
                "Nothing says how fast the samples were taken: there is no time column, and no attribute such "
                "as 'rate_hz' or 'interval_s'. Export the capture with a time column."
            )
        return Timebase(facts["rate_hz"], facts.get("start_s", 0.0)), None
    kept = np.isfinite(time.values)
    if int(kept.sum()) < 2:
        raise UnreadableFile("The file holds fewer than two samples with a time; save the capture again.")
    if not kept.all():
        said.append(f"{int((~kept).sum())} samples without a time were left out.")
    values = time.values[kept]
    # Numbers stored in binary are as fine as their own type: float32 times step visibly.
    with np.errstate(over="ignore"):  # a broken file's times: refused just below
        place_s = float(np.spacing(np.float32(np.abs(values).max())))
    base = timebase(values, place_s, 1)
    stated_hz = facts.get("rate_hz")
    if stated_hz is not None and abs(stated_hz / base.rate_hz - 1.0) > 0.01:
        said.append(
            f"The file states {stated_hz:.6g} samples a second, its time column {base.rate_hz:.6g}; "
            "the time column was used."
        )
    return base, kept


def _build(
    channels: list[tuple[str, Unit | None, npt.NDArray[Any]]],
    base: Timebase,
    kept: npt.NDArray[np.bool_] | None,
    said: list[str],
) -> Waveform:
    count = channels[0][2].size if kept is None else int(kept.sum())
    length = count if base.index is None else int(base.index[-1]) + 1
    samples = np.full((len(channels), length), np.nan, dtype=np.float32)
    for row, (_, unit, values) in enumerate(channels):
        with np.errstate(over="ignore"):  # too large for float32 is off every scope's screen
            column = (values if kept is None else values[kept]).astype(np.float32)
        off_screen = ~np.isfinite(column)
        if off_screen.any():
            said.append(f"Channel {row + 1} has {int(off_screen.sum())} samples without a number.")
            column = np.where(off_screen, np.float32(np.nan), column)
        samples[row, slice(None) if base.index is None else base.index] = column * np.float32(
            unit.factor if unit else 1.0
        )
        if unit is not None and unit.kind == "other":
            said.append(
                f"Channel {row + 1} is in {unit.text!r}; its numbers were kept as written. Give the volts or "
                "amperes of one unit as its scale in captures.csv."
            )
    labels = tuple(name for name, *_ in channels)
    return Waveform(base.rate_hz, base.start_s, samples, labels, (*said, *base.notes))


@contextmanager
def library(
    kind: str, advice: str = "save the capture again, or export it as delimited text"
) -> Iterator[None]:
    """Around a library that reads a file already in memory: whatever it raises is about the file.

    None of these libraries documents what a broken file makes it raise; KeyError, RuntimeError, ZeroDivisionError
    and SystemError were all seen.

    Raises:
        UnreadableFile: in the place of whatever the library raised, with its words and the advice.
        NotThisFormat: as it was raised inside.
    """
    try:
        yield
    except ShopspreadError:
        raise
    except Exception as error:
        reason = " ".join(str(error).split())[:200] or type(error).__name__
        raise UnreadableFile(
            f"The {kind} file is broken or of a kind that cannot be read ({reason}); {advice}."
        ) from error


def missing(kind: str, extra: str) -> UnreadableFile:
    """The error for a file whose optional library is not installed."""
    return UnreadableFile(
        f"Reading {kind} files needs one more library: install it with pip install 'shopspread[{extra}]', then "
        "ingest again with --reread. Or export the capture as delimited text."
    )
