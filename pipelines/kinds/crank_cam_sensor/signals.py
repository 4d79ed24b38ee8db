"""One sensor's channel made ready: gaps filled, local level and swing, and whether it is a coil or a switch.

A variable-reluctance sensor is a coil whose flux the teeth change: its voltage is the flux's rate of change
(Faraday), so over a whole turn it averages to nothing and its height grows with the speed. A Hall sensor switches
between two levels. The flat time at two levels tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d, uniform_filter1d

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Samples = npt.NDArray[np.float32]

QUIET_SHARE = 0.04
"""Of the largest swing: below it the wheel is taken to stand."""
SWITCHED_FLAT = 0.72
SWITCHED_BETWEEN = 0.14
SMOOTH_SHARE = 0.07
RAIL_TIMES = 3.0
WORK_SAMPLES = 40
"""Of the file's samples, as many a tooth are enough: more are averaged."""
ROOM_FOR_SPIKES = 12
PARTS, PART = 5, 16_000


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel ready to look for teeth in.

    Attributes:
        volts: shape (samples,), V, lost samples bridged by straight lines; means of `every` samples of the file.
        lost: where samples were bridged; None where none was.
        rate_hz: of `volts`.
        every: samples of the file that make one.
        block: samples in a block of `middle_v` and `half_v`.
        middle_v, half_v: shape (blocks,): level to cross and half of the swing about it; `half_v` is inf where the
            wheel stands.
        switched: a sensor that switches between two levels, not a coil.
        period: usual samples from tooth to tooth.
        step_v: smallest step between two values, 0 where it cannot be told.
        clipped: piles up at an edge of the screen.
        raw: the file's samples in V, gaps bridged, single ones that stand out taken off.
    """

    volts: Floats
    lost: Bools | None
    rate_hz: float
    every: int
    block: int
    middle_v: Floats
    half_v: Floats
    switched: bool
    period: float
    step_v: float
    clipped: bool
    raw: Samples

    def time_s(self, at: Floats, start_s: float) -> Floats:
        """Times on the file's axis of places in samples."""
        return start_s + (at + 0.5 * (self.every - 1) / self.every) / self.rate_hz

    def middle_at(self, sample: Floats) -> Floats:
        """The level to cross at places of the record in samples."""
        return np.interp(sample, (np.arange(len(self.middle_v)) + 0.5) * self.block, self.middle_v)


