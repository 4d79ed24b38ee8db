"""Pumps on the invented shop's shelf, and captures of them as the demo asks for them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipelines.kinds.fuel_pump_current.simulation.capture import ScopeSetup, draw_motor, simulate
from pipelines.kinds.fuel_pump_current.simulation.motor import BarFault, Condition
from pipelines.kinds.simulated import Recording, Simulated

BARS = {"roller-8-bar": 8, "vane-10-bar": 10, "gear-7-bar": 7}
"""Invented names of the pumps, and the bars of their commutators."""
FAULTS: dict[str, tuple[BarFault, Condition]] = {
    "worn_bar": ("worn_bar", "usual"),
    "open_bar": ("open_bar", "usual"),
}
DIGITS_A = 1e-4


class PumpSimulation:
    """Fuel pumps of the invented shop; see `pipelines.kinds.simulated.Simulation`."""

    groups: tuple[str, ...] = tuple(BARS)
    faults: tuple[str, ...] = tuple(FAULTS)
    slips: tuple[str, ...] = ("clipped", "ac_coupled", "low_sample_rate", "reversed_leads", "too_short")

    def capture(self, group: str, *, fault: str, slip: str, vehicle_seed: int, seed: int) -> Simulated:
        """Simulate one capture.

        Raises:
            KeyError: for a group, fault or slip it does not know.
        """
        bars = BARS[group]
        planted, condition = FAULTS[fault] if fault else ("none", "usual")
        if slip and slip not in self.slips:
            raise KeyError(slip)
        # what the make fixes is the same for every pump of a group; wear and tolerances are the specimen's
        own = np.random.default_rng([vehicle_seed, bars, 5])
        rng = np.random.default_rng([seed, bars, 6])
        motor = draw_motor(own, bars)
        odd = int(own.integers(bars))
        scope = ScopeSetup(
            rate_hz=25_000.0,
            duration_s=float(rng.uniform(0.7, 1.1)),
            offset_a=float(rng.normal(0.0, 0.05)),
            start_s=0.1 if rng.random() < 0.4 else None,
        )
        wave = simulate(
            motor, _slipped(scope, slip), rng, planted, odd, condition, float(rng.uniform(12.6, 14.2))
        )
        samples = np.round(wave.samples.astype(np.float64) / DIGITS_A) * DIGITS_A
        recording = Recording(wave.rate_hz, wave.start_s, samples, ("A",), (DIGITS_A,))
        return Simulated(recording, ("fuel_pump_current",), (1.0,), (odd + 1,) if fault else ())


def _slipped(scope: ScopeSetup, slip: str) -> ScopeSetup:
    """The scope as somebody set it who made that mistake."""
    if slip == "clipped":
        return replace(scope, screen_a=4.2)
    if slip == "ac_coupled":
        return replace(scope, ac_coupled=True)
    if slip == "low_sample_rate":
        return replace(scope, rate_hz=4_000.0)
    if slip == "reversed_leads":
        return replace(scope, reversed_clamp=True)
    return replace(scope, duration_s=0.02, start_s=None) if slip == "too_short" else scope
