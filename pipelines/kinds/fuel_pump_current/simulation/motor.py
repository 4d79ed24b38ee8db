"""A brushed permanent-magnet pump motor as one circuit whose resistance and voltage the commutator modulates.

    V = R(angle) i + L di/dt + ke(angle) w          J dw/dt = kt i - load torque

(permanent-magnet d.c. motor; Fitzgerald, Kingsley & Umans, *Electric Machinery*, chapter on d.c. machines, from
memory; in SI units kt = ke). Load torque = friction + a part that grows with the square of the speed (the
pressure a turbine pump makes at fixed flow path) times what the fault asks. Two slow steps: the speed is stepped
with the mean circuit, then the current follows sample by sample as a first-order lag L/R behind its goal. All
numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]
Condition = Literal["usual", "loaded", "starved", "dry", "blocked_filter"]
BarFault = Literal["none", "worn_bar", "open_bar", "worn_brushes"]

LOAD_SHARE: dict[Condition, tuple[float, float]] = {
    # torque in parts of the usual torque, extra unsteadiness of the load
    "usual": (1.0, 0.0),
    "loaded": (1.5, 0.0),
    "blocked_filter": (1.8, 0.0),
    "starved": (0.62, 0.03),
    "dry": (0.3, 0.01),
}


@dataclass(frozen=True, slots=True)
class Motor:
    """One pump's motor.

    `bar_ohm` are the contact resistances of the bars under one brush, shape (bars,); `brush_ratio` is how much
    more resistance the second brush has; `overlap_bars` is the brush's width in bars.
    """

    bar_ohm: tuple[float, ...] = (0.05,) * 8
    armature_ohm: float = 0.55
    inductance_h: float = 1.8e-4
    volt_s: float = 0.0145
    inertia_kg_m2: float = 2.0e-5
    torque_nm: float = 0.07
    friction_share: float = 0.35
    speed_rad_s: float = 600.0
    short_share: float = 0.35
    brush_ratio: float = 1.1
    overlap_bars: float = 1.25
    load_once_a_turn: float = 0.01

    @property
    def bars(self) -> int:
        """Number of commutator bars."""
        return len(self.bar_ohm)

    @property
    def resistance_ohm(self) -> float:
        """Mean resistance of armature and both brush contacts, in ohm."""
        contact = float(np.median(self.bar_ohm))
        return self.armature_ohm + contact * (1 + self.brush_ratio)

    @property
    def tau_s(self) -> float:
        """Electrical time constant L/R, in s."""
        return self.inductance_h / self.resistance_ohm


@dataclass(frozen=True, slots=True)
class Run:
    """A simulated run on a uniform time base: current in A, shaft angle in turns, speed in rad/s."""

    current_a: Floats
    turns: Floats
    speed_rad_s: Floats
    supply_v: Floats = field(repr=False)


def with_fault(motor: Motor, fault: BarFault, bar: int, size: float = 1.0) -> Motor:
    """The motor with `fault` at `bar` (0-based); `size` scales it (1 = plain to see)."""
    ohm = list(motor.bar_ohm)
    if fault == "worn_bar":
        ohm[bar] += 0.25 * size * motor.armature_ohm
    elif fault == "open_bar":
        ohm[bar] += 20.0 * motor.armature_ohm
    elif fault == "worn_brushes":
        ohm = [r + 0.3 * size * motor.armature_ohm for r in ohm]
    return replace(motor, bar_ohm=tuple(ohm))


def commutation(motor: Motor, angle_turns: Floats) -> tuple[Floats, Floats]:
    """Resistance (ohm) of the circuit and share of the voltage left, at each shaft angle.

    Bar k lies under the first brush where `angle_turns` + k / bars is whole and under the second half a turn
    later. A brush wider than a bar bridges two: their contacts lie in parallel, and the coil between them is
    shorted, which takes its voltage away. The coils' voltages add up like the sides of a polygon, whose width
    between the brushes is the cosine of the angle to the nearest of its n (even) or 2 n (odd) corners.
    """
    n = motor.bars
    table = 64 * n
    angle = np.arange(table) / table
    ohm = np.full(table, motor.armature_ohm)
    corners = n if n % 2 == 0 else 2 * n
    left = np.cos(2 * np.pi * ((angle * corners + 0.5) % 1.0 - 0.5) / corners)
    for place, ratio in ((0.0, 1.0), (0.5, motor.brush_ratio)):
        apart = np.abs((angle[:, None] + np.arange(n)[None, :] / n - place + 0.5) % 1.0 - 0.5) * n
        cover = np.clip(0.5 + motor.overlap_bars / 2 - apart, 0.0, 1.0)
        ohm += ratio / (cover / np.asarray(motor.bar_ohm)).sum(axis=1)
        second = np.sort(cover, axis=1)[:, -2]
        left -= motor.short_share / n * 2 * second
    index = np.floor((angle_turns % 1.0) * table).astype(np.intp) % table
    return ohm[index], (left / left.mean())[index]


def run(
    motor: Motor, supply_v: Floats, rate_hz: float, condition: Condition, rng: np.random.Generator
) -> Run:
    """Run the motor on `supply_v` (V by sample; NaN where switched off), from rest where it begins off.

    Raises:
        ValueError: when `rate_hz` is not positive.
    """
    if not rate_hz > 0:
        raise ValueError("rate_hz must be positive")
    every = max(1, int(rate_hz * 2.5e-4))
    dt = every / rate_hz
    share, uneven = LOAD_SHARE[condition]
    coarse = supply_v[::every]
    speed = np.empty(len(coarse))
    w, ohm, ke = (0.0 if np.isnan(supply_v[0]) else motor.speed_rad_s), motor.resistance_ohm, motor.volt_s
    noise = lfilter([0.1], [1, -0.9], rng.standard_normal(len(coarse))) * 2.3 * (0.003 + uneven)
    friction, flow = motor.torque_nm * motor.friction_share, motor.torque_nm * (1 - motor.friction_share)
    for k, volts in enumerate(coarse.tolist()):
        amps = 0.0 if volts != volts else max((volts - ke * w) / ohm, 0.0)
        wanted = (friction * min(w / 5.0, 1.0) + flow * (w / motor.speed_rad_s) ** 2) * share * (1 + noise[k])
        w = max(w + dt * (ke * amps - wanted) / motor.inertia_kg_m2, 0.0)
        speed[k] = w
    steps = np.arange(len(supply_v))
    fine = np.interp(steps, np.arange(len(coarse)) * every + every / 2, speed)
    turns = np.cumsum(fine) / (2 * np.pi * rate_hz) + rng.random()
    resistance, left = commutation(motor, turns)
    once = motor.load_once_a_turn * np.sin(2 * np.pi * turns)
    goal = (np.nan_to_num(supply_v) - ke * fine * left * (1 + 0.3 * once)) / resistance
    goal = np.where(np.isnan(supply_v), 0.0, np.maximum(goal, 0.0))
    keep = float(np.exp(-1.0 / (rate_hz * motor.tau_s)))
    return Run(np.asarray(lfilter([1 - keep], [1, -keep], goal)), turns, fine, supply_v)
