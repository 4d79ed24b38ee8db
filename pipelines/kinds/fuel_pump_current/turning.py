"""From a prepared trace to turns: which line is the pump's, how many humps and bars a turn has, the angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.fuel_pump_current import bars, speed
from pipelines.kinds.fuel_pump_current.signals import Floats, Trace


@dataclass(frozen=True, slots=True)
class Turning:
    """The steady stretch of a capture by shaft angle.

    Attributes:
        first, last: the stretch, in samples of the trace.
        repeats: phase of the repetition (`repeat` = half a turn or a turn) at each sample of the stretch.
        turn: bars, humps and turn, as far as they can be told.
        humps: humps in one repetition; 0 where none stand out.
        line_hz: mean frequency of the line that was followed.
        fold: the repetition in cycles of that line.
        flat: the flattened ripple of the whole trace.
    """

    first: int
    last: int
    repeats: Floats
    turn: bars.Turn
    humps: int
    line_hz: float
    fold: bars.Fold
    flat: Floats

    @property
    def per_turn(self) -> float:
        """Repetitions in a turn (1 or 2); 0 where it cannot be told."""
        return self.turn.per_turn / self.fold.cycles


def find_turning(trace: Trace) -> Turning | None:
    """The pump's turning, or None where no line of the ripple can be followed.

    The strongest line is tried first; one that no count of bars explains (the supply's own ripple, another load)
    gives way to the next.
    """
    flat = speed.flatten(trace.amps, trace.rate_hz)
    size = min(int(speed.WINDOW_S * trace.rate_hz), len(flat))
    courses = speed.courses(speed.spectra(flat, trace.rate_hz), size, len(flat))
    longest = max((course.last - course.first for course in courses), default=0)
    spare: list[Turning] = []
    for course in courses:
        found = _try(flat, trace.rate_hz, course)
        if found is None:
            continue
        told = bool(found.turn.candidates) and not found.fold.rival
        if told and 2 * (course.last - course.first) >= longest:
            return found
        spare.append(found)
    # nothing told: the longest stretch still gives mean current and ripple
    return max(spare, key=lambda found: found.last - found.first, default=None)


def _try(flat: Floats, rate_hz: float, course: speed.Course) -> Turning | None:
    line_hz = float(course.hz.mean())
    track = speed.phase(flat, rate_hz, course, speed.SLOW_S)
    points = bars.points_for(line_hz)
    rows = bars.by_angle(flat[track.first : track.last], track.cycles, points)
    found = bars.fold(rows)
    if found is None:
        return None
    track = speed.phase(flat, rate_hz, course, found.cycles / line_hz)
    rows = bars.by_angle(flat[track.first : track.last], track.cycles, points)
    lines, noise = bars.harmonics(rows, found.cycles)
    turn = bars.turn_of(found, lines, noise, line_hz)
    repeats = np.maximum.accumulate(track.cycles) / found.cycles
    return Turning(track.first, track.last, repeats, turn, bars.humps_in(lines, noise), line_hz, found, flat)
