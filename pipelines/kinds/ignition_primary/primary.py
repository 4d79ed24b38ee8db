"""Strikes in the voltage of a coil's primary: charging, cut, spark.

While the driver is on the voltage lies near nothing; at the cut it jumps to some hundred volts (often off the
screen), falls to the burn line some ten volts above the supply, and rings about the supply once the spark is out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.levels import is_reversed, restored, runs
from pipelines.kinds.trace import Floats, Samples, Trace

Whole = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

ON_BELOW = 0.5
UP_BY = 0.6
SHORTEST_ON_S = 3.5e-4
DIP_S = 4.5e-5
LEAST_BURN_S, REAL_BURN_S, LONGEST_BURN_S = 6e-5, 2.5e-4, 8e-3
LONGEST_HOLD_S = 6e-3
EDGE_S, EDGE = 3e-5, 0.5
MOST_STRIKES = 500
PEAK_S = 1.5e-4
PEAK_RATE_HZ = 150_000.0


@dataclass(frozen=True, slots=True)
class Strikes:
    """Every cut of one channel's coil, arrays of shape (strikes,).

    Attributes:
        cut_s: time from the beginning of the record. begin_s: of charging, NaN where not seen.
        burn_s: length of the burn line; NaN where it was cut short by the next charge or by the record's end.
        burn_v: its middle above the supply; peak_v: highest voltage after the cut (NaN where it left the screen).
        supply_v, on_v: levels of the capture. step_v: the scope's smallest step.
        reversed, blocked: leads the wrong way round; direct current blocked.
        line_off, peak_off: whether the burn line, the peak left the screen.
    """

    cut_s: Floats
    begin_s: Floats
    burn_s: Floats
    burn_v: Floats
    peak_v: Floats
    supply_v: float
    on_v: float
    step_v: float
    reversed: bool
    blocked: bool
    line_off: bool
    peak_off: bool


def find_strikes(trace: Trace) -> Strikes | None:
    """Strikes of a primary's voltage, None where there are none."""
    turned = is_reversed(trace)
    if turned is not None:
        found = _find(trace.turned() if turned else trace, turned)
        if found is not None:
            return found
    both = [
        one for flip in (False, True) if (one := _find(trace.turned() if flip else trace, flip)) is not None
    ]
    return max(both, key=_likely, default=None)


def _likely(found: Strikes) -> int:
    """Strikes that burned like a spark, less those that did not."""
    like = found.burn_s > LEAST_BURN_S
    return 2 * int(like.sum()) - len(like)


