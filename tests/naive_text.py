"""The slow obvious twin of the delimited reader: told the layout, it reads line by line with `csv` and `float`."""

from __future__ import annotations

import csv
import io

import numpy as np
import numpy.typing as npt

from tests.text_dialects import TIME_FACTORS, VALUE_FACTORS, Dialect


def naive_read(
    content: bytes, dialect: Dialect, rate_hz: float | None = None
) -> tuple[float, npt.NDArray[np.float32]]:
    """rate_hz and samples (channels, samples) of a file written in a dialect we are told.

    `rate_hz` is needed only where there is no time column.
    """
    text = content.decode(dialect.encoding).replace("\r\n", "\n").replace("\r", "\n")
    below = "\n".join(text.split("\n")[len(dialect.head) :])
    times: list[float] = []
    samples: list[list[float]] = []
    for cells in csv.reader(io.StringIO(below), delimiter=dialect.delimiter, skipinitialspace=True):
        if not cells:
            continue
        values = [_value(cell, dialect.comma) for cell in (cells[:-1] if dialect.trailing else cells)]
        if dialect.time_unit is not None:
            times.append(values.pop(0) * TIME_FACTORS[dialect.time_unit])
        samples.append([value * VALUE_FACTORS[dialect.value_unit] for value in values])
    if times:
        rate_hz = (len(times) - 1) / (times[-1] - times[0])
    if rate_hz is None:
        raise ValueError("no time column: say the rate")
    return rate_hz, np.array(samples, dtype=np.float32).T


def _value(cell: str, comma: bool) -> float:
    try:
        value = float(cell.strip().replace(",", ".") if comma else cell)
    except ValueError:
        return float("nan")
    return value if np.isfinite(value) else float("nan")
