"""The time loop of the cranking simulation, over many runs and all their cylinders at once.

State of a run: crank angle and speed, starter current, two slow battery voltages; of a cylinder: `ln(p V^n)`, which
stays constant in a tight closed cylinder, so that polytropic compression is exact whatever the step.
Speed and current are stepped semi-implicitly (new current into the torque, new speed into the angle), friction as
an impulse that can stop the crank but not reverse it. Inertia of the moving mass varying with angle is left out:
at cranking speed it is about a hundredth of the gas torque.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.simulation.engine import ATMOSPHERE_PA, LEAK_SPEED_M_S
from pipelines.kinds.relative_compression.simulation.run import CrankingRun

Array = npt.NDArray[np.float64]

STEP_S = 0.0004
VALVE_S = 0.0015
"""Time constant with which an open valve brings a cylinder to its port's pressure."""
DRAG_GRID_S = 0.05
MAX_CYCLES_PER_S = 10.0
IDLE_RAD_S = 80.0
RELEASE_RAD_S = 45.0
CHARGING_V = 14.2


@dataclass(slots=True)
class Stepped:
    """Raw result of a batch: arrays of shape (runs, steps) and peak pressures (runs, cylinders, cycles) in Pa."""

    crank_rad: Array
    speed_rad_s: npt.NDArray[np.float32]
    battery_v: npt.NDArray[np.float32]
    starter_a: npt.NDArray[np.float32]
    peak_pa: npt.NDArray[np.float64]
    first_cycle: int


def _column(values: Sequence[float]) -> Array:
    return np.array(values, dtype=np.float64)


class _Batch:
    """Parameters of a batch as arrays: (runs,) for engines, (runs, width) for cylinders, padded with copies."""

    def __init__(self, runs: Sequence[CrankingRun]) -> None:
        engines = [run.engine for run in runs]
        width = max(engine.cylinders for engine in engines)
        shape = (len(runs), width)
        self.used = np.zeros(shape)
        self.tdc = np.zeros(shape)
        self.trapped = np.ones(shape)
        self.leak = np.zeros(shape)
        self.intake_close = np.ones(shape)
        self.open_to_air = np.zeros(shape, dtype=bool)
        self.partner = np.tile(np.arange(width), (len(runs), 1))
        self.gasket = np.zeros(shape)
        for i, run in enumerate(runs):
            engine, count = run.engine, run.engine.cylinders
            self.used[i, :count] = 1.0
            self.tdc[i, :count] = engine.tdc_deg / 720.0
            self.trapped[i, :count] = engine.healthy_pattern or (1.0,) * count
            self.intake_close[i] = (540.0 + engine.intake_close_deg) / 720.0
            for j, health in enumerate(run.all_health):
                self.trapped[i, j] *= health.trapped
                self.leak[i, j] = engine.ring_leak_mm2 + health.leak_mm2
                self.intake_close[i, j] += health.late_close_deg / 720.0
                self.open_to_air[i, j] = health.open_to_air
            for gasket in run.gaskets:
                a, b = gasket.cylinder - 1, gasket.neighbour - 1
                self.partner[i, a], self.partner[i, b] = b, a
                self.gasket[i, a] = self.gasket[i, b] = gasket.area_mm2
        self.any_gasket = bool(self.gasket.any())
        self.any_open = bool(self.open_to_air.any())
        self._set_engines(runs)
        self._set_circuits(runs)

    def _set_engines(self, runs: Sequence[CrankingRun]) -> None:
        engines = [run.engine for run in runs]
        self.exhaust_open = _column([(180.0 - e.exhaust_open_deg) / 720.0 for e in engines])[:, None]
        self.rod = _column([e.rod_ratio for e in engines])[:, None]
        self.half = _column([0.5 * (e.compression_ratio - 1.0) for e in engines])[:, None]
        self.clearance = _column([e.clearance_m3 for e in engines])[:, None]
        self.exponent = _column([e.polytropic for e in engines])[:, None]
        self.drop_pa = _column([1000.0 * e.manifold_drop_kpa for e in engines])
        drags = [run.engine.drag_at(run.oil_c) for run in runs]
        self.friction = _column([drag[0] for drag in drags])
        self.viscous = _column([drag[1] for drag in drags])
        self.inertia = _column([e.inertia_kg_m2 for e in engines])
        self.fires_at_s = _column(
            [np.inf if r.engine_starts_at_s is None else r.engine_starts_at_s for r in runs]
        )
        self.start_rad = np.radians(_column([r.start_angle_deg for r in runs]))

    def _set_circuits(self, runs: Sequence[CrankingRun]) -> None:
        starters = [run.starter for run in runs]
        gear = _column([s.gear_ratio for s in starters])
        self.emf = _column([s.emf_v_s for s in starters]) * gear
        self.series = np.array([s.kind == "series" for s in starters])
        self.saturation = _column([s.saturation_a for s in starters])
        self.efficiency = _column([s.efficiency for s in starters])
        self.free_a = _column([s.free_current_a for s in starters])
        self.brush = _column([s.brush_drop_v for s in starters])
        self.inductance = _column([s.inductance_h for s in starters])
        self.rotor = _column([s.rotor_inertia_kg_m2 for s in starters]) * gear**2
        batteries = [run.battery for run in runs]
        self.rest_v = _column([b.rest_v for b in batteries])
        self.source_ohm = _column([b.resistance_ohm for b in batteries])
        self.loop_ohm = self.source_ohm + _column([s.resistance_ohm for s in starters])
        self.fast_ohm = _column([b.fast_ohm for b in batteries])
        self.fast_s = _column([b.fast_s for b in batteries])
        self.slow_ohm = _column([b.slow_ohm for b in batteries])
        self.slow_s = _column([b.slow_s for b in batteries])
        self.load_a = _column([b.load_a for b in batteries])


