"""A second simulator of ignition coils: each strike stepped through time, all strikes of a capture side by side.

Written from the equations of two coupled windings referred to the primary, not from the demo's closed forms:

* charging: d(flux)/dt = V - V_switch - i R with an iron core that saturates (flux = L0 i / (1 + (i / i_sat)^4)^1/4),
  held by the driver at a current limit where it has one;
* after the cut: C dv/dt = i_m - v / R_loss - clamp - arc, d(flux)/dt = -v, where v is the winding's voltage;
* the arc strikes when v reaches the breakdown voltage, holds the burn voltage (which rises with time; winding and
  lead add their resistance), and goes out when its current falls below what keeps it alive; then coil and capacitance
  ring about the supply.

Numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
CHARGE_STEP_S = 1.5e-5
SPARK_STEP_S = 1e-6
BURN_STEP_S = 6e-6
SPARK_S = 1.6e-4


@dataclass(slots=True)
class Coils:
    """Numbers of every strike, each of shape (strikes,): volts, ohms, henries, farads, amperes, all at the primary."""

    supply_v: Floats
    switch_v: Floats
    ohm: Floats
    henry: Floats
    saturation_a: Floats
    limit_a: Floats
    farad: Floats
    loss_ohm: Floats
    clamp_v: Floats
    breakdown_v: Floats
    burn_v: Floats
    burn_rise: Floats
    keep_a: Floats
    path_ohm: Floats
    dwell_s: Floats


@dataclass(slots=True)
class Course:
    """What a batch of strikes did, on one time axis each, shape (strikes, steps).

    `burn_s`: how long the arc burned, NaN where it was not out at the end. `peak_v`: of the collector.
    """

    charge_s: Floats
    charge_a: Floats
    charge_v: Floats
    after_s: Floats
    after_v: Floats
    burn_s: Floats
    peak_v: Floats
    cut_a: Floats
    left_a: Floats


def current_of(flux: Floats, coils: Coils, near: Floats) -> Floats:
    """Current for a flux linkage, the saturating core inverted by a few Newton steps from one nearby."""
    amps = near
    for _ in range(3):
        bent = (amps / coils.saturation_a) ** 4
        value = coils.henry * amps * (1 + bent) ** -0.25
        slope = coils.henry * (1 + bent) ** -1.25
        amps = np.maximum(amps + (flux - value) / slope, 0.0)
    return amps


def flux_of(amps: Floats, coils: Coils) -> Floats:
    """Flux linkage of a current."""
    return np.asarray(coils.henry * amps * (1 + (amps / coils.saturation_a) ** 4) ** -0.25)


def charge(coils: Coils, start_a: Floats) -> tuple[Floats, Floats, Floats]:
    """Time, current and collector voltage until the longest dwell is over, shapes (steps,), (strikes, steps) twice."""
    steps = int(np.ceil(coils.dwell_s.max() / CHARGE_STEP_S)) + 2
    amps = np.empty((len(coils.ohm), steps))
    volts = np.empty_like(amps)
    flux, near = flux_of(start_a, coils), start_a
    for at in range(steps):
        now = current_of(flux, coils, near)
        limited = now >= coils.limit_a
        now = np.minimum(now, coils.limit_a)
        amps[:, at] = now
        on = coils.switch_v + 0.04 * now
        volts[:, at] = np.where(limited, np.maximum(on, coils.supply_v - coils.ohm * now), on)
        # the resistance taken at the middle of the step (Heun)
        slope = coils.supply_v - on - coils.ohm * now
        guess = near = current_of(flux + CHARGE_STEP_S * slope, coils, now)
        again = coils.supply_v - coils.switch_v - 0.04 * guess - coils.ohm * guess
        flux = np.where(limited, flux_of(coils.limit_a, coils), flux + CHARGE_STEP_S * (slope + again) / 2)
    return np.arange(steps) * CHARGE_STEP_S, amps, volts


def discharge(coils: Coils, cut_a: Floats, length_s: float) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Time, collector voltage, burn time, peak and the current left, from the cut on."""
    # with a capacitance this small the core's saturation no longer matters: chord inductance at the cut
    henry = flux_of(cut_a, coils) / np.maximum(cut_a, 1e-9)
    fine = int(SPARK_S / SPARK_STEP_S)
    rest = int(max(length_s - SPARK_S, 0.0) / BURN_STEP_S)
    time = np.concatenate([np.arange(fine) * SPARK_STEP_S, SPARK_S + np.arange(rest) * BURN_STEP_S])
    v, i = np.zeros_like(cut_a), cut_a.copy()
    lit, out, age = np.zeros(len(v), bool), np.zeros(len(v), bool), np.zeros_like(v)
    burn, peak = np.full(len(v), np.nan), np.zeros_like(v)
    record = np.empty((len(v), len(time)))
    arc_ohm = coils.path_ohm
    for at in range(len(time)):
        step = SPARK_STEP_S if at < fine else BURN_STEP_S
        record[:, at] = coils.supply_v + v
        peak = np.maximum(peak, record[:, at])
        lit |= ~out & (v >= coils.breakdown_v)
        arc = lit & ~out
        age = age + step * arc
        held = coils.burn_v * (1 + coils.burn_rise * age)
        clamp = coils.supply_v + v > coils.clamp_v
        # conductances and what they pull towards, solved implicitly for v; the coil's current explicitly after it
        g = 1 / coils.loss_ohm + arc / arc_ohm + clamp / 0.5
        pull = i + arc * held / arc_ohm + clamp * (coils.clamp_v - coils.supply_v) / 0.5
        v = (v + step * pull / coils.farad) / (1 + step * g / coils.farad + step**2 / (coils.farad * henry))
        i = i - step * v / henry
        ends = arc & (i < coils.keep_a) & (age > 2e-5)
        burn[ends] = time[at]
        out |= ends
    burn[~lit] = 0.0
    return time, record, burn, peak, np.maximum(i, 0.0)


def strike(coils: Coils, start_a: Floats, length_s: float) -> Course:
    """One strike of every coil: charge, cut, arc, ring; `length_s` is how long is looked at after the cut."""
    time, amps, volts = charge(coils, start_a)
    place = np.minimum(coils.dwell_s / CHARGE_STEP_S, len(time) - 1.001)
    low = place.astype(int)
    rows = np.arange(len(low))
    cut = amps[rows, low] + (place - low) * (amps[rows, low + 1] - amps[rows, low])
    after, record, burn, peak, left = discharge(coils, cut, length_s)
    return Course(time, amps, volts, after, record, burn, peak, cut, left)
