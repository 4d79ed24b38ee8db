"""Cranking simulation: `simulate(runs)` gives the truth that a scope would then see (see `scope`).

    run = random_run(np.random.default_rng(3), cylinders=6, fault="leak")
    trace = simulate([run])[0]
    trace.relative_peak_pct        # 100 = the median cylinder

Everything simulated is invented; no engine of any maker is meant.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.simulation.electrics import Battery, CoilLoad, Starter
from pipelines.kinds.relative_compression.simulation.engine import (
    HEALTHY,
    CrankingEngine,
    CylinderHealth,
    GasketLeak,
)
from pipelines.kinds.relative_compression.simulation.randomised import (
    random_battery,
    random_engine,
    random_health,
    random_run,
    random_starter,
)
from pipelines.kinds.relative_compression.simulation.run import CrankingRun, CrankingTrace
from pipelines.kinds.relative_compression.simulation.stepper import STEP_S, Stepped, step_batch

__all__ = [
    "HEALTHY",
    "Battery",
    "CoilLoad",
    "CrankingEngine",
    "CrankingRun",
    "CrankingTrace",
    "CylinderHealth",
    "GasketLeak",
    "Starter",
    "crossings",
    "random_battery",
    "random_engine",
    "random_health",
    "random_run",
    "random_starter",
    "simulate",
]

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BATCH_RUNS = 96
"""Runs stepped together: enough to make NumPy's overhead small, few enough to stay below about 200 MB."""


def simulate(runs: Sequence[CrankingRun]) -> list[CrankingTrace]:
    """Simulate every run; the result keeps the order, and a run's result does not depend on its neighbours.

    Runs of like length and cylinder count are stepped together.
    """
    order = sorted(range(len(runs)), key=lambda i: (runs[i].duration_s, runs[i].engine.cylinders))
    traces: dict[int, CrankingTrace] = {}
    for begin in range(0, len(order), BATCH_RUNS):
        chosen = order[begin : begin + BATCH_RUNS]
        stepped = step_batch([runs[i] for i in chosen])
        for row, i in enumerate(chosen):
            traces[i] = _trace(runs[i], stepped, row)
    return [traces[i] for i in range(len(runs))]


def crossings(
    crank_deg: Array, time_s: Array, angle_deg: float, every_deg: float = 720.0
) -> tuple[Array, Ints]:
    """Times at which the crank first passes `angle_deg + k * every_deg` going forward, and each `k`.

    Args:
        crank_deg: cumulative crank angle, shape (steps,).
        time_s: shape (steps,).
    """
    forward = np.maximum.accumulate(crank_deg)
    first = int(np.floor((forward[0] - angle_deg) / every_deg)) + 1
    last = int(np.floor((forward[-1] - angle_deg) / every_deg))
    turns = np.arange(first, last + 1)
    targets = angle_deg + every_deg * turns
    after = np.searchsorted(forward, targets, side="left")
    before = after - 1
    share = (targets - forward[before]) / (forward[after] - forward[before])
    return time_s[before] + share * (time_s[after] - time_s[before]), turns


def _trace(run: CrankingRun, stepped: Stepped, row: int) -> CrankingTrace:
    engine = run.engine
    steps = round(run.duration_s / STEP_S)
    time_s = np.arange(steps, dtype=np.float64) * STEP_S
    crank_deg = np.degrees(stepped.crank_rad[row, :steps])
    speed_rpm = stepped.speed_rad_s[row, :steps].astype(np.float64) * 30.0 / np.pi
    battery_v = stepped.battery_v[row, :steps].astype(np.float64)
    starter_a = stepped.starter_a[row, :steps].astype(np.float64)
    times, cylinders, peaks = [], [], []
    usual_kpa = np.empty(engine.cylinders)
    for j in range(engine.cylinders):
        at_s, turns = crossings(crank_deg, time_s, float(engine.tdc_deg[j]))
        own = stepped.peak_pa[row, j, turns - stepped.first_cycle] / 1000.0
        times.append(at_s)
        cylinders.append(np.full(at_s.size, j + 1))
        peaks.append(own)
        whole = own[1:] if own.size > 1 else own
        usual_kpa[j] = np.median(whole) if whole.size else np.nan
    tdc_s = np.concatenate(times)
    in_order = np.argsort(tdc_s, kind="stable")
    fire_s, fire_cylinder, coil_a = _ignition(run, time_s, crank_deg, speed_rpm)
    # The coil current flows through battery and starter in parallel, small against the starter's own: a
    # correction to first order that leaves the speed alone.
    cranking = starter_a > 0.0
    source, motor = run.battery.resistance_ohm, run.starter.resistance_ohm
    share = np.where(cranking, source * motor / (source + motor), source)
    return CrankingTrace(
        run=run,
        time_s=time_s,
        crank_deg=crank_deg,
        speed_rpm=speed_rpm,
        battery_v=battery_v - share * coil_a,
        starter_current_a=np.maximum(
            starter_a - np.where(cranking, coil_a * source / (source + motor), 0.0), 0.0
        ),
        coil_current_a=coil_a,
        tdc_s=tdc_s[in_order],
        tdc_cylinder=np.concatenate(cylinders)[in_order].astype(np.int64),
        tdc_peak_kpa=np.concatenate(peaks)[in_order],
        peak_kpa=usual_kpa,
        fire_s=fire_s,
        fire_cylinder=fire_cylinder,
    )


def _ignition(
    run: CrankingRun, time_s: Array, crank_deg: Array, speed_rpm: Array
) -> tuple[Array, Ints, Array]:
    """Firing times, their cylinders, and the current all coils together draw at each step."""
    coil, engine = run.coil, run.engine
    rng = np.random.default_rng([run.seed, 2])
    times, cylinders = [], []
    for j in range(engine.cylinders):
        at_s, _ = crossings(crank_deg, time_s, float(engine.tdc_deg[j]) - coil.advance_deg)
        times.append(at_s)
        cylinders.append(np.full(at_s.size, j + 1))
    fire_s = np.concatenate(times)
    fire_cylinder = np.concatenate(cylinders).astype(np.int64)
    order = np.argsort(fire_s, kind="stable")
    fire_s, fire_cylinder = fire_s[order], fire_cylinder[order]
    speed = np.interp(fire_s, time_s, speed_rpm)
    turned = np.interp(fire_s, time_s, crank_deg) - crank_deg[0]
    alive = (speed > 40.0) & (turned > coil.ready_deg)
    fire_s, fire_cylinder, speed = fire_s[alive], fire_cylinder[alive], speed[alive]
    fire_s = fire_s + coil.advance_jitter_deg * rng.standard_normal(fire_s.size) / (6.0 * speed)
    fire_s = np.clip(fire_s, time_s[0], time_s[-1])

    current = np.zeros(time_s.size)
    step_s = time_s[1] - time_s[0]
    for strike in range(coil.strikes):
        dwell_s = coil.dwell_s if strike == 0 else 0.7 * coil.strike_gap_s
        end_s = fire_s + strike * coil.strike_gap_s
        span = np.arange(int(dwell_s / step_s) + 2)
        index = np.ceil((end_s - dwell_s) / step_s).astype(np.int64)[:, None] + span
        grown = (index * step_s - (end_s - dwell_s)[:, None]) / dwell_s
        amount = np.where((grown > 0.0) & (grown < 1.0), coil.current_a * grown, 0.0)
        inside = (index >= 0) & (index < time_s.size)
        np.add.at(current, index[inside], amount[inside])
    return fire_s, fire_cylinder, current