def _noise(runs: Sequence[CrankingRun], width: int, cycles: int, steps: int) -> tuple[Array, Array]:
    """Cycle scatter (runs, width, cycles) as ln of trapped mass, and wandering drag (grid, runs) as a factor."""
    grid = int(steps * STEP_S / DRAG_GRID_S) + 2
    scatter = np.zeros((len(runs), width, cycles))
    drag = np.empty((grid, len(runs)))
    for i, run in enumerate(runs):
        rng = np.random.default_rng([run.seed, 1])
        # drawn to each run's own size, so that a run does not depend on the batch it is in
        own = rng.standard_normal((run.engine.cylinders, int(run.duration_s * MAX_CYCLES_PER_S) + 4))
        scatter[i, : own.shape[0], : own.shape[1]] = run.cycle_scatter * own[:, :cycles]
        kicks = rng.standard_normal(int(run.duration_s / DRAG_GRID_S) + 3)
        level = 0.0
        for k in range(grid):
            level = 0.93 * level + 0.37 * (kicks[k] if k < kicks.size else 0.0)
            drag[k, i] = max(0.2, 1.0 + run.drag_scatter * level)
    return scatter, drag


class _Gas:
    """Pressures of a batch: what is in every cylinder, and the peak each compression reached."""

    # cycle numbers start here, so that rolling back at rest stays inside the tables
    first_cycle = -2

    def __init__(self, batch: _Batch, scatter: Array) -> None:
        count, width, cycles = scatter.shape
        self.batch = batch
        self.cell = (np.arange(count * width) * cycles).reshape(count, width) - self.first_cycle
        self.scatter = scatter.reshape(-1)
        self.peaks = np.zeros(count * width * cycles)
        self.ln_air = np.log(ATMOSPHERE_PA)
        self.ln_trapped = np.log(batch.trapped)
        self.ln_clearance = np.log(batch.clearance)
        self.valve_gain = 1.0 - np.exp(-STEP_S / VALVE_S)
        self.leak_gain = batch.exponent * LEAK_SPEED_M_S * STEP_S * 1e-6
        self.slope = batch.clearance * batch.half * batch.used
        self.ln_k: Array | None = None

    def torque_nm(self, theta: Array, omega: Array, turned: Array, burning: Array | None) -> Array:
        """Torque on every crank after one more step of flow; `burning` says where the engine fires, None nowhere."""
        batch = self.batch
        cycle_pos = theta[:, None] / (4.0 * np.pi) - batch.tdc
        cycle = np.floor(cycle_pos)
        cycle_pos -= cycle
        angle = cycle_pos * (4.0 * np.pi)
        sine, cosine = np.sin(angle), np.cos(angle)
        root = np.sqrt(batch.rod * batch.rod - sine * sine)
        volume = 1.0 + batch.half * (batch.rod + 1.0 - cosine - root)
        index = np.clip(self.cell + cycle.astype(np.int64), 0, self.peaks.size - 1)
        pressure = self._flow(cycle_pos, volume, index, turned)
        if burning is not None:
            gain = np.where(burning, np.clip(8.0 * (1.2 * IDLE_RAD_S - omega) / IDLE_RAD_S, 0.0, 3.5), 0.0)
            rise = np.clip(cycle_pos * 36.0, 0.0, 1.0) * (cycle_pos < batch.exhaust_open)
            pressure = pressure * (1.0 + gain[:, None] * rise * ~batch.open_to_air)
        nm = ((pressure - ATMOSPHERE_PA) * self.slope * sine * (1.0 + cosine / root)).sum(axis=1)
        return np.asarray(nm)

    def _flow(self, cycle_pos: Array, volume: Array, index: npt.NDArray[np.int64], turned: Array) -> Array:
        """Pressures after what flows through valves, rings and gaskets in a step, combustion left out."""
        batch = self.batch
        n_ln_v = batch.exponent * (np.log(volume) + self.ln_clearance)
        if self.ln_k is None:
            self.ln_k = self.ln_air + n_ln_v  # at rest every cylinder has leaked down to the atmosphere
        ln_p = self.ln_k - n_ln_v
        intake = (cycle_pos > 0.486) & (cycle_pos < batch.intake_close)
        exhaust = (cycle_pos > batch.exhaust_open) & (cycle_pos < 0.506)
        ln_intake = np.log(ATMOSPHERE_PA - batch.drop_pa * (1.0 - np.exp(-turned / 9.0)))
        port = np.where(intake, ln_intake[:, None] + self.ln_trapped + self.scatter[index], self.ln_air)
        opened = intake | exhaust
        if batch.any_open:
            port = np.where(batch.open_to_air, self.ln_air, port)
            opened |= batch.open_to_air
        move = np.where(opened, self.valve_gain * (port - ln_p), 0.0)
        over = ln_p - self.ln_air
        ratio = np.exp(-2.0 * np.abs(over))
        rate = self.leak_gain / (batch.clearance * volume) * np.sqrt(1.0 - ratio)
        move -= np.sign(over) * np.minimum(rate * batch.leak, np.abs(over))
        if batch.any_gasket:
            move += _gasket(batch, ln_p, volume, self.leak_gain)
        self.ln_k = self.ln_k + move
        pressure = np.exp(ln_p + move)
        # a compression belongs to the top dead centre it ends at, and combustion is no part of its peak
        own = np.clip(index + (cycle_pos > 0.5), 0, self.peaks.size - 1)
        self.peaks[own] = np.maximum(self.peaks[own], pressure)
        return np.asarray(pressure)


