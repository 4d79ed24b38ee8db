"""Random wheels, engines and troubles of scope, hookup and file around `independent_toothed_wheel`.

One seed, one capture. Every trouble is drawn on its own, so that any may meet any; what was drawn is the capture's
truth. All numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipelines.waveform import Waveform
from tests.independent_toothed_wheel import (
    Engine,
    Rim,
    cam_switch,
    coil_voltage,
    motion,
    switch_voltage,
)

Floats = npt.NDArray[np.float64]
MOST_SAMPLES = 400_000
# Runs of teeth between gaps of the given width, from the first tooth after the gap: wheels in common use (common
# practice, no source) and some that are not.
DESIGNS: dict[str, tuple[tuple[int, ...], int]] = {
    "60-2": ((58,), 2), "36-1": ((35,), 1), "36-2-2-2": ((1, 16, 13), 2), "36-2": ((34,), 2), "24-1": ((23,), 1),
    "24-2": ((22,), 2), "12-1": ((11,), 1), "30-2": ((28,), 2), "48-3": ((45,), 3), "120-2": ((118,), 2),
}  # fmt: skip
SHARES = (0.34, 0.16, 0.1, 0.08, 0.06, 0.06, 0.05, 0.05, 0.05, 0.05)
TOOTH_FAULTS = ("bent", "chipped", "missing")


@dataclass(slots=True)
class Truth:
    """What was drawn for one capture.

    Attributes:
        odd: number of the damaged tooth after the gap, 0 for none; off_pct: how far it is off its place.
        cam_deg: angles of the cam's edges after the first tooth, in degrees of the crank (0 to 720), late ones late;
            late_deg: by how much a stretched chain or a jumped belt makes them late.
        samples_a_place: samples from place to place at the mean speed.
    """

    design: str = "60-2"
    coil: bool = True
    fault: str = "none"
    odd: int = 0
    off_pct: float = 0.0
    run_out_pct: float = 0.0
    cam_deg: Floats = field(default_factory=lambda: np.empty(0))
    late_deg: float = 0.0
    rpm: float = 0.0
    checks: set[str] = field(default_factory=set)
    troubles: set[str] = field(default_factory=set)
    samples_a_place: float = 0.0
    time_s: Floats = field(default_factory=lambda: np.empty(0))
    turns: Floats = field(default_factory=lambda: np.empty(0))


def draw_rim(family: np.random.Generator, own: np.random.Generator, design: str) -> Rim:
    """A sound wheel of a design: what the make fixes, and what differs from one to the next."""
    runs, wide = DESIGNS[design]
    slots, at = [], 0
    for run in runs:
        slots += list(range(at, at + run))
        at += run + wide
    slot = np.array(slots, dtype=np.float64)
    width, gap_mm, depth_mm, pole = family.uniform((0.38, 0.5, 2.5, 0.3), (0.6, 1.6, 5.0, 0.7))
    scatter = float(np.exp(own.uniform(np.log(0.0008), np.log(0.006))))
    return Rim(
        places=at,
        centre=slot + scatter * own.standard_normal(len(slot)),
        height=1 - np.abs(own.uniform(0.0, 0.01) * own.standard_normal(len(slot))),
        width=width * (1 + 0.006 * own.standard_normal(len(slot))),
        gap_mm=gap_mm * own.uniform(0.8, 1.2),
        depth_mm=depth_mm,
        eccentric_mm=float(np.exp(own.uniform(np.log(0.005), np.log(0.15)))),
        pole_places=pole,
    )


def damage(rng: np.random.Generator, rim: Rim, fault: str) -> tuple[int, float]:
    """Hurt one tooth of a wheel; its number from 1, and how far it is off its place in %."""
    odd = int(rng.integers(len(rim.centre)))
    off = 0.0
    if fault == "bent":
        off = float(rng.choice([-1, 1]) * rng.uniform(0.06, 0.25))
        rim.centre[odd] += off
    elif fault == "chipped":
        if rng.random() < 0.5:
            rim.height[odd] *= rng.uniform(0.2, 0.75)
        else:
            lost = rng.uniform(0.2, 0.6) * rim.width[odd]
            rim.width[odd] -= lost
            off = float(rng.choice([-0.5, 0.5])) * float(lost)
            rim.centre[odd] += off
    elif fault == "missing":
        rim.height[odd] = 0.0
    return odd + 1, 100.0 * off


def draw_engine(family: np.random.Generator, rng: np.random.Generator) -> Engine:
    """A cranked engine, sometimes an idling one."""
    cylinders = int(family.choice([3, 4, 5, 6, 8, 10, 12], p=[0.13, 0.4, 0.05, 0.22, 0.14, 0.03, 0.03]))
    idles = bool(rng.random() < 0.3)
    strength = 1 + 0.02 * rng.standard_normal(cylinders)
    if rng.random() < 0.25:
        strength[int(rng.integers(cylinders))] *= rng.uniform(0.3, 0.9)
    return Engine(
        cylinders=cylinders,
        strength=strength,
        top_deg=float(family.uniform(0, 360)),
        rpm=rng.uniform(600, 1100) if idles else rng.uniform(130, 320),
        swing=(rng.uniform(0.01, 0.05) if idles else rng.uniform(0.1, 0.55)) * min(1.0, 4 / cylinders),
        idles=idles,
        scatter=float(np.exp(rng.uniform(np.log(0.002), np.log(0.04)))),
        ramp=rng.uniform(-0.15, 0.15),
    )


def _cam_edges(rng: np.random.Generator) -> Floats:
    """Edges of a cam's switch over two turns, at least 12 degrees apart, in turns."""
    lobes = int(rng.integers(1, 6))
    while True:
        edges = np.sort(rng.uniform(0.0, 2.0, 2 * lobes))
        if np.diff(np.append(edges, edges[0] + 2.0)).min() > 12 / 360:
            return edges


