"""An alternator's rectifier solved as a network of diodes, algebraically: independent of the kind.

Three phase voltages behind resistances feed six diodes and a battery behind a resistance. At each rotor angle the
neutral's and the rail's voltage are the two unknowns of Kirchhoff's current law; they are found by Newton's method for
all angles at once. A diode with the winding's resistance in series is (s / R) log(1 + exp(v / s)): a smooth knee of
width s. There is no inductance in the phases and no step through time, unlike in the kind's own simulator. All numbers
are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
KNEE_V, DROP_V = 0.06, 0.75
FAULTS = ("open_diode", "shorted_diode", "lost_phase", "weak_phase")
ANGLES = 720


@dataclass(slots=True)
class Machine:
    """One alternator as it is.

    `gain`: e.m.f. of each phase, parts of nominal. `ohm`: shape (3, 2), resistance of each phase with its upper and
    its lower diode; inf is open. `shorted`: (phase, 0 upper or 1 lower) or None.
    """

    gain: Floats = field(default_factory=lambda: np.ones(3))
    ohm: Floats = field(default_factory=lambda: np.full((3, 2), 0.05))
    shorted: tuple[int, int] | None = None
    fifth: float = 0.0
    seventh: float = 0.0
    battery_v: float = 13.0
    battery_ohm: float = 0.01
    load_a: float = 30.0


def phases(angle: Floats, machine: Machine) -> Floats:
    """E.m.f. of the three phases for an amplitude of 1 V, shape (3, angles); phase k is highest at 2 pi k / 3."""
    at = angle[None, :] - 2.0 * np.pi * np.arange(3)[:, None] / 3.0
    shape = np.cos(at) + machine.fifth * np.cos(5 * at) + machine.seventh * np.cos(7 * at)
    return np.asarray(machine.gain[:, None] * shape)


def _soft(volts: Floats) -> tuple[Floats, Floats]:
    """The knee s log(1 + exp(v / s)) and its slope."""
    scaled = np.clip(volts / KNEE_V, -60.0, 60.0)
    return np.where(volts > 60 * KNEE_V, volts, KNEE_V * np.log1p(np.exp(scaled))), 1 / (1 + np.exp(-scaled))


def output(angle: Floats, volts: Floats, machine: Machine) -> tuple[Floats, Floats]:
    """Current out of the rectifier (A) and the rail's voltage (V) at each angle (rad) for the e.m.f.s' amplitude."""
    emf = phases(angle, machine) * volts
    neutral = np.zeros(len(angle))
    rail = np.full(len(angle), machine.battery_v + 0.5)
    upper = np.empty_like(emf)
    for _ in range(60):
        node = emf + neutral
        up, up_slope = _soft(node - rail - DROP_V)
        down, down_slope = _soft(-node - DROP_V)
        up, up_slope = up / machine.ohm[:, :1], up_slope / machine.ohm[:, :1]
        down, down_slope = down / machine.ohm[:, 1:], down_slope / machine.ohm[:, 1:]
        if machine.shorted is not None:
            phase, side = machine.shorted
            ohm = float(machine.ohm[phase, side])
            if side == 0:
                up[phase], up_slope[phase] = (node[phase] - rail) / ohm, 1.0 / ohm
            else:
                down[phase], down_slope[phase] = -node[phase] / ohm, 1.0 / ohm
        upper = up.sum(axis=0)
        balance = upper - down.sum(axis=0)
        supply = rail - machine.battery_v - machine.battery_ohm * (upper - machine.load_a)
        # the Jacobian of (balance, supply) by (neutral, rail)
        a = up_slope.sum(axis=0) + down_slope.sum(axis=0) + 1e-9
        b = -up_slope.sum(axis=0)
        c = -machine.battery_ohm * up_slope.sum(axis=0)
        d = 1.0 + machine.battery_ohm * up_slope.sum(axis=0)
        det = a * d - b * c
        step_neutral = (balance * d - b * supply) / det
        step_rail = (a * supply - c * balance) / det
        size = np.maximum(np.maximum(np.abs(step_neutral), np.abs(step_rail)), 1e-12)
        held = np.minimum(1.0, 1.5 / size)
        neutral, rail = neutral - held * step_neutral, rail - held * step_rail
        if float(size.max()) < 1e-9:
            break
    return np.asarray(upper), np.asarray(rail)


def amplitude_for(machine: Machine, amps: float, most_v: float) -> float:
    """Amplitude of the e.m.f. (V) that gives a mean of `amps`, at most `most_v`: what the regulator looks for."""
    angle = np.arange(180) * 2.0 * np.pi / 180
    low, high = 3.0, most_v
    for _ in range(22):
        middle = (low + high) / 2.0
        mean = float(output(angle, np.full(len(angle), middle), machine)[0].mean())
        low, high = (middle, high) if mean < amps else (low, middle)
    return (low + high) / 2.0


def with_fault(machine: Machine, fault: str, phase: int, side: int, size: float = 1.0) -> None:
    """Plant `fault` in place; `size` scales a weak phase (1 = plain to see).

    Raises:
        KeyError: for a fault that is not known.
    """
    if fault == "open_diode":
        machine.ohm[phase, side] = 1e6
    elif fault == "shorted_diode":
        machine.shorted = (phase, side)
    elif fault == "lost_phase":
        machine.ohm[phase] = 1e6
    elif fault == "weak_phase":
        machine.gain[phase] *= 1.0 - 0.12 * size
        machine.ohm[phase] *= 1.0 + 0.5 * size
    elif fault != "none":
        raise KeyError(fault)
