"""Pressure and torque of a cranked four-stroke engine, tabulated over crank angle and speed.

Angles: 720 deg a cycle; cylinder `c` has its compression top dead centre at `tops_deg[c]`, the first of the firing
order at 0. Own angle of a cylinder: 0 at its compression top, -180 at the bottom before it.

Piston travel and its derivative are the slider-crank formulas, compression is polytropic with a leak:
p = p_m (m/m0 V_c/V)^n, dm/dt = -leak m0 (p/p_a) phi, phi = sqrt(|1 - p_a/p|) with the sign of p - p_a. (Textbook
formulas, e.g. Heywood, Internal Combustion Engine Fundamentals, ch. 2 and 4; from memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.composed.parameters import EngineDraw

Array = npt.NDArray[np.float64]
AMBIENT_PA = 101_325.0
STEP_DEG = 1.0
SPEEDS = np.array([2.0, 4.0, 6.0, 9.0, 13.0, 18.0, 25.0, 34.0, 50.0, 90.0, 160.0])  # rad/s of the crank

USUAL = 5  # place in SPEEDS of a usual cranking speed


@dataclass(frozen=True, slots=True)
class Tables:
    """`torque[v, s, k]` in N m at speed `SPEEDS[s]` and `k` deg (721 columns, the last equal to the first), with the
    faults there (v = 1) or not (v = 0); `peak_pa[v, s, c]` above ambient; `burn` the torque over own angle 0 to 719
    deg of one full firing stroke; `each[c, k]` cylinder c + 1's own part of the torque without faults at a usual
    speed; `tops_deg[c]` of cylinder c + 1.
    """

    torque: Array
    peak_pa: Array
    burn: Array
    each: Array
    tops_deg: Array


def volume_m3(engine: EngineDraw, angle_deg: Array) -> Array:
    """Cylinder volume at own angle."""
    area = math.pi / 4 * engine.bore_m**2
    swept = area * engine.stroke_m
    return swept / (engine.compression_ratio - 1) + area * _travel(engine, angle_deg)


def _travel(engine: EngineDraw, angle_deg: Array) -> Array:
    a, t = engine.stroke_m / 2, np.deg2rad(angle_deg)
    rod = engine.rod_ratio * a
    return a + rod - (a * np.cos(t) + np.sqrt(rod**2 - (a * np.sin(t)) ** 2))


def lever_m3(engine: EngineDraw, angle_deg: Array) -> Array:
    """dV/dangle in m3 per rad: torque on the crank is (p - p_ambient) times it."""
    a, t = engine.stroke_m / 2, np.deg2rad(angle_deg)
    rod = engine.rod_ratio * a
    slope = a * np.sin(t) + a**2 * np.sin(t) * np.cos(t) / np.sqrt(rod**2 - (a * np.sin(t)) ** 2)
    return math.pi / 4 * engine.bore_m**2 * slope


def tops_deg(engine: EngineDraw) -> Array:
    """Crank angle of each cylinder's compression top, by cylinder number less one."""
    tops = np.empty(engine.cylinders)
    at = np.concatenate([[0.0], np.cumsum(engine.intervals_deg)[:-1]])
    tops[np.array(engine.firing_order) - 1] = at
    return tops


def leak_rates(engine: EngineDraw, faulty: bool) -> Array:
    """Leak by (speed, cylinder) in shares of the charge per s at ambient pressure; a valve that seats leaks less."""
    rates = np.tile(np.array(engine.leak_per_s), (SPEEDS.size, 1))
    if faulty:
        seats = engine.fault_seats_rpm * 2 * math.pi / 60
        left = 1 / (1 + (SPEEDS / seats) ** 6) if seats else np.ones(SPEEDS.size)
        for cylinder in engine.fault_cylinders:
            rates[:, cylinder - 1] += engine.fault_leak_per_s * left
    return rates


def fills(engine: EngineDraw, faulty: bool) -> Array:
    """Charge of each cylinder as a share of the nominal one."""
    fill = np.array(engine.fill)
    if faulty:
        fill[np.array(engine.fault_cylinders, dtype=int) - 1] *= engine.fault_fill
    return fill