def _wrong(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Something that is no wheel: a supply, hum, a flat line, noise, a pulse-width controlled valve."""
    noise = rng.standard_normal(len(time_s))
    which = rng.integers(5)
    if which == 0:
        return 12.5 + 0.02 * noise
    if which == 1:
        return 0.4 * np.sin(2 * np.pi * 50 * time_s) + 0.02 * noise
    if which == 2:
        return 0.002 * noise
    if which == 3:
        return noise
    return 12.0 * ((time_s * rng.uniform(80, 400)) % 1.0 < rng.uniform(0.2, 0.8)) + 0.05 * noise


def _scope(
    rng: np.random.Generator,
    volts: Floats,
    rate_hz: float,
    truth: Truth,
    *,
    clean: bool,
    coil: bool,
    wheel: bool,
) -> Floats:
    """Noise, sparks nearby, drift, coupling, polarity, screen and steps of one channel."""
    size = float(np.quantile(np.abs(volts - np.median(volts)), 0.97)) + 1e-9
    bits, noise = 12, 0.002 * size
    out = volts.copy()
    if not clean:
        bits = int(rng.choice([8, 10, 12, 14, 16]))
        noise = size * float(np.exp(rng.uniform(np.log(0.001), np.log(0.06))))
        if rng.random() < 0.3:
            out += rng.uniform(-0.12, 0.12) * size + rng.uniform(-0.2, 0.2) * size * np.linspace(
                0, 1, len(out)
            )
            truth.troubles.add("drift")
        if rng.random() < 0.12:
            where = np.flatnonzero(rng.random(len(out)) < 25.0 / rate_hz)
            out[where] += size * rng.uniform(-2.0, 2.0, len(where))
            truth.troubles.add("sparks")
        if rng.random() < 0.05:
            keep = float(np.exp(-2 * np.pi * rng.uniform(0.7, 3.0) / rate_hz))
            out = lfilter([1, -1], [1, -keep], out, zi=[-float(out.mean())])[0]
            if not coil and wheel:
                truth.checks.add("ac_coupled")
        if coil and wheel and rng.random() < 0.06:
            out = -out
            truth.checks.add("reversed_leads")
    peak = float(np.abs(out).max())
    screen = peak * rng.uniform(1.05, 2.5)
    if not clean and coil and wheel and rng.random() < 0.06:
        screen = size * rng.uniform(0.3, 0.7)
        truth.checks.add("clipped")
    out += noise * rng.standard_normal(len(out))
    step = 2 * screen / 2**bits
    half = 2 ** (bits - 1)
    return np.clip(np.round(out / step), -half, half - 1) * step


def capture(
    seed: int, fault: str | None = None, clean: bool = False, late: bool | None = None, specimen: int = 0
) -> tuple[Waveform, Truth, tuple[str, ...]]:
    """One random capture of a crank sensor and, mostly, a cam sensor; its truth; and the signals as logged.

    Args:
        clean: no trouble of hookup, scope or course beyond little noise, at 20 samples a place and more.
        specimen: another engine of the same family (the same seed): what the make fixes is the same.
    """
    family = np.random.default_rng([seed, 90])
    rng, own, mend = (np.random.default_rng([seed, stream, specimen]) for stream in (91, 92, 93))
    truth = Truth()
    drawn = "none" if own.random() < 0.5 else str(own.choice(TOOTH_FAULTS, p=[0.5, 0.35, 0.15]))
    truth.fault = fault or drawn
    truth.design = str(family.choice(list(DESIGNS), p=SHARES))
    truth.coil = bool(family.random() < 0.55)
    edges, has_cam = _cam_edges(family), bool(family.random() < 0.75)
    pulse_v = float(np.exp(family.uniform(np.log(0.002), np.log(0.03))))
    high_v, inverted = float(family.choice([5.0, 8.0, 12.0])), bool(family.random() < 0.4)
    rim, engine = draw_rim(family, rng, truth.design), draw_engine(family, rng)
    if truth.fault != "none":
        truth.odd, truth.off_pct = damage(mend, rim, truth.fault)
    short, from_rest, stops = rng.random(3) < (0.04, 0.12, 0.06)
    short, from_rest, stops = (bool(one) and not clean for one in (short, from_rest, stops))
    turns = rng.uniform(0.5, 1.9) if short else rng.uniform(9.0, 22.0)
    time, angle = motion(engine, turns, rng, from_rest, stops)
    rate_hz = _rate(rng, rim.places, engine.rpm, clean, float(time[-1]))
    at = np.arange(max(64, int(time[-1] * rate_hz))) / rate_hz
    passed = np.interp(at, time, angle)
    truth.time_s, truth.turns = time, angle
    truth.rpm = 60 * float(np.ptp(angle)) / float(time[-1])
    truth.samples_a_place = rate_hz * 60 / (rim.places * engine.rpm)
    if short:
        truth.checks.add("too_short")
    if from_rest:
        truth.troubles.add("from_rest")
    if stops:
        truth.troubles.add("stops")
    if truth.coil:
        volts = coil_voltage(rim, passed, rate_hz, pulse_v, engine.rpm, rng.uniform(8e3, 5e4))
    else:
        low_v, rise_s = rng.uniform(0.05, 0.5), rng.uniform(1e-6, 2e-5)
        volts = switch_voltage(rim, passed, rate_hz, low_v, high_v, rise_s, inverted)
    if not clean and not short and rng.random() < 0.05:
        volts = _interrupted(rng, volts, rate_hz, engine.rpm, truth)
    rows, signals = (
        [_scope(rng, volts, rate_hz, truth, clean=clean, coil=truth.coil, wheel=True)],
        ["crank_sensor"],
    )
    if has_cam:
        is_late = bool(own.random() < 0.35) if late is None else late
        shift = float(mend.choice([-1, 1]) * mend.uniform(4.0, 22.0))
        truth.late_deg = shift if is_late else 0.0
        truth.cam_deg = (360 * edges + truth.late_deg) % 720
        sway = rng.uniform(0.02, 0.4) / 360 * np.sin(2 * np.pi * 0.37 * passed / 2)
        cam = cam_switch(edges, passed - truth.late_deg / 360 + sway, rate_hz, 0.1, 5.0, 1e-5)
        rows.append(_scope(rng, cam, rate_hz, truth, clean=clean, coil=False, wheel=False))
        signals.append("cam_sensor")
    if not clean and rng.random() < 0.05:
        rows[0] = _wrong(rng, at)
        truth.checks = {"no_wheel"}
    elif not clean and len(rows) == 2 and rng.random() < 0.06:
        rows.reverse()
        truth.checks.add("swapped_channels")
    samples = np.stack(rows).astype(np.float32)
    if not clean and rng.random() < 0.06:
        for begin in rng.integers(0, samples.shape[1], int(rng.integers(1, 6))):
            samples[:, begin : begin + int(rng.integers(1, 0.002 * rate_hz + 3))] = np.nan
        truth.troubles.add("gaps")
    return Waveform(rate_hz, 0.0, samples, ("",) * len(rows)), truth, tuple(signals)


def _rate(rng: np.random.Generator, places: int, rpm: float, clean: bool, lasts_s: float) -> float:
    """A scope's rate: any from 5 samples a place on, clean ones from 20 on, as the memory allows."""
    wanted = (20.0 if clean else 5.0) * places * rpm / 60
    offered = [1e3, 2e3, 5e3, 1e4, 2e4, 2.5e4, 5e4, 1e5, 2e5, 5e5, 1e6]
    fitting = [rate for rate in offered if wanted <= rate <= MOST_SAMPLES / lasts_s]
    return float(rng.choice(fitting)) if fitting else MOST_SAMPLES / lasts_s


def _interrupted(rng: np.random.Generator, volts: Floats, rate_hz: float, rpm: float, truth: Truth) -> Floats:
    """A loose contact: the signal is gone for a part of a turn, several times."""
    out = volts.copy()
    level = float(np.median(volts))
    count = int(rng.integers(3, 7))
    for begin in rng.integers(0, len(out), count):
        out[begin : begin + int(rng.uniform(0.15, 0.4) * 60 / rpm * rate_hz)] = level
    truth.checks.add("lost_pulses")
    return out
