"""What a lead on an ignition coil's primary, or a pickup clamped round its cable, sees of the firings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.simulation.cranking import crossings
from pipelines.kinds.relative_compression.simulation.run import CrankingTrace

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PrimaryShape:
    """Voltage on a coil primary around one firing (usual magnitudes: common practice, no source).

    Attributes:
        on_v: across the closed switch at the end of the dwell.
        flyback_v: peak when the switch opens, several hundred volts.
        flyback_s: its decay time.
        burn_v: above battery voltage while the spark burns.
        burn_s: how long it burns.
        ring_v, ring_hz, ring_s: decaying oscillation after the spark goes out.
    """

    on_v: float = 0.8
    flyback_v: float = 380.0
    flyback_s: float = 25e-6
    burn_v: float = 32.0
    burn_s: float = 1.2e-3
    ring_v: float = 22.0
    ring_hz: float = 3200.0
    ring_s: float = 0.35e-3


def firings_on(trace: CrankingTrace, cylinder: int) -> Array:
    """Times in s at which the coil that serves `cylinder` fires, by the run's kind of ignition.

    Coil on plug: that cylinder's own firings. Waste spark: also at the companion's, 360 deg later.
    Distributor: every firing of the engine, whatever the cylinder.
    """
    kind = trace.run.coil.kind
    if kind == "distributor":
        return np.asarray(trace.fire_s)
    own = np.asarray(trace.fire_s[trace.fire_cylinder == cylinder])
    if kind == "coil_on_plug" or trace.fire_s.size == 0:
        return own
    angle = float(trace.run.engine.tdc_deg[cylinder - 1]) - trace.run.coil.advance_deg
    both, _ = crossings(trace.crank_deg, trace.time_s, angle, every_deg=360.0)
    wasted = both[(both >= trace.fire_s[0]) & (both <= trace.fire_s[-1])]
    apart = np.abs(wasted[:, None] - own[None, :]).min(axis=1, initial=np.inf)
    return np.sort(np.concatenate([own, wasted[apart > 0.01]]))


def primary_voltage(
    trace: CrankingTrace,
    cylinder: int,
    battery_v: Array,
    rate_hz: float,
    shape: PrimaryShape,
    *,
    peak_detect: bool = False,
) -> Array:
    """Primary voltage at each sample, shape (samples,), sample k at k / rate_hz.

    Args:
        battery_v: battery voltage at the samples; the primary rests at it.
        peak_detect: the scope keeps the highest value between two samples, so that no flyback is missed.
    """
    coil = trace.run.coil
    voltage = battery_v.copy()
    fired = firings_on(trace, cylinder)
    for strike in range(coil.strikes):
        dwell_s = coil.dwell_s if strike == 0 else 0.7 * coil.strike_gap_s
        burn_s = shape.burn_s if strike == coil.strikes - 1 else min(shape.burn_s, 0.3 * coil.strike_gap_s)
        tail_s = burn_s + 5.0 * shape.ring_s
        _draw(voltage, battery_v, fired + strike * coil.strike_gap_s, rate_hz, shape, dwell_s, burn_s, tail_s)
    if peak_detect:
        first = np.floor(fired * rate_hz).astype(np.int64)
        first = first[(first >= 0) & (first < voltage.size)]
        voltage[first] = np.maximum(voltage[first], shape.flyback_v)
    return voltage


def _draw(
    voltage: Array,
    battery_v: Array,
    fired_s: Array,
    rate_hz: float,
    shape: PrimaryShape,
    dwell_s: float,
    burn_s: float,
    tail_s: float,
) -> None:
    """Write one strike of every firing into `voltage`, in place."""
    span = np.arange(-int(dwell_s * rate_hz) - 1, int(tail_s * rate_hz) + 2)
    index = np.floor(fired_s * rate_hz).astype(np.int64)[:, None] + span
    after = index / rate_hz - fired_s[:, None]
    inside = (index >= 0) & (index < voltage.size) & (after >= -dwell_s) & (after <= tail_s)
    index, after = index[inside], after[inside]
    rest = battery_v[index]
    grown = 1.0 + after / dwell_s
    burning = rest + shape.burn_v * (0.85 + 0.4 * np.clip(after / burn_s, 0.0, 1.0))
    spike = shape.flyback_v * np.exp(-np.maximum(after, 0.0) / shape.flyback_s)
    gone = np.maximum(after - burn_s, 0.0)
    ringing = rest + shape.ring_v * np.exp(-gone / shape.ring_s) * np.cos(2.0 * np.pi * shape.ring_hz * gone)
    voltage[index] = np.where(
        after < 0.0,
        0.3 + (shape.on_v - 0.3) * grown,
        np.where(after < burn_s, np.maximum(burning, spike), ringing),
    )


def pickup_voltage(trace: CrankingTrace, cylinder: int, rate_hz: float, samples: int, peak_v: float) -> Array:
    """Voltage of an inductive pickup: a short ringing burst at each firing, shape (samples,)."""
    voltage = np.zeros(samples)
    fired = firings_on(trace, cylinder)
    span = np.arange(0, int(0.0025 * rate_hz) + 2)
    for strike in range(trace.run.coil.strikes):
        at_s = fired + strike * trace.run.coil.strike_gap_s
        index = np.ceil(at_s * rate_hz).astype(np.int64)[:, None] + span
        after = index / rate_hz - at_s[:, None]
        inside = (index >= 0) & (index < samples)
        burst = peak_v * np.exp(-after / 0.0005) * np.cos(2.0 * np.pi * 2500.0 * after)
        voltage[index[inside]] = burst[inside]
    return voltage