def prepare(samples: Samples, rate_hz: float, scale: float) -> Trace | None:
    """One channel, shape (samples,), times `scale` in V, as a `Trace`; None where nothing swings in it."""
    finite = np.isfinite(samples)
    known = int(np.count_nonzero(finite))
    if known < 16:
        return None
    lost: Bools | None = None
    if known < len(samples):
        place = np.flatnonzero(finite)
        samples = np.interp(np.arange(len(samples)), place, samples[place]).astype(np.float32)
        lost = ~finite
    raw = samples * np.float32(scale)
    part = raw[:: max(1, len(raw) // 10_000)]
    low, high = (float(v) for v in np.quantile(part, [0.01, 0.99]))
    if not high > low:
        low, high = float(raw.min()), float(raw.max())
    if not high - low > 1e-5 * max(abs(high), abs(low), 1e-6):
        return None
    period, fast = _rough_period(raw, low, high)
    if not np.isfinite(period):
        return None
    if fast > ROOM_FOR_SPIKES:
        raw = _without_spikes(raw)
    every = max(1, int(fast / WORK_SAMPLES))
    whole = raw
    if every > 1:
        count = len(raw) // every
        raw = raw[: count * every].reshape(count, every).mean(axis=1)
        if lost is not None:
            lost = np.asarray(lost[: count * every].reshape(count, every).any(axis=1))
        period /= every
    block, middle, half, floor = _levels(raw, period, high - low)
    switched = _is_switched(raw, block, floor, half, low, high)
    width = int(SMOOTH_SHARE * period) if not switched else 0
    volts = _smooth(raw, width) if width >= 2 else raw.astype(np.float64)
    if switched:
        middle = floor + half
    half = np.where(half < QUIET_SHARE * half.max(), np.inf, half)
    clipped = not switched and _clipped(samples, ~finite if known < len(samples) else None)
    step = _step(samples) * abs(scale)
    return Trace(
        volts, lost, rate_hz / every, every, block, middle, half, switched, period, step, clipped, whole
    )


def _rough_period(raw: Samples, low: float, high: float) -> tuple[float, float]:
    """Samples from tooth to tooth, usual and where the wheel is fast; NaN where it hardly swings."""
    if len(raw) > 2 * PARTS * PART:
        starts = np.linspace(0, len(raw) - PART, PARTS).astype(np.int64)
        waits = [_waits(raw[at : at + PART], low, high) for at in starts]
        usual = [float(np.quantile(one, 0.3)) for one in waits if len(one) >= 4]
        if len(usual) > 1:
            return float(np.median(usual)), min(
                float(np.quantile(one, 0.1)) for one in waits if len(one) >= 4
            )
        # no part holds several teeth, so that leaving out samples loses none
        every = len(raw) // (PARTS * PART)
        slow = _waits(raw[::every], low, high) * every
    else:
        slow = _waits(raw, low, high)
    if len(slow) < 3:
        return float("nan"), float("nan")
    return float(np.quantile(slow, 0.3)), float(np.quantile(slow, 0.05))


def _waits(raw: Samples, low: float, high: float) -> Floats:
    middle, quarter = (low + high) / 2, (high - low) / 5
    code = (raw > middle + quarter).astype(np.int8) - (raw < middle - quarter)
    place = np.flatnonzero(code)
    if len(place) < 4:
        return np.empty(0)
    sign = code[place]
    return np.diff(place[1:][(sign[1:] > 0) & (sign[:-1] < 0)]).astype(np.float64)


def _without_spikes(raw: Samples) -> Samples:
    """The middle of each three samples: a spark nearby lasts less than that, an edge stays."""
    before, here, after = raw[:-2], raw[1:-1], raw[2:]
    low, high = np.minimum(before, here), np.maximum(before, here)
    out = raw.copy()
    out[1:-1] = np.maximum(low, np.minimum(high, after))
    return out


def _levels(raw: Samples, period: float, swing: float) -> tuple[int, Floats, Floats, Floats]:
    """Block length, local mean, half swing and lowest level by block of three teeth."""
    block = int(np.clip(3 * period, 4, max(4, len(raw) // 3)))
    count = max(1, len(raw) // block)
    table = raw[: count * block].reshape(count, block)
    mean = table.mean(axis=1, dtype=np.float64)
    # a spike of another circuit raises one block: the middle of three does not hold it
    top = median_filter(table.max(axis=1).astype(np.float64), 3, mode="nearest")
    bottom = median_filter(table.min(axis=1).astype(np.float64), 3, mode="nearest")
    top, bottom = maximum_filter1d(top, 5, mode="nearest"), minimum_filter1d(bottom, 5, mode="nearest")
    top, bottom = uniform_filter1d(top, 3, mode="nearest"), uniform_filter1d(bottom, 3, mode="nearest")
    half = np.maximum((top - bottom) / 2, 1e-9 * swing)
    return block, uniform_filter1d(mean, min(21, count), mode="nearest"), half, bottom


def _is_switched(raw: Samples, block: int, floor: Floats, half: Floats, low: float, high: float) -> bool:
    every = max(1, len(raw) // 8_000)
    at = np.minimum(np.arange(0, len(raw), every) // block, len(half) - 1)
    live = half[at] > 0.3 * (high - low) / 2
    if not live.any():
        return False
    share = ((raw[::every] - floor[at]) / (2 * half[at]))[live]
    flat = np.count_nonzero((np.abs(share) < 0.17) | (np.abs(share - 1) < 0.17)) / len(share)
    between = np.count_nonzero(np.abs(share - 0.5) < 0.17) / len(share)
    return bool(flat > SWITCHED_FLAT and between < SWITCHED_BETWEEN)


def _smooth(raw: Samples, width: int) -> Floats:
    """Mean over `width` samples (made odd), centred; the ends keep their own values."""
    half = width // 2
    total = np.concatenate([np.zeros(1), np.cumsum(raw, dtype=np.float64)])
    out = raw.astype(np.float64)
    full = 2 * half + 1
    if len(raw) > full:
        out[half : len(raw) - half] = (total[full:] - total[:-full]) / full
    return out


def _clipped(samples: Samples, lost: Bools | None) -> bool:
    """Whether the record piles up at its highest or lowest value, or leaves the screen tooth by tooth."""
    if lost is not None:
        edge = np.flatnonzero(lost[1:] & ~lost[:-1])
        if len(edge) > 8:
            middle = float(np.median(samples[:: max(1, len(samples) // 8_000)]))
            before = float(np.median(np.abs(samples[edge] - middle)))
            return before > 0.7 * float(np.abs(samples - middle).max())
    for rail, way in ((np.float32(samples.max()), 1), (np.float32(samples.min()), -1)):
        at = samples == rail
        if np.count_nonzero(at) < 12 or np.count_nonzero(at[2:] & at[1:-1] & at[:-2]) < 4:
            continue
        inside = np.where(at, np.float32(-way * np.inf), samples)
        beside = np.float32(inside.max() if way > 0 else inside.min())
        # a step of the scope at the top of a pulse is rarer than the one below it; an edge is much more frequent
        next_to_it = int(np.count_nonzero(inside == beside))
        if int(np.count_nonzero(at)) > RAIL_TIMES * max(1, next_to_it):
            return True
    return False


def _step(samples: Samples) -> float:
    """Smallest step between values that occur, 0 where the values lie as close as float32 allows."""
    values = np.unique(samples[:: max(1, len(samples) // 8_000)])
    if len(values) < 2:
        return 0.0
    gaps = np.diff(values)
    real = gaps[gaps > float(np.abs(values).max()) * 1e-6]
    return float(np.quantile(real, 0.05)) if len(real) else 0.0
