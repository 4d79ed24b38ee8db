"""Pulses on the sync channel: excursions up at three thresholds and the ends of excursions down."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.signals import SyncTrace
from pipelines.kinds.relative_compression.values import Array, last_code, middle_of, smallest_gap
from pipelines.waveform import Samples

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.floating]

BASE_S = 0.08
LONGEST_PULSE_S = 0.012  # a dwell lasts up to about 8 ms; a ripple of the supply several times that
RINGS = 3  # samples: a burst rings through zero
BRIEFEST_DWELL_S = 0.0012
HELD_LOW = 0.35  # of the battery's level, at the most
STRIKE_GAP_S = 0.018  # strikes of one firing follow each other faster than firings do on any engine
CUT_OFF_BELOW_V = 150.0  # a coil primary jumps higher than this unless the screen ends first
PULSE_OVER_BASE = (
    0.35  # a dwell pulls a primary from the battery's level to about zero, a flyback lifts it far above
)


@dataclass(frozen=True, slots=True)
class PulseTrain:
    """Firings seen on the sync channel, one time each, in s on the file's axis.

    `cut_off`: the tops are all alike and low: the screen's edge, not the coil. `heights`: of each firing above the
    baseline in V, empty where not looked at. `dwells`: told by the driver's dwell alone. `width`: how many samples a
    pulse usually has, NaN where not looked at.
    """

    times_s: Array
    cut_off: bool
    heights: Array = field(default_factory=lambda: np.empty(0))
    dwells: bool = False
    width: float = np.nan


class PulseTrains:
    """Candidate trains, each looked for only when it is asked for: the first is mostly enough."""

    def __init__(self, found: Iterable[PulseTrain] = ()) -> None:
        self._more = iter(found)
        self._known: list[PulseTrain] = []

    def __iter__(self) -> Iterator[PulseTrain]:
        yield from self._known
        for train in self._more:
            self._known.append(train)
            yield train


def pulse_trains(trace: SyncTrace, spans_s: list[tuple[float, float]]) -> PulseTrains:
    """Candidate trains of two pulses or more: excursions up at three thresholds, and the ends of excursions down
    (the dwell)."""
    return PulseTrains(train for train in _candidates(trace, spans_s) if train.times_s.size >= 2)


def _candidates(trace: SyncTrace, spans_s: list[tuple[float, float]]) -> Iterator[PulseTrain]:
    rate = trace.rate_hz
    begin = max(0, int((spans_s[0][0] - trace.start_s - 0.3) * rate))
    end = min(trace.high.size, int((spans_s[-1][1] - trace.start_s + 2.5) * rate) + 1)
    if end - begin < 16:
        return
    high, low = trace.high[begin:end], trace.low[begin:end]
    base = _baseline(high, rate)
    start_s = trace.start_s + begin / rate
    cranked_s = sum(b - a for a, b in spans_s)
    resting = middle_of(base[:: max(1, base.size // 2000)])
    step = smallest_gap(high[:: max(1, high.size // 2000)])
    pickup = trace.named == "ignition_pickup"
    for down in (False,) if pickup else (False, True):
        # a pickup's burst rings both ways
        up = np.maximum(high - base, base - low) if pickup else base - low if down else high - base
        floor, top = _heights(up, rate, cranked_s)
        floor = 0.0 if floor <= 1.01 * step else floor  # one code to and fro is the converter, not noise
        for share in (0.5, 0.2, 0.08):
            if share == 0.5 and top < PULSE_OVER_BASE * abs(resting):
                break  # crosstalk on a lead that sits on the battery
            # a logic level on a wide screen is one code high; a threshold below half of that has no meaning
            least = max(2.5 * floor, 0.45 * step) if share == 0.5 else max(4.0 * floor, 2.2 * step)
            if share * top < least:
                break
            at = np.flatnonzero(up > share * top)
            if share == 0.5 and _usual_width(at) > LONGEST_PULSE_S * rate:
                break  # a ripple, not a pulse
            train = _first_of_groups(at, rate, ends=down)
            cut_off = _is_cut_off(high, at, top, step, rate, trace.off_screen)
            yield PulseTrain(
                start_s + train / rate, cut_off, _heights_of(up, at, rate), width=_usual_width(at, RINGS)
            )
    if not pickup and resting > 0:
        yield PulseTrain(start_s + _dwell_ends(high, base, rate) / rate, False, dwells=True)


def _dwell_ends(high: Samples, base: Samples, rate_hz: float) -> Array:
    """Where a primary that its own driver held low is let go, in samples.

    Neighbouring coils reach a lead by their flyback only: that is tall but brief, both ways. Nothing but its own driver
    holds it at about zero for the length of a dwell, however high the screen lets the flyback be seen.
    """
    held = np.flatnonzero(high < HELD_LOW * base)
    if held.size == 0:
        return np.empty(0)
    breaks = np.flatnonzero(np.diff(held) > 1)
    first, last = held[np.concatenate(([0], breaks + 1))], held[np.concatenate((breaks, [held.size - 1]))]
    long_s = (last - first + 1) / rate_hz
    dwell = (long_s >= max(BRIEFEST_DWELL_S, 3.0 / rate_hz)) & (long_s <= LONGEST_PULSE_S)
    return np.asarray(last[dwell] + 1.0)


def _baseline(x: Samples, rate_hz: float) -> Samples:
    """Median of each stretch of 80 ms, held over it, shape of `x`."""
    width = max(4, int(BASE_S * rate_hz))
    stride = max(1, width // 64)
    blocks = x.size // width
    if blocks == 0:
        return np.full(x.size, np.median(x), dtype=np.float32)
    part = x[: blocks * width].reshape(blocks, width)[:, ::stride]
    middle = np.partition(part, part.shape[1] // 2, axis=1)[:, part.shape[1] // 2]
    held = np.empty(x.size, dtype=np.float32)
    held[: blocks * width].reshape(blocks, width)[:] = middle[:, None]
    held[blocks * width :] = middle[-1]
    return held


def _usual_width(at: Ints, bridged: int = 0) -> float:
    """Median length of the runs in `at`, in samples; breaks of so many samples do not end one."""
    if at.size == 0:
        return 0.0
    breaks = np.flatnonzero(np.diff(at) > 1 + bridged)
    first, last = at[np.concatenate(([0], breaks + 1))], at[np.concatenate((breaks, [at.size - 1]))]
    return middle_of(last - first + 1.0)


def _heights(up: Floats, rate_hz: float, cranked_s: float) -> tuple[float, float]:
    """Height of the noise and of a usual pulse above the baseline."""
    few = np.abs(up[:: max(1, up.size // 3000)])
    # sorted whole: numpy's partition is several times slower on these long runs of equal values
    floor = float(np.sort(few)[int(0.75 * few.size)])
    width = max(1, int(0.04 * rate_hz))
    blocks = up[: up.size // width * width].reshape(-1, width).max(axis=1)
    ordered = np.sort(blocks)[::-1]
    return floor, float(ordered[min(max(1, int(0.3 * cranked_s)), ordered.size - 1)])


def _first_of_groups(at: Ints, rate_hz: float, *, ends: bool) -> Array:
    """First index of each group of strikes (or the end of its first unbroken run), as float."""
    if at.size == 0:
        return np.empty(0)
    apart = np.diff(at)
    starts = np.flatnonzero(np.concatenate(([True], apart > max(1.5, STRIKE_GAP_S * rate_hz))))
    if not ends:
        return at[starts].astype(np.float64)
    breaks = np.concatenate((np.flatnonzero(apart > max(1.5, 0.0006 * rate_hz)), [at.size - 1]))
    return at[breaks[np.searchsorted(breaks, starts)]].astype(np.float64) + 1.0


def _heights_of(up: Floats, at: Ints, rate_hz: float) -> Array:
    """Highest value of each group of strikes, as `_first_of_groups` parts them."""
    if at.size == 0:
        return np.empty(0)
    starts = np.flatnonzero(np.concatenate(([True], np.diff(at) > max(1.5, STRIKE_GAP_S * rate_hz))))
    return np.asarray(np.maximum.reduceat(up[at], starts), dtype=np.float64)


def _is_cut_off(high: Samples, at: Ints, top: float, step: float, rate_hz: float, off_screen: bool) -> bool:
    """Whether the pulses end at the last code of a converter, far below what a coil primary reaches."""
    if at.size < 4 or top > CUT_OFF_BELOW_V:
        return False
    if off_screen:
        return True
    values = high[at]
    starts = np.flatnonzero(np.concatenate(([True], np.diff(at) > STRIKE_GAP_S * rate_hz)))
    tops = np.maximum.reduceat(values, starts)
    edge = float(tops.max())
    return last_code(edge, step) and float(np.mean(tops >= edge - 0.3 * step)) > 0.5
