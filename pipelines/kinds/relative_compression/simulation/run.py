"""What goes into a cranking simulation and what comes out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.simulation.electrics import Battery, CoilLoad, Starter
from pipelines.kinds.relative_compression.simulation.engine import (
    HEALTHY,
    CrankingEngine,
    CylinderHealth,
    GasketLeak,
)

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CrankingRun:
    """One crank of one engine.

    Attributes:
        health: by cylinder number, one for each; empty = all healthy.
        gaskets: passages between cylinders.
        oil_c: oil temperature in C; cold oil drags more.
        duration_s: length of the record.
        rest_before_s: time before the starter engages.
        rest_after_s: time at the end with the starter released.
        pauses_s: stretches (from, to) inside the crank with the starter released.
        start_angle_deg: crank angle at rest.
        engine_starts_at_s: when the engine begins to fire for real; None = it does not start.
        cycle_scatter: standard deviation of the trapped mass from cycle to cycle, relative.
        drag_scatter: standard deviation of the slowly wandering friction, relative.
        seed: for everything random inside the run.

    Raises:
        ValueError: when `health` does not fit the engine or the times leave no crank.
    """

    engine: CrankingEngine
    starter: Starter = field(default_factory=Starter)
    battery: Battery = field(default_factory=Battery)
    coil: CoilLoad = field(default_factory=CoilLoad)
    health: tuple[CylinderHealth, ...] = ()
    gaskets: tuple[GasketLeak, ...] = ()
    oil_c: float = 20.0
    duration_s: float = 8.0
    rest_before_s: float = 0.5
    rest_after_s: float = 0.0
    pauses_s: tuple[tuple[float, float], ...] = ()
    start_angle_deg: float = 0.0
    engine_starts_at_s: float | None = None
    cycle_scatter: float = 0.006
    drag_scatter: float = 0.02
    seed: int = 0

    def __post_init__(self) -> None:
        if self.health and len(self.health) != self.engine.cylinders:
            raise ValueError("health must be given for every cylinder or for none")
        if not 0.0 <= self.rest_before_s < self.duration_s - self.rest_after_s:
            raise ValueError("the rests leave no time to crank")

    @property
    def all_health(self) -> tuple[CylinderHealth, ...]:
        """`health` with `healthy` spelled out."""
        return self.health or (HEALTHY,) * self.engine.cylinders

    def steady_state(self) -> tuple[float, float]:
        """Estimate of the mean cranking speed in rpm and the mean battery voltage in V, without simulating.

        From the torque balance of the motor at its mean load; pumping and leakage are put at 6 N m per litre
        (measured on this simulation), so it tells a stall from a crank and no more.
        """
        engine, starter, battery = self.engine, self.starter, self.battery
        coulomb, viscous = engine.drag_at(self.oil_c)
        total_l = engine.swept_m3 * engine.cylinders * 1e3
        loop = battery.resistance_ohm + battery.fast_ohm + 0.5 * battery.slow_ohm
        supply = battery.rest_v - starter.brush_drop_v - loop * battery.load_a
        speed, current, flux = 20.0, 150.0, 1.0
        for _ in range(60):
            load_nm = coulomb + viscous * speed + 6.0 * total_l
            if starter.kind == "series":
                flux = 1.0 - float(np.exp(-current / starter.saturation_a))
            linked = starter.emf_v_s * starter.gear_ratio * flux
            wanted = load_nm / (starter.efficiency * linked) + starter.free_current_a
            current += 0.5 * (wanted - current)
            speed += 0.5 * (max((supply - (loop + starter.resistance_ohm) * current) / linked, 0.0) - speed)
        return speed * 30.0 / float(np.pi), battery.rest_v - loop * (current + battery.load_a)

    def stall_margin(self) -> float:
        """Starter torque at standstill over what friction and one cylinder's compression ask; above 1 it turns.

        One cylinder stands for all: what its neighbours add while they compress, others give back expanding.
        """
        starter, battery = self.starter, self.battery
        loop = battery.resistance_ohm + battery.fast_ohm + battery.slow_ohm + starter.resistance_ohm
        current = (battery.rest_v - starter.brush_drop_v) / loop - battery.load_a
        flux = (
            1.0
            if starter.kind == "permanent_magnet"
            else 1.0 - float(np.exp(-current / starter.saturation_a))
        )
        torque = (
            starter.efficiency
            * starter.emf_v_s
            * starter.gear_ratio
            * flux
            * (current - starter.free_current_a)
        )
        return torque / (1.25 * self.engine.drag_at(self.oil_c)[0] + self.engine.peak_compression_nm())

    def starter_on(self, time_s: Array) -> npt.NDArray[np.bool_]:
        """Whether the starter is called for, at each of the times."""
        on = (time_s >= self.rest_before_s) & (time_s < self.duration_s - self.rest_after_s)
        for begin, end in self.pauses_s:
            on &= ~((time_s >= begin) & (time_s < end))
        return np.asarray(on)


@dataclass(frozen=True, slots=True)
class CrankingTrace:
    """The truth of one run, before any scope saw it.

    Attributes:
        run: what was simulated.
        time_s: uniform, shape (steps,), begins at 0.
        crank_deg: cumulative crank angle, shape (steps,); 0 = compression top dead centre of the first cylinder
            of the firing order.
        speed_rpm, battery_v, starter_current_a, coil_current_a: shape (steps,).
        tdc_s, tdc_cylinder: time and cylinder number of each compression top dead centre, in time order.
        tdc_peak_kpa: peak absolute pressure of that compression.
        peak_kpa: by cylinder, shape (cylinders,): median peak absolute pressure over the whole cycles
            (the first compression of each cylinder, which may be partial, left out where others exist).
        fire_s, fire_cylinder: firings (first strike of each) in time order.
    """

    run: CrankingRun
    time_s: Array
    crank_deg: Array
    speed_rpm: Array
    battery_v: Array
    starter_current_a: Array
    coil_current_a: Array
    tdc_s: Array
    tdc_cylinder: Ints
    tdc_peak_kpa: Array
    peak_kpa: Array
    fire_s: Array
    fire_cylinder: Ints

    @property
    def step_s(self) -> float:
        """Time from one step to the next."""
        return float(self.time_s[1] - self.time_s[0])

    @property
    def relative_peak_pct(self) -> Array:
        """Peak pressure by cylinder, 100 = the median cylinder."""
        return np.asarray(100.0 * self.peak_kpa / np.median(self.peak_kpa))
