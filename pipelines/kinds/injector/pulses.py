"""Injector pulses in a voltage or a current: when the driver is on, and the mean course of the pulses of one place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.levels import creep, is_reversed, restored, runs
from pipelines.kinds.trace import Floats, Samples, Trace

Whole = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLIP_S, SHORTEST_S, LONGEST_S = 6e-5, 8e-4, 0.05
ON_SHARE, BEGIN_SHARE = 0.12, 0.35
ON_BELOW, KICK = 0.5, 1.6
HOLDS = 0.6
MOST = 800
EDGE_S = 3e-5
NEAR_END_S = 5e-4
LONGEST_FALL_S = 4.5e-4
FLAT = 0.2


@dataclass(frozen=True, slots=True)
class Pulses:
    """Every pulse of one channel that lies whole in the record; arrays of shape (pulses,).

    Attributes:
        begin_s, end_s: when the driver switches on and off, from the beginning of the record.
        level: settled current in A (NaN for a voltage). kick_v: highest voltage after the end (NaN for a current).
        hold: whether the driver lowers the current after a peak.
        supply_v, on_v: levels of a voltage, NaN for a current. zero: what a current channel shows at no current.
        reversed, blocked, off: leads the wrong way round; direct current blocked; top off the screen.
    """

    begin_s: Floats
    end_s: Floats
    level: Floats
    kick_v: Floats
    hold: bool
    supply_v: float
    on_v: float
    zero: float
    step: float
    reversed: bool
    blocked: bool
    off: bool


def _stretches(on: Bools, rate: float, length: int) -> tuple[Whole, Whole]:
    """Runs that are long enough and lie whole in the record, blips bridged."""
    first, last = runs(on)
    if not len(first):
        return first, last
    apart = first[1:] - last[:-1] > max(1, round(BLIP_S * rate))
    first, last = first[np.concatenate([[True], apart])], last[np.concatenate([apart, [True]])]
    size = last - first
    good = (size >= max(3, SHORTEST_S * rate)) & (size < LONGEST_S * rate) & (first > 1) & (last < length - 1)
    return first[good][:MOST], last[good][:MOST]


# -- current ---------------------------------------------------------------------------------------------------------


def of_current(trace: Trace) -> Pulses | None:
    """Pulses of a current, None where there are none."""
    found = [
        one for turned in (False, True) if (one := _of_current(trace.turned() if turned else trace, turned))
    ]
    return max(found, key=lambda one: len(one.begin_s), default=None)


def _of_current(trace: Trace, turned: bool) -> Pulses | None:
    x, rate = trace.values, trace.rate_hz
    low = float(np.quantile(trace.some, 0.01))
    top = _usual_top(x)
    size = top - low
    if size <= 2.5 * trace.step:
        return None
    rest = trace.some[trace.some < low + ON_SHARE * size]
    zero = float(np.median(rest)) if len(rest) else low
    size = top - zero
    first, last = _stretches(x > zero + ON_SHARE * size, rate, len(x))
    if not len(first):
        return None
    begin, end, level, tail = (np.full(len(first), np.nan) for _ in range(4))
    rise, fall = np.full(len(first), np.nan), np.full(len(first), np.nan)
    for k, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        part = x[a:b] - np.float32(zero)
        late = part[-max(2, min(len(part) // 4, round(NEAR_END_S * rate) + 2)) :]
        tail[k] = float(np.median(late))
        over = np.flatnonzero(part > BEGIN_SHARE * min(size, float(part.max())))
        up = float(over[0]) if len(over) else np.nan
        begin[k] = a - up * ON_SHARE / (BEGIN_SHARE - ON_SHARE)
        stay = np.flatnonzero(part >= 0.88 * tail[k])
        end[k] = a + float(stay[-1]) if len(stay) else b
        # as far up as it then comes down, so that both take as long where the course is no pulse
        rise[k], fall[k] = max(up, float(stay[0]) if len(stay) else up), b - end[k]
        inner = part[int(0.75 * (end[k] - a)) : max(int(0.96 * (end[k] - a)), 1)]
        level[k] = float(np.median(inner)) if len(inner) else np.nan
    highest = float(np.median([x[a:b].max() for a, b in zip(first, last, strict=True)])) - zero
    # current builds up slowly and is driven down fast
    down = float(np.median(fall))
    if not np.nanmedian(rise) * 1.6 > down or down > max(2.5, LONGEST_FALL_S * rate):
        return None
    holds = bool(np.median(tail) < HOLDS * highest)
    if holds and not 0.7 < np.nanmedian(level / tail) < 1.3:
        return None
    return Pulses(
        begin / rate, end / rate, level, np.full(len(first), np.nan), holds,
        np.nan, np.nan, zero, trace.step, turned, _creeps(x, rate, first, last, zero, size),
        trace.off_screen or _cut_off(trace, x, len(first)),
    )  # fmt: skip


def _usual_top(x: Samples) -> float:
    """Height that a few of 32 parts of the record reach: a single spike does not count."""
    parts = x[: len(x) // 32 * 32].reshape(32, -1) if len(x) >= 64 else x[None]
    return float(np.quantile(parts.max(axis=1), 0.95))


def _creeps(x: Samples, rate: float, first: Whole, last: Whole, zero: float, size: float) -> bool:
    """Whether direct current is blocked: between pulses the level creeps back towards nothing."""
    flowing = float(np.mean(x)) - zero
    if flowing < 0.01 * size or abs(float(np.mean(x))) > 0.6 * flowing + 0.02 * size:
        return False
    from_s, to_s = (last[:-1] / rate + 1e-3).tolist(), (first[1:] / rate - 5e-4).tolist()
    middle, error = creep(x, rate, from_s, to_s)
    return middle > 4.0 * error and middle > 0.5 * flowing


def _cut_off(trace: Trace, x: Samples, count: int) -> bool:
    """Whether the pulses end at one and the same highest number, held exactly."""
    if trace.step <= 0:
        return False
    near = x[x > trace.top - 3.5 * trace.step]
    return len(near) > 3 * count and float(np.mean(near > trace.top - 0.5 * trace.step)) > 0.7


# -- voltage ---------------------------------------------------------------------------------------------------------


def of_voltage(trace: Trace) -> Pulses | None:
    """Pulses of the voltage at the driver's pin, None where there are none."""
    turned = is_reversed(trace)
    for flip in (False, True) if turned is None else (turned,):
        found = _of_voltage(trace.turned() if flip else trace, flip)
        if found is not None:
            return found
    return None


