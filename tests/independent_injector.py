"""A second simulator of injectors: coil, core and pintle stepped through time, many pulses side by side.

Written from the equations, not from the demo's closed forms:

* flux linkage: d(flux)/dt = v - R i; the inductance grows as the pintle closes the gap, L(x) = L0 / (1 - g x), with
  x from 0 (shut) to 1 (open); a shorted-turn loop of eddy currents, d(eddy)/dt = (i - eddy) / tau, weakens the flux;
* pintle: m x'' = i_f^2 L'(x) / 2 - spring - load - c x', held between its stops, hitting them without rebound;
* driver: on, chopped between two levels or held linearly where it is a peak-and-hold one, off into a clamp.

Numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
STEP_S = 4e-6


@dataclass(slots=True)
class Pulses:
    """Numbers of every pulse, each of shape (pulses,), in SI units.

    Attributes:
        ohm, henry, gap: coil with the pintle shut, and how much the gap matters (0 to 1).
        eddy_s: time constant of the eddy currents. force: newtons a square ampere at the seat (L' / 2).
        kilogram: in units in which the lift is 1. spring_n, damp: what holds the pintle shut; friction in it.
        on_s: how long the driver is on. clamp_v: where the kick is cut off. driver_ohm: of the switch.
        peak_a, hold_a: of a peak-and-hold driver (infinite for a plain one). eddy_share: of the current.
    """

    supply_v: Floats
    ohm: Floats
    henry: Floats
    gap: Floats
    eddy_s: Floats
    eddy_share: Floats
    force: Floats
    kilogram: Floats
    spring_n: Floats
    damp: Floats
    on_s: Floats
    clamp_v: Floats
    driver_ohm: Floats
    peak_a: Floats
    hold_a: Floats


@dataclass(slots=True)
class Course:
    """What the pulses did: time (steps,), current and voltage at the driver (pulses, steps), opening and shutting.

    `open_s`, `shut_s`: when the pintle reaches its stops, from the beginning; NaN where it does not.
    """

    time_s: Floats
    amps: Floats
    volts: Floats
    open_s: Floats
    shut_s: Floats


def run(pulses: Pulses, length_s: float) -> Course:
    """All pulses from the moment the driver switches on, for `length_s`."""
    steps = int(length_s / STEP_S)
    n = len(pulses.ohm)
    i, eddy, x, speed = (np.zeros(n) for _ in range(4))
    amps, volts = np.empty((n, steps)), np.empty((n, steps))
    opened, shut = np.full(n, np.nan), np.full(n, np.nan)
    peaked = np.zeros(n, dtype=bool)
    hold = np.isfinite(pulses.hold_a)
    for at in range(steps):
        now = at * STEP_S
        on = now < pulses.on_s
        peaked |= on & (i >= pulses.peak_a)
        henry = pulses.henry / (1 - pulses.gap * x)
        rise = henry * pulses.gap / (1 - pulses.gap * x) * speed  # dL/dt
        pulling = i - pulses.eddy_share * eddy
        # the driver's pin: low while on; while held, whatever keeps the current; else the clamp until it is gone
        free = hold & on & peaked
        held_pin = np.clip(pulses.supply_v - pulses.hold_a * pulses.ohm, 0.0, pulses.clamp_v)
        held_pin = np.where(
            i > 1.03 * pulses.hold_a, np.minimum(pulses.supply_v + 22.0, pulses.clamp_v), held_pin
        )
        flowing = i > 1e-4
        # what the shrinking field still drives once the current is gone
        tail = pulses.eddy_share * henry * eddy / pulses.eddy_s + rise * eddy
        pin = np.where(
            on & ~free,
            pulses.driver_ohm * i,
            np.where(free, held_pin, np.where(flowing, pulses.clamp_v, pulses.supply_v + tail)),
        )
        across = pulses.supply_v - pin
        change = (across - pulses.ohm * i - rise * i) / henry
        nothing = ~on & ~flowing
        i = np.where(nothing, 0.0, np.maximum(i + STEP_S * change, 0.0))
        eddy = eddy + STEP_S * (i - eddy) / pulses.eddy_s
        pull = (
            pulses.force
            * np.maximum(np.where(nothing, pulses.eddy_share * eddy, pulling), 0.0) ** 2
            / (1 - pulses.gap * x) ** 2
        )
        speed = (
            speed + STEP_S * (pull - pulses.spring_n * (1 + 0.3 * x) - pulses.damp * speed) / pulses.kilogram
        )
        x = x + STEP_S * speed
        low, high = x <= 0, x >= 1
        opened = np.where(high & np.isnan(opened) & on, now, opened)
        shut = np.where(low & ~on & np.isnan(shut) & ~np.isnan(opened), now, shut)
        speed = np.where((low & (speed < 0)) | (high & (speed > 0)), 0.0, speed)
        x = np.clip(x, 0.0, 1.0)
        amps[:, at], volts[:, at] = i, pin
    return Course(np.arange(steps) * STEP_S, amps, volts, opened, shut)
