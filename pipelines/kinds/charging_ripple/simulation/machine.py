"""A three-phase machine with its own inductance on a diode bridge and a battery, stepped through electrical cycles.

    L di/dt = e - R i - u(i) + n          for each of the three phases, n so that the currents add up to nothing

(star winding on a bridge; Mohan, Undeland & Robbins, *Power Electronics*, chapter on line-frequency rectifiers, from
memory). u(i) is what the bridge holds a terminal at: the battery above and nothing below, half of it either way about
its middle, with a narrow linear passage where the current changes sign. The reactance of an alternator is so large
that its phase currents are nearly sines; the output is the sum of their positive parts. All numbers are invented;
orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Fault = Literal["none", "open_diode", "shorted_diode", "lost_phase", "weak_phase"]
STEPS, CYCLES = 240, 7
PASSAGE_A = 1.0
OPEN_OHM, SHORT_OHM = 40.0, 0.005


@dataclass(frozen=True, slots=True)
class Alternator:
    """One machine: e.m.f. in parts of nominal and resistance by phase; drop by diode, the upper three first."""

    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    ohm: tuple[float, float, float] = (0.05, 0.05, 0.05)
    reactance_ohm: float = 0.16
    drop_v: tuple[float, float, float, float, float, float] = (0.8,) * 6
    battery_v: float = 14.2


def output_a(machine: Alternator, emf_v: float, fault: Fault, phase: int, side: int) -> Floats:
    """Output current over one settled electrical cycle, shape (STEPS,), in A.

    `emf_v` is the e.m.f.'s amplitude; `phase` (0 to 2) and `side` (0 upper, 1 lower diode) say where the fault is.
    Implicit steps by angle: d(angle) = 2 pi / STEPS, reactance in the place of inductance.
    """
    step = 2 * np.pi / STEPS
    half = machine.battery_v / 2
    share = step / machine.reactance_ohm
    gain, ohm = list(machine.gain), machine.ohm
    if fault == "weak_phase":
        gain[phase] *= 0.85
    current = [0.0, 0.0, 0.0]
    out = np.empty(STEPS)
    table = [
        [gain[k] * emf_v * float(np.cos(at * step - 2 * np.pi * k / 3)) for k in range(3)]
        for at in range(STEPS)
    ]
    for at in range(STEPS * CYCLES):
        emf = table[at % STEPS]
        pull, weight = [0.0] * 3, [0.0] * 3
        for k in range(3):
            held, slope = _terminal(
                current[k],
                half,
                (machine.drop_v[k], machine.drop_v[k + 3]),
                fault if k == phase else "none",
                side,
            )
            pull[k] = emf[k] - ohm[k] * current[k] - held
            weight[k] = share / (1.0 + share * (slope + ohm[k]))
        star = -sum(w * p for w, p in zip(weight, pull, strict=True)) / sum(weight)
        current = [i + w * (p + star) for i, w, p in zip(current, weight, pull, strict=True)]
        if at >= STEPS * (CYCLES - 1):
            out[at % STEPS] = _delivered(current, fault, phase, side)
    return out


def _terminal(
    amps: float, half: float, drops: tuple[float, float], fault: Fault, side: int
) -> tuple[float, float]:
    """Voltage at which the bridge holds a phase's terminal, about its middle, and its slope by the current."""
    blocked = fault == "lost_phase" or (fault == "open_diode" and (amps > 0) == (side == 0) and amps != 0.0)
    if blocked:
        return OPEN_OHM * amps, OPEN_OHM
    if fault == "shorted_diode":
        return (half if side == 0 else -half), SHORT_OHM
    held = half + (drops[0] if amps > 0 else drops[1])
    if abs(amps) < PASSAGE_A:
        return held * amps / PASSAGE_A, held / PASSAGE_A
    return (held if amps > 0 else -held), 0.0


def _delivered(current: list[float], fault: Fault, phase: int, side: int) -> float:
    """Current out of the upper rail."""
    total = 0.0
    for k, amps in enumerate(current):
        own = fault if k == phase else "none"
        if own == "shorted_diode":
            total += amps if side == 0 else 0.0
        elif own == "lost_phase" or (own == "open_diode" and side == 0):
            continue
        else:
            total += max(amps, 0.0)
    return total
