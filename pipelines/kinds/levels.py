"""Levels of the voltage at a switched coil's pin: supply while off, near nothing while on; what several kinds need."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipelines.kinds.trace import Samples, Trace

Whole = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LONG_S = 8e-4


def is_reversed(trace: Trace) -> bool | None:
    """Whether the supply, the level the record lies at most, is negative; None where no level says so."""
    some = trace.some
    middle = float(np.median(some))
    near = float(np.mean(np.abs(some - middle) < 0.25 * abs(middle)))
    side = float(np.sign(middle))
    other = float(np.mean(some * side < -0.3 * abs(middle)))
    if near > 0.35 and other < 0.1 and abs(middle) > 0.012 * max(trace.top, -trace.low):
        return side < 0
    return None


def runs(mask: Bools) -> tuple[Whole, Whole]:
    """First and one-past-last index of every run of True."""
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    if len(mask) and mask[0]:
        edges = np.concatenate([[0], edges])
    if len(mask) and mask[-1]:
        edges = np.concatenate([edges, [len(mask)]])
    return edges[::2].astype(np.int64), edges[1::2].astype(np.int64)


def restored(trace: Trace) -> tuple[Trace, bool]:
    """The trace with its direct current put back where the input blocks it: the charging level becomes nothing."""
    some = trace.some
    above = some[some > 0]
    usual = float(np.median(above)) if len(above) else 0.0
    usual = max(usual, 0.3 * float(np.quantile(some, 0.9)), 1e-9)
    first, last = runs(trace.values < -0.5 * usual)
    long = (last - first) > max(LONG_S * trace.rate_hz, 2)
    if np.count_nonzero(long) < 2:
        return trace, False
    depth = np.array(
        [float(np.median(trace.values[a:b])) for a, b in zip(first[long], last[long], strict=True)]
    )
    lowest = float(np.quantile(depth, 0.2))
    deep = depth < 0.6 * lowest
    if lowest > -3.0 * trace.step or lowest > -1.2 * float(np.quantile(some, 0.7)):
        return trace, False
    return trace.lifted(-float(np.median(depth[deep]))), True


def creep(x: Samples, rate_hz: float, from_s: list[float], to_s: list[float]) -> tuple[float, float]:
    """How fast a record at rest creeps between events, per s, with its standard error; NaN where it rests too little.

    Stretches of rest go from `from_s` to `to_s`; what the whole record drifts is taken off.
    """
    rates, level, middle = [], [], []
    for begin, stop in zip(from_s, to_s, strict=True):
        if not stop - begin > 9e-4:
            continue
        first, last = int(begin * rate_hz) + 1, int(stop * rate_hz)
        third = (last - first) // 3
        if third < 2:
            continue
        early, late = float(x[first : first + third].mean()), float(x[last - third : last].mean())
        rates.append((late - early) / (last - first - third) * rate_hz)
        level.append(0.5 * (early + late))
        middle.append(0.5 * (begin + stop))
    if len(rates) < 5:
        return float("nan"), float("nan")
    drift = float(np.polyfit(middle, level, 1)[0])
    return float(np.mean(rates)) - drift, float(np.std(rates, ddof=1) / np.sqrt(len(rates)))
