"""Engines, starters, batteries and faults drawn at random, widely enough to train on.

The ranges are our own estimates of passenger cars and light trucks (common practice, no source), wide on purpose:
whoever learns from them should not be able to learn one engine.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from pipelines.kinds.relative_compression.simulation.electrics import (
    Battery,
    CoilLoad,
    Starter,
    emf_for_speed,
)
from pipelines.kinds.relative_compression.simulation.engine import CrankingEngine, CylinderHealth, GasketLeak
from pipelines.kinds.relative_compression.simulation.run import CrankingRun

Fault = Literal["none", "leak", "low_trapped", "late_valve", "dead", "gasket"]
FAULTS: tuple[Fault, ...] = ("none", "leak", "low_trapped", "late_valve", "dead", "gasket")


def random_engine(
    rng: np.random.Generator, *, cylinders: int | None = None, odd_fire: bool | None = None
) -> CrankingEngine:
    """An engine of 3 to 8 cylinders; an even count may fire at alternating intervals (`odd_fire`).

    Raises:
        ValueError: when `odd_fire` is asked of an odd cylinder count.
    """
    count = (
        int(rng.choice([3, 4, 5, 6, 8], p=[0.15, 0.3, 0.1, 0.25, 0.2])) if cylinders is None else cylinders
    )
    odd = (count % 2 == 0 and count > 4 and rng.random() < 0.2) if odd_fire is None else odd_fire
    intervals: tuple[float, ...] = ()
    if odd:
        if count % 2:
            raise ValueError("alternating firing intervals need an even number of cylinders")
        even_deg = 720.0 / count
        step_deg = round(float(rng.uniform(0.1, 0.3)) * even_deg)
        intervals = (even_deg + step_deg, even_deg - step_deg) * (count // 2)
    order = (1, *(int(c) for c in rng.permutation(np.arange(2, count + 1))))
    swept_l = float(rng.uniform(0.25, 0.65))
    stroke_bore = float(rng.uniform(0.85, 1.25))
    bore_mm = (swept_l * 1e6 * 4.0 / np.pi / stroke_bore) ** (1.0 / 3.0)
    total_l = swept_l * count
    # friction mean effective pressure in Pa over 4 pi gives N m per m^3 of displacement
    per_bar = 1e5 * total_l * 1e-3 / (4.0 * np.pi)
    return CrankingEngine(
        cylinders=count,
        firing_order=order,
        firing_intervals_deg=intervals,
        bore_mm=bore_mm,
        stroke_mm=bore_mm * stroke_bore,
        rod_ratio=float(rng.uniform(2.9, 4.0)),
        compression_ratio=float(rng.uniform(8.5, 12.5)),
        intake_close_deg=float(rng.uniform(35.0, 70.0)),
        exhaust_open_deg=float(rng.uniform(35.0, 60.0)),
        polytropic=float(rng.uniform(1.24, 1.35)),
        ring_leak_mm2=float(rng.uniform(0.3, 1.3)) * swept_l,
        friction_nm=float(rng.uniform(0.7, 1.5)) * per_bar,
        viscous_nm_s=float(rng.uniform(0.2, 1.0)) * per_bar / 20.0,
        inertia_kg_m2=0.05 + float(rng.uniform(0.04, 0.14)) * total_l,
        manifold_drop_kpa=float(rng.uniform(2.0, 30.0)),
    )


def random_battery(rng: np.random.Generator, *, weak: bool | None = None) -> Battery:
    """A battery from fresh to weak; with `weak` left open one in ten is weak."""
    tired = rng.random() < 0.1 if weak is None else weak
    ohm = float(rng.uniform(0.010, 0.017) if tired else rng.uniform(0.0035, 0.009))
    return Battery(
        rest_v=float(rng.uniform(11.9, 12.3) if tired else rng.uniform(12.3, 12.9)),
        resistance_ohm=ohm,
        fast_ohm=ohm * float(rng.uniform(0.1, 0.4)),
        fast_s=float(rng.uniform(0.05, 0.6)),
        slow_ohm=ohm * float(rng.uniform(0.15, 0.6)),
        slow_s=float(rng.uniform(3.0, 15.0)),
        load_a=float(rng.uniform(3.0, 15.0)),
    )


def random_starter(
    rng: np.random.Generator,
    engine: CrankingEngine,
    battery: Battery,
    *,
    kind: Literal["permanent_magnet", "series"] | None = None,
    speed_rpm: float | None = None,
) -> Starter:
    """A starter that turns this engine on this battery at about `speed_rpm` (drawn from 130 to 280 if open)."""
    drive: Literal["permanent_magnet", "series"]
    drive = kind or ("permanent_magnet" if rng.random() < 0.6 else "series")
    wanted_rpm = float(rng.uniform(130.0, 280.0)) if speed_rpm is None else speed_rpm
    gear = float(rng.uniform(35.0, 60.0) if drive == "permanent_magnet" else rng.uniform(10.0, 30.0))
    total_l = engine.swept_m3 * engine.cylinders * 1e3
    # pumping and leakage take about 6 N m per litre beside friction (measured on this simulation)
    load_nm = engine.friction_nm + engine.viscous_nm_s * wanted_rpm * np.pi / 30.0 + 6.0 * total_l
    stall_a = float(rng.uniform(350.0, 650.0)) + 130.0 * total_l
    resistance = max(11.3 / stall_a - 0.006, 0.003)
    efficiency = float(rng.uniform(0.72, 0.9))
    free_a = float(rng.uniform(20.0, 60.0))
    loop = resistance + battery.resistance_ohm + battery.fast_ohm + 0.5 * battery.slow_ohm
    brush = float(rng.uniform(0.6, 1.6))
    emf = emf_for_speed(
        wanted_rpm,
        load_nm,
        supply_v=battery.rest_v - brush - loop * free_a,
        resistance_ohm=loop,
        gear_ratio=gear,
        efficiency=efficiency,
    )
    saturation = float(rng.uniform(80.0, 260.0))
    if drive == "series":
        usual_a = load_nm / (efficiency * emf * gear) + free_a
        emf /= 1.0 - np.exp(-usual_a / saturation)
    rotor_at_crank = float(rng.uniform(0.03, 0.12)) * total_l
    return Starter(
        kind=drive,
        emf_v_s=emf,
        gear_ratio=gear,
        resistance_ohm=resistance,
        brush_drop_v=brush,
        inductance_h=float(rng.uniform(20e-6, 90e-6)),
        rotor_inertia_kg_m2=rotor_at_crank / gear**2,
        efficiency=efficiency,
        free_current_a=free_a,
        saturation_a=saturation,
    )


def random_health(
    rng: np.random.Generator,
    engine: CrankingEngine,
    *,
    fault: Fault,
    cylinders: tuple[int, ...] = (),
    loss: float = 0.3,
    speed_rpm: float = 200.0,
    scatter: float = 0.012,
) -> tuple[tuple[CylinderHealth, ...], tuple[GasketLeak, ...]]:
    """Healthy scatter from cylinder to cylinder, and a fault in the given cylinders (numbers from 1).

    Args:
        loss: share of peak pressure that the fault should cost at `speed_rpm`, 0 to 1; `dead` costs all of it.
        scatter: standard deviation of the healthy peak pressures, relative.

    Raises:
        ValueError: when `gasket` is not given exactly two cylinders.
    """
    trapped = 1.0 + scatter * np.clip(rng.standard_normal(engine.cylinders), -2.5, 2.5)
    leaks = engine.ring_leak_mm2 * rng.uniform(0.0, 0.25, engine.cylinders)
    health = [
        CylinderHealth(leak_mm2=float(leaks[j]), trapped=float(trapped[j])) for j in range(engine.cylinders)
    ]
    gaskets: tuple[GasketLeak, ...] = ()
    if fault == "gasket":
        if len(cylinders) != 2:
            raise ValueError("a gasket leak joins two cylinders")
        gaskets = (GasketLeak(cylinders[0], cylinders[1], engine.leak_for_loss(min(loss, 0.95), speed_rpm)),)
    elif fault != "none":
        for cylinder in cylinders:
            usual = health[cylinder - 1]
            health[cylinder - 1] = _spoil(engine, usual, fault, loss, speed_rpm)
    return tuple(health), gaskets


def _spoil(
    engine: CrankingEngine, usual: CylinderHealth, fault: Fault, loss: float, speed_rpm: float
) -> CylinderHealth:
    if fault == "dead" or loss >= 0.97:
        return CylinderHealth(usual.leak_mm2, usual.trapped, 0.0, open_to_air=True)
    if fault == "low_trapped":
        return CylinderHealth(usual.leak_mm2, usual.trapped * (1.0 - loss))
    if fault == "late_valve":
        return CylinderHealth(usual.leak_mm2, usual.trapped, engine.late_close_for_loss(min(loss, 0.8)))
    return CylinderHealth(usual.leak_mm2 + engine.leak_for_loss(loss, speed_rpm), usual.trapped)


def _that_turns(
    rng: np.random.Generator,
    motor: CrankingEngine,
    starter_kind: Literal["permanent_magnet", "series"] | None,
    weak_battery: bool | None,
    oil_c: float | None,
) -> tuple[CrankingRun, float]:
    """Starter, battery and oil that turn the engine, and the speed in rpm they were chosen for."""
    for _ in range(400):
        wanted_rpm = float(rng.uniform(130.0, 280.0))
        battery = random_battery(rng, weak=weak_battery)
        # most captures are taken warm; one in five starts in the cold
        oil = oil_c
        if oil is None:
            oil = float(rng.uniform(-12.0, 8.0) if rng.random() < 0.2 else rng.uniform(10.0, 70.0))
        starter = random_starter(rng, motor, battery, kind=starter_kind, speed_rpm=wanted_rpm)
        trial = CrankingRun(motor, starter, battery, oil_c=oil)
        speed_rpm, mean_v = trial.steady_state()
        if speed_rpm >= 115.0 and mean_v >= 7.8 and trial.stall_margin() >= 1.05:
            return trial, wanted_rpm
    raise ValueError("no starter and battery turn this engine under the given conditions")


def _hit(rng: np.random.Generator, motor: CrankingEngine, kind: Fault) -> tuple[int, ...]:
    """Which cylinders a fault is in: neighbours share a gasket, of the others it is mostly one."""
    if kind == "none":
        return ()
    if kind == "gasket":
        first = int(rng.integers(1, motor.cylinders))
        return first, first + 1
    faulty = 2 if rng.random() < 0.12 else 1
    return tuple(int(c) for c in rng.choice(motor.cylinders, size=faulty, replace=False) + 1)


def _random_coil(rng: np.random.Generator, motor: CrankingEngine) -> CoilLoad:
    coil_kind: Literal["coil_on_plug", "waste_spark", "distributor"]
    if motor.cylinders % 2 == 0 and not motor.firing_intervals_deg:
        coil_kind = ("coil_on_plug", "waste_spark", "distributor")[int(rng.choice(3, p=[0.6, 0.2, 0.2]))]
    else:
        coil_kind = "coil_on_plug" if rng.random() < 0.85 else "distributor"
    return CoilLoad(
        kind=coil_kind,
        dwell_s=float(rng.uniform(0.002, 0.006)),
        current_a=float(rng.uniform(4.0, 9.0)),
        strikes=int(rng.integers(1, 5)) if coil_kind == "coil_on_plug" else 1,
        strike_gap_s=float(rng.uniform(0.0015, 0.0035)),
        advance_deg=float(rng.uniform(3.0, 13.0)),
        advance_jitter_deg=float(rng.uniform(0.0, 0.4)),
        ready_deg=float(rng.uniform(60.0, 700.0)),
    )


def random_run(
    rng: np.random.Generator,
    *,
    engine: CrankingEngine | None = None,
    cylinders: int | None = None,
    odd_fire: bool | None = None,
    fault: Fault | None = None,
    loss: float | None = None,
    duration_s: float | None = None,
    starter_kind: Literal["permanent_magnet", "series"] | None = None,
    weak_battery: bool | None = None,
    oil_c: float | None = None,
    scatter: float | None = None,
) -> CrankingRun:
    """A whole run at random; whatever is given stays fixed.

    Args:
        fault: None draws one (four in ten healthy). Faulty cylinders: mostly one, now and then two.
        loss: share of peak pressure the fault costs, None draws 0.08 to 1, small ones more often.
        scatter: healthy scatter between cylinders, None draws 0.005 to 0.018.

    Raises:
        ValueError: when what is given leaves no combination that turns the engine.
    """
    motor = engine or random_engine(rng, cylinders=cylinders, odd_fire=odd_fire)
    turning, wanted_rpm = _that_turns(rng, motor, starter_kind, weak_battery, oil_c)
    kind: Fault = fault or FAULTS[int(rng.choice(6, p=[0.4, 0.22, 0.14, 0.12, 0.06, 0.06]))]
    share = float(0.08 + 0.92 * rng.random() ** 2) if loss is None else loss
    hit = _hit(rng, motor, kind)
    spread = float(rng.uniform(0.005, 0.018)) if scatter is None else scatter
    health, gaskets = random_health(
        rng, motor, fault=kind, cylinders=hit, loss=share, speed_rpm=wanted_rpm, scatter=spread
    )
    coil = _random_coil(rng, motor)
    rest_s = float(rng.uniform(0.2, 1.5))
    length_s = float(rng.uniform(6.0, 12.0)) if duration_s is None else duration_s
    return CrankingRun(
        engine=motor,
        starter=turning.starter,
        battery=turning.battery,
        coil=coil,
        health=health,
        gaskets=gaskets,
        oil_c=turning.oil_c,
        duration_s=length_s,
        rest_before_s=min(rest_s, 0.2 * length_s),
        start_angle_deg=float(rng.uniform(0.0, 720.0)),
        cycle_scatter=float(rng.uniform(0.002, 0.012)),
        drag_scatter=float(rng.uniform(0.005, 0.05)),
        seed=int(rng.integers(2**31)),
    )
