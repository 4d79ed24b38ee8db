"""The parts that `crank.run` steps through time, each with its own state: gas, firing, starter, alternator, tops."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.composed.engine import SPEEDS, Tables
from tests.composed.parameters import Drawn

DT = 2e-4
DEG = 57.29577951308232
ALTERNATOR_CUT_IN = 52.0  # rad/s of the crank, some 500 rpm
ALTERNATOR_LAG_S = 0.05
ALTERNATOR_EFFICIENCY = 0.55


@dataclass(frozen=True, slots=True)
class Top:
    """One compression top dead centre: when, whose (cylinder number), with the faults there or not, at what speed.

    `scatter` is the share by which its pressure differed in this cycle.
    """

    time_s: float
    cylinder: int
    variant: int
    speed: float
    fired: bool
    scatter: float


class Gas:
    """Torque of the gas by angle and speed, linear between the table's places; scatters from cycle to cycle.

    A cylinder's cycle runs from one of its tops of valve overlap to the next.
    """

    __slots__ = ("_cycle", "_each", "_extra", "_level", "_own", "_speeds", "_torque", "scatter")

    def __init__(self, drawn: Drawn, tables: Tables) -> None:
        rng = np.random.default_rng([drawn.seed, 22])
        # By cylinder and cycle; the first column is the cycle that was under way when the first began.
        self.scatter = drawn.engine.cycle_scatter * rng.standard_normal((len(tables.tops_deg), 4002))
        self._each = tables.each
        self._own = np.floor((np.arange(721) - tables.tops_deg[:, None] + 360.0) / 720.0).astype(int) + 1
        self._cycle, self._extra = -1, [0.0] * 721
        self._torque: list[list[list[float]]] = tables.torque.tolist()
        self._speeds: list[float] = SPEEDS.tolist()
        self._level = 0

    def torque(self, angle_deg: float, speed: float, variant: int) -> float:
        """In N m; the speed's size counts, the sign does not."""
        level, speeds = self._level, self._speeds
        while level < 9 and speed > speeds[level + 1]:
            level += 1
        while level > 0 and speed < speeds[level]:
            level -= 1
        self._level = level
        part = min(max((speed - speeds[level]) / (speeds[level + 1] - speeds[level]), 0.0), 1.0)
        place = angle_deg % 720.0
        k = int(place)
        f = place - k
        cycle = int(angle_deg // 720.0)
        if cycle != self._cycle:
            self._cycle = cycle
            rows = np.arange(self._each.shape[0])[:, None]
            self._extra = (self._each * self.scatter[rows, cycle + self._own]).sum(axis=0).tolist()
        lower, upper = self._torque[variant][level], self._torque[variant][level + 1]
        return (
            (lower[k] * (1 - f) + lower[k + 1] * f) * (1 - part)
            + (upper[k] * (1 - f) + upper[k + 1] * f) * part
            + self._extra[k]
        )


class Faults:
    """Whether the faults are there in this cycle: 0 or 1. A cycle begins half-way between the faulty one's tops."""

    __slots__ = ("_schedule", "_top", "_until")

    def __init__(self, drawn: Drawn, tables: Tables) -> None:
        engine, engaged = drawn.engine, drawn.crank.engaged_s
        self._top = float(tables.tops_deg[engine.fault_cylinders[0] - 1]) if engine.fault_cylinders else 0.0
        self._schedule = [1 if engine.fault_cylinders else 0] * 4000
        self._until = 1e9
        if engine.fault_cylinders and engine.fault_when == "kicks":
            rng = np.random.default_rng([drawn.seed, 20])
            self._schedule = [int(v) for v in rng.random(4000) < engine.fault_share]
        if engine.fault_when == "first":
            self._until = engaged[0][0] + engine.fault_share * (engaged[-1][1] - engaged[0][0])

    def there(self, angle_deg: float, time_s: float) -> int:
        """0 or 1."""
        return (
            self._schedule[int((angle_deg - self._top - 360.0) // 720.0) + 2] if time_s < self._until else 0
        )


class Firing:
    """A running engine: which strokes fire, and how strongly its governor lets them push."""

    __slots__ = ("_burn", "_need", "_rng", "_share", "burning", "idle")

    def __init__(self, drawn: Drawn, tables: Tables) -> None:
        engine = drawn.engine
        self.idle = drawn.crank.idle_rpm * 2 * math.pi / 60
        work = float(np.trapezoid(np.maximum(tables.burn, 0.0), dx=math.pi / 180))
        drag = engine.friction_nm + engine.viscous_nms * self.idle + 12.0
        self._need = drag * 4 * math.pi / (engine.cylinders * work)
        self._share = drawn.crank.fire_share
        self._rng = np.random.default_rng([drawn.seed, 21])
        self._burn: list[float] = tables.burn.tolist()
        self.burning: list[tuple[float, float]] = []

    def fire(self, angle_deg: float, speed: float) -> bool:
        """Whether the cylinder now at its top fires."""
        if self._rng.random() >= self._share:
            return False
        gain = self._need * (1 + 4 * (self.idle - speed) / self.idle)
        self.burning.append((angle_deg, min(max(gain, 0.0), 1.0)))
        return True

    def torque(self, angle_deg: float) -> float:
        """Of all strokes that still push, in N m."""
        self.burning = [b for b in self.burning if angle_deg - b[0] < 180.0]
        return sum(gain * self._burn[max(int(angle_deg - at), 0)] for at, gain in self.burning)


class Supply:
    """Battery and starter: their currents and the volts at the posts."""

    __slots__ = ("_battery", "_full_k", "_open_v", "_r0", "_starter", "_vp", "current", "volts")

    def __init__(self, drawn: Drawn, full_k: float, load_a: float) -> None:
        self._battery, self._starter, self._full_k = drawn.battery, drawn.starter, full_k
        self._open_v, self._r0, self._vp = drawn.battery.open_v, drawn.battery.ohm, 0.0
        self.current = 0.0
        self.volts = self._open_v - self._r0 * load_a
        if drawn.crank.ran_until_s is not None:
            self.volts = drawn.battery.alternator_v

    def motor(self, speed: float, others_a: float) -> float:
        """One step with the key at start: torque on the crank in N m (0: the clutch overruns)."""
        starter, i = self._starter, self.current
        k = self._full_k
        if starter.series:
            k *= i / (i + starter.saturation_a) if i > 1.0 else 0.004
        push = self._open_v - self._vp - self._r0 * others_a - starter.brush_v - k * max(speed, 0.0)
        per = DT / starter.inductance_h
        i = (i + per * push) / (1 + per * (self._r0 + starter.circuit_ohm))
        torque = 0.0
        if i <= starter.free_a and speed > 1.0:
            i = starter.free_a  # the clutch overruns, the motor turns by itself
        else:
            torque = starter.efficiency * k * max(i - starter.free_a, 0.0)
        self.current = max(i, 0.0)
        self._open_v -= self._battery.dying_v_per_s * DT
        self._r0 += self._battery.dying_ohm_per_s * DT
        return torque

    def settle(self, others_a: float) -> None:
        """Volts at the posts after the step."""
        total = self.current + others_a
        self._vp += DT / self._battery.polarisation_s * (total * self._battery.polarisation_ohm - self._vp)
        self.volts = self._open_v - self._vp - self._r0 * total


class Alternator:
    """Charges above a speed, some time after the engine began to run; `amps` is what it gives."""

    __slots__ = ("_battery", "_from", "amps")

    def __init__(self, drawn: Drawn) -> None:
        self._battery, self.amps = drawn.battery, 0.0
        self._from = -1e9
        if drawn.crank.ran_until_s is None:
            self._from = (drawn.crank.starts_s or 0.0) + drawn.battery.alternator_delay_s

    def step(self, time_s: float, running: bool, speed: float, volts: float) -> float:
        """Torque it takes from the crank in N m."""
        if running and speed > ALTERNATOR_CUT_IN and time_s > self._from:
            wanted = min(max(40 * (self._battery.alternator_v - volts), 0.0), self._battery.alternator_a)
            self.amps += DT / ALTERNATOR_LAG_S * (wanted - self.amps)
            return self.amps * volts / (ALTERNATOR_EFFICIENCY * max(speed, 20.0))
        if self.amps:
            self.amps = self.amps - DT / 0.02 * self.amps if self.amps > 0.1 else 0.0
        return 0.0


class Tops:
    """Which compression top comes next, and those that have been."""

    __slots__ = ("_at", "_order", "_scatter", "_turn", "been", "next_deg")

    def __init__(self, tables: Tables, angle_deg: float, gas: Gas) -> None:
        self._scatter = gas.scatter
        self._order = sorted((float(a), c + 1) for c, a in enumerate(tables.tops_deg))
        ahead = next((k for k, (a, _) in enumerate(self._order) if a > angle_deg), len(self._order))
        self._turn, self._at = divmod(ahead, len(self._order))
        self.next_deg = self._order[self._at][0] + 720.0 * self._turn
        self.been: list[Top] = []

    def passed(self, time_s: float, variant: int, speed: float, fired: bool) -> None:
        """The next top was reached."""
        cylinder = self._order[self._at][1]
        scatter = float(self._scatter[cylinder - 1, self._turn + 1])
        self.been.append(Top(time_s, cylinder, variant, speed, fired, scatter))
        self._at += 1
        if self._at == len(self._order):
            self._at, self._turn = 0, self._turn + 1
        self.next_deg = self._order[self._at][0] + 720.0 * self._turn
