"""Battery, starter and engine turned together in time: what was really there before any instrument.

Starter: L di/dt = E - v_p - R0 (i + i_loads) - R_c i - v_brush - k w, torque = efficiency k (i - i_free) through a
one-way clutch; k is constant with permanent magnets and grows as i/(i + i_sat) with a series field. Battery: open
voltage, resistance and one polarisation pair. Engine: J dw/dt = starter + gas - friction. Steps of 0.2 ms, the
current implicit, the angle with the new speed (semi-implicit), dry friction taken off last so that it can hold the
engine still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.composed.engine import SPEEDS, Tables, tabulate
from tests.composed.parameters import Drawn
from tests.composed.parts import DEG, DT, Alternator, Faults, Firing, Gas, Supply, Top, Tops

Array = npt.NDArray[np.float64]


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
    floored: Array = np.maximum(out, 0.5)
    return floored


def motor_constant(drawn: Drawn, tables: Tables) -> float:
    """k in N m per A that gives the drawn speed at the mean load, raised where it could not pass the first top.

    Steady state: w k = E - R (i + i_free) with i = T / (efficiency k), so
    w k^2 - (E - R i_free) k + R T / efficiency = 0 (larger root).
    """
    starter, battery, engine = drawn.starter, drawn.battery, drawn.engine
    ohm = starter.circuit_ohm + battery.ohm + battery.polarisation_ohm
    volts = battery.open_v - starter.brush_v - ohm * starter.free_a
    speed = starter.target_rpm * 2 * math.pi / 60
    pumping = -float(np.interp(speed, SPEEDS, tables.torque[0, :, :720].mean(axis=1)))
    load = (engine.friction_nm + engine.viscous_nms * speed + max(pumping, 0.0)) / starter.efficiency
    root = volts**2 - 4 * speed * ohm * load
    k = (volts + math.sqrt(root)) / (2 * speed) if root > 0 else volts / (2 * speed)
    hardest = engine.friction_nm + engine.tight_nm - float(tables.torque[0, 1].min())
    k = max(k, 1.2 * hardest * ohm / (volts * starter.efficiency))
    if starter.series:
        mean = load / k + starter.free_a
        k *= (mean + starter.saturation_a) / mean
    return k


def _grid(drawn: Drawn) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Times, and where the driver has the key at start."""
    crank = drawn.crank
    began = min(0.0, crank.engaged_s[0][0] - 0.05, (crank.ran_until_s or 0.0) - 0.3)
    steps = math.ceil((crank.duration_s - began) / DT) + 2
    time = np.asarray(began + DT * np.arange(steps), dtype=np.float64)
    key = np.zeros(time.size, dtype=bool)
    for on, off in crank.engaged_s:
        key |= (time >= on) & (time < off)
    return time, key


def motor_inertia(drawn: Drawn) -> float:
    """Of the starter's armature as the crank feels it, in kg m2; a geared motor's is smaller."""
    gear = drawn.starter.gear
    return (1e-4 if gear > 16 else 8e-4) * gear**2


def friction_nm(drawn: Drawn, angle_deg: float, speed: float) -> float:
    """Dry and viscous friction, and the tight spot."""
    engine = drawn.engine
    rub = engine.friction_nm + engine.viscous_nms * abs(speed)
    if engine.tight_nm:
        rub += engine.tight_nm * max(math.cos(math.radians(angle_deg - engine.tight_deg)), 0.0) ** 8
    return rub


def turned(speed: float, torque: float, rub: float, inertia: float, held: bool) -> float:
    """Speed after one step; friction only ever brings it nearer to zero, `held` keeps it from going back."""
    new = speed + DT / inertia * torque
    slow = DT / inertia * rub
    new = 0.0 if abs(new) <= slow else new - math.copysign(slow, new)
    return 0.0 if held and new < 0.0 else new


def run(drawn: Drawn) -> Course:
    """Integrate the whole record and what went before it."""
    engine, crank = drawn.engine, drawn.crank
    tables = tabulate(engine)
    full_k = motor_constant(drawn, tables)
    time, key = _grid(drawn)
    loads = loads_on(drawn, time)
    gas, faults, firing = Gas(drawn, tables), Faults(drawn, tables), Firing(drawn, tables)
    supply, alternator = Supply(drawn, full_k, float(loads[0])), Alternator(drawn)
    tops = Tops(tables, engine.rest_deg, gas)
    angle, ran = engine.rest_deg, crank.ran_until_s
    w = firing.idle if ran is not None else 0.0
    motor_j = motor_inertia(drawn)
    released, started = 1e9, None
    rows: list[tuple[float, ...]] = []
    for t, on, load in zip(time.tolist(), key.tolist(), loads.tolist(), strict=True):
        on = on and t < released
        fires = (ran is not None and t < ran) or (crank.starts_s is not None and t >= crank.starts_s)
        rub = friction_nm(drawn, angle, w)
        motor = 0.0
        if on:
            motor = supply.motor(w, load - alternator.amps)
        else:
            supply.current = 0.0
        if w != 0.0 or on:
            variant = faults.there(angle, t)
            push = gas.torque(angle, abs(w), variant)
            if firing.burning:
                push += firing.torque(angle)
            j = engine.inertia_kgm2 + (motor_j if motor else 0.0)
            w = turned(w, motor + push, rub, j, on)
            angle += w * DT * DEG
            if angle >= tops.next_deg:
                did = bool(fires and firing.fire(tops.next_deg, w))
                if did and started is None and ran is None:
                    started = t
                tops.passed(t, variant, w, did)
        w -= DT / engine.inertia_kgm2 * alternator.step(t, fires, w, supply.volts)
        if started is not None and released > 1e8 and w > 0.6 * firing.idle:
            released = t + crank.release_s
        supply.settle(load - alternator.amps)
        rows.append((angle, w, supply.current, load - alternator.amps, supply.volts, motor, rub, on))
    angles, speeds, current, others, volts, motors, rubs, turning = np.array(rows).T
    return Course(
        time_s=time,
        angle_deg=angles,
        speed=speeds,
        current_a=current,
        loads_a=others,
        volts=volts,
        turning=turning > 0.5,
        motor_nm=motors,
        friction_nm=rubs,
        tops=tuple(tops.been),
        tables=tables,
        constant=full_k,
        started_s=started,
    )
