"""Where the signal of a sensor crosses its middle: sub-sample times, how long a crossing takes, heights between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.crank_cam_sensor.signals import Bools, Floats, Ints, Trace

HYSTERESIS_COIL = 0.2
HYSTERESIS_SWITCH = 0.3
FIT_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Crossings:
    """Every crossing of the middle, rising and falling by turns.

    Attributes:
        at: shape (crossings,), in samples from the record's first.
        rising: which way.
        takes: samples from one side's threshold to the other's.
        extreme_v: shape (crossings + 1,): the highest or lowest value before the first crossing, between two, and
            after the last one.
        lost: crossings beside a bridged gap of the file.
    """

    at: Floats
    rising: Bools
    takes: Floats
    extreme_v: Floats
    lost: Bools


def crossings(trace: Trace) -> Crossings:
    """All crossings of a channel, each only after the signal went clear of the middle on both sides."""
    edge = HYSTERESIS_SWITCH if trace.switched else HYSTERESIS_COIL
    volts = trace.volts
    count = len(trace.middle_v)
    # no fewer blocks than samples: the last block takes the rest
    above, below = trace.middle_v + edge * trace.half_v, trace.middle_v - edge * trace.half_v
    code = np.zeros(len(volts), dtype=np.int8)
    size = count * trace.block
    table = volts[:size].reshape(count, trace.block)
    code[:size] = ((table > above[:, None]).astype(np.int8) - (table < below[:, None])).ravel()
    code[size:] = (volts[size:] > above[-1]).astype(np.int8) - (volts[size:] < below[-1])
    place = np.flatnonzero(code)
    sign = code[place]
    turn = np.flatnonzero(sign[1:] != sign[:-1])
    before, after = place[turn], place[turn + 1]
    rising = sign[turn + 1] > 0
    if len(before) == 0:
        none = np.empty(0)
        return Crossings(none, np.empty(0, dtype=np.bool_), none, np.empty(0), np.empty(0, dtype=np.bool_))
    at = _middle_of_crossing(trace, before, after)
    at = _to_the_sample(trace, at, rising) if trace.switched else _straight(trace, at)
    lost = np.zeros(len(at), dtype=np.bool_)
    if trace.lost is not None:
        holes = np.concatenate([[0], np.cumsum(trace.lost)])
        lost = holes[np.minimum(after + 2, len(volts))] > holes[np.maximum(before - 1, 0)]
    return Crossings(at, rising, (after - before).astype(np.float64), _extremes(volts, after, rising), lost)


def _middle_of_crossing(trace: Trace, before: Ints, after: Ints) -> Floats:
    """Between the last sample clear on one side and the first clear on the other: the middle of its crossings."""
    volts, count = trace.volts, len(trace.middle_v)
    size = count * trace.block
    side = np.empty(len(volts), dtype=np.bool_)
    side[:size] = (volts[:size].reshape(count, trace.block) > trace.middle_v[:, None]).ravel()
    side[size:] = volts[size:] > trace.middle_v[-1]
    changes = np.flatnonzero(side[1:] != side[:-1])
    first = changes[np.searchsorted(changes, before)]
    last = changes[np.searchsorted(changes, after) - 1]
    return 0.5 * (_crossed(trace, first) + _crossed(trace, last))


def _crossed(trace: Trace, at: Ints) -> Floats:
    volts, level = trace.volts, trace.middle_at(at.astype(np.float64))
    one, two = volts[at], volts[np.minimum(at + 1, len(volts) - 1)]
    rise = np.where(two == one, 1.0, two - one)
    return np.asarray(at + np.clip((level - one) / rise, 0.0, 1.0))


def _to_the_sample(trace: Trace, at: Floats, rising: Bools) -> Floats:
    """A switch's edges found again in the file's own samples, where means of several were looked at."""
    every = trace.every
    if every == 1:
        return at
    reach = int(1.5 * every)
    centre = np.rint(at * every + 0.5 * (every - 1)).astype(np.int64)
    inside = (centre >= reach) & (centre + reach < len(trace.raw))
    part = trace.raw[centre[inside, None] + np.arange(-reach, reach + 1)[None, :]]
    new = ((part > trace.middle_at(at[inside])[:, None]) == rising[inside, None]).sum(axis=1)
    edge = centre[inside] + reach + 0.5 - new
    out = at.copy()
    out[inside] = (edge - 0.5 * (every - 1)) / every
    return out


def _straight(trace: Trace, at: Floats) -> Floats:
    """The crossing of a straight line through the samples about it, against noise."""
    reach = int(FIT_SHARE * trace.period)
    if reach < 2:
        return at
    every = max(1, reach // 8)
    offset = np.arange(-(reach // every) * every, reach + 1, every)
    centre = np.rint(at).astype(np.int64)
    inside = (centre + offset[0] >= 0) & (centre + offset[-1] < len(trace.volts))
    if not inside.any():
        return at
    part = trace.volts[centre[inside, None] + offset[None, :]]
    slope = part @ offset / float(offset @ offset)
    level = trace.middle_at(at[inside])
    shift = (level - part.mean(axis=1)) / np.where(slope == 0, np.inf, slope)
    out = at.copy()
    good = np.abs(shift) <= reach
    out[inside] = np.where(good, centre[inside] + shift, at[inside])
    return out


def _extremes(volts: Floats, starts: Ints, rising: Bools) -> Floats:
    """The furthest value of each stretch that begins at `starts`, and of the one before the first."""
    bounds = np.concatenate([[0], starts])
    high, low = np.maximum.reduceat(volts, bounds), np.minimum.reduceat(volts, bounds)
    up = np.concatenate([[not rising[0]], rising])
    return np.where(up, high, low)
