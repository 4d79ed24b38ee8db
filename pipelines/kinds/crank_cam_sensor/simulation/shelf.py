"""Wheels of the invented shop's engines, and captures of them as the demo asks for them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipelines.kinds.crank_cam_sensor.simulation.motion import STEP_S, Crank, turn
from pipelines.kinds.crank_cam_sensor.simulation.sensor import (
    ToothedWheel,
    cam_volts,
    coil_volts,
    switch_volts,
    wheel_of,
)
from pipelines.kinds.simulated import Recording, Simulated

Floats = npt.NDArray[np.float64]
DIGITS_V = 1e-3
CHAIN_TURNS = 7.0 / 360
BELT_TURNS = 15.0 / 360


@dataclass(frozen=True, slots=True)
class Design:
    """What the make fixes: the wheel, its sensor and the cam's edges after the crank's gap, in turns of two."""

    places: int
    gaps: tuple[tuple[int, int], ...]
    coil: bool
    cam_edges: tuple[float, ...]
    cylinders: int


# 60-2, 36-1 and 36-2-2-2 are wheels in common use (common practice, no source); the names are invented.
DESIGNS = {
    "sixty-coil": Design(60, ((59, 2),), True, (0.21, 0.46, 0.96, 1.21, 1.46, 1.71), 4),
    "thirty-six-coil": Design(36, ((36, 1),), True, (0.38, 0.5), 4),
    "sixty-switch": Design(60, ((59, 2),), False, (0.15, 0.4, 0.65, 1.4), 6),
    "three-gap-switch": Design(36, ((2, 2), (17, 2), (35, 2)), False, (0.3, 0.42, 1.1, 1.22, 1.5, 1.62), 4),
}
FAULTS = ("bent_tooth", "chipped_tooth", "stretched_chain", "jumped_belt")


class WheelSimulation:
    """Crank and cam sensors of the invented shop; see `pipelines.kinds.simulated.Simulation`."""

    groups: tuple[str, ...] = tuple(DESIGNS)
    faults: tuple[str, ...] = FAULTS
    slips: tuple[str, ...] = ("low_sample_rate", "too_short", "swapped_channels", "coarse_resolution")

    def capture(self, group: str, *, fault: str, slip: str, vehicle_seed: int, seed: int) -> Simulated:
        """Simulate one capture.

        Raises:
            KeyError: for a group, fault or slip it does not know.
        """
        design = DESIGNS[group]
        if (fault and fault not in FAULTS) or (slip and slip not in self.slips):
            raise KeyError(fault or slip)
        number = self.groups.index(group)
        own, rng = (
            np.random.default_rng([vehicle_seed, number, 55]),
            np.random.default_rng([seed, number, 56]),
        )
        wheel = wheel_of(design.places, design.gaps, own)
        odd = int(own.integers(len(wheel.slots)))
        wheel = _damaged(wheel, fault, odd, own)
        late = {"stretched_chain": CHAIN_TURNS, "jumped_belt": BELT_TURNS}.get(fault, 0.0)
        late += 0.0012 * own.standard_normal()
        rate_hz = 25_000.0 if slip != "low_sample_rate" else 1_500.0 if design.places == 60 else 900.0
        duration_s = 0.6 if slip == "too_short" else float(rng.uniform(3.5, 5.0))
        crank = Crank(
            cylinders=design.cylinders,
            strength=tuple((1 + 0.02 * own.standard_normal(design.cylinders)).tolist()),
            rpm=float(rng.uniform(190, 250)),
            top_after_gap_turns=0.2 + 0.05 * number,
        )
        angle, speed = turn(crank, duration_s, rng, 0.3 if rng.random() < 0.3 and not slip else None)
        time = np.arange(int(duration_s * rate_hz)) / rate_hz
        steps = np.arange(len(angle)) * STEP_S
        turns, now = np.interp(time, steps, angle), np.interp(time, steps, speed)
        if design.coil:
            volts = coil_volts(wheel, turns, now, 6.0)
            volts = volts + 0.004 * rng.standard_normal(len(volts))
        else:
            volts = switch_volts(wheel, turns, 0.15, 4.95) + 0.01 * rng.standard_normal(len(turns))
        cam = cam_volts(design.cam_edges, turns - late, 0.1, 5.0) + 0.01 * rng.standard_normal(len(turns))
        rows = [volts, cam]
        if slip == "swapped_channels":
            rows.reverse()
        step = DIGITS_V if slip != "coarse_resolution" else 0.2 if design.coil else 1.0
        samples = np.round(np.stack(rows) / step) * step
        recording = Recording(rate_hz, 0.0, samples, ("V", "V"), (step, step))
        planted = (odd + 1,) if fault in ("bent_tooth", "chipped_tooth") else ()
        return Simulated(recording, ("crank_sensor", "cam_sensor"), (1.0, 1.0), planted)


def _damaged(wheel: ToothedWheel, fault: str, odd: int, own: np.random.Generator) -> ToothedWheel:
    off, high = list(wheel.off), list(wheel.high)
    if fault == "bent_tooth":
        off[odd] += float(own.choice([-1, 1]) * own.uniform(0.08, 0.2))
    elif fault == "chipped_tooth":
        high[odd] *= float(own.uniform(0.45, 0.8))
    return replace(wheel, off=tuple(off), high=tuple(high))
