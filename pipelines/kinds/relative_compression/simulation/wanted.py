"""A capture of the invented shop before it is simulated, turned into physics and a scope's setting."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np

from pipelines.kinds.relative_compression.simulation.cranking import (
    Battery,
    CrankingEngine,
    CrankingRun,
    CrankingTrace,
    CylinderHealth,
    GasketLeak,
)
from pipelines.kinds.relative_compression.simulation.families import Family
from pipelines.kinds.relative_compression.simulation.randomised import Fault as FaultKind
from pipelines.kinds.relative_compression.simulation.randomised import random_battery, random_health
from pipelines.kinds.relative_compression.simulation.scope import ScopeChannel, ScopeSetup, Slip, slip


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with an engine: kind (see `randomised.FAULTS`), elements (cylinders), loss of peak pressure."""

    kind: FaultKind
    elements: tuple[int, ...]
    loss: float


@dataclass(frozen=True, slots=True)
class Wanted:
    """A cranking capture to simulate.

    Attributes:
        vehicle_seed: draws what is the vehicle's own (scatter, battery, drag).
        first_day: the day the family's drift is counted from.
        slip: the mistake in it (`""` = none).
        hookup: `house`, `sync_first` (channels the other way round), `sync_elsewhere` (sync on another cylinder) or
            `clamp` (starter current instead of battery voltage).
        seed: of everything random in the capture itself.
    """

    family: Family
    vehicle_seed: int
    taken_at: datetime
    first_day: date
    fault: Fault | None
    slip: str
    hookup: str
    seed: int

    @property
    def channels(self) -> tuple[tuple[str, float], ...]:
        """Signal and scale of each channel, as the technician logs them."""
        supply = ("starter_current", 100.0) if self.hookup == "clamp" else ("battery_voltage", 1.0)
        primary = ("ignition_primary", 20.0)
        return (primary, supply) if self.hookup == "sync_first" else (supply, primary)


@dataclass(frozen=True, slots=True)
class Made:
    """What the simulation says of a file that was written; truth, not reading.

    Attributes:
        peak_kpa: median peak absolute pressure by cylinder number.
        crank_rpm: mean speed while cranking, the first second left out.
        min_v: lowest battery voltage after the first half second of cranking.
    """

    file: str
    peak_kpa: tuple[float, ...]
    crank_rpm: float
    min_v: float
    size: int


def weak_battery(capture: Wanted) -> bool:
    """Whether the vehicle came with a tired battery: a thing of the vehicle and its complaint."""
    rng = np.random.default_rng([capture.vehicle_seed, 11])
    winter = capture.taken_at.month in (12, 1, 2)
    return bool(rng.random() < (0.10 if winter else 0.045))


def _sized(battery: Battery, engine: CrankingEngine) -> Battery:
    """A larger engine comes with a larger battery: all its resistances fall with displacement."""
    total_l = engine.swept_m3 * engine.cylinders * 1e3
    factor = 0.85 * min(1.0, float(np.sqrt(1.5 / total_l)))
    return replace(
        battery,
        resistance_ohm=factor * battery.resistance_ohm,
        fast_ohm=factor * battery.fast_ohm,
        slow_ohm=factor * battery.slow_ohm,
    )


