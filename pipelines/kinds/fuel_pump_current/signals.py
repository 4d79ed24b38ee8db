"""One channel made ready: units, gaps, rails, the scope's step, and a lighter copy to search in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

Values = TypeVar("Values", Floats, npt.NDArray[np.complex128])

WORK_RATE_HZ = 25_000.0
RAIL_RUN = 3


@dataclass(frozen=True, slots=True)
class Trace:
    """The pump's current on the record's own and on the working time base.

    Attributes:
        amps: shape (samples,), A, working rate, gaps filled by straight lines.
        rate_hz: working rate (the record's own, or a whole fraction of it).
        file_rate_hz: the record's own rate.
        gap_share: share of the record without a number.
        high_rail, low_rail: share of the record stuck at its highest and lowest value for three samples or more.
        step_a: the smallest step between two values in A; 0 where it cannot be told.
        fast_a: r.m.s. of what the working rate averaged away, in A.
    """

    amps: Floats
    rate_hz: float
    file_rate_hz: float
    gap_share: float
    high_rail: float
    low_rail: float
    step_a: float
    fast_a: float

    @property
    def duration_s(self) -> float:
        """Length of the record in s."""
        return len(self.amps) / self.rate_hz


def prepare(samples: npt.NDArray[np.float32], rate_hz: float, scale: float) -> Trace | None:
    """One channel as a `Trace`, or None where it holds fewer than 16 finite samples.

    `samples` has shape (samples,); `scale` multiplies the file's number into A.
    """
    finite = np.isfinite(samples)
    known = int(np.count_nonzero(finite))
    if known < 16:
        return None
    gap = 1.0 - known / len(samples)
    if gap:
        place = np.flatnonzero(finite)
        samples = np.interp(np.arange(len(samples)), place, samples[place]).astype(np.float32)
    high, low = _rail(samples, float(samples.max())), _rail(samples, float(samples.min()))
    # a record of less than that at the working rate keeps enough samples to say that it is too short
    every = max(1, min(int(rate_hz / WORK_RATE_HZ), len(samples) // 16))
    if every > 1:
        blocks = samples[: len(samples) // every * every].reshape(-1, every)
        mean = blocks.mean(axis=1)
        part = blocks[:: max(1, len(blocks) // 4000)]
        fast = float(np.sqrt(np.mean(np.var(part, axis=1))))
        amps = mean.astype(np.float64)
    else:
        amps, fast = samples.astype(np.float64), 0.0
    return Trace(
        amps * scale,
        rate_hz / every,
        rate_hz,
        gap,
        high,
        low,
        _step(samples) * abs(scale),
        fast * abs(scale),
    )


def _rail(samples: npt.NDArray[np.float32], value: float) -> float:
    """Share of the samples that sit at `value` in runs of at least `RAIL_RUN`."""
    at = samples == np.float32(value)
    count = int(np.count_nonzero(at))
    if count < RAIL_RUN:
        return 0.0
    runs = at[2:] & at[1:-1] & at[:-2]
    return float(np.count_nonzero(runs)) / len(samples)


def _step(samples: npt.NDArray[np.float32]) -> float:
    """Smallest step between values that occur, 0 where the values lie as close as float32 allows."""
    part = samples if len(samples) <= 20_000 else samples[-20_000:]
    values = np.unique(part)
    if len(values) < 2:
        return 0.0
    gaps = np.diff(values)
    size = float(np.abs(values).max())
    real = gaps[gaps > size * 1e-6]
    if len(real) == 0:
        return 0.0
    return float(np.quantile(real, 0.05))


def moving_mean(values: Values, width: int) -> Values:
    """Centred mean over `width` samples (odd), shorter windows at both ends; same shape as `values`."""
    count, half = len(values), min(max(0, width // 2), (len(values) - 1) // 2)
    total = np.concatenate([np.zeros(1, values.dtype), np.cumsum(values)])
    result = np.empty_like(values)
    full = 2 * half + 1
    result[half : count - half] = (total[full:] - total[:-full]) / full
    edge = np.arange(half)
    result[:half] = total[half + 1 : full] / (edge + half + 1)
    result[count - half :] = (total[-1] - total[count - 2 * half : count - half]) / (2 * half - edge)
    return result
