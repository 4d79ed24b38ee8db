"""From a channel to its wheel: which crossings are the teeth, their times, and the wheel they make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.crank_cam_sensor.edges import Crossings, crossings
from pipelines.kinds.crank_cam_sensor.signals import Bools, Floats, Samples, Trace, prepare
from pipelines.kinds.crank_cam_sensor.wheel import Wheel, find_wheel, pitches

REGULAR = 0.85


@dataclass(frozen=True, slots=True)
class Teeth:
    """The teeth of one channel.

    Attributes:
        at: shape (teeth passed,), in samples: where a coil's voltage passes through its middle under the tooth, or
            the middle between a switch's two edges.
        size: a coil's pulse from its highest to its lowest in V; the samples a switch stays at the tooth's level.
        rising: a coil's voltage rises through its middle under the tooth.
        lost: beside a bridged gap of the file.
    """

    at: Floats
    size: Floats
    rising: bool
    lost: Bools


@dataclass(frozen=True, slots=True)
class Found:
    """A channel looked at; `wheel` is None where no pattern of gaps comes again."""

    trace: Trace
    crossed: Crossings
    teeth: Teeth
    wheel: Wheel | None

    @property
    def regular(self) -> bool:
        """Whether teeth pass at all, gap or not: most waits are like their neighbours."""
        if len(self.teeth.at) < 8:
            return False
        count, whole = pitches(self.teeth.at)
        return bool(np.mean(whole & (count == 1)) > REGULAR)


def look(samples: Samples, rate_hz: float, scale: float) -> Found | None:
    """Look for a wheel on one channel, shape (samples,); None where nothing swings on it."""
    trace = prepare(samples, rate_hz, scale)
    if trace is None:
        return None
    crossed = crossings(trace)
    if len(crossed.at) < 6:
        return None
    teeth = _switched_teeth(crossed) if trace.switched else _coil_teeth(crossed, trace.period)
    wheel = find_wheel(teeth.at)
    if wheel is not None and teeth.lost.any():
        holes = np.concatenate([[0], np.cumsum(teeth.lost)])
        first = wheel.first[holes[wheel.first + wheel.teeth] == holes[wheel.first - 1]]
        wheel = Wheel(wheel.places, wheel.slot, wheel.missing, first, wheel.lost) if len(first) else None
    return Found(trace, crossed, teeth, wheel)


def _coil_teeth(crossed: Crossings, period: float) -> Teeth:
    """Under a tooth a coil's voltage passes its middle quickly, in every gap slowly or not at all."""
    takes = np.minimum(crossed.takes, 4 * period)
    which = [crossed.rising == up for up in (False, True)]
    slow = [float(np.mean(takes[one])) if one.any() else np.inf for one in which]
    rising = slow[1] < slow[0]
    at = np.flatnonzero(which[int(rising)])
    height = np.abs(crossed.extreme_v[at] - crossed.extreme_v[at + 1])
    return Teeth(crossed.at[at], height, rising, crossed.lost[at])


def _switched_teeth(crossed: Crossings) -> Teeth:
    """A switch holds one level over the gap: the other one is the tooth's."""
    waits = np.diff(crossed.at)
    high, low = waits[crossed.rising[:-1]], waits[~crossed.rising[:-1]]
    tooth_high = _longest(low) >= _longest(high)
    start = np.flatnonzero(crossed.rising[:-1] == tooth_high)
    at = 0.5 * (crossed.at[start] + crossed.at[start + 1])
    lost = crossed.lost[start] | crossed.lost[start + 1]
    return Teeth(at, waits[start], tooth_high, lost)


def _longest(waits: Floats) -> float:
    """How far the longest waits stand above the usual one."""
    if len(waits) < 3:
        return 0.0
    top = np.sort(waits)[-max(2, len(waits) // 40) :]
    return float(top.mean() / np.median(waits))