class _Circuit:
    """Starter and battery of a batch: current, the battery's slow voltages, and what its terminals show."""

    def __init__(self, batch: _Batch) -> None:
        count = batch.used.shape[0]
        self.batch = batch
        self.current = np.zeros(count)
        self.fast_v = batch.fast_ohm * batch.load_a
        self.slow_v = batch.slow_ohm * batch.load_a
        self.released = np.zeros(count, dtype=bool)
        self.charge_v = np.zeros(count)
        self.terminal_v = np.zeros(count)

    def torque_nm(self, called: npt.NDArray[np.bool_], omega: Array) -> tuple[Array, npt.NDArray[np.bool_]]:
        """Torque of every starter after one more step, and whether it is engaged."""
        batch = self.batch
        on = called & ~self.released
        flux = np.where(batch.series, 1.0 - np.exp(-self.current / batch.saturation), 1.0)
        linked = batch.emf * flux
        supply = batch.rest_v - self.fast_v - self.slow_v - batch.brush - batch.source_ohm * batch.load_a
        drive = STEP_S / batch.inductance
        current = (self.current + drive * (supply - linked * omega)) / (1.0 + drive * batch.loop_ohm)
        engaged = on & (current > batch.free_a)
        # below its freewheeling current the motor is overrun: the one-way clutch carries no torque back
        self.current = np.where(on, np.maximum(current, batch.free_a), 0.0)
        motor_nm = np.where(engaged, batch.efficiency * linked * (self.current - batch.free_a), 0.0)
        total_a = self.current + batch.load_a
        self.fast_v = self.fast_v + STEP_S / batch.fast_s * (batch.fast_ohm * total_a - self.fast_v)
        self.slow_v = self.slow_v + STEP_S / batch.slow_s * (batch.slow_ohm * total_a - self.slow_v)
        self.terminal_v = batch.rest_v - self.fast_v - self.slow_v - batch.source_ohm * total_a
        return motor_nm, engaged

    def charge(self, now_s: float, omega: Array) -> None:
        """Where the engine runs by itself the starter lets go and the alternator lifts the voltage."""
        self.released |= (omega > RELEASE_RAD_S) & (now_s > self.batch.fires_at_s + 0.2)
        charging = self.released & (omega > RELEASE_RAD_S)
        lift = STEP_S / 0.5 * (CHARGING_V - self.terminal_v - self.charge_v)
        self.charge_v = self.charge_v + np.where(charging, lift, 0.0)
        self.terminal_v = self.terminal_v + self.charge_v


