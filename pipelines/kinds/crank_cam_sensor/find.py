"""From a channel to its wheel: which crossings are the teeth, their times, and the wheel they make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.crank_cam_sensor.edges import Crossings, crossings
from pipelines.kinds.crank_cam_sensor.signals import Bools, Floats, Samples, Trace, prepare
from pipelines.kinds.crank_cam_sensor.wheel import Wheel, find_wheel, pitches

REGULAR = 0.85
NO_WHEEL = 1e3


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
    teeth, wheel = _switch(crossed) if trace.switched else _coil(crossed, trace.period)
    if wheel is not None and teeth.lost.any():
        holes = np.concatenate([[0], np.cumsum(teeth.lost)])
        first = wheel.first[holes[wheel.first + wheel.teeth] == holes[wheel.first - 1]]
        # what the file lost is no fault of the sensor
        stretches = np.count_nonzero(np.diff(trace.lost.astype(np.int8)) > 0) if trace.lost is not None else 0
        lost = max(0.0, wheel.lost - 2.0 * stretches / max(1, len(wheel.first)))
        wheel = Wheel(wheel.places, wheel.slot, wheel.missing, first, lost) if len(first) else None
    return Found(trace, crossed, teeth, wheel)


def _coil(crossed: Crossings, period: float) -> tuple[Teeth, Wheel | None]:
    """Rising or falling crossings, whichever are the teeth.

    Under every tooth a coil's voltage passes its middle alike; of the crossings between teeth the one in the gap takes
    much longer. Where no wheel is found either way, the quicker ones are taken.
    """
    takes = np.minimum(crossed.takes, 4 * period)
    found: list[tuple[float, Teeth, Wheel | None]] = []
    for rising in (False, True):
        at = np.flatnonzero(crossed.rising == rising)
        height = np.abs(crossed.extreme_v[at] - crossed.extreme_v[at + 1])
        teeth = Teeth(crossed.at[at], height, rising, crossed.lost[at])
        wheel = find_wheel(teeth.at)
        if wheel is None:
            odds = NO_WHEEL + float(np.mean(takes[at])) / period if len(at) else 2 * NO_WHEEL
        else:
            slow = np.median(takes[at][wheel.first[:, None] + np.arange(wheel.teeth)], axis=0)
            odds = float(slow.max() / np.median(slow))
        found.append((odds, teeth, wheel))
    _, teeth, wheel = min(found, key=lambda one: one[0])
    return teeth, wheel


def _switch(crossed: Crossings) -> tuple[Teeth, Wheel | None]:
    """A switch holds one level over the gap: the other one is the tooth's."""
    waits = np.diff(crossed.at)
    high, low = waits[crossed.rising[:-1]], waits[~crossed.rising[:-1]]
    tooth_high = _longest(low) >= _longest(high)
    start = np.flatnonzero(crossed.rising[:-1] == tooth_high)
    at = 0.5 * (crossed.at[start] + crossed.at[start + 1])
    teeth = Teeth(at, waits[start], tooth_high, crossed.lost[start] | crossed.lost[start + 1])
    return teeth, find_wheel(at)


def _longest(waits: Floats) -> float:
    """How far the longest waits stand above the usual one."""
    if len(waits) < 3:
        return 0.0
    top = np.sort(waits)[-max(2, len(waits) // 40) :]
    return float(top.mean() / np.median(waits))
