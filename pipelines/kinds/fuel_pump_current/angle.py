"""From time to shaft angle: values at even places of every whole turn of something that turns."""

from __future__ import annotations

import numpy as np
from scipy.fft import next_fast_len

from pipelines.kinds.fuel_pump_current.signals import Floats

FEWEST_POINTS, MOST_POINTS = 16, 128
SEEN_HZ = 12_000.0


def points_for(line_hz: float) -> int:
    """Points a cycle of a line needs, so that what lies between its beats is seen too."""
    return int(np.clip(2 ** np.ceil(np.log2(SEEN_HZ / line_hz)), FEWEST_POINTS, MOST_POINTS))


def quick_length(length: int) -> int:
    """The longest length up to `length` (1 or more) whose Fourier transform is quick: no large prime factor."""
    while next_fast_len(length, real=True) != length:
        length -= 1
    return length


def by_angle(values: Floats, cycles: Floats, points: int) -> Floats:
    """`values` at `points` places of every whole cycle, shape (whole cycles, points), by straight lines between.

    `cycles` is the phase in cycles at each of `values`.
    """
    first, last = int(np.ceil(cycles[0])), int(np.floor(cycles[-1]))
    if last - first < 1:
        return np.empty((0, points))
    places = first + np.arange((last - first) * points) / points
    return np.interp(places, np.maximum.accumulate(cycles), values).reshape(-1, points)