def pressures(engine: EngineDraw, leak: Array, fill: Array, speeds: Array) -> Array:
    """Pressure in Pa by (speed, cylinder, own angle -360 to 359 deg); leak by (speed, cylinder), fill by cylinder."""
    own = np.arange(-360.0, 360.0, STEP_DEG)
    manifold = engine.manifold_kpa * 1e3
    out = np.full((speeds.size, fill.size, own.size), AMBIENT_PA)
    closes = -180.0 + engine.ivc_abdc_deg
    opens = 180.0 - engine.evo_bbdc_deg
    out[:, :, own < closes] = manifold
    volume = volume_m3(engine, own)
    start = int(np.searchsorted(own, closes))
    mass = np.broadcast_to(fill, leak.shape).copy()
    # Several small steps a degree where turning is slow and the leak large would empty the cylinder at once.
    dt = np.deg2rad(STEP_DEG) / speeds[:, None]
    for k in range(start, own.size):
        if own[k] >= opens:
            break
        p = manifold * (mass * volume[start] / volume[k]) ** engine.polytropic_n
        out[:, :, k] = p
        over = p > AMBIENT_PA
        flow = np.sqrt(np.abs(1 - np.where(over, AMBIENT_PA / p, p / AMBIENT_PA)))
        gone = np.exp(-leak * p / AMBIENT_PA * flow / mass * dt)
        mass = np.where(over, mass * gone, mass + leak * flow * dt)
    # The manifold's vacuum is not there at once: blend over the first 20 deg after top dead centre of the overlap.
    early = (own >= -360) & (own < -340)
    out[:, :, early] = AMBIENT_PA + (manifold - AMBIENT_PA) * (own[early] + 360) / 20
    # The exhaust valve lets the pressure out over some 25 deg, and the intake ends at the cylinder's own fill.
    tail = (own >= opens) & (own < opens + 25)
    last = out[:, :, int(np.searchsorted(own, opens)) - 1][:, :, None]
    out[:, :, tail] = AMBIENT_PA + (last - AMBIENT_PA) * (1 - (own[tail] - opens) / 25)
    return out


def tabulate(engine: EngineDraw) -> Tables:
    """Torque of all cylinders together, and each one's peak pressure."""
    own = np.arange(-360.0, 360.0, STEP_DEG)
    lever = lever_m3(engine, own)
    tops = tops_deg(engine)
    grid = np.arange(0, 720)
    torque = np.zeros((2, SPEEDS.size, 721))
    peak = np.zeros((2, SPEEDS.size, engine.cylinders))
    alone = np.zeros((engine.cylinders, 721))
    for variant in (0, 1) if engine.fault_cylinders else (0,):
        p = pressures(engine, leak_rates(engine, bool(variant)), fills(engine, bool(variant)), SPEEDS)
        each = (p - AMBIENT_PA) * lever
        for c in range(engine.cylinders):
            # Cylinder c at crank angle g stands at own angle g - top; tops may be fractions of a degree.
            at = (grid - tops[c] + 360.0) % 720.0
            k = at.astype(int)
            part = at - k
            own_part = each[:, c, k] * (1 - part) + each[:, c, (k + 1) % 720] * part
            torque[variant, :, :720] += own_part
            if variant == 0:
                alone[c, :720] = own_part[USUAL]
        peak[variant] = p.max(axis=2) - AMBIENT_PA
    if not engine.fault_cylinders:
        torque[1], peak[1] = torque[0], peak[0]
    torque[:, :, 720], alone[:, 720] = torque[:, :, 0], alone[:, 0]
    return Tables(torque, peak, _burn(engine, float(np.median(peak[0]))), alone, tops)


def _burn(engine: EngineDraw, peak_pa: float) -> Array:
    """Extra torque of a firing stroke: pressure rises by 2.5 times the compression peak over 20 deg, then expands."""
    angle = np.arange(0.0, 720.0)
    volume = volume_m3(engine, angle)
    rise = np.clip(angle / 20.0, 0.0, 1.0)
    extra = 2.5 * peak_pa * rise * (volume[0] / volume) ** 1.28
    extra[angle >= 180.0 - engine.evo_bbdc_deg] = 0.0
    torque: Array = extra * lever_m3(engine, angle)
    return torque
