"""One channel made ready: units, gaps, rails, the scope's step, and the lighter stretch that is looked at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]

WORK_RATE_HZ = 40_000.0
LONGEST_S = 0.8
BLOCK_S = 0.01
SLOW_S = 0.012
HELD_IN = 5.0
RAIL_RUN = 3


@dataclass(frozen=True, slots=True)
class Trace:
    """The channel on the working time base, cut to the stretch that is looked at.

    Attributes:
        values: shape (samples,), V or A, working rate, gaps filled by straight lines.
        flat: `values` without their slow course, spikes held in.
        rate_hz: working rate (the record's own, or a whole fraction of it).
        file_rate_hz: the record's own rate.
        first_s: time of the first of `values` after the record's first sample.
        record_s: length of the whole record.
        gap_share: share of the record without a number.
        step: the smallest step between two values; 0 where it cannot be told.
    """

    values: Floats
    flat: Floats
    rate_hz: float
    file_rate_hz: float
    first_s: float
    record_s: float
    gap_share: float
    step: float


def prepare(samples: Samples, rate_hz: float, scale: float) -> Trace | None:
    """One channel, shape (samples,), as a `Trace`; None where it holds fewer than 16 finite samples.

    `scale` multiplies the file's number into V or A.
    """
    known = int(np.count_nonzero(np.isfinite(samples)))
    if known < 16:
        return None
    if known < len(samples):
        place = np.flatnonzero(np.isfinite(samples))
        filled = np.interp(np.arange(len(samples)), place, samples[place])
        whole: Samples = filled.astype(np.float32)
    else:
        whole = samples
    # a short record of a fast scope keeps enough samples to say that it is too short
    every = max(1, min(int(rate_hz / WORK_RATE_HZ), len(whole) // 64))
    work_hz = rate_hz / every
    longest = int(LONGEST_S * work_hz)
    coarse = len(whole) // every
    begin = _liveliest(whole, every, longest, work_hz) if coarse > 1.3 * longest else 0
    part = whole[begin * every : min(begin + longest, coarse) * every] if begin or coarse > longest else whole
    part = part[: len(part) // every * every]
    values = (
        part.reshape(-1, every).mean(axis=1).astype(np.float64) * scale if every > 1 else part * float(scale)
    )
    return Trace(
        np.asarray(values, dtype=np.float64),
        flatten(np.asarray(values, dtype=np.float64), work_hz),
        work_hz,
        rate_hz,
        begin / work_hz,
        len(samples) / rate_hz,
        1.0 - known / len(samples),
        step_of(part) * abs(scale),
    )


def _liveliest(samples: Samples, every: int, longest: int, work_hz: float) -> int:
    """First working sample of the stretch whose ripple is everywhere large: not the engine at rest or cranking."""
    block = max(8, int(BLOCK_S * work_hz)) * every
    rows = samples[: len(samples) // block * block].reshape(-1, block)
    thin = rows[:, : every * 64 : every].astype(np.float64) if block // every > 64 else rows[:, ::every]
    size = np.abs(np.diff(thin, axis=1)).mean(axis=1)
    window = max(1, longest * every // block)
    if len(size) <= window:
        return 0
    # a quarter of a stretch may be quiet before another one is preferred; of equal ones the latest
    stretches = np.lib.stride_tricks.sliding_window_view(size, window)[::4]
    lowest = np.partition(stretches, window // 10, axis=1)[:, window // 10]
    good = np.flatnonzero(lowest >= 0.7 * lowest.max())
    return int(4 * good[-1]) * block // every


def flatten(values: Floats, rate_hz: float) -> Floats:
    """Values without their slow course, spikes held in."""
    ripple = values - uniform_filter1d(values, min(int(SLOW_S * rate_hz) | 1, 2 * (len(values) // 2) - 1))
    size = 1.4826 * float(np.median(np.abs(ripple[:: max(1, len(ripple) // 4000)]))) + 1e-12
    return np.asarray(np.clip(ripple, -HELD_IN * size, HELD_IN * size))


def step_of(samples: Samples) -> float:
    """Smallest step between values that occur, 0 where the values lie as close as float32 allows."""
    values = np.unique(samples[-8_000:])
    if len(values) < 2:
        return 0.0
    gaps = np.diff(values)
    real = gaps[gaps > float(np.abs(values).max()) * 1e-6]
    return float(np.quantile(real, 0.05)) if len(real) else 0.0


def clipped(samples: Samples, gap_share: float) -> bool:
    """Whether the record piles up at one end of the screen, or leaves it."""
    if gap_share > 0.001:
        return True
    for rail, way in ((float(samples.max()), 1), (float(samples.min()), -1)):
        at = samples == np.float32(rail)
        count = int(np.count_nonzero(at))
        if count < max(RAIL_RUN, 5e-4 * len(samples)):
            continue
        runs = int(np.count_nonzero(at[2:] & at[1:-1] & at[:-2]))
        inside = samples[~at]
        if runs < 3e-4 * len(samples) or not len(inside):
            continue
        beside = float(inside.max() if way > 0 else inside.min())
        if count > 3 * int(np.count_nonzero(inside == np.float32(beside))):
            return True
    return False
