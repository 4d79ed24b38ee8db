"""From a prepared trace to turns: which line is the pump's, how fast it turns, how many bars it has, the angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.fuel_pump_current import checks, comb, places, speed
from pipelines.kinds.fuel_pump_current.angle import by_angle, points_for, quick_length
from pipelines.kinds.fuel_pump_current.signals import Floats, Trace

HIGHEST_HZ = 7000.0
SEEN = 0.6
"""Share of its lines a comb must show to be believed without looking at the next line of the ripple."""
FEWEST_CYCLES = 24


@dataclass(frozen=True, slots=True)
class Turning:
    """The stretch of a capture that was followed, by shaft angle.

    Attributes:
        first, last: the stretch, in samples of the trace.
        turns: shaft angle in turns at each sample of the stretch; empty where the speed is not known.
        count: how the lines were read; None where no way fits.
        line_hz: mean frequency of the line that was followed.
        flat: the flattened ripple of the whole trace.
    """

    first: int
    last: int
    turns: Floats
    count: comb.Count | None
    line_hz: float
    flat: Floats

    @property
    def ripples(self) -> int:
        """Ripples in half a turn; 0 where they could not be counted."""
        return self.count.ripples if self.count is not None and self.count.told else 0

    @property
    def bars(self) -> tuple[int, ...]:
        """What the number of bars can be, the likelier first; one = told, empty = not shown."""
        return comb.BARS[self.ripples] if self.ripples else ()


def find_turning(trace: Trace) -> Turning | None:
    """The pump's turning, or None where no line of the ripple can be followed.

    The strongest line is tried first; one that no comb explains (the supply's own ripple, another load) gives way.
    """
    flat = speed.flatten(trace.amps, trace.rate_hz)
    size = min(int(speed.WINDOW_S * trace.rate_hz), len(flat))
    on = speed.running(trace.amps, flat, trace.rate_hz)
    courses = speed.courses(speed.spectra(flat, trace.rate_hz), on, size, len(flat))
    found: list[tuple[speed.Course, speed.Track, comb.Count | None]] = []
    for course in courses:
        line_hz = float(course.hz.mean())
        track = speed.phase(flat, trace.rate_hz, course, speed.SLOW_S)
        rows = by_angle(flat[track.first : track.last], track.cycles, points_for(line_hz))
        if len(rows) < FEWEST_CYCLES:
            continue
        rows = rows[: quick_length(len(rows))]
        lines = comb.spectrum(rows)
        if not comb.stands(lines, len(rows)):
            continue
        slow = trace.file_rate_hz < checks.LOWEST_RATE_HZ
        highest_hz = min(0.45 * trace.rate_hz, HIGHEST_HZ)
        read = None if slow else comb.count(lines, len(rows), line_hz, highest_hz)
        read = places.agreed(read, lines, len(rows), line_hz, highest_hz)
        found.append((course, track, read))
        if read is not None and read.told and read.comb >= SEEN:
            break
    if not found:
        return None
    course, track, read = max(found, key=lambda one: (_worth(one[2]), one[1].last - one[1].first))
    line_hz = float(course.hz.mean())
    if read is None or not read.told:
        return Turning(track.first, track.last, np.empty(0), read, line_hz, flat)
    track = speed.phase(flat, trace.rate_hz, course, read.order / line_hz)
    turns = np.maximum.accumulate(track.cycles) / (2.0 * read.order)
    return Turning(track.first, track.last, turns, read, line_hz, flat)


def _worth(read: comb.Count | None) -> tuple[bool, float]:
    return (False, 0.0) if read is None else (read.told, read.comb)