def _of_voltage(trace: Trace, turned: bool) -> Pulses | None:
    trace, blocked = restored(trace)
    x, rate = trace.values, trace.rate_hz
    high = float(np.quantile(trace.some, 0.9))
    usual = trace.some[trace.some > 0.3 * high]
    base = float(np.median(usual)) if high > 0 and len(usual) else 0.0
    if base <= 0.9 * trace.step or base <= 0 or trace.top < 1.4 * base:
        return None
    on = x < ON_BELOW * base
    first, last = runs(on)
    if not len(first):
        return None
    apart = first[1:] - last[:-1] > max(1, round(BLIP_S * rate))
    first, last = first[np.concatenate([[True], apart])], last[np.concatenate([apart, [True]])]
    good = (last - first >= max(2, 3e-4 * rate)) & (first > 1)
    first, last = first[good][:MOST], last[good][:MOST]
    slack = max(2, round(EDGE_S * rate))
    level = KICK * base
    up = np.flatnonzero((x[1:] > level) & (x[:-1] <= level)) + 1
    up = up[(up >= slack) & (x[np.maximum(up - slack, 0)] < 1.15 * base)]
    begin, end, kick, hold = [], [], [], []
    for k, a in enumerate(first.tolist()):
        stop = min(int(first[k + 1]) if k + 1 < len(first) else len(x), a + round(LONGEST_S * rate))
        jumps = up[np.searchsorted(up, last[k] - slack) : np.searchsorted(up, stop)]
        if not len(jumps) or jumps[0] - last[k] > 2 * slack:
            continue
        begin.append(a)
        end.append(int(jumps[-1]))
        hold.append(len(jumps) > 1)
        kick.append(float(x[jumps[-1] : jumps[-1] + max(2, round(3e-4 * rate))].max()))
    if not begin or not _sharp(x, np.array(begin), base, slack):
        return None
    lows = [x[a : a + (b - a) // 2 + 1] for a, b in zip(first, last, strict=True)]
    if float(np.median([np.std(part) for part in lows])) > FLAT * base:
        return None
    on_v = float(np.median([np.median(part) for part in lows]))
    nothing = np.full(len(begin), np.nan)
    return Pulses(
        np.array(begin) / rate, np.array(end) / rate, nothing, np.array(kick), bool(np.mean(hold) > 0.5), base, on_v,
        0.0, trace.step, turned, blocked, False,
    )  # fmt: skip


def _sharp(x: Samples, begin: Whole, base: float, slack: int) -> bool:
    """Whether switching on is an edge, not a slow fall."""
    fall = x[np.maximum(begin - slack, 0)] - x[np.minimum(begin + slack, len(x) - 1)]
    return bool(np.median(fall) > 0.5 * base)


# -- the pintle ------------------------------------------------------------------------------------------------------

GRID_S, SIDE_S = 1e-5, 1.2e-4
STANDS, EARLIEST_S = 0.1, 2.5e-4


def mean_course(x: Samples, rate: float, from_s: Floats, length_s: float) -> Floats:
    """Mean of the record after each of `from_s` on a grid of 10 us, shape (grid,)."""
    grid = np.arange(0.0, length_s, GRID_S)
    rows = []
    for begin in from_s.tolist():
        first = int(begin * rate)
        part = x[first : first + int(length_s * rate) + 3]
        if len(part) > 2:
            rows.append(np.interp(grid + begin - first / rate, np.arange(len(part)) / rate, part))
    return np.mean(rows, axis=0) if rows else np.empty(0)


def kink_s(course: Floats, earliest_s: float, latest_s: float, rate_hz: float) -> float:
    """Where the slope of a course jumps up most, in s; NaN where no jump stands out.

    When the pintle hits its stop, the voltage its motion induces is gone at once: the slope jumps up.
    """
    side = max(SIDE_S, 1.5 / rate_hz)
    width = round(side / GRID_S)
    at = np.arange(width + 1) - width / 2
    slope = at / float(np.sum(at**2)) / GRID_S
    # slope of the straight line over each window of `width` steps
    slopes = np.convolve(course, slope[::-1], mode="valid")
    jump = slopes[width:] - slopes[:-width]
    place = (np.arange(len(jump)) + width) * GRID_S
    inside = (place >= earliest_s) & (place <= latest_s)
    if inside.sum() < 5:
        return float("nan")
    steep = float(np.abs(slopes[: len(inside)][inside]).max())
    jump, place = jump[inside], place[inside]
    best = int(np.argmax(jump))
    noise = 1.4826 * float(np.median(np.abs(np.diff(jump, n=2)))) * 4.0
    if best in (0, len(jump) - 1) or jump[best] < max(STANDS * steep, noise):
        return float("nan")
    low, middle, high = jump[best - 1 : best + 2].tolist()
    bend = low - 2 * middle + high
    return float(place[best] + (0.5 * (low - high) / bend if bend < 0 else 0.0) * GRID_S)
