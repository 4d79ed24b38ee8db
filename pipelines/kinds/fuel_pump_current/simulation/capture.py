"""Saved captures of simulated pumps: a supply, a motor, a clamp and a scope, from a seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from pipelines.kinds.fuel_pump_current.simulation.motor import BarFault, Condition, Motor, run, with_fault
from pipelines.waveform import Waveform

INNER_RATE_HZ = 50_000.0
AC_HZ = 1.5


@dataclass(frozen=True, slots=True)
class ScopeSetup:
    """How the technician set clamp and scope.

    `screen_a` is the range in A (0 = fits the record), `offset_a` what the clamp shows at no current.
    """

    rate_hz: float = 50_000.0
    duration_s: float = 1.2
    bits: int = 12
    screen_a: float = 0.0
    noise_a: float = 0.01
    offset_a: float = 0.0
    reversed_clamp: bool = False
    ac_coupled: bool = False
    start_s: float | None = 0.1


def draw_motor(rng: np.random.Generator, bars: int = 8) -> Motor:
    """A healthy pump of a family: its numbers vary a little from pump to pump."""
    amps, speed = rng.uniform(4.5, 5.5), rng.uniform(5600, 6400) * 2 * np.pi / 60
    ohm = rng.uniform(0.75, 0.85)
    contact = rng.uniform(0.06, 0.075) * ohm
    volt_s = (13.5 - amps * ohm) / speed
    return Motor(
        bar_ohm=tuple((contact * np.exp(0.12 * rng.standard_normal(bars))).tolist()),
        armature_ohm=ohm - 2.1 * contact,
        inductance_h=ohm * rng.uniform(2e-4, 3e-4),
        volt_s=volt_s,
        inertia_kg_m2=rng.uniform(0.04, 0.08) * volt_s**2 / ohm,
        torque_nm=volt_s * amps,
        speed_rad_s=speed,
        brush_ratio=float(np.exp(0.12 * rng.standard_normal())),
        short_share=rng.uniform(0.3, 0.4),
        overlap_bars=rng.uniform(1.1, 1.4),
        load_once_a_turn=rng.uniform(0.0, 0.02),
    )


def simulate(
    motor: Motor,
    scope: ScopeSetup,
    rng: np.random.Generator,
    fault: BarFault = "none",
    bar: int = 0,
    condition: Condition = "usual",
    supply_v: float = 13.5,
) -> Waveform:
    """One capture of one pump; `fault` at `bar` (0-based), `condition` of its flow."""
    inner = max(INNER_RATE_HZ, scope.rate_hz)
    count = int(scope.duration_s * inner)
    time = np.arange(count) / inner
    alternator = rng.uniform(0.0, 0.05) * np.sin(2 * np.pi * rng.uniform(700, 1500) * time)
    volts = supply_v + alternator
    if scope.start_s is not None:
        volts[time < scope.start_s] = np.nan
    whole = run(with_fault(motor, fault, bar), volts, inner, condition, rng)
    at = np.arange(int(scope.duration_s * scope.rate_hz)) * (inner / scope.rate_hz)
    amps = np.interp(at, np.arange(count), whole.current_a) + scope.offset_a
    if scope.ac_coupled:
        # a capacitor in the input: first-order high pass, long since charged where the pump ran before
        keep = float(np.exp(-2 * np.pi * AC_HZ / scope.rate_hz))
        level = float(amps[0]) if scope.start_s is not None else float(np.mean(amps))
        amps = lfilter([1.0, -1.0], [1.0, -keep], amps, zi=[-level])[0]
    if scope.reversed_clamp:
        amps = -amps
    amps = amps + scope.noise_a * rng.standard_normal(len(amps))
    screen = scope.screen_a or 1.3 * float(np.abs(amps).max())
    step = 2 * screen / 2**scope.bits
    amps = np.clip(np.round(amps / step) * step, -screen, screen)
    return Waveform(scope.rate_hz, 0.0, amps[None, :].astype(np.float32), ("pump current (A)",))
