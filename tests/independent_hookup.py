"""From a simulated crank to the saved file and its row in the capture log, with that kind's mistake in it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from pipelines.kinds.base import Hookup
from pipelines.waveform import Samples, Waveform
from tests.independent_cranking import Array, Engines
from tests.independent_engines import Layout
from tests.independent_kinds import Recipe
from tests.independent_scope import FrontEnd, Ignition, Motion, digitise, pink_noise, render


@dataclass(frozen=True, slots=True)
class Saved:
    """The saved capture. `axis_s` is added to a motion's time to get the file's own time axis."""

    waveform: Waveform
    hookup: Hookup
    axis_s: float
    expected: frozenset[str]
    allowed: frozenset[str]
    readable: bool
    says: str


def _ignition(recipe: Recipe, kind: str, rng: np.random.Generator) -> Ignition:
    style = recipe.sync or "coil_on_plug"
    ign = Ignition(
        style=style,
        advance_deg=float(rng.uniform(*recipe.advance_deg)),
        dwell_s=float(rng.uniform(0.0025, 0.0055)),
        coil_a=float(rng.uniform(5, 9)),
        strikes=int(rng.choice([1, 2, 3, 4])) if style == "coil_on_plug" else 1,
        strike_gap_s=float(rng.uniform(0.002, 0.0035)),
        spike_v=float(rng.uniform(220, 390)),
        spike_s=float(rng.uniform(15e-6, 60e-6)),
        burn_v=float(rng.uniform(15, 35)),
        burn_s=float(rng.uniform(0.0008, 0.0017)),
        ring_v=float(rng.uniform(4, 20)),
        ring_s=float(rng.uniform(2e-4, 6e-4)),
        ring_hz=float(rng.uniform(1500, 6000)),
        blind_deg=float(rng.uniform(0, 1000)) if style != "distributor" else float(rng.uniform(0, 120)),
    )
    if kind == "ringing":
        ring = {
            "ring_v": rng.uniform(60, 200),
            "ring_s": rng.uniform(0.003, 0.010),
            "ring_hz": rng.uniform(300, 3000),
        }
        volts, decay, hz = (float(ring[name]) for name in ("ring_v", "ring_s", "ring_hz"))
        return replace(ign, ring_v=volts, ring_s=decay, ring_hz=hz)
    if kind == "coil_load":
        return replace(ign, coil_a=3 * ign.coil_a)
    if kind == "spike_only":
        return replace(ign, dwell_s=1e-5, burn_s=1e-4, spike_s=float(rng.uniform(3e-5, 1.5e-4)))
    if kind == "missing_pulses":
        return replace(ign, missing_share=float(rng.uniform(0.1, 0.35)))
    if kind == "pickup":
        return replace(ign, narrow=True, spike_s=float(rng.uniform(4e-5, 1e-4)))
    return ign


def _battery_end(kind: str, bits: int, volts: Array, during: Array, rng: np.random.Generator) -> FrontEnd:
    attenuation = float(rng.choice([1.0, 1.0, 1.0, 10.0]))
    scale = 20.0 if attenuation == 1 else 2.0
    end = FrontEnd(
        bits=bits,
        full_scale_v=scale,
        attenuation=attenuation,
        gain=float(1 + 0.008 * rng.standard_normal()),
        offset_share=float(0.003 * rng.standard_normal()),
        white_rms=float(rng.uniform(0.0003, 0.0012)),
        pink_rms=float(rng.uniform(0.0001, 0.0008)),
        unipolar=bool(rng.random() < 0.2),
    )
    if kind == "coarse":
        return replace(end, full_scale_v=float(rng.choice([50.0, 100.0])), attenuation=1.0, unipolar=False)
    if kind == "clipped":
        top = float(np.quantile(volts[during], rng.uniform(0.75, 1.0))) + float(rng.uniform(0, 0.3))
        return replace(end, full_scale_v=top / end.attenuation, gain=1.0, offset_share=0.0)
    if kind == "ac_coupled":
        corner = float(rng.choice([0.5, 1.0, 2.0, 5.0]))
        return replace(end, ac_corner_hz=corner, full_scale_v=5.0 / end.attenuation, unipolar=False)
    if kind == "reversed":
        return replace(end, unipolar=False)
    return end


def _clamp(amps: Array, rate_hz: float, rng: np.random.Generator) -> Array:
    """A current clamp in A: zero error, slow drift, noise and a limited bandwidth."""
    x = amps + rng.uniform(-6, 6) + 2.0 * pink_noise(amps.size, rng) + 0.8 * rng.standard_normal(amps.size)
    keep = float(np.exp(-2 * np.pi * min(rng.uniform(800, 15000), 0.45 * rate_hz) / rate_hz))
    smooth, _ = lfilter([1 - keep], [1, -keep], x, zi=[keep * x[0]])
    return np.asarray(smooth)


def _pickup_noise(t: Array, sparks: Array, rng: np.random.Generator) -> Array:
    """Sparks of several volts on every other sample near them, and mains hum."""
    noise = rng.uniform(0.02, 0.06) * np.sin(2 * np.pi * float(rng.choice([50.0, 60.0])) * t)
    for at in np.searchsorted(t, sparks):
        stretch = slice(at, at + max(1, int(3e-4 / (t[1] - t[0]))))
        noise[stretch] += rng.uniform(1, 4) * rng.choice([-1.0, 1.0], noise[stretch].size)
    return np.asarray(noise)


def _break(
    kind: str, channels: Samples, rate: float, span: tuple[float, float], rng: np.random.Generator
) -> None:
    """Dropouts or gaps inside the crank, in place; `span` is the crank in s from the first sample."""
    count = int(rng.integers(2, 7))
    for start in rng.uniform(span[0], span[1], count):
        length = rng.uniform(0.005, 0.08) if kind == "dropouts" else rng.uniform(0.02, 0.25)
        lo, hi = int(start * rate), int((start + length) * rate) + 1
        which = slice(None) if rng.random() < 0.6 else int(rng.integers(channels.shape[0]))
        if kind == "gaps":
            channels[which, lo:hi] = np.nan
        elif rng.random() < 0.5:
            channels[which, lo:hi] = 0.0
        elif isinstance(which, slice):
            channels[:, lo:hi] = channels[:, lo - 1 : lo]
        else:
            channels[which, lo:hi] = channels[which, lo - 1]
    if kind == "gaps" and rng.random() < 0.4:
        channels[:, : int(0.1 * rate)] = np.nan


def _bystander(which: int, t: Array, volts: Array, rng: np.random.Generator) -> tuple[str, Array]:
    """A further channel of no use for this test: its signal name and its values."""
    if which == 0:
        hum = 5 + 1.2 * np.abs(np.sin(np.pi * rng.uniform(150, 300) * t)) + 0.2 * rng.standard_normal(t.size)
        return "fuel_pump_current", hum * (volts > 6)
    if which == 1:
        teeth = np.sign(np.sin(2 * np.pi * rng.uniform(80, 160) * t)) * 2.5 + 2.5
        return "crank_position", teeth + 0.05 * rng.standard_normal(t.size)
    if which == 2:
        return "manifold_pressure", 3.5 - 0.8 * (1 - np.exp(-t / 2)) + 0.05 * np.sin(2 * np.pi * 9 * t)
    return "unused", 0.01 * rng.standard_normal(t.size)


def save(
    motions: list[Motion],
    e: Engines,
    row: int,
    layout: Layout,
    recipe: Recipe,
    kind: str,
    rng: np.random.Generator,
    setup: np.random.Generator | None = None,
) -> Saved:
    """Render, digitise and log one capture of `kind`.

    `setup` draws what belongs to the engine's ignition and to the scope as it is set (by default `rng` itself), so
    that captures of one engine can share it.
    """
    once = setup or rng
    expected: set[str] = set()
    allowed: set[str] = set()
    readable = True
    rate = float(once.choice(recipe.rates_hz))
    bits = int(once.choice(recipe.bits))
    last = motions[-1]
    end = float(last.time_s[-1]) + float(rng.uniform(0.1, 1.0))
    if kind == "long_record":
        lead, end = float(rng.uniform(5, 50)), 0.0
        end = float(rng.uniform(max(60, lead + last.time_s[-1] + 1), 115)) - lead
    else:
        lead = 0.0
    if kind == "engine_started":
        end = float(last.time_s[-1]) - 0.01  # the engine still runs where the record ends
    clock = 1 + 1e-4 * float(rng.standard_normal())  # the scope's clock is a little off
    count = int((end + lead) * rate)
    grid = np.arange(count) / rate * clock
    jitter = 0.02 / rate * rng.standard_normal(count)
    t = grid - lead + jitter
    ign = _ignition(recipe, kind, once)
    sync_cylinder = int(rng.integers(2, layout.cylinders + 1)) if kind == "other_sync" else 1
    if kind == "no_crank":
        return _no_crank(t, motions[0], rate, bits, rng)
    volts, amps, sync, sparks = render(
        motions, e, row, ign, t, sync_cylinder, rng, crosstalk_v=float(rng.uniform(0.0, 0.25))
    )
    if kind == "spiky":
        volts += _pickup_noise(t, sparks, rng)
    during = (t > motions[0].time_s[0] + 0.4) & (t < min(last.release_s, last.time_s[-1]))
    end_one = _battery_end(kind, bits, volts, during, once)
    fast = float(once.choice([10.0, 20.0]))
    end_two = FrontEnd(bits=bits, full_scale_v=20.0, attenuation=fast, white_rms=0.0008)
    if kind == "clipped_sync":
        end_two = FrontEnd(bits=bits, full_scale_v=float(rng.choice([20.0, 50.0])), attenuation=1.0)
    if kind == "pickup":
        end_two = FrontEnd(bits=bits, full_scale_v=10.0, attenuation=1.0, white_rms=0.0008)
    signal_one, signal_two = "battery_voltage", "ignition_pickup" if kind == "pickup" else "ignition_primary"
    scale_one, scale_two = end_one.attenuation, end_two.attenuation
    one = digitise(volts, rate, end_one, rng)
    two = digitise(sync, rate, end_two, rng)
    if np.abs(two).max() >= end_two.full_scale_v - 1.5 * end_two.step:
        allowed.add("clipped")  # the coil's kick does reach the screen's edge
    if kind in ("starter_current", "clamp_reversed"):
        per_volt = 100.0
        end_one = FrontEnd(bits=bits, full_scale_v=10.0, white_rms=0.0005)
        way = -1.0 if kind == "clamp_reversed" else 1.0
        one = digitise(way * _clamp(amps, rate, rng) / per_volt, rate, end_one, rng)
        signal_one, scale_one = "starter_current", per_volt
    if kind == "reversed":
        one = -one
        if rng.random() < 0.3:
            two = -two
    if kind == "gain":
        scale_one *= float(rng.choice([0.1, 10.0, 0.05, 20.0]))
    if kind == "no_sync":
        style = int(rng.integers(3))
        two = digitise(volts if style == 1 else np.zeros_like(volts), rate, end_two, rng)
        channels = one[None] if style == 0 else np.stack([one, two])
    else:
        channels = np.stack([one, two])
    signals: tuple[str, ...] = (signal_one, signal_two)
    scales: tuple[float, ...] = (scale_one, scale_two)
    if kind == "swapped":
        channels = channels[::-1].copy()
        if rng.random() < 0.5:
            scales = scales[::-1]  # the attenuator went with its lead and the log's scales say so
    if kind == "no_sync" and channels.shape[0] == 1:
        signals, scales = signals[:1], scales[:1]
    if kind == "many_channels":
        names, values, factors = list(signals), list(channels), list(scales)
        for which in rng.permutation(4)[: int(rng.integers(1, 5))].tolist() + [3] * int(rng.integers(0, 3)):
            name, value = _bystander(which, t, volts, rng)
            names.append(name)
            values.append(digitise(value, rate, FrontEnd(bits=bits, full_scale_v=20.0), rng))
            factors.append(1.0)
        order = rng.permutation(len(names))
        channels = np.stack([values[i] for i in order])
        signals, scales = tuple(names[i] for i in order), tuple(float(factors[i]) for i in order)
    if kind == "sync_first":
        channels, signals, scales = channels[::-1].copy(), signals[::-1], scales[::-1]
    skipped = 0
    if kind == "mid_crank":
        skipped = int((lead + motions[0].time_s[0] + 0.5) * rate)
        channels = channels[:, skipped : int((lead + last.release_s - 0.2) * rate)]
    if kind in ("dropouts", "gaps"):
        first = motions[0].time_s[0]
        _break(kind, channels, rate, (float(first) + 0.3, float(min(last.release_s, last.time_s[-1]))), rng)
    step = end_one.step * end_one.attenuation
    swing = float(np.ptp(np.quantile(volts[during], [0.02, 0.98]))) if during.any() else 0.0
    if signal_one == "battery_voltage":
        if step > swing / 12:
            allowed.add("coarse_resolution")
        if kind == "coarse" and step > swing / 4:
            expected.add("coarse_resolution")
        if kind == "coarse" and step > swing / 1.5:
            readable = False
    inside = int(((sparks > motions[0].time_s[0]) & (sparks < last.time_s[-1])).sum())
    if kind == "spike_only":  # what counts is the kicks that fell on a sample
        seen = np.flatnonzero(two * scale_two > 40)
        inside = int((np.diff(seen, prepend=-(10**9)) > 0.1 * rate).sum())
    if kind != "no_sync" and inside < 3:
        allowed.add("no_sync")
        readable = readable and inside > 0
    says = (
        f"{bits} bit, {rate:g} S/s, sync {ign.style} x{ign.strikes}, {inside} sparks, step {step * 1e3:.0f} mV "
        f"of {swing:.2f} V swing, signals {signals}, scales {scales}"
    )
    axis = float(rng.choice([0.0, -2.0, 12.5]))
    labels = tuple(f"ch{i + 1}" for i in range(channels.shape[0]))
    waveform = Waveform(rate, axis + skipped / rate, np.ascontiguousarray(channels, dtype=np.float32), labels)
    hookup = Hookup(tuple(signals), tuple(float(s) for s in scales), sync_cylinder)
    return Saved(
        waveform,
        hookup,
        axis_s=axis + lead,
        expected=frozenset(expected),
        allowed=frozenset(allowed),
        readable=readable,
        says=says,
    )


def _no_crank(t: Array, motion: Motion, rate: float, bits: int, rng: np.random.Generator) -> Saved:
    """A record on which no engine turns: at rest, key on, or a relay that only clicks."""
    volts = np.full(t.size, motion.rest_v)
    style = int(rng.integers(3))
    if style >= 1:
        volts = volts - 0.25 * (t > 1.0)
    if style == 2:
        for start in rng.uniform(0.5, max(t[-1] - 0.5, 1.0), 3):
            volts = volts - 0.9 * ((t > start) & (t < start + 0.15))
    end = FrontEnd(bits=bits, full_scale_v=20.0)
    primary = digitise(volts, rate, replace(end, attenuation=20.0), rng)
    channels = np.stack([digitise(volts, rate, end, rng), primary])
    waveform = Waveform(rate, 0.0, channels, ("ch1", "ch2"))
    hookup = Hookup(("battery_voltage", "ignition_primary"), (1.0, 20.0), 1)
    checks = frozenset({"no_sync", "too_short", "coarse_resolution"})
    return Saved(
        waveform, hookup, 0.0, frozenset(), checks, False, f"nothing turns, style {style}, {bits} bit"
    )
