"""The engine's firing in the speed of the alternator: what an electrical frequency is held against.

Every combustion pushes the crank, and the belt hands that on: the machine's frequency swings with the firing. A pair
of poles gives one electrical cycle a turn of the rotor, the pulleys' ratio sets the rotor against the crank, and a
four-stroke engine fires half as often a turn as it has cylinders: electrical cycles between two firings are 2 x pairs
x ratio / cylinders (by arithmetic). With 6 to 8 pairs, ratios of 2.2 to 3.2 and three to eight cylinders (common
practice, no source) that is 3 to 17 and most often about 7.5, far less than the sixfold that is to be decided here.
"""

from __future__ import annotations

import numpy as np
from scipy.fft import next_fast_len, rfft

from pipelines.kinds.charging_ripple.signals import Floats

BLOCK_HZ = 1250.0
LOWEST_HZ, HIGHEST_HZ, WAVES = 13.0, 200.0, 2.5
PROMINENT = 5.0
EDGE_S, SHORTEST_S = 0.008, 0.1
"""Where averaging the phase runs over the end of the record, and what must be left."""
USUAL_CYCLES, SPREAD_LOG, LEAST = 7.5, 0.45, -7.0
USUAL_HZ, USUAL_LOG = 300.0, 0.5
"""Where no firing is seen: centre and spread (of the logarithm) of an electrical frequency; common practice."""


def firing_hz(cycles: Floats, rate_hz: float) -> float:
    """Frequency of the strongest swing of the speed; NaN where none stands out. `cycles` at each sample of a course."""
    block = max(1, round(rate_hz / BLOCK_HZ))
    slow_hz = rate_hz / block
    hz = np.diff(cycles[::block]) * slow_hz
    edge = round(EDGE_S * slow_hz)
    hz = hz[edge : len(hz) - edge]
    if len(hz) < SHORTEST_S * slow_hz:
        return float("nan")
    at = np.linspace(-1.0, 1.0, len(hz))
    hz = hz - np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, hz, 2))
    padded = next_fast_len(4 * len(hz), real=True)
    size = np.abs(rfft(hz * np.hanning(len(hz) + 2)[1:-1], padded))
    line_hz = np.arange(len(size)) * slow_hz / padded
    low_hz = max(LOWEST_HZ, WAVES * slow_hz / len(hz))
    band = (line_hz > low_hz) & (line_hz < min(HIGHEST_HZ, 0.45 * slow_hz))
    if not band.any():
        return float("nan")
    top = int(np.argmax(np.where(band, size, 0.0)))
    return float(line_hz[top]) if size[top] > PROMINENT * float(np.median(size[band])) else float("nan")


def log_odds(electrical_hz: float, fires_hz: float) -> float:
    """How well an electrical frequency goes with a firing frequency (NaN: none was seen), a log density."""
    if np.isfinite(fires_hz):
        apart = np.log(electrical_hz / fires_hz / USUAL_CYCLES) / SPREAD_LOG
    else:
        apart = np.log(electrical_hz / USUAL_HZ) / USUAL_LOG
    return float(max(LEAST, -0.5 * apart**2))
