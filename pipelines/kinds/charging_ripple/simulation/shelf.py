"""Alternators of the invented shop's cars, and captures of them as the demo asks for them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipelines.kinds.charging_ripple.simulation.machine import STEPS, Alternator, Fault, output_a
from pipelines.kinds.simulated import Recording, Simulated

Floats = npt.NDArray[np.float64]
PAIRS = {"claw-90-ampere": 6, "claw-120-ampere": 7, "hairpin-180-ampere": 8}
"""Invented names of the alternators, and their pole pairs."""
FAULTS: dict[str, Fault] = {
    "open_diode": "open_diode",
    "shorted_diode": "shorted_diode",
    "lost_phase": "lost_phase",
    "weak_phase": "weak_phase",
}
DIGITS = 1e-5
INNER_HZ = 100_000.0


@dataclass(frozen=True, slots=True)
class ScopeSetup:
    """How the technician set the scope; `screen_pp` is the range in peak to peaks of the ripple."""

    rate_hz: float = 50_000.0
    duration_s: float = 0.5
    bits: int = 12
    screen_pp: float = 4.0
    ac_coupled: bool = True
    reversed_leads: bool = False


class AlternatorSimulation:
    """Alternators of the invented shop; see `pipelines.kinds.simulated.Simulation`."""

    groups: tuple[str, ...] = tuple(PAIRS)
    faults: tuple[str, ...] = tuple(FAULTS)
    slips: tuple[str, ...] = (
        "clipped",
        "coarse_resolution",
        "low_sample_rate",
        "reversed_leads",
        "too_short",
    )

    def capture(self, group: str, *, fault: str, slip: str, vehicle_seed: int, seed: int) -> Simulated:
        """Simulate one capture.

        Raises:
            KeyError: for a group, fault or slip it does not know.
        """
        pairs = PAIRS[group]
        planted: Fault = FAULTS[fault] if fault else "none"
        if slip and slip not in self.slips:
            raise KeyError(slip)
        own = np.random.default_rng([vehicle_seed, pairs, 15])
        rng = np.random.default_rng([seed, pairs, 16])
        machine = _machine(own)
        phase, side = int(own.integers(3)), int(own.integers(2))
        scope = ScopeSetup(duration_s=float(rng.uniform(0.4, 0.7)), ac_coupled=bool(rng.random() < 0.6))
        samples, rate_hz, start = _record(machine, pairs, planted, phase, side, _slipped(scope, slip), rng)
        recording = Recording(rate_hz, start, np.round(samples / DIGITS)[None, :] * DIGITS, ("V",), (DIGITS,))
        return Simulated(recording, ("battery_voltage",), (1.0,), (phase + 1,) if fault else ())


def _machine(rng: np.random.Generator) -> Alternator:
    gain = 1.0 + 0.003 * rng.standard_normal(3)
    ohm = 0.05 * (1.0 + 0.02 * rng.standard_normal(3))
    return Alternator(
        gain=(float(gain[0]), float(gain[1]), float(gain[2])),
        ohm=(float(ohm[0]), float(ohm[1]), float(ohm[2])),
        drop_v=tuple((0.8 + 0.02 * rng.standard_normal(6)).tolist()),
        reactance_ohm=float(rng.uniform(0.12, 0.2)),
    )


def _record(
    machine: Alternator,
    pairs: int,
    fault: Fault,
    phase: int,
    side: int,
    scope: ScopeSetup,
    rng: np.random.Generator,
) -> tuple[Floats, float, float]:
    """Battery voltage as the scope saves it: samples, rate, time of the first."""
    time = np.arange(int(scope.duration_s * INNER_HZ)) / INNER_HZ
    firing_hz = rng.uniform(25.0, 50.0)
    swing = rng.uniform(0.003, 0.012)
    hz = (
        firing_hz
        * 30.0
        / 60.0
        * rng.uniform(2.4, 2.8)
        * pairs
        * (1 + swing * np.cos(2 * np.pi * firing_hz * time))
    )
    cycles = np.cumsum(hz) / INNER_HZ + rng.random()
    cycle = output_a(machine, float(rng.uniform(22.0, 34.0)), fault, phase, side)
    amps = np.interp(cycles % 1.0 * STEPS, np.arange(STEPS + 1), np.append(cycle, cycle[0]))
    if rng.random() < 0.5:
        clock = (time * rng.uniform(110.0, 330.0) + rng.random()) % 1.0
        amps = amps * (1 + rng.uniform(0.01, 0.03) * (np.abs(2 * clock - 1) - 0.5))
    volts = machine.battery_v + rng.uniform(0.008, 0.018) * (amps - amps.mean())
    keep = float(np.exp(-2 * np.pi * 9e3 / INNER_HZ))
    volts = lfilter([1 - keep], [1, -keep], volts, zi=[keep * float(volts[0])])[0]
    pp = float(np.ptp(volts))
    spark = (time * firing_hz) % 1.0 / firing_hz
    volts = volts + 0.15 * np.exp(-spark / 3e-5)
    volts = np.asarray(volts)[:: round(INNER_HZ / scope.rate_hz)]
    level = machine.battery_v
    if scope.ac_coupled:
        keep = float(np.exp(-2 * np.pi * 2.0 / scope.rate_hz))
        volts, level = lfilter([1.0, -1.0], [1.0, -keep], volts, zi=[-float(volts[0])])[0], 0.0
    if scope.reversed_leads:
        volts, level = -volts, -level
    volts = volts + pp * rng.uniform(0.01, 0.04) * rng.standard_normal(len(volts))
    screen = scope.screen_pp * pp
    step = 2 * screen / 2**scope.bits
    shown = np.clip(np.round((volts - level) / step) * step, -screen, screen) + level
    return np.asarray(shown), scope.rate_hz, 0.0


def _slipped(scope: ScopeSetup, slip: str) -> ScopeSetup:
    """The scope as somebody set it who made that mistake."""
    if slip == "clipped":
        return replace(scope, screen_pp=0.3)
    if slip == "coarse_resolution":
        return replace(scope, bits=8, screen_pp=70.0)
    if slip == "low_sample_rate":
        return replace(scope, rate_hz=4_000.0)
    if slip == "reversed_leads":
        return replace(scope, reversed_leads=True, ac_coupled=False)
    return replace(scope, duration_s=0.02) if slip == "too_short" else scope