def cranking_run(capture: Wanted) -> CrankingRun:
    """The vehicle on the day: its own scatter, battery and drag, the season's oil, the fault."""
    family = capture.family
    own = np.random.default_rng([capture.vehicle_seed, 12])
    rng = np.random.default_rng([capture.seed, 13])
    usual = family.usual_trapped(capture.taken_at.date(), capture.first_day)
    engine = replace(
        family.engine,
        friction_nm=family.engine.friction_nm * float(own.uniform(0.9, 1.12)),
        healthy_pattern=tuple(float(v) for v in usual),
    )
    battery = _sized(random_battery(own, weak=weak_battery(capture)), engine)
    # The first draw is the vehicle's own and stays with it; the fault comes on top.
    scatter, _ = random_health(own, engine, fault="none", scatter=0.011)
    health: list[CylinderHealth] = list(scatter)
    gaskets: tuple[GasketLeak, ...] = ()
    if capture.fault is not None:
        fault = capture.fault
        made, gaskets = random_health(
            rng,
            engine,
            fault=fault.kind,
            cylinders=fault.elements,
            loss=fault.loss,
            speed_rpm=family.speed_rpm,
            scatter=0.0,
        )
        for cylinder in fault.elements if not gaskets else ():
            was, now = scatter[cylinder - 1], made[cylinder - 1]
            health[cylinder - 1] = CylinderHealth(
                was.leak_mm2 + now.leak_mm2, was.trapped * now.trapped, now.late_close_deg, now.open_to_air
            )
    season_c = 12.0 - 9.0 * float(np.cos(2.0 * np.pi * (capture.taken_at.timetuple().tm_yday - 20) / 365.0))
    oil_c = season_c + float(rng.choice([rng.uniform(0.0, 8.0), rng.uniform(15.0, 55.0)]))
    rest_s = float(rng.uniform(0.4, 1.3))
    crank_s = float(rng.uniform(5.0, 8.5))
    starts_at = rest_s + float(rng.uniform(2.6, 4.5)) if capture.slip == "engine_started" else None
    run = CrankingRun(
        engine=engine,
        starter=family.starter,
        battery=battery,
        coil=replace(family.coil, advance_jitter_deg=0.2),
        health=tuple(health),
        gaskets=gaskets,
        oil_c=oil_c,
        duration_s=round(rest_s + crank_s, 2),
        rest_before_s=rest_s,
        start_angle_deg=float(rng.uniform(0.0, 720.0)),
        engine_starts_at_s=starts_at,
        seed=capture.seed,
    )
    speed_rpm, _ = run.steady_state()
    if speed_rpm < 95.0 or run.stall_margin() < 1.05:
        # too tired to turn this engine at all: the shop put a sound battery in before it scoped
        run = replace(run, battery=_sized(random_battery(rng, weak=False), engine), oil_c=max(oil_c, 10.0))
    return run


def scope_setup(capture: Wanted, bits: int, rng: np.random.Generator) -> ScopeSetup:
    """The scope of that resolution as the technician set it, slip and all."""
    rate_hz = float(
        rng.choice(
            [1000.0, 2000.0, 5000.0, 10_000.0, 20_000.0, 50_000.0], p=[0.1, 0.54, 0.27, 0.06, 0.025, 0.005]
        )
    )
    first = ScopeChannel("battery_voltage", full_scale=20.0 if bits > 10 else 16.0, noise=0.008)
    if capture.hookup == "clamp":
        first = ScopeChannel("starter_current", full_scale=1000.0, scale=100.0, noise=1.0)
    primary = ScopeChannel("ignition_primary", full_scale=400.0, scale=20.0, noise=0.3)
    channels = (primary, first) if capture.hookup == "sync_first" else (first, primary)
    setup = ScopeSetup(
        rate_hz=rate_hz,
        channels=channels,
        bits=bits,
        sync_cylinder=sync_cylinder(capture),
        zero_s=float(rng.choice([0.0, 0.0, -1.0])),
        off_screen="inf" if rng.random() < 0.6 else "edge",
        brush_ripple_v=float(rng.uniform(0.01, 0.03)),
        seed=capture.seed,
    )
    if capture.slip == "too_short":
        # the record ends too soon, the crank itself does not
        rest_s = cranking_run(capture).rest_before_s
        setup = replace(setup, keep_s=(0.0, rest_s + float(rng.uniform(0.45, 0.9))))
    elif capture.slip and capture.slip != "engine_started":
        kind: Slip = capture.slip  # type: ignore[assignment]
        setup = slip(setup, kind, rng)
    return setup


def sync_cylinder(capture: Wanted) -> int:
    """Whose coil the sync lead is on."""
    if capture.hookup != "sync_elsewhere":
        return 1
    return 2 + int(capture.seed % (capture.family.engine.cylinders - 1))


def truth_of(file: str, trace: CrankingTrace, size: int) -> Made:
    cranking = trace.starter_current_a > 0.0
    late = cranking & (trace.time_s > trace.run.rest_before_s + 1.0)
    late = late if late.any() else cranking
    settled = cranking & (trace.time_s > trace.run.rest_before_s + 0.5)
    settled = settled if settled.any() else cranking
    return Made(
        file=file,
        peak_kpa=tuple(round(float(p), 1) for p in trace.peak_kpa),
        crank_rpm=round(float(trace.speed_rpm[late].mean()), 1),
        min_v=round(float(trace.battery_v[settled].min()), 2),
        size=size,
    )
