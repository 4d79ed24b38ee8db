"""True crank angle at any time of a record, from the crank sensor's teeth.

For readers of other tests that have the crank sensor on the same record: `crank_angle(waveform, hookup)`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import PchipInterpolator

from pipelines.kinds.base import Hookup
from pipelines.kinds.crank_cam_sensor.find import Found, look
from pipelines.kinds.crank_cam_sensor.signals import Floats
from pipelines.waveform import Waveform

CRANK = "crank_sensor"


@dataclass(frozen=True)
class CrankAngle:
    """Turns of the crank by time.

    Attributes:
        time_s: shape (teeth,), on the file's time axis, ascending.
        turns: shape (teeth,), ascending; a whole number where the first tooth after the gap passes.
    """

    time_s: Floats
    turns: Floats

    @cached_property
    def _course(self) -> PchipInterpolator:
        return PchipInterpolator(self.time_s, self.turns, extrapolate=False)

    def at(self, time_s: Floats) -> Floats:
        """Turns at each time; NaN before the first tooth of a whole turn and after the last one."""
        return np.asarray(self._course(time_s))

    def speed_rpm(self, time_s: Floats) -> Floats:
        """Instantaneous speed at each time; NaN outside."""
        return np.asarray(60.0 * self._course.derivative()(time_s))


def angle_of(found: Found, start_s: float, error_pct: Floats | None = None) -> CrankAngle | None:
    """The angle from a channel that was looked at; None without two whole turns.

    Args:
        start_s: time of the first sample. error_pct: shape (teeth,), how far each tooth is off its place in % of a
            pitch, where that is known.
    """
    wheel = found.wheel
    if wheel is None or len(wheel.first) < 2:
        return None
    first, teeth = wheel.first, wheel.teeth
    at = found.teeth.at
    begins = at[first]
    ends = at[np.minimum(first + teeth, len(at) - 1)]
    # between whole turns, turns with a lost or an extra pulse are counted by their time
    lasted = np.maximum(ends - begins, 1e-9)
    steps = np.where(
        np.diff(first) == teeth,
        1.0,
        np.maximum(1.0, np.rint(np.diff(begins) / (0.5 * (lasted[1:] + lasted[:-1])))),
    )
    number = np.concatenate([[0.0], np.cumsum(steps)])
    slot = wheel.slot - 1.0 + (0.0 if error_pct is None else error_pct / 100.0)
    times = at[first[:, None] + np.arange(teeth)]
    turns = number[:, None] + slot / wheel.places
    return CrankAngle(found.trace.time_s(times.ravel(), start_s), turns.ravel())


def crank_angle(waveform: Waveform, hookup: Hookup) -> CrankAngle | None:
    """Turns of the crank over a record whose log names a channel `crank_sensor`; None where there is none to read."""
    named = hookup.signals[: waveform.channels]
    if CRANK not in named:
        return None
    channel = named.index(CRANK)
    found = look(waveform.samples[channel], waveform.rate_hz, hookup.scales[channel])
    return None if found is None else angle_of(found, waveform.start_s)
