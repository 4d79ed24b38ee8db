"""A fuel pump's motor solved coil by coil, and the troubles of scope and file: independent of the kind.

The armature is a ring of coils between commutator bars (lap winding, two poles, two brushes). At each
angle the ring, the bars' contact with both brushes (a brush wider than a bar bridges two) and the coils'
voltages make a linear network, solved by nodal analysis: Thevenin resistance and voltage by angle. The
motion is stepped by angle, not by time. It shares no code with the kind's own simulator, nor its idea of
a bar as a resistance that modulates one circuit. All numbers are invented; orders of magnitude are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
STEPS_PER_BAR = 16
BAR_FAULTS = ("worn_bar", "open_bar", "open_coil")
RATES_HZ = (2e3, 5e3, 1e4, 2e4, 5e4, 1e5, 2e5, 5e5, 1e6)


@dataclass(frozen=True, slots=True)
class Armature:
    """Thevenin resistance (ohm) and voltage per speed (V s) over one turn, uniform in angle."""

    bars: int
    resistance_ohm: Floats
    volt_s: Floats


@dataclass(slots=True)
class Pump:
    """One pump as it is: circuit, load and what is wrong with it."""

    bars: int = 8
    coil_ohm: Floats = field(default_factory=lambda: np.full(8, 0.35))
    coil_gain: Floats = field(default_factory=lambda: np.ones(8))
    contact_ohm: Floats = field(default_factory=lambda: np.full(8, 0.03))
    brush_gain: tuple[float, float] = (1.0, 1.0)
    brush_bars: float = 1.3
    magnet_skew: float = 0.0
    flat_top: float = 0.5
    series_ohm: float = 0.1
    volt_s: float = 0.016
    tau_s: float = 2.5e-4
    inertia: float = 2.5e-6
    drag_nm: float = 0.015
    pressure_nm_s2: float = 5.0e-8
    turn_load: float = 0.01
    jitter_ohm: float = 0.002
    flow_noise: float = 0.003


def armature(pump: Pump) -> Armature:
    """Solve the ring of coils with its brushes over one turn."""
    n = pump.bars
    count = n * STEPS_PER_BAR * (2 if n % 2 else 1)
    angle = np.arange(count) / count
    centre = (np.arange(n)[None, :] / n + angle[:, None]) % 1.0
    contact = np.zeros((count, n, 2))
    for brush, (place, gain) in enumerate(zip((0.0, 0.5), pump.brush_gain, strict=True)):
        apart = np.abs((centre - place + 0.5) % 1.0 - 0.5) * n
        cover = np.clip(0.5 + pump.brush_bars / 2 - apart, 0.0, min(1.0, pump.brush_bars))
        contact[:, :, brush] = cover / (pump.contact_ohm[None, :] * gain)
    side = 2 * np.pi * (centre + 0.5 / n)
    sine = np.sin(side)
    shape = np.tanh(sine * (1 + 3 * pump.flat_top)) / np.tanh(1 + 3 * pump.flat_top)
    emf = shape * (1 + pump.magnet_skew * np.sign(sine)) * pump.coil_gain[None, :]
    emf *= pump.volt_s * np.pi / n
    coil = 1.0 / pump.coil_ohm
    matrix = np.zeros((count, n, n))
    bar = np.arange(n)
    after = (bar + 1) % n
    matrix[:, bar, bar] = contact.sum(axis=2) + coil + np.roll(coil, 1)
    matrix[:, bar, after] -= coil
    matrix[:, after, bar] -= coil
    push = np.zeros((count, n, 2))
    push[:, :, 0] = contact[:, :, 0]
    push[:, :, 1] = coil * emf - np.roll(coil * emf, 1, axis=1)
    node = np.linalg.solve(matrix, push)
    into = contact[:, :, 0]
    short = (into * (1.0 - node[:, :, 0])).sum(axis=1)
    driven = -(into * node[:, :, 1]).sum(axis=1)
    return Armature(n, 1.0 / short, -driven / short)


def low_angles(pump: Pump, sound: Pump, speed: float, volts: float = 13.0) -> Floats:
    """Shaft angles (turns, as `drive` counts them) where a fault lowers the current by 0.7 of its deepest and more.

    Both pumps' goal (V - E w) / R at the same `speed` (rad/s), the winding's lag left out: where the fault shows
    follows from the network alone.
    """
    goals = []
    for one in (pump, sound):
        table = armature(one)
        volt_s = table.volt_s * np.sign(table.volt_s.mean())
        goals.append((volts - volt_s * speed) / (table.resistance_ohm + one.series_ohm))
    drop = goals[0] - goals[1]
    return np.flatnonzero(drop <= 0.7 * drop.min()) / len(drop)


def drive(pump: Pump, supply: Any, stop_s: float, rng: np.random.Generator, turning: float = 0.0) -> Any:
    """Step the motor by angle. `supply(t)` gives V, or None while the circuit is open.

    Returns time (s), current (A), angle (turns): three arrays, not uniform in time.
    """
    table = armature(pump)
    count = len(table.volt_s)
    volt_s = table.volt_s * np.sign(table.volt_s.mean())
    volt_s, ohm = volt_s.tolist(), (table.resistance_ohm + pump.series_ohm).tolist()
    jitter = (rng.standard_normal(4096) * pump.jitter_ohm).tolist()
    noise = rng.standard_normal(4096).tolist()
    step = 2 * np.pi / count
    slot = count // pump.bars
    now, speed, amp, theta, flow = 0.0, turning, 0.0, float(rng.random() * count), 0.0
    times, amps, angles = [], [], []
    while now < stop_s:
        volts = supply(now)
        place = int(theta) % count
        dt = min(step / max(speed, 1e-3), 2e-4)
        k = volt_s[place]
        turn = int(theta) // count
        if volts is None:
            amp = 0.0
        else:
            total = ohm[place] + abs(jitter[(int(theta) // slot) & 4095])
            goal = max((volts - k * speed) / total, 0.0)
            amp += (goal - amp) * (1 - np.exp(-dt / pump.tau_s))
        flow = 0.9 * flow + 0.1 * noise[turn & 4095]
        once = 1 + pump.turn_load * np.sin(2 * np.pi * theta / count) + pump.flow_noise * 2.3 * flow
        load = (pump.drag_nm * min(speed / 5.0, 1.0) + pump.pressure_nm_s2 * speed * speed) * once
        speed = max(speed + dt * (k * amp - load) / pump.inertia, 0.0)
        theta += speed * dt / step
        now += dt
        times.append(now)
        amps.append(amp)
        angles.append(theta / count)
    return np.array(times), np.array(amps), np.array(angles)