def _turned_on(
    batch: _Batch,
    omega: Array,
    torque_nm: Array,
    engaged: npt.NDArray[np.bool_],
    wander: Array,
    turned: Array,
) -> Array:
    """Speed of every crank a step later."""
    film = 1.0 + 0.25 * np.exp(-turned / 15.0)  # the oil film builds up in the first turns
    drag_nm = (batch.friction + batch.viscous * np.abs(omega)) * wander * film
    carried = np.where(engaged, batch.inertia + batch.rotor, batch.inertia)
    pushed = omega + STEP_S * torque_nm / carried
    return np.asarray(np.sign(pushed) * np.maximum(np.abs(pushed) - STEP_S * drag_nm / carried, 0.0))


def step_batch(runs: Sequence[CrankingRun]) -> Stepped:
    """Simulate a batch; runs shorter than the longest are simulated on and cut by the caller.

    Returns arrays of shape (runs, steps) at `STEP_S`; see `Stepped`.
    """
    batch = _Batch(runs)
    count, width = batch.used.shape
    longest_s = max(run.duration_s for run in runs)
    steps, cycles = round(longest_s / STEP_S), int(longest_s * MAX_CYCLES_PER_S) + 4
    time_s = np.arange(steps, dtype=np.float64) * STEP_S
    scatter, drag = _noise(runs, width, cycles, steps)
    called = np.stack([run.starter_on(time_s) for run in runs], axis=1)
    any_fires = bool(np.isfinite(batch.fires_at_s).any())
    gas, circuit = _Gas(batch, scatter), _Circuit(batch)
    theta, omega, turned = batch.start_rad.copy(), np.zeros(count), np.zeros(count)
    crank = np.empty((steps, count))
    speed, volts, amps = (np.empty((steps, count), dtype=np.float32) for _ in range(3))
    for step, now_s in enumerate(time_s):
        burning = now_s >= batch.fires_at_s if any_fires else None
        gas_nm = gas.torque_nm(theta, omega, turned, burning)
        motor_nm, engaged = circuit.torque_nm(called[step], omega)
        wander = drag[int(step * STEP_S / DRAG_GRID_S)]
        omega = _turned_on(batch, omega, gas_nm + motor_nm, engaged, wander, turned)
        theta = theta + STEP_S * omega
        turned = np.maximum(turned, theta - batch.start_rad)
        if any_fires:
            circuit.charge(now_s, omega)
        crank[step], speed[step] = theta, omega
        volts[step], amps[step] = circuit.terminal_v, circuit.current
    return Stepped(
        crank_rad=np.ascontiguousarray(crank.T),
        speed_rad_s=np.ascontiguousarray(speed.T),
        battery_v=np.ascontiguousarray(volts.T),
        starter_a=np.ascontiguousarray(amps.T),
        peak_pa=gas.peaks.reshape(count, width, cycles),
        first_cycle=gas.first_cycle,
    )


def _gasket(batch: _Batch, ln_p: Array, volume: Array, leak_gain: Array) -> Array:
    """Change of `ln(p V^n)` in a step by flow between two neighbouring cylinders."""
    ln_other = np.take_along_axis(ln_p, batch.partner, axis=1)
    volume_other = np.take_along_axis(volume, batch.partner, axis=1)
    fall = ln_p - ln_other
    high = np.maximum(ln_p, ln_other)
    # mass flow goes with the higher pressure; both sides see the same flow through their own volume
    flow = np.sign(fall) * np.sqrt(1.0 - np.exp(-2.0 * np.abs(fall))) * batch.gasket * leak_gain
    change = -flow * np.exp(high - ln_p) / (batch.clearance * volume)
    room = 0.5 * np.abs(fall) / (1.0 + volume / volume_other)
    return np.asarray(np.clip(change, -room, room))
