"""Sparks of one lead from a pickup around it: short pulses of either sign, a neighbour's lower ones left out."""

from __future__ import annotations

import numpy as np

from pipelines.kinds.trace import Floats, Trace

DEAD_S = 2.5e-3
LEAST = 0.07
MOST_SPLITS = 12


def find_pulses(trace: Trace) -> tuple[Floats, Floats]:
    """Times (s from the beginning of the record) and heights of all pulses, a neighbour's too; empty without any."""
    x, rate = trace.values, trace.rate_hz
    some = trace.some
    middle = np.float32(np.median(some))
    size = np.abs(x - middle)
    highest = float(size.max())
    noise = float(np.quantile(np.abs(some - middle), 0.7))
    none = np.empty(0)
    # a trigger may be one step high
    if highest <= max(7.0 * noise, 0.9 * trace.step):
        return none, none
    near = np.flatnonzero(size > max(LEAST * highest, 5.5 * noise, min(1.5 * trace.step, 0.5 * highest)))
    if not len(near) or len(near) > 0.2 * len(x):
        return none, none
    new = np.concatenate([[True], np.diff(near) > DEAD_S * rate])
    heights = np.maximum.reduceat(size[near], np.flatnonzero(new))
    return np.asarray(near[new] / rate), np.asarray(heights, dtype=np.float64)


def own_pulses(times_s: Floats, heights: Floats, sparks_s: Floats, between: int) -> Floats:
    """The pulses of the lead itself: the height from which on they come once in `between` sparks most regularly.

    Heights differ from pulse to pulse where few samples fall on one, so no height alone tells a neighbour's.
    """
    gaps = np.diff(sparks_s)
    if len(times_s) < 2 or not len(gaps):
        return times_s
    turn_s = between * float(np.mean(gaps[gaps < 1.7 * np.median(gaps)]))
    order = np.sort(heights)
    steps = np.diff(np.log(order))
    widest = np.argsort(-steps)[:MOST_SPLITS]
    limits = [0.0, *(float(np.sqrt(order[k] * order[k + 1])) for k in widest)]
    best, chosen = -np.inf, times_s
    for limit in limits:
        kept = times_s[heights > limit]
        apart = np.diff(kept) / turn_s
        once = (apart > 0.62) & (apart < 1.5)
        told = float(2 * np.sum(once) - len(once))
        if told > best and (len(kept) > 2 or not limit):
            best, chosen = told, kept
    return chosen
