"""Random pumps and random troubles of scope, hookup and file around `independent_pump`: one seed, one capture.

Every trouble is drawn on its own, so that any may meet any. What was drawn is the capture's truth. All numbers
are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pipelines.waveform import Waveform
from tests.independent_pump import RATES_HZ, Pump, armature, drive, low_angles

Floats = npt.NDArray[np.float64]
CONDITIONS = ("usual", "loaded", "starved", "dry")
MOST_SAMPLES = 400_000


@dataclass(slots=True)
class Truth:
    """What was drawn for one capture."""

    bars: int = 8
    fault: str = "none"
    odd_bar: int = -1
    condition: str = "usual"
    checks: set[str] = field(default_factory=set)
    troubles: set[str] = field(default_factory=set)
    rpm: float = 0.0
    mean_a: float = 0.0
    turns: Floats = field(default_factory=lambda: np.empty(0))
    times_s: Floats = field(default_factory=lambda: np.empty(0))
    start_s: float | None = None
    low_turns: Floats = field(default_factory=lambda: np.empty(0))


def draw_pump(
    rng: np.random.Generator, fault: str, condition: str, bars: int | None = None
) -> tuple[Pump, int]:
    """A random pump, and the bar that is at fault (-1 for none)."""
    n = bars or int(rng.choice([5, 6, 7, 8, 9, 10, 11, 12], p=[0.08, 0.1, 0.12, 0.3, 0.08, 0.16, 0.06, 0.1]))
    amps, speed = rng.uniform(3.0, 8.0), rng.uniform(3500, 8500) * 2 * np.pi / 60
    ohm = rng.uniform(0.15, 0.38) * 13.0 / amps
    contact = rng.uniform(0.04, 0.10) * ohm
    pump = Pump(
        bars=n,
        coil_ohm=(0.9 * ohm - 2 * contact) * 4 / n * (1 + 0.01 * rng.standard_normal(n)),
        coil_gain=1 + 0.004 * rng.standard_normal(n),
        contact_ohm=contact * np.exp(0.08 * rng.standard_normal(n)),
        brush_gain=(1.0, float(np.exp(0.15 * rng.standard_normal()))),
        brush_bars=rng.uniform(0.9, 1.5),
        magnet_skew=0.03 * rng.standard_normal(),
        flat_top=rng.uniform(0.1, 1.0),
        series_ohm=0.1 * ohm,
        volt_s=1.0,
        tau_s=rng.uniform(1.5e-4, 6e-4),
        turn_load=rng.uniform(0.0, 0.03),
        jitter_ohm=rng.uniform(0.001, 0.01) * ohm,
        flow_noise=rng.uniform(0.001, 0.006),
    )
    pump.volt_s = (13.0 - amps * ohm) / speed / abs(float(armature(pump).volt_s.mean()))
    volt_s = (13.0 - amps * ohm) / speed
    pump.inertia = rng.uniform(0.03, 0.12) * volt_s**2 / ohm
    share = rng.uniform(0.2, 0.5)
    torque = volt_s * amps
    factor = {
        "usual": 1.0,
        "loaded": rng.uniform(1.35, 1.8),
        "starved": rng.uniform(0.55, 0.72),
        "dry": rng.uniform(0.2, 0.38),
    }[condition]
    pump.flow_noise *= {"usual": 1.0, "loaded": 1.0, "starved": 4.0, "dry": 2.0}[condition]
    pump.drag_nm, pump.pressure_nm_s2 = share * torque * factor, (1 - share) * torque * factor / speed**2
    odd = -1
    if fault != "none":
        odd = int(rng.integers(n))
        if fault == "worn_bar":
            pump.contact_ohm[odd] += rng.uniform(0.12, 0.5) * ohm
        elif fault == "open_bar":
            pump.contact_ohm[odd] += rng.uniform(3.0, 20.0) * ohm
        else:
            pump.coil_ohm[odd] = 1e3 * ohm
    return pump, odd


def _supply(rng: np.random.Generator, truth: Truth, stop_s: float, clean: bool) -> Any:
    """The voltage at the pump as a function of time; None while it is switched off."""
    base = rng.uniform(12.0, 14.4)
    begin, end = -1.0, stop_s + 1
    if rng.random() < 0.55:
        begin = rng.uniform(0.03, 0.12) * stop_s
        truth.start_s = begin
    if rng.random() < 0.12:
        end = rng.uniform(0.8, 0.95) * stop_s
        truth.troubles.add("stops")
    ramp = rng.uniform(-1.2, 1.2) if rng.random() < 0.3 else 0.0
    hum_v, hum_hz = (rng.uniform(0.02, 0.12), rng.uniform(500, 2500)) if rng.random() < 0.4 else (0.0, 1.0)
    twice = rng.random() < 0.07
    pwm_hz = 0.0
    if not clean and rng.random() < 0.06:
        pwm_hz, duty = float(np.exp(rng.uniform(np.log(6e3), np.log(2.5e4)))), rng.uniform(0.55, 0.9)
        truth.checks.add("pwm_driven")
    if ramp:
        truth.troubles.add("ramp")
    if twice:
        truth.troubles.add("twice")

    def at(now: float) -> float | None:
        if now < begin or now > end or (twice and 0.42 < now / stop_s < 0.5):
            return None
        volts = base + ramp * now / stop_s + hum_v * np.sin(2 * np.pi * hum_hz * now)
        return volts * duty if pwm_hz else volts

    at.pwm_hz = pwm_hz  # type: ignore[attr-defined]
    return at


def _other_loads(rng: np.random.Generator, time_s: Floats, truth: Truth) -> Floats:
    """What else hangs on the fuse: a load that switches, a pulsed valve."""
    amps = np.zeros(len(time_s))
    if rng.random() < 0.12:
        amps += rng.uniform(0.3, 2.5) * (time_s > rng.uniform(0.2, 0.8) * time_s[-1])
        truth.troubles.add("load_step")
    if rng.random() < 0.08:
        rate, width = rng.uniform(8, 40), rng.uniform(0.002, 0.006)
        phase = (time_s * rate + rng.random()) % 1.0 / rate
        amps += rng.uniform(0.2, 0.9) * np.where(phase < width, 1 - np.exp(-phase / 0.001), 0.0)
        truth.troubles.add("valve")
    return amps


def _wrong_channel(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Something that is no pump current: a quiet supply, hum, a flat line, a coil's primary."""
    which = rng.integers(4)
    noise = rng.standard_normal(len(time_s))
    if which == 0:
        return 12.5 + 0.02 * noise
    if which == 1:
        return 0.4 * np.sin(2 * np.pi * 50 * time_s) + 0.02 * noise
    if which == 2:
        return 0.005 * noise
    return 13.0 + 200.0 * np.exp(-((time_s * 12.0) % 1.0) * 300) + 0.1 * noise


