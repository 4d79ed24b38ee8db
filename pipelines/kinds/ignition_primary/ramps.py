"""Strikes in the current of coils: the rise that obeys V = L di/dt + R i, the limit, and the cut.

i(t) = V/R (1 - exp(-t R/L)): the step response of a resistor and an inductor in series (any circuit textbook).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.levels import creep
from pipelines.kinds.trace import Floats, Samples, Trace

Whole = npt.NDArray[np.int64]

FALL_S = 3e-5
BESIDE_S = 1e-4
LONGEST_S = 0.03
SHORTEST_RISE_S = 3e-4
FIRST_DROP, LEAST_DROP, PERSISTS = 0.08, 0.2, 0.55
HIGH, LOW, START = 0.6, 0.1, 0.08
LIMIT_SHARE, LIMIT_FLAT = 0.12, 0.03
MOST = 600
SHAPE_BINS = 48


@dataclass(frozen=True, slots=True)
class Ramps:
    """Every cut of one current channel, arrays of shape (cuts,).

    Attributes:
        cut_s, begin_s: of charging, from the beginning of the record; begin NaN where the rise is not seen whole.
        cut_a: current at the cut. slope: A/ms between a tenth and six tenths of the usual current, NaN as above.
        held_s: how long the current was held before the cut.
        shape_s, shape_a: the mean rise until it is held, shape (bins,); empty where none was whole.
        step_a: the scope's smallest step.
        reversed: clamp the wrong way round. blocked: direct current blocked. off: top of the rise off the screen.
    """

    cut_s: Floats
    begin_s: Floats
    cut_a: Floats
    slope: Floats
    held_s: Floats
    shape_s: Floats
    shape_a: Floats
    step_a: float
    reversed: bool
    blocked: bool
    off: bool


def find_ramps(trace: Trace) -> Ramps | None:
    """Charging ramps of a current, None where there are none."""
    x, rate = trace.values, trace.rate_hz
    width = max(1, round(FALL_S * rate))
    if len(x) < 8 * width:
        return None
    drop = x[:-width] - x[width:]
    down, up = _usual_extreme(drop), _usual_extreme(-drop)
    turned = up > down
    for flip in (turned, not turned):
        found = _find(trace.turned() if flip else trace, -drop if flip else drop, width, flip)
        if found is not None:
            return found
    return None


def _usual_extreme(values: Samples) -> float:
    """Height that most parts of the record reach."""
    parts = values[: len(values) // 32 * 32].reshape(32, -1) if len(values) >= 64 else values[None]
    return float(np.quantile(parts.max(axis=1), 0.7))


def _find(trace: Trace, drop: Samples, width: int, turned: bool) -> Ramps | None:
    x, rate = trace.values, trace.rate_hz
    usual = max(_usual_extreme(drop), 0.3 * float(drop.max()))
    steep = np.flatnonzero(drop > max(FIRST_DROP * usual, 1.5 * trace.step))
    if usual <= 1.5 * trace.step or not len(steep):
        return None
    new = np.concatenate([[True], np.diff(steep) > 2 * width])
    start = np.flatnonzero(new)
    if len(start) > 20 * MOST:
        return None
    top = np.maximum.reduceat(drop[steep], start)
    which = np.cumsum(new) - 1
    best = steep[drop[steep] >= top[which]]
    cut = best[np.concatenate([[True], np.diff(best) > 2 * width])][:MOST]
    before, after = _beside(x, cut, width, rate)
    size = before - after
    keep = size > PERSISTS * drop[cut]
    cut, after, size = cut[keep], after[keep], size[keep]
    if len(cut) < 2:
        return None
    keep = size > LEAST_DROP * float(np.quantile(size, 0.7))
    cut, after, size = cut[keep], after[keep], size[keep]
    high = min(HIGH * float(np.median(size)), 0.75 * float(np.quantile(size, 0.05)))
    rises = [_rise(x, rate, cut, k, float(after[k]), high, width) for k in range(len(cut))]
    begin, slope, held = (np.array(column) for column in zip(*rises, strict=True))
    whole = np.isfinite(slope)
    if whole.sum() < max(2, 0.25 * len(cut)):
        return None
    shape_s, shape_a = _shape(x, rate, cut, begin, after, size, held)
    return Ramps(
        cut / rate, begin / rate, size, slope, held, shape_s, shape_a, trace.step, turned,
        _blocked(x, rate, cut, begin, after, size), trace.off_screen or _cut_off(trace, x, size),
    )  # fmt: skip


def _beside(x: Samples, cut: Whole, width: int, rate: float) -> tuple[Floats, Floats]:
    """Level just before and after each cut (median over 0.1 ms or one sample)."""
    near = max(1, round(BESIDE_S * rate))
    back = np.clip(cut[:, None] - np.arange(near)[None, :], 0, len(x) - 1)
    on = np.clip(cut[:, None] + width + 1 + np.arange(near)[None, :], 0, len(x) - 1)
    # the ramp rises: its last samples stand for the cut
    return np.median(x[back[:, : max(1, near // 2)]], axis=1), np.median(x[on], axis=1)


def _rise(
    x: Samples, rate: float, cut: Whole, k: int, zero: float, high: float, width: int
) -> tuple[float, float, float]:
    """Beginning (samples), slope (A/ms), time held (s) of one charge; NaN where it is not seen whole."""
    at = int(cut[k])
    first = max(int(cut[k - 1]) + width + 1 if k else 0, at - round(LONGEST_S * rate), 0)
    part = x[first : at + 1] - np.float32(zero)
    size = float(part[-1])
    low = np.flatnonzero(part < START * high / HIGH)
    none = float("nan")
    if not len(low):
        return none, none, none
    begin = int(low[-1])
    ramp = part[begin:].astype(np.float64)
    over = np.flatnonzero(ramp >= high)
    if not len(over):
        return none, none, none
    stop = int(over[0]) + 1
    if stop < 3 or stop / rate < SHORTEST_RISE_S:
        return none, none, none
    crossed = _crossings(ramp[: min(len(ramp), stop + max(1, stop // 10))], (0.0, LOW / HIGH * high, high))
    if crossed is None:
        return none, none, none
    zero_at, low_at, high_at = crossed
    slope = (1 - LOW / HIGH) * high / ((high_at - low_at) / rate * 1e3)
    near = np.flatnonzero(ramp >= (1 - LIMIT_FLAT) * size)
    held = (len(ramp) - int(near[0])) / rate if len(near) else 0.0
    return first + begin + zero_at, slope, held


def _crossings(ramp: Floats, levels: tuple[float, ...]) -> tuple[float, ...] | None:
    """Where a parabola through a rise passes each level, in samples; None where it does not."""
    time: Floats = np.arange(len(ramp), dtype=np.float64)
    if len(ramp) < 4:
        if not np.all(np.diff(ramp) > 0):
            return None
        slope = (ramp[-1] - ramp[0]) / time[-1]
        return tuple((level - ramp[0]) / slope for level in levels)
    if len(ramp) > 96:
        group = len(ramp) // 48
        ramp = np.asarray(ramp[: len(ramp) // group * group].reshape(-1, group).mean(axis=1))
        time = np.asarray(np.arange(len(ramp)) * float(group) + (group - 1) / 2)
    use = ramp >= 0.04 * levels[-1]
    if use.sum() < 3:
        return None
    scale = float(time[-1])
    bend, slope, start = np.polyfit(time[use] / scale, ramp[use], 2).tolist()
    found = []
    for level in levels:
        if abs(bend) < 1e-6 * abs(slope):
            found.append((level - start) / slope)
            continue
        inner = slope**2 - 4 * bend * (start - level)
        if inner < 0 or slope <= 0:
            return None
        found.append(2 * (level - start) / (slope + np.sqrt(inner)))
    return tuple(scale * one for one in found) if found[-1] > found[-2] else None


def _shape(
    x: Samples, rate: float, cut: Whole, begin: Floats, after: Floats, size: Floats, held: Floats
) -> tuple[Floats, Floats]:
    """The mean rise over time, of the charges whose slope is near the usual, until they are held."""
    seen = np.flatnonzero(np.isfinite(begin))
    usual = float(np.median(size[seen]))
    seen = seen[np.abs(size[seen] - usual) < 0.15 * usual][:60]
    if not len(seen):
        return np.empty(0), np.empty(0)
    charge = (cut[seen] - begin[seen]) / rate
    flat = held[seen] > LIMIT_SHARE * charge
    length = float(np.median(np.where(flat, charge - 1.1 * held[seen], charge)))
    edges = np.linspace(0.02, 0.98, SHAPE_BINS) * length
    rows = []
    for k in seen:
        at = begin[k] + edges * rate
        first = max(int(begin[k]), 0)
        if at[-1] < cut[k]:
            rows.append(
                np.interp(at - first, np.arange(cut[k] + 1 - first), x[first : cut[k] + 1]) - after[k]
            )
    return (edges, np.mean(rows, axis=0)) if rows else (np.empty(0), np.empty(0))


def _blocked(x: Samples, rate: float, cut: Whole, begin: Floats, after: Floats, size: Floats) -> bool:
    """Whether direct current is blocked: between charges the level creeps back towards nothing.

    A clamp's zero that is off looks the same but for that: it stays where it is.
    """
    usual = float(np.median(size))
    flowing = float(np.mean(x)) - float(np.median(after))
    if flowing < 0.01 * usual or abs(float(np.mean(x))) > 0.6 * flowing + 0.02 * usual:
        return False
    middle, error = creep(x, rate, (cut[:-1] / rate + 2e-4).tolist(), (begin[1:] / rate - 2e-4).tolist())
    # back to nothing with a time constant of at most half a second
    return middle > 4.0 * error and middle > 0.5 * flowing


def _cut_off(trace: Trace, x: Samples, size: Floats) -> bool:
    """Whether the rises end at one and the same highest number, held exactly."""
    if trace.step <= 0:
        return False
    near = x[x > trace.top - 3.5 * trace.step]
    at_top = float(np.mean(near > trace.top - 0.5 * trace.step))
    return len(near) > 3 * len(size) and at_top > 0.7


@dataclass(frozen=True, slots=True)
class Circuit:
    """L/R of a rise in s, and the current it would settle at in A; NaN where the rise is too straight to tell."""

    tau_s: float
    final_a: float


def fit_circuit(shape_s: Floats, shape_a: Floats) -> Circuit:
    """Fit i(t) = I (1 - exp(-(t - t0)/tau)) to a rise: tau by search, I and I exp(t0/tau) by least squares.

    `shape_s`, `shape_a` have shape (points,). Where a straight line explains the rise as well, both are NaN.
    """
    unknown = Circuit(float("nan"), float("nan"))
    if len(shape_s) < 8:
        return unknown

    def misfit(tau: float) -> tuple[float, float]:
        decay = np.exp(-shape_s / tau)
        basis = np.stack([np.ones_like(decay), -decay], axis=1)
        found, *_ = np.linalg.lstsq(basis, shape_a, rcond=None)
        return float(np.mean((basis @ found - shape_a) ** 2)), float(found[0])

    length = float(shape_s[-1])
    grid = length * np.geomspace(0.08, 12.0, 80)
    errors = np.array([misfit(tau)[0] for tau in grid])
    best = int(errors.argmin())
    line = np.polyfit(shape_s, shape_a, 1)
    straight = float(np.mean((np.polyval(line, shape_s) - shape_a) ** 2))
    if best in (0, len(grid) - 1) or errors[best] > 0.6 * straight:
        return unknown
    fine = np.geomspace(grid[best - 1], grid[best + 1], 60)
    tau = float(fine[int(np.argmin([misfit(one)[0] for one in fine]))])
    return Circuit(tau, misfit(tau)[1])