def _find(trace: Trace, turned: bool) -> Strikes | None:
    trace, blocked = restored(trace)
    x, rate = trace.values, trace.rate_hz
    some = trace.some
    high = float(np.quantile(some, 0.9))
    usual = some[some > 0.2 * high]
    if high <= 0 or not len(usual):
        return None
    base = float(np.median(usual))
    if base <= 1.5 * trace.step or trace.top < 1.2 * base:
        return None
    level = base + min(UP_BY * base, 0.6 * (trace.top - base))
    first, last = _charges(x < ON_BELOW * base, rate)
    cut, begin = _cuts(x, first, last, base, level, rate)
    if not len(cut) or not _sharp(x, first, base, rate):
        return None
    cut, begin = cut[:MOST_STRIKES], begin[:MOST_STRIKES]
    on_level = float(
        np.median([np.median(x[a : a + (b - a) // 2 + 1]) for a, b in zip(first, last, strict=True)])
    )
    burn, line, peak, off = _burns(x, rate, cut, begin, base, level, trace.top)
    good = np.isfinite(burn)
    if not good.any() and len(cut) > 2:
        return None
    top = trace.top - 2.0 * trace.step - 1e-6
    burned = line[good & (burn > REAL_BURN_S)]
    if np.count_nonzero(burn > LEAST_BURN_S) <= np.count_nonzero(burn <= LEAST_BURN_S):
        return None
    line_off = bool(np.median(burned) >= 0.97 * top) if len(burned) else False
    return Strikes(
        cut / rate, np.where(begin < 0, np.nan, begin / rate), burn,
        np.full(len(line), np.nan) if line_off else line - base,
        np.where(off | (rate < PEAK_RATE_HZ), np.nan, peak),
        base - (on_level if blocked else 0.0), on_level, trace.step, turned, blocked, line_off, bool(off.mean() > 0.5),
    )  # fmt: skip


def _charges(on: Bools, rate: float) -> tuple[Whole, Whole]:
    """First and one-past-last sample of every stretch in which the driver is on, blips bridged."""
    first, last = runs(on)
    if not len(first):
        return first, last
    apart = first[1:] - last[:-1] > max(1, round(DIP_S * rate))
    first, last = first[np.concatenate([[True], apart])], last[np.concatenate([apart, [True]])]
    long = last - first >= max(2, round(SHORTEST_ON_S * rate))
    return first[long], last[long]


def _sharp(x: Samples, first: Whole, base: float, rate: float) -> bool:
    """Whether the driver's switching on is an edge, not a slow fall."""
    slack = max(1, round(EDGE_S * rate))
    at = first[first >= slack]
    fall = x[at - slack] - x[np.minimum(at + slack, len(x) - 1)]
    return not len(at) or bool(np.median(fall) > EDGE * base)


def _cuts(
    x: Samples, first: Whole, last: Whole, base: float, level: float, rate: float
) -> tuple[Whole, Whole]:
    """The jump that ends each charge, and where that charge began; -1 where the record begins inside it.

    Between charge and jump the driver may hold the current, which lifts the voltage towards the supply: at most
    `LONGEST_HOLD_S`. A jump takes two samples at most, or 30 us; the ringing after a spark follows no charge.
    """
    slack = max(2, round(3e-5 * rate))
    up = np.flatnonzero((x[1:] > level) & (x[:-1] <= level)) + 1
    up = up[(up >= slack) & (x[np.maximum(up - slack, 0)] < 1.06 * base)]
    if not len(up) or not len(first):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    at = np.searchsorted(up, last - slack)
    there = at < len(up)
    jump = up[np.minimum(at, len(up) - 1)]
    stop = np.append(first[1:], len(x))
    good = there & (jump < stop) & (jump - last <= LONGEST_HOLD_S * rate)
    return jump[good], np.where(first[good] == 0, -1, first[good])


def _burns(
    x: Samples, rate: float, cut: Whole, begin: Whole, base: float, level: float, top: float
) -> tuple[Floats, Floats, Floats, Bools]:
    """Burn time (s), burn line, peak (V), and whether the peak left the screen, by strike."""
    dip = max(2, round(DIP_S * rate))
    reach, near = round(LONGEST_BURN_S * rate), max(2, round(PEAK_S * rate))
    burn, line, peak = (np.full(len(cut), np.nan) for _ in range(3))
    off = np.zeros(len(cut), dtype=np.bool_)
    low = base + 0.5 * (level - base)
    for k, at in enumerate(cut.tolist()):
        stop = min(
            at + reach, len(x), int(begin[k + 1]) if k + 1 < len(cut) and begin[k + 1] > at else len(x)
        )
        part = x[at:stop]
        peak[k] = float(part[:near].max())
        off[k] = peak[k] >= 0.985 * top
        end = _falls(part, low, dip)
        if end < 0:
            continue
        # the line's own middle, the peak and the end left out
        inner = part[min(near // 2, end // 3) : max(end - end // 5, end // 3 + 1)]
        middle = float(np.median(inner)) if len(inner) else float(peak[k])
        half = base + 0.5 * (min(middle, top) - base)
        again = _falls(part, half, dip)
        end = again if again >= 0 else end
        burn[k] = _crossing(part, end, half) / rate
        line[k] = middle
    return burn, line, peak, off


def _falls(part: Samples, level: float, dip: int) -> int:
    """First sample of the first stretch of `dip` samples below `level`; -1 where there is none."""
    below = np.concatenate([[0], np.cumsum(part < level, dtype=np.int64)])
    if len(below) <= dip:
        return -1
    full = np.flatnonzero(below[dip:] - below[:-dip] == dip)
    return int(full[0]) if len(full) else -1


def _crossing(part: Samples, end: int, level: float) -> float:
    """Where the line crosses `level` between the samples before and at `end`."""
    if end == 0:
        return 0.0
    before, after = float(part[end - 1]), float(part[end])
    return end - 1 + (before - level) / (before - after) if before > level > after else float(end)
