"""Battery, starter and engine turned together in time: what was really there before any instrument.

Starter: L di/dt = E - v_p - R0 (i + i_loads) - R_c i - v_brush - k w, torque = efficiency k i through a one-way clutch;
k is constant with permanent magnets and grows as i/(i + i_sat) with a series field. Battery: open voltage, resistance
and one polarisation pair. Engine: J dw/dt = starter + gas - friction. Steps of 0.2 ms, the current implicit, the
angle with the new speed (semi-implicit), dry friction taken off last so that it can hold the engine still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tests.composed.engine import SPEEDS, Tables, tabulate
from tests.composed.parameters import Drawn

Array = npt.NDArray[np.float64]
DT = 2e-4
ALTERNATOR_CUT_IN = 52.0  # rad/s of the crank, some 500 rpm


@dataclass(frozen=True, slots=True)
class Top:
    """One compression top dead centre: when, whose (cylinder number), with the faults there or not, at what speed."""

    time_s: float
    cylinder: int
    variant: int
    speed: float
    fired: bool


@dataclass(frozen=True, slots=True)
class Course:
    """What happened, on a grid of `DT` from `time_s[0]` (seconds from the start of the record, may be negative).

    `angle_deg` counts on over cycles; `speed` in rad/s; `current_a` the starter's; `loads_a` all others less the
    alternator; `volts` at the battery posts; `turning` where the key is at start; `motor_nm` on the crank;
    `friction_nm`; `constant` is k in N m per A (at full field for a series motor).
    """

    time_s: Array
    angle_deg: Array
    speed: Array
    current_a: Array
    loads_a: Array
    volts: Array
    turning: npt.NDArray[np.bool_]
    motor_nm: Array
    friction_nm: Array
    tops: tuple[Top, ...]
    tables: Tables
    constant: float
    started_s: float | None


def loads_on(drawn: Drawn, time_s: Array) -> Array:
    """Current of the consumers that are switched, in A; the fuel pump primes when the key goes to run."""
    loads = drawn.loads
    out = np.full(time_s.size, loads.base_a)
    for at, size in loads.steps:
        out[time_s >= at] += size
    run = drawn.crank.engaged_s[0][0] - 0.4
    out[(time_s >= run) & (time_s < run + loads.prime_s)] += loads.prime_a
    if loads.pwm_a:
        out += loads.pwm_a * ((time_s * loads.pwm_hz) % 1.0 < loads.pwm_duty)
    return np.maximum(out, 0.5)


def motor_constant(drawn: Drawn, tables: Tables) -> float:
    """k in N m per A that gives the drawn speed at the mean load, raised where it could not pass the first top
    even with what speed it has gained by then.

    Steady state: w k = E - R i with i = T / (efficiency k), so w k^2 - E k + R T / efficiency = 0 (larger root).
    """
    starter, battery, engine = drawn.starter, drawn.battery, drawn.engine
    volts = battery.open_v - starter.brush_v
    ohm = starter.circuit_ohm + battery.ohm + battery.polarisation_ohm
    speed = starter.target_rpm * 2 * math.pi / 60
    pumping = -float(np.interp(speed, SPEEDS, tables.torque[0, :, :720].mean(axis=1)))
    load = (engine.friction_nm + engine.viscous_nms * speed + max(pumping, 0.0)) / starter.efficiency
    root = volts**2 - 4 * speed * ohm * load
    k = (volts + math.sqrt(root)) / (2 * speed) if root > 0 else volts / (2 * speed)
    hardest = engine.friction_nm + engine.tight_nm - float(tables.torque[0, 1].min())
    k = max(k, 0.8 * hardest * ohm / (volts * starter.efficiency))
    if starter.series:
        mean = load / k
        k *= (mean + starter.saturation_a) / mean
    return k


@dataclass(slots=True)
class _Firing:
    """Governor of a running engine: how strongly each firing stroke pushes."""

    need: float
    idle: float
    share: float
    rng: np.random.Generator
    burning: list[tuple[float, float]] = field(default_factory=list)

    def fire(self, angle_deg: float, speed: float) -> bool:
        if self.rng.random() >= self.share:
            return False
        gain = self.need * (1 + 4 * (self.idle - speed) / self.idle)
        self.burning.append((angle_deg, min(max(gain, 0.0), 1.0)))
        return True

    def torque(self, angle_deg: float, burn: list[float]) -> float:
        self.burning = [b for b in self.burning if angle_deg - b[0] < 180.0]
        return sum(gain * burn[max(int(angle_deg - at), 0)] for at, gain in self.burning)


def fault_there(drawn: Drawn, cycles: int) -> list[int]:
    """0 or 1 for each cycle of the faulty cylinder; `first` is decided in time, by `run`."""
    engine = drawn.engine
    if not engine.fault_cylinders:
        return [0] * cycles
    if engine.fault_when == "kicks":
        rng = np.random.default_rng([drawn.seed, 20])
        return [int(v) for v in rng.random(cycles) < engine.fault_share]
    return [1] * cycles


def run(drawn: Drawn) -> Course:  # noqa: C901 - one loop over time, kept together for speed
    """Integrate the whole record and what went before it."""
    engine, starter, battery, crank = drawn.engine, drawn.starter, drawn.battery, drawn.crank
    tables = tabulate(engine)
    full_k = motor_constant(drawn, tables)
    first_on = crank.engaged_s[0][0]
    began = min(0.0, first_on - 0.05, (crank.ran_until_s or 0.0) - 0.3)
    n = int(math.ceil((crank.duration_s - began) / DT)) + 2
    time = began + DT * np.arange(n)
    loads = loads_on(drawn, time)
    key = np.zeros(n, dtype=bool)
    for on, off in crank.engaged_s:
        key |= (time >= on) & (time < off)
    ran = crank.ran_until_s
    idle = crank.idle_rpm * 2 * math.pi / 60
    work = float(np.trapezoid(np.maximum(tables.burn, 0.0), dx=math.pi / 180))
    drag = engine.friction_nm + engine.viscous_nms * idle + 12.0
    firing = _Firing(
        drag * 4 * math.pi / (engine.cylinders * work), idle, crank.fire_share, np.random.default_rng([drawn.seed, 21])
    )
    burn = tables.burn.tolist()
    torque = tables.torque.tolist()
    speeds = SPEEDS.tolist()
    schedule = fault_there(drawn, 4000)
    faulty_top = float(tables.tops_deg[engine.fault_cylinders[0] - 1]) if engine.fault_cylinders else 0.0
    weak_until = 1e9
    if engine.fault_when == "first":
        weak_until = first_on + engine.fault_share * (crank.engaged_s[-1][1] - first_on)
    # In order of angle, endlessly: the next compression top.
    order = sorted((float(a), c + 1) for c, a in enumerate(tables.tops_deg))
    angle = engine.rest_deg
    at_top = next((k for k, (a, _) in enumerate(order) if a > angle), len(order))
    turn, at_top = divmod(at_top, len(order))
    next_top = order[at_top][0] + 720.0 * turn
    w = idle if ran is not None else 0.0
    i, vp, alternator = 0.0, 0.0, 0.0
    open_v, r0 = battery.open_v, battery.ohm
    volts = battery.alternator_v if ran is not None else open_v - r0 * float(loads[0])
    motor_j = 1e-4 * starter.gear**2 if starter.gear > 16 else 8e-4 * starter.gear**2
    inertia = engine.inertia_kgm2
    released = 1e9
    started: float | None = None
    out = np.zeros((7, n))
    angles, ws, currents, loads_out, volts_out, motors, rubs = (row for row in out)
    turning = np.zeros(n, dtype=bool)
    tops: list[Top] = []
    level = 0
    for step, (t, on, load) in enumerate(zip(time.tolist(), key.tolist(), loads.tolist(), strict=True)):
        on = on and t < released
        fires = (ran is not None and t < ran) or (crank.starts_s is not None and t >= crank.starts_s)
        gas = motor = 0.0
        rub = engine.friction_nm + engine.viscous_nms * abs(w)
        if engine.tight_nm:
            rub += engine.tight_nm * max(math.cos(math.radians(angle - engine.tight_deg)), 0.0) ** 8
        if w != 0.0 or on:
            cycle = int((angle - faulty_top - 360.0) // 720.0) + 2
            variant = schedule[cycle] if t < weak_until else 0
            speed = abs(w)
            while level < 9 and speed > speeds[level + 1]:
                level += 1
            while level > 0 and speed < speeds[level]:
                level -= 1
            part = min(max((speed - speeds[level]) / (speeds[level + 1] - speeds[level]), 0.0), 1.0)
            place = angle % 720.0
            k0 = int(place)
            f = place - k0
            lower, upper = torque[variant][level], torque[variant][level + 1]
            gas = (lower[k0] * (1 - f) + lower[k0 + 1] * f) * (1 - part) + (
                upper[k0] * (1 - f) + upper[k0 + 1] * f
            ) * part
            if firing.burning:
                gas += firing.torque(angle, burn)
        if on:
            k = full_k * (i / (i + starter.saturation_a) if i > 1.0 else 0.004) if starter.series else full_k
            rest_ohm = r0 + starter.circuit_ohm
            push = open_v - vp - r0 * (load - alternator) - starter.brush_v - k * max(w, 0.0)
            i = (i + DT / starter.inductance_h * push) / (1 + DT / starter.inductance_h * rest_ohm)
            if i <= starter.free_a and w > 1.0:
                i = starter.free_a  # the clutch overruns, the motor turns by itself
            else:
                motor = starter.efficiency * k * max(i, 0.0)
            i = max(i, 0.0)
            open_v -= battery.dying_v_per_s * DT
            r0 += battery.dying_ohm_per_s * DT
        else:
            i = 0.0
        if w != 0.0 or on:
            j = inertia + (motor_j if motor else 0.0)
            new = w + DT / j * (motor + gas)
            slow = DT / j * rub
            new = 0.0 if abs(new) <= slow else new - math.copysign(slow, new)
            if on and new < 0.0:
                new = 0.0  # the pinion holds it
            w = new
            angle += w * DT * 57.29577951308232
            if angle >= next_top:
                owner = order[at_top][1]
                did = bool(fires and firing.fire(next_top, w))
                if did and started is None and ran is None:
                    started = t
                tops.append(Top(t, owner, variant, w, did))
                at_top += 1
                if at_top == len(order):
                    at_top, turn = 0, turn + 1
                next_top = order[at_top][0] + 720.0 * turn
        if fires and w > ALTERNATOR_CUT_IN and (ran is not None or t > (crank.starts_s or 0.0) + battery.alternator_delay_s):
            wanted = min(max(40 * (battery.alternator_v - volts), 0.0), battery.alternator_a)
            alternator += DT / 0.05 * (wanted - alternator)
            w -= DT / inertia * alternator * volts / (0.55 * max(w, 20.0))
        elif alternator:
            alternator = max(alternator - DT / 0.02 * alternator, 0.0) if alternator > 0.1 else 0.0
        if started is not None and released > 1e8 and w > 0.6 * idle:
            released = t + crank.release_s
        total = i + load - alternator
        vp += DT / battery.polarisation_s * (total * battery.polarisation_ohm - vp)
        volts = open_v - vp - r0 * total
        angles[step], ws[step], currents[step], loads_out[step] = angle, w, i, load - alternator
        volts_out[step], motors[step], rubs[step], turning[step] = volts, motor, rub, on
    return Course(
        time, angles, ws, currents, loads_out, volts_out, turning, motors, rubs, tuple(tops), tables, full_k, started
    )