def _file(rng: np.random.Generator, amps: Floats, rate_hz: float, truth: Truth, clean: bool) -> Floats:
    """Scope and file: offset, drift, coupling, polarity, noise, screen, steps."""
    peak = float(np.abs(amps).max()) + 1e-9
    settled = float(np.median(amps[amps > 0.3 * np.median(amps)])) if amps.max() > 0 else 0.0
    bits = int(rng.choice([8, 10, 12, 14, 16]))
    screen = peak * rng.uniform(1.1, 2.2)
    noise = settled * float(np.exp(rng.uniform(np.log(0.001), np.log(0.03))))
    if clean:
        noise, bits = settled * 0.003, 12
    out = amps + rng.uniform(-0.3, 0.3) + rng.uniform(-0.3, 0.3) * np.arange(len(amps)) / len(amps)
    if not clean:
        if rng.random() < 0.05:
            keep = float(np.exp(-2 * np.pi * rng.uniform(0.7, 4.0) / rate_hz))
            from scipy.signal import lfilter

            out = lfilter([1, -1], [1, -keep], out)
            truth.checks.add("ac_coupled")
        if rng.random() < 0.05:
            out = -out
            truth.checks.add("reversed_leads")
        if rng.random() < 0.06:
            screen = settled * rng.uniform(0.9, 1.02)
            truth.checks.add("clipped")
        if rng.random() < 0.05:
            screen, bits = settled * rng.uniform(25, 80), 8
            truth.troubles.add("big_screen")
    out = out + noise * rng.standard_normal(len(out))
    step = 2 * screen / 2**bits
    return np.clip(np.round(out / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1) * step


def capture(
    seed: int,
    fault: str | None = None,
    clean: bool = False,
    condition: str | None = None,
    bars: int | None = None,
) -> tuple[Waveform, Truth]:
    """One random capture of a pump's current, and the truth about it.

    `clean`: no trouble of hookup or scope beyond little noise, a rate of at least 20 kS/s.
    """
    rng = np.random.default_rng([7, seed])
    truth = Truth()
    truth.fault = fault or (
        "none" if rng.random() < 0.5 else str(rng.choice(["worn_bar", "open_bar", "open_coil"]))
    )
    truth.condition = condition or str(rng.choice(CONDITIONS, p=[0.55, 0.15, 0.15, 0.15]))
    pump, truth.odd_bar = draw_pump(rng, truth.fault, truth.condition, bars)
    truth.bars = pump.bars
    rate_hz = float(rng.choice(RATES_HZ[3:7] if clean else RATES_HZ))
    stop_s = min(rng.uniform(0.5, 2.5), MOST_SAMPLES / rate_hz)
    if not clean and rng.random() < 0.04:
        stop_s = max(rng.uniform(0.004, 0.02), 20 / rate_hz)  # shorter files are refused
        truth.checks.add("too_short")
    supply = _supply(rng, truth, stop_s, clean)
    times, amps, turns = drive(pump, supply, stop_s, rng, 600.0 if truth.start_s is None else 0.0)
    time_s = np.arange(int(stop_s * rate_hz)) / rate_hz
    current = np.interp(time_s, times, amps)
    late = times > (0.5 if stop_s > 1 else 0.7) * stop_s
    truth.times_s, truth.turns = times, turns
    if truth.start_s is not None and stop_s - truth.start_s < 0.35:
        truth.troubles.add("run_up_only")
    if len(times[late]) > 2:
        truth.rpm = 60 * float((turns[late][-1] - turns[late][0]) / np.ptp(times[late]))
        if truth.odd_bar >= 0:
            sound = replace(pump, contact_ohm=pump.contact_ohm.copy(), coil_ohm=pump.coil_ohm.copy())
            sound.contact_ohm[truth.odd_bar] = np.median(pump.contact_ohm)
            sound.coil_ohm[truth.odd_bar] = np.median(pump.coil_ohm)
            truth.low_turns = low_angles(pump, sound, truth.rpm * 2 * np.pi / 60)
        truth.mean_a = float(np.interp(np.linspace(times[late][0], stop_s, 2000), times, amps).mean())
    if supply.pwm_hz:
        saw = (time_s * supply.pwm_hz) % 1.0 - 0.5
        current += np.where(current > 0.2, 0.25 * truth.mean_a * saw, 0.0)
    current = current + _other_loads(rng, time_s, truth)
    if not clean and rng.random() < 0.05:
        current = _wrong_channel(rng, time_s)
        truth.checks = {"no_ripple"}
    samples = _file(rng, current, rate_hz, truth, clean)
    return Waveform(rate_hz, 0.0, samples[None, :].astype(np.float32), ("A",)), truth
