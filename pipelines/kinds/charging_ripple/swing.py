"""How the machine turns and how it is regulated: the swing of its speed, and a regulator's clock."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np
from scipy.fft import rfft
from scipy.ndimage import uniform_filter1d

from pipelines.kinds.charging_ripple.phases import PULSES
from pipelines.kinds.charging_ripple.signals import Floats

BLOCK_HZ = 1250.0
LOWEST_HZ, HIGHEST_HZ = 60.0, 520.0
CLOCK, OWN_SHARE, MOST_PEAKS = 20.0, 0.025, 4
SLOW_LOW_HZ, SLOW_HIGH_HZ, COMB = 12.0, 85.0, 3.5
SHORTEST_S = 0.25
EDGE_S = 0.008
"""Where averaging the phase runs over the end of the record."""


@dataclass(frozen=True, slots=True)
class Swing:
    """Speed and regulation.

    Attributes:
        electrical_hz: mean electrical frequency.
        swing_pct: root of two times the scatter of the frequency about its straight course, in % of it: the
            amplitude where the swing is a sine.
        clock_hz: the regulator's clock; NaN where none is seen.
        clock_share: its amplitude over the ripple's peak to peak.
    """

    electrical_hz: float
    swing_pct: float
    clock_hz: float
    clock_share: float


def swing_of(cycles: Floats, values: Floats, rate_hz: float, ripple_pp: float) -> Swing:
    """`cycles` (electrical) and `values` at each sample of the stretch that was followed."""
    block = max(1, round(rate_hz / BLOCK_HZ))
    whole = len(cycles) // block
    turned = cycles[: whole * block : block]
    hz = np.diff(turned) * rate_hz / block
    mean_hz = float((cycles[-1] - cycles[0]) / (len(cycles) - 1) * rate_hz)
    edge = round(EDGE_S * rate_hz / block)
    hz = hz[edge : len(hz) - edge]
    if len(hz) < 16:
        return Swing(mean_hz, nan, nan, nan)
    at = np.arange(len(hz)) - (len(hz) - 1) / 2.0
    course = hz - hz.mean() - at * float(at @ hz) / float(at @ at)
    swing = 100.0 * float(np.std(course)) * np.sqrt(2.0) / mean_hz
    if len(cycles) < SHORTEST_S * rate_hz:
        return Swing(mean_hz, swing, nan, nan)
    level = values[: whole * block].reshape(whole, block).mean(axis=1)
    clock_hz, size = _clock(level, rate_hz / block, mean_hz)
    return Swing(mean_hz, swing, clock_hz, size / ripple_pp if ripple_pp > 0 else nan)


def _clock(level: Floats, rate_hz: float, electrical_hz: float) -> tuple[float, float]:
    """Frequency and amplitude of a strong line of the level that is neither the machine's nor of slow pulses."""
    size = _spectrum(level, rate_hz)
    hz = np.arange(len(size)) * rate_hz / len(level)
    band = (hz > LOWEST_HZ) & (hz < min(HIGHEST_HZ, 0.45 * rate_hz))
    for order in range(1, 2 * PULSES + 1):
        # the machine's own lines, where they are and where sampling folds them to
        folded = abs((order * electrical_hz + rate_hz / 2.0) % rate_hz - rate_hz / 2.0)
        band &= np.abs(hz - folded) > OWN_SHARE * electrical_hz
    if np.count_nonzero(band) < 40:
        return nan, nan
    ground = float(np.median(size[band])) + 1e-30
    inside = np.where(band, size, 0.0)
    for _ in range(MOST_PEAKS):
        top = int(np.argmax(inside))
        if inside[top] < CLOCK * ground:
            break
        if not _of_slow_pulses(size, ground, top, float(hz[1])):
            return float(hz[top]), float(size[top])
        inside[max(0, top - 3) : top + 4] = 0.0
    return nan, nan


def _of_slow_pulses(size: Floats, ground: float, top: int, bin_hz: float) -> bool:
    """Whether the line is one of many of something slow that repeats: injectors, sparks, firing."""
    near = np.maximum(size, np.maximum(np.roll(size, 1), np.roll(size, -1)))
    for part in range(2, int(top * bin_hz / SLOW_LOW_HZ) + 1):
        step = top / part
        if step * bin_hz > SLOW_HIGH_HZ:
            continue
        beside = np.rint(step * np.array([part - 2, part - 1, part + 1, part + 2])).astype(np.intp)
        beside = beside[(beside * bin_hz > LOWEST_HZ / 2) & (beside < len(size))]
        if len(beside) > 2 and np.all(near[beside] > max(COMB * ground, 0.1 * size[top])):
            return True
    return False


def _spectrum(values: Floats, rate_hz: float) -> Floats:
    """Amplitude by line of what is left without the slow course."""
    values = values - uniform_filter1d(values, max(3, int(0.03 * rate_hz) | 1))
    window = np.hanning(len(values) + 2)[1:-1]
    return np.asarray(np.abs(rfft(values * window)) / window.sum() * 2.0)
