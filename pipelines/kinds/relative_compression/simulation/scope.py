"""Turns a simulated trace into what a scope saves: sampled, filtered, noisy, quantised, hooked up well or badly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipelines.kinds.relative_compression.simulation.ignition import (
    PrimaryShape,
    pickup_voltage,
    primary_voltage,
)
from pipelines.kinds.relative_compression.simulation.run import CrankingTrace
from pipelines.kinds.simulated import Recording

Array = npt.NDArray[np.float64]
Signal = Literal[
    "battery_voltage", "starter_current", "ignition_primary", "ignition_pickup", "nothing_connected"
]


@dataclass(frozen=True, slots=True)
class ScopeChannel:
    """One channel as it is set and connected.

    Attributes:
        signal: what its lead really touches.
        full_scale: the screen reaches from minus to plus this, in V or A at the lead.
        scale: V or A per unit of the number in the file (10 behind a 10:1 attenuator).
        noise: white noise, RMS, in V or A at the lead.
        bandwidth_hz: of a first-order low-pass in front of the converter; None = none.
        ac_coupled: a first-order high-pass at `coupling_hz` takes the steady part away.
        reversed_leads: the sign is turned over.
        gain: factor by which the true gain differs from what the scope believes.
        peak_detect: keeps flybacks that fall between two samples (primary only).
    """

    signal: Signal
    full_scale: float = 20.0
    scale: float = 1.0
    noise: float = 0.008
    bandwidth_hz: float | None = None
    ac_coupled: bool = False
    coupling_hz: float = 0.8
    reversed_leads: bool = False
    gain: float = 1.0
    peak_detect: bool = False


@dataclass(frozen=True, slots=True)
class ScopeSetup:
    """A whole hookup.

    Attributes:
        rate_hz: samples per second, 100 to 2e6.
        bits: of the converter, 6 to 16.
        channels: in the order of the file's columns, as really connected.
        sync_cylinder: whose coil the sync lead is on.
        zero_s: what the file's time axis calls the first sample (a pre-trigger makes it negative).
        keep_s: stretch (from, to) of the trace that is saved; None = all.
        dropouts_s: stretches in trace time that got lost (NaN).
        off_screen: what stands for a sample beyond the screen: `inf` or the screen's edge (`edge`).
        brush_ripple_v: ripple of the starter's commutator on the battery, amplitude in V.
        commutator_segments: ripples per motor turn.
        shape: of the primary's firing.
        seed: of the noise.
    """

    rate_hz: float
    channels: tuple[ScopeChannel, ...]
    bits: int = 12
    sync_cylinder: int = 1
    zero_s: float = 0.0
    keep_s: tuple[float, float] | None = None
    dropouts_s: tuple[tuple[float, float], ...] = ()
    off_screen: Literal["inf", "edge"] = "edge"
    brush_ripple_v: float = 0.02
    commutator_segments: int = 23
    shape: PrimaryShape = field(default_factory=PrimaryShape)
    seed: int = 0


def record(trace: CrankingTrace, setup: ScopeSetup) -> Recording:
    """What the scope saves of a trace.

    Raises:
        ValueError: for a rate or a resolution outside what `ScopeSetup` allows, or nothing kept.
    """
    if not 100.0 <= setup.rate_hz <= 2e6 or not 6 <= setup.bits <= 16:
        raise ValueError("the rate must lie in 100 Hz to 2 MHz and the converter have 6 to 16 bits")
    begin_s, end_s = setup.keep_s or (0.0, trace.time_s[-1])
    total = int(min(end_s, trace.time_s[-1]) * setup.rate_hz)
    first = int(max(begin_s, 0.0) * setup.rate_hz)
    if total - first < 2:
        raise ValueError("the stretch to keep holds no samples")
    time_s = np.arange(total, dtype=np.float64) / setup.rate_hz
    rng = np.random.default_rng([setup.seed, 3])
    battery_v = np.interp(time_s, trace.time_s, trace.battery_v)
    columns, steps, units = [], [], []
    lost = np.zeros(total, dtype=bool)
    for gap_begin, gap_end in setup.dropouts_s:
        lost |= (time_s >= gap_begin) & (time_s < gap_end)
    for channel in setup.channels:
        seen = _signal(trace, setup, channel, time_s, battery_v)
        seen = _front_end(seen, channel, setup, rng)
        step = 2.0 * channel.full_scale / 2**setup.bits
        codes = np.round(seen / step)
        top = 2 ** (setup.bits - 1) - 1
        numbers = np.clip(codes, -top - 1, top) * (step / channel.scale)
        if setup.off_screen == "inf":
            numbers = np.where(codes > top, np.inf, np.where(codes < -top - 1, -np.inf, numbers))
        numbers[lost] = np.nan
        columns.append(numbers[first:])
        steps.append(step / channel.scale)
        units.append("A" if channel.signal == "starter_current" and channel.scale == 1.0 else "V")
    return Recording(setup.rate_hz, setup.zero_s, np.stack(columns), tuple(units), tuple(steps))


def _signal(
    trace: CrankingTrace, setup: ScopeSetup, channel: ScopeChannel, time_s: Array, battery_v: Array
) -> Array:
    if channel.signal == "battery_voltage":
        return battery_v + _brush_ripple(trace, setup, time_s)
    if channel.signal == "starter_current":
        return np.interp(time_s, trace.time_s, trace.starter_current_a + trace.coil_current_a)
    if channel.signal == "ignition_primary":
        return primary_voltage(
            trace,
            setup.sync_cylinder,
            battery_v,
            setup.rate_hz,
            setup.shape,
            peak_detect=channel.peak_detect,
        )
    if channel.signal == "ignition_pickup":
        return pickup_voltage(trace, setup.sync_cylinder, setup.rate_hz, time_s.size, 6.0)
    return np.zeros(time_s.size)


def _brush_ripple(trace: CrankingTrace, setup: ScopeSetup, time_s: Array) -> Array:
    """Commutation shows as a fast ripple in step with the motor; slow sampling folds it down, as in life."""
    per_turn = trace.run.starter.gear_ratio * setup.commutator_segments
    angle = np.interp(time_s, trace.time_s, np.radians(trace.crank_deg)) * per_turn
    load = np.interp(time_s, trace.time_s, trace.starter_current_a)
    return np.asarray(setup.brush_ripple_v * np.sin(angle) * np.minimum(load / 200.0, 2.0))


def _front_end(seen: Array, channel: ScopeChannel, setup: ScopeSetup, rng: np.random.Generator) -> Array:
    if channel.bandwidth_hz is not None:
        keep = float(np.exp(-2.0 * np.pi * channel.bandwidth_hz / setup.rate_hz))
        seen = lfilter([1.0 - keep], [1.0, -keep], seen, zi=[keep * seen[0]])[0]
    if channel.ac_coupled:
        pass_on = float(np.exp(-2.0 * np.pi * channel.coupling_hz / setup.rate_hz))
        seen = lfilter([pass_on, -pass_on], [1.0, -pass_on], seen, zi=[-pass_on * seen[0]])[0]
    sign = -1.0 if channel.reversed_leads else 1.0
    return np.asarray(sign * channel.gain * seen + channel.noise * rng.standard_normal(seen.size))


Slip = Literal[
    "reversed_leads",
    "swapped_channels",
    "ac_coupled",
    "no_attenuator",
    "coarse_resolution",
    "low_sample_rate",
    "clipped",
    "no_sync",
    "wrong_gain",
    "dropouts",
]


def _battery(setup: ScopeSetup, **changes: object) -> ScopeSetup:
    channels = tuple(
        replace(c, **changes) if c.signal == "battery_voltage" else c  # type: ignore[arg-type]
        for c in setup.channels
    )
    return replace(setup, channels=channels)


def _sync(setup: ScopeSetup, **changes: object) -> ScopeSetup:
    channels = tuple(
        replace(c, **changes) if c.signal.startswith("ignition") else c  # type: ignore[arg-type]
        for c in setup.channels
    )
    return replace(setup, channels=channels)


def slip(setup: ScopeSetup, kind: Slip, rng: np.random.Generator) -> ScopeSetup:
    """The same hookup with one mistake made.

    Raises:
        ValueError: for a kind that does not exist.
    """
    gain = float(rng.choice([0.1, 0.5, 2.0]))
    gap_s = float(rng.uniform(2.0, 4.0))
    made: dict[str, Callable[[], ScopeSetup]] = {
        "reversed_leads": lambda: _battery(setup, reversed_leads=True),
        "swapped_channels": lambda: replace(setup, channels=setup.channels[::-1]),
        "ac_coupled": lambda: _battery(setup, ac_coupled=True, full_scale=5.0),
        "no_attenuator": lambda: _sync(setup, scale=1.0, full_scale=20.0),
        "coarse_resolution": lambda: replace(_battery(setup, full_scale=100.0), bits=8),
        "low_sample_rate": lambda: replace(setup, rate_hz=float(rng.choice([200.0, 250.0, 400.0]))),
        "clipped": lambda: _battery(setup, full_scale=11.0),
        "no_sync": lambda: _sync(setup, signal="nothing_connected"),
        "wrong_gain": lambda: _battery(setup, gain=gain),
        "dropouts": lambda: replace(setup, dropouts_s=((gap_s, gap_s + float(rng.uniform(0.1, 0.6))),)),
    }
    if kind not in made:
        raise ValueError(f"no slip is called {kind!r}; there are {', '.join(made)}")
    return made[kind]()
