"""A cranking engine in thirty lines, for tests whose answer follows from the construction.

Permanent-magnet starter on a battery, one gas spring a cylinder, Euler steps of 0.25 ms. It shares no code with the
reader. Values are round numbers of an ordinary car (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import Hookup
from pipelines.kinds.engine import EngineFamily, SyncKind
from pipelines.waveform import Waveform

Array = npt.NDArray[np.float64]
STEP_S = 0.00025
SPARK_BEFORE_TOP_DEG = 8.0


@dataclass(frozen=True)
class Crank:
    """The record before any scope: V, A and s on a grid of `STEP_S`, and the sparks of every cylinder in order."""

    battery_v: Array
    current_a: Array
    spark_s: Array
    spark_place: npt.NDArray[np.int64]
    top_s: list[Array]
    family: EngineFamily
    strength: Array


def family(
    cylinders: int = 4, intervals: tuple[float, ...] = (), sync_kind: SyncKind = "coil_on_plug"
) -> EngineFamily:
    """A family that fires 1, 2, 3 ... so that place and cylinder number agree."""
    return EngineFamily("constructed", cylinders, tuple(range(1, cylinders + 1)), intervals, sync_kind)


def torque_table(ratio: float = 10.0, n: float = 1.32, rod: float = 3.8) -> Array:
    """Gas torque in N m of one 0.5-l cylinder for each degree of 720, 0 = compression top dead centre."""
    degrees = np.arange(720.0)
    theta = np.radians(np.where(degrees < 360, degrees, degrees - 720))
    clearance = 0.5e-3 / (ratio - 1)
    volume = clearance * (
        1 + (ratio - 1) / 2 * (rod + 1 - np.cos(theta) - np.sqrt(rod**2 - np.sin(theta) ** 2))
    )
    closes = math.radians(180 - 45)
    closed = clearance * (
        1 + (ratio - 1) / 2 * (rod + 1 - math.cos(closes) - math.sqrt(rod**2 - math.sin(closes) ** 2))
    )
    gauge = np.where(np.abs(theta) < closes, 1e5 * (np.maximum(closed / volume, 1.0) ** n - 1), 0.0)
    return np.asarray(gauge * np.gradient(volume, np.radians(1.0)))


def crank(
    fam: EngineFamily,
    strength: Array,
    *,
    crank_s: float = 6.0,
    rest_s: float = 0.8,
    start_deg: float = 100.0,
    scatter: float = 0.0,
    seed: int = 0,
    runs_after_s: float | None = None,
    weak: bool = False,
) -> Crank:
    """Crank an engine whose cylinders compress with the given strengths (1 = healthy), by firing place.

    `scatter` is the relative standard deviation of each compression; with `runs_after_s` the engine then runs.
    """
    rng = np.random.default_rng(seed)
    table = (torque_table() * (4 / max(fam.cylinders, 4))).tolist()
    angles = list(fam.firing_angles_deg)
    open_v, ohm = (11.2, 0.016) if weak else (12.5, 0.009)
    motor_ohm, k, inertia, friction = 0.012, 0.48, 0.30, 45.0
    steps = int((rest_s + crank_s) / STEP_S)
    tail = int(1.5 / STEP_S)
    volts, amps = np.full(steps + tail, open_v), np.zeros(steps + tail)
    theta, omega = start_deg, 0.0
    now = list(strength)
    counts = [math.floor((theta - a + 360) / 720) for a in angles]
    sparks: list[float] = []
    places: list[int] = []
    tops: list[list[float]] = [[] for _ in angles]
    fired = [math.floor((theta - a + SPARK_BEFORE_TOP_DEG) / 720) for a in angles]
    topped = [math.floor((theta - a) / 720) for a in angles]
    rest = int(rest_s / STEP_S)
    for i in range(rest, steps + tail):
        t = i * STEP_S
        cranking = i < steps
        running = runs_after_s is not None and t > rest_s + runs_after_s
        if not cranking and not running:
            break
        load = friction
        for c, angle in enumerate(angles):
            turned = math.floor((theta - angle + 360) / 720)
            if turned != counts[c]:
                counts[c] = turned
                now[c] = strength[c] * (1 + scatter * rng.standard_normal())
            at = (theta - angle) % 720.0
            low = int(at)
            load -= now[c] * (table[low] + (at - low) * (table[(low + 1) % 720] - table[low]))
            fire = math.floor((theta - angle + SPARK_BEFORE_TOP_DEG) / 720)
            if fire != fired[c]:
                fired[c] = fire
                sparks.append(t)
                places.append(c)
            top = math.floor((theta - angle) / 720)
            if top != topped[c]:
                topped[c] = top
                tops[c].append(t)
        current = max((open_v - k * omega) / (ohm + motor_ohm), 0.0) if cranking and not running else 0.0
        push = k * current if not running else 60.0 + 0.9 * (84.0 - omega)
        omega = max(omega + (push - load) / inertia * STEP_S, 0.0)
        theta += math.degrees(omega) * STEP_S
        amps[i] = current
        volts[i] = 14.1 if running else open_v - ohm * current
    return Crank(
        volts,
        amps,
        np.array(sparks),
        np.array(places),
        [np.array(x) for x in tops],
        fam,
        np.asarray(strength),
    )


@dataclass(frozen=True)
class Scope:
    """How it is saved. `full_scale_v` None = no converter steps."""

    rate_hz: float = 5000.0
    noise_v: float = 0.01
    step_v: float = 0.0
    sync: SyncKind | None = "coil_on_plug"
    sync_place: int = 0
    strikes: int = 1
    flyback_v: float = 300.0
    top_v: float = 400.0
    keep: float = 1.0
    ring_v: float = 0.0
    ac_hz: float = 0.0
    current: bool = False
    seed: int = 1
    extra: tuple[str, ...] = field(default=())


def on_channels(c: Crank, scope: Scope) -> tuple[Array, Array]:
    """Supply and sync channel in V (or A), sampled at `rate_hz`."""
    rng = np.random.default_rng(scope.seed)
    grid = np.arange(c.battery_v.size) * STEP_S
    t = np.arange(int(grid[-1] * scope.rate_hz)) / scope.rate_hz
    battery = np.interp(t, grid, c.battery_v)
    supply = np.interp(t, grid, c.current_a) if scope.current else battery.copy()
    supply = supply + (200.0 if scope.current else 1.0) * scope.noise_v * rng.standard_normal(t.size)
    if scope.ac_hz:
        keep = math.exp(-2 * math.pi * scope.ac_hz / scope.rate_hz)
        out, last_in, last = np.empty_like(supply), supply[0], 0.0
        for i, x in enumerate(supply.tolist()):
            last = keep * (last + x - last_in)
            last_in = x
            out[i] = last
        supply = out
    sync = battery + 0.05 * rng.standard_normal(t.size)
    times = sync_times(c, scope)
    times = times[rng.random(times.size) < scope.keep]
    for spark in times:
        for strike in range(scope.strikes):
            at = int((spark + 0.003 * strike) * scope.rate_hz)
            dwell = max(1, int((0.004 if strike == 0 else 0.0015) * scope.rate_hz))
            burn = max(1, int(0.0012 * scope.rate_hz))
            if scope.keep == 1.0:
                sync[max(0, at - dwell) : at] = 0.8
            sync[at : at + burn] += 28.0
            sync[at : at + 1] += scope.flyback_v
            if scope.ring_v:
                after = np.arange(int(0.004 * scope.rate_hz)) / scope.rate_hz
                ring = scope.ring_v * np.exp(-after / 0.0015) * np.cos(2 * math.pi * 900 * after)
                stop = min(sync.size, at + burn + after.size)
                sync[at + burn : stop] += ring[: stop - at - burn]
    if scope.sync is None:
        sync = 0.02 * rng.standard_normal(t.size)
    sync = np.clip(sync, -scope.top_v, scope.top_v)
    if scope.step_v:
        supply = np.round(supply / scope.step_v) * scope.step_v
    return supply, sync


def sync_times(c: Crank, scope: Scope) -> Array:
    """When the sync lead's coil fires, in s from the first sample."""
    if scope.sync == "distributor":
        return c.spark_s
    own = c.spark_s[c.spark_place == scope.sync_place]
    if scope.sync == "waste_spark":
        return np.sort(np.concatenate([own, 0.5 * (own[1:] + own[:-1])]))
    return own


def capture(
    c: Crank, scope: Scope | None = None, *, sync_cylinder: int = 1, start_s: float = -1.0
) -> tuple[Waveform, Hookup, EngineFamily]:
    """What the reader is given for a good hookup."""
    scope = scope or Scope()
    supply, sync = on_channels(c, scope)
    samples = np.stack([supply, sync]).astype(np.float32)
    wave = Waveform(scope.rate_hz, start_s, samples, ("a", "b"))
    first = "starter_current" if scope.current else "battery_voltage"
    return wave, Hookup((first, "ignition_primary"), (1.0, 1.0), sync_cylinder), c.family
