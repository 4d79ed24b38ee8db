"""Setup checks of a pump-current capture: what was found, and what to do next time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import Check, Severity
from pipelines.kinds.fuel_pump_current.signals import Floats, Trace

FEWEST_TURNS = 12
SHORTEST_RUN_S = 0.12
EVEN, EVEN_KNOWN = 0.2, 0.3
RAIL_SHARE = 0.0005
STEPS_TO_TELL = 12.0
STEPS_IN_RIPPLE = 4.0
LOWEST_RATE_HZ = 10_000.0
"""Twelve bars at 9,000 rpm make 1,800 ripples a second, whose second harmonic must be seen to count them."""
PWM_LOWEST_HZ = 5500.0
PWM_SHARE = 0.04


@dataclass(frozen=True, slots=True)
class CheckKind:
    """One check: name, how bad it is, what to do next time, and whether it is a habit of hooking up."""

    name: str
    severity: Severity
    advice: str
    habit: bool


KINDS = (
    CheckKind(
        "no_ripple",
        "unusable",
        "No pump ripple was found on this channel: check that the clamp is closed around one wire of the pump's own "
        "loop, that the log names the right channel, and that the pump runs while you record. The ripple of a very "
        "even or a noisy pump may be too small to follow.",
        False,
    ),
    CheckKind(
        "too_short",
        "warning",
        "The record holds too few turns of the pump: record at least half a second of steady running.",
        True,
    ),
    CheckKind(
        "clipped",
        "warning",
        "The current runs off the screen: choose a larger range, and take the start-up peak in a record of its own.",
        True,
    ),
    CheckKind(
        "ac_coupled",
        "warning",
        "The input blocks direct current, so neither mean current nor start-up peak can be read: set the channel to "
        "DC coupling and zero the clamp before closing it.",
        True,
    ),
    CheckKind(
        "coarse_resolution",
        "warning",
        "The ripple is only a few steps of the screen high: choose the smallest range that still holds the running "
        "current, or the clamp's more sensitive setting.",
        True,
    ),
    CheckKind(
        "low_sample_rate",
        "warning",
        "Too few samples fall on each ripple to tell the bars apart: record at 20,000 samples a second or more.",
        True,
    ),
    CheckKind(
        "reversed_leads",
        "note",
        "The clamp sits the wrong way round (the current reads negative); the reading was turned over. Point the "
        "clamp's arrow in the direction of the current.",
        True,
    ),
    CheckKind(
        "pwm_driven",
        "note",
        "A controller switches the pump on and off many times a second: command full drive as the maker's service "
        "information says, or compare only with captures at the same drive.",
        False,
    ),
)
BY_NAME = {kind.name: kind for kind in KINDS}


def check(name: str) -> Check:
    """The check `name` as found.

    Raises:
        KeyError: when there is no such check.
    """
    kind = BY_NAME[name]
    return Check(kind.name, kind.severity, kind.advice)


def clipped(samples: npt.NDArray[np.float32], trace: Trace) -> bool:
    """Whether the record piles up at one end of the screen (or leaves it).

    A step of the scope at the top of a ripple is rarer than the one below it; a rail is much more frequent.
    """
    if trace.gap_share > 0.001:
        return True
    if STEPS_TO_TELL * trace.step_a > float(np.abs(trace.amps).max(initial=0.0)):
        return False  # so few steps pile up by themselves
    finite = samples[np.isfinite(samples)]
    middle = float(np.median(finite))
    for rail, share, way in (
        (float(finite.max()), trace.high_rail, 1),
        (float(finite.min()), trace.low_rail, -1),
    ):
        # the quiet end is the pump at rest, not a rail
        if share < RAIL_SHARE or abs(rail) < 0.5 * abs(middle) or rail * middle < 0:
            continue
        # nor is a level that is left for short pulses only: a coil's, an injector's
        if way * middle < 0 and np.float32(rail) == np.float32(middle):
            continue
        inside = finite[finite != np.float32(rail)]
        if len(inside) == 0:
            return False
        beside = float(inside.max() if way > 0 else inside.min())
        if np.count_nonzero(finite == np.float32(rail)) > 3 * np.count_nonzero(inside == np.float32(beside)):
            return True
    return False


def blocks_direct_current(running: Floats, no_current_a: float) -> bool:
    """Whether the input blocks d.c.: the running pump's current swings about the level of no current.

    `running` is the followed stretch, in A; its last part is looked at, where the level has had time to sink. A pump
    that drives nothing back draws no negative current, whatever its ripple; a clamp's zero may be off by some tenths
    of an ampere, which is why the mean must lie near the middle of the swing. `no_current_a` is NaN where not seen.
    """
    part = running[-max(64, len(running) // 4) :]
    known = bool(np.isfinite(no_current_a))
    part = part - (no_current_a if known else 0.0)
    low, high = np.quantile(part, [0.03, 0.97])
    if low >= 0 or high <= 0:
        return False
    return bool(abs(part.mean()) < (EVEN_KNOWN if known else EVEN) * (high - low))


def switched(samples: npt.NDArray[np.float32], rate_hz: float, running: float) -> float:
    """Frequency in Hz of a controller's switching in the running current, 0 where there is none.

    A switching frequency is held by a clock: one narrow line above `PWM_LOWEST_HZ` of at least 4 % of the current.
    """
    size = min(len(samples), 1 << 15)
    if rate_hz < 4 * PWM_LOWEST_HZ or size < 1024:
        return 0.0
    begin = max(0, (len(samples) * 3) // 4 - size // 2)
    part = np.nan_to_num(samples[begin : begin + size].astype(np.float64), nan=running)
    part = part - part.mean()
    window = np.hanning(len(part))
    lines = np.abs(np.fft.rfft(part * window)) / window.sum() * 2
    hz = np.fft.rfftfreq(len(part), 1 / rate_hz)
    high: Floats = np.where(hz >= PWM_LOWEST_HZ, lines, 0.0)
    top = int(np.argmax(high))
    background = float(np.median(lines[hz >= PWM_LOWEST_HZ])) + 1e-15
    return float(hz[top]) if high[top] > max(PWM_SHARE * abs(running), 20 * background) else 0.0


def of_sizes(trace: Trace, ripple_a: float, turns: float, followed: float) -> list[str]:
    """Names of the checks that follow from length, step and rate.

    `turns` is NaN where the speed is not known; `followed` is the share of the record that they lie in.
    """
    names = []
    # a short stretch of a long record is no fault of its length
    if turns < FEWEST_TURNS * max(followed, 0.2) or trace.duration_s < SHORTEST_RUN_S:
        names.append("too_short")
    if ripple_a > 0 and trace.step_a > ripple_a / STEPS_IN_RIPPLE:
        names.append("coarse_resolution")
    if trace.file_rate_hz < LOWEST_RATE_HZ:
        names.append("low_sample_rate")
    return names
