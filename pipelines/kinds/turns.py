"""Which element an event belongs to, from a train of index pulses: what several kinds on engines need.

Times in s throughout; angles as fractions of one turn of the sequence (0 to 1).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

FAR = 0.45


def regular(index_s: Floats) -> Floats:
    """An index train with doubled pulses taken out and single missing ones filled in; shape (pulses,)."""
    if len(index_s) < 3:
        return index_s
    usual = float(np.median(np.diff(index_s)))
    kept = [float(index_s[0])]
    for at in index_s[1:].tolist():
        gap = at - kept[-1]
        if gap < 0.5 * usual:
            continue
        missing = round(gap / usual) - 1
        if missing > 4:
            # a pause, not missing pulses: what lies in it is far from any pulse
            missing = 0
        kept += [kept[-1] + gap * (k + 1) / (missing + 1) for k in range(missing)]
        kept.append(at)
        usual += 0.3 * (gap / (missing + 1) - usual)
    return np.array(kept)


def phases(times_s: Floats, index_s: Floats) -> Floats:
    """Fraction of a turn after the last index pulse, NaN farther than a turn from any; shape of `times_s`.

    At the ends the neighbouring turn's length is taken. Needs two pulses; all NaN with fewer.
    """
    if len(index_s) < 2:
        return np.full(len(times_s), np.nan)
    gaps = np.diff(index_s)
    usual = float(np.median(gaps))
    at = np.searchsorted(index_s, times_s, side="right") - 1
    inside = np.clip(at, 0, len(gaps) - 1)
    found = (times_s - index_s[inside]) / gaps[inside]
    found[gaps[inside] > 4.5 * usual] = np.nan
    found[(found < -1.0) | (found > 2.0)] = np.nan
    return np.asarray(found % 1.0)


def nearest(phase: Floats, places: Floats) -> Whole:
    """Which of `places` (fractions, ascending) each phase is closest to around the turn; -1 for NaN or one far off."""
    apart = np.abs((phase[:, None] - places[None, :] + 0.5) % 1.0 - 0.5)
    least = np.nan_to_num(apart, nan=9.0)
    at = least.argmin(axis=1)
    steps = np.diff(np.append(places, places[0] + 1.0))
    reach = FAR * np.minimum(steps, np.roll(steps, 1)) if len(places) > 1 else np.array([0.5])
    return np.where(least[np.arange(len(at)), at] <= reach[at], at, -1).astype(np.int64)


def in_turn(times_s: Floats, places: Floats) -> Whole:
    """Place of each event of a train without an index, from its intervals alone; the first event is place 0.

    Of the rotations of an uneven sequence the one that fits the intervals best is taken. A missing event leaves a
    gap of two steps and is counted over.
    """
    n = len(places)
    if len(times_s) < 2 or n < 2:
        return np.zeros(len(times_s), dtype=np.int64)
    gaps = np.diff(times_s)
    usual = np.array([np.median(gaps[max(0, k - n) : k + n + 1]) for k in range(len(gaps))])
    steps = np.maximum(np.rint(gaps / usual), 1).astype(np.int64)
    return np.asarray(np.concatenate([[0], np.cumsum(steps)]) % n)
