"""Random charging systems and random troubles around `independent_alternator`: one seed, one capture.

Engine, belt, regulator, loads, scope and file are drawn apart, so that any may meet any. What was drawn is the
capture's truth. All numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipelines.waveform import Waveform
from tests.independent_alternator import FAULTS, Machine, amplitude_for, output, with_fault

Floats = npt.NDArray[np.float64]
RATES_HZ = (5e3, 1e4, 2e4, 5e4, 1e5, 2e5, 5e5, 1e6)
MOST_SAMPLES = 400_000
TABLE_ANGLES, TABLE_LEVELS = 360, 5
SIGNALS = ("battery_voltage", "alternator_voltage", "alternator_current")
WRONG = ("quiet", "hum", "flat", "primary", "crank_sensor", "injector")


@dataclass(slots=True)
class Truth:
    """What was drawn for one capture."""

    fault: str = "none"
    phase: int = -1
    side: int = 0
    size: float = 0.0
    signal: str = "battery_voltage"
    slack: bool = False
    pwm_hz: float = 0.0
    checks: set[str] = field(default_factory=set)
    grey: set[str] = field(default_factory=set)
    troubles: set[str] = field(default_factory=set)
    electrical_hz: float = 0.0
    ripple_pp: float = 0.0
    step: float = 0.0
    mean_v: float = float("nan")
    swing_pct: float = 0.0
    times_s: Floats = field(default_factory=lambda: np.empty(0))
    cycles: Floats = field(default_factory=lambda: np.empty(0))
    run_s: tuple[float, float] = (0.0, 0.0)


def draw_machine(rng: np.random.Generator) -> Machine:
    """A sound machine: phases and diodes alike but for what making them leaves."""
    ohm = float(np.exp(rng.uniform(np.log(0.03), np.log(0.12))))
    return Machine(
        gain=1.0 + 0.002 * rng.standard_normal(3),
        ohm=ohm * (1.0 + 0.012 * rng.standard_normal((3, 2)) + 0.01 * rng.standard_normal((3, 1))),
        fifth=rng.uniform(-0.03, 0.03),
        seventh=rng.uniform(-0.02, 0.02),
        battery_v=rng.uniform(13.2, 14.4),
        battery_ohm=rng.uniform(0.006, 0.025),
        load_a=rng.uniform(12.0, 80.0),
    )


def _speed(rng: np.random.Generator, time_s: Floats, truth: Truth, clean: bool) -> Floats:
    """Electrical frequency (Hz) by time: firing, a drifting idle, a blip, and a belt that slips."""
    pairs, ratio = int(rng.choice([5, 6, 7, 8])), rng.uniform(2.2, 3.2)
    cylinders = int(rng.choice([3, 4, 4, 5, 6, 8]))
    rpm = rng.uniform(620, 1000) if rng.random() < 0.5 else rng.uniform(1000, 2600)
    firing_hz = rpm * cylinders / 120.0
    engine = np.cumsum(np.full(len(time_s), firing_hz)) * (time_s[1] - time_s[0])
    swing = rng.uniform(0.002, 0.02) * min(1.0, 4.0 / cylinders) * min(1.0, 800.0 / rpm)
    drift = np.interp(time_s, np.linspace(0, time_s[-1], 6), 1 + 0.004 * np.cumsum(rng.standard_normal(6)))
    if rng.random() < 0.12 and not clean:
        at, long = rng.uniform(0.2, 0.8) * time_s[-1], rng.uniform(0.2, 0.8)
        drift = drift * (1 + rng.uniform(0.1, 0.5) * np.exp(-(((time_s - at) / long) ** 2)))
        truth.troubles.add("blip")
    wave = np.cos(2 * np.pi * engine) + 0.3 * np.cos(4 * np.pi * engine + rng.uniform(0, 6))
    ratio_by_time = 1.0 + swing * wave
    if truth.slack:
        # sticks and slips with every firing, and lets go from time to time
        depth = rng.uniform(0.05, 0.12)
        ratio_by_time = 1.0 - depth * ((engine + rng.random()) % 1.0)
        ratio_by_time = lfilter([1.0], [1.0, 0.0], ratio_by_time)
        slow = 2 * np.pi * rng.uniform(2, 6) * time_s
        ratio_by_time = ratio_by_time - depth * rng.uniform(0.2, 0.6) * np.maximum(0.0, np.sin(slow)) ** 3
    width = max(1, int(0.003 / (time_s[1] - time_s[0])))
    smooth = np.convolve(np.pad(ratio_by_time, width, mode="edge"), np.ones(width) / width, mode="same")
    return np.asarray(rpm * ratio / 60.0 * pairs * drift * smooth[width:-width])


def _field(rng: np.random.Generator, time_s: Floats, truth: Truth) -> Floats:
    """Field by time in parts of its mean: a switched regulator leaves its clock's ripple."""
    if rng.random() < 0.5:
        truth.pwm_hz = float(np.exp(rng.uniform(np.log(90), np.log(420))))
        duty, depth = rng.uniform(0.2, 0.8), rng.uniform(0.006, 0.03)
        saw = (time_s * truth.pwm_hz + rng.random()) % 1.0
        return np.asarray(1.0 + depth * (np.where(saw < duty, saw / duty, (1 - saw) / (1 - duty)) - 0.5))
    wander = np.interp(time_s, np.linspace(0, time_s[-1], 12), rng.standard_normal(12))
    return np.asarray(1.0 + 0.004 * wander)


def _rectified(machine: Machine, cycles: Floats, strength: Floats, volts: float) -> Floats:
    """Current out of the rectifier by time, from a table by angle and strength of the field."""
    angle = np.arange(TABLE_ANGLES) * 2 * np.pi / TABLE_ANGLES
    levels = np.linspace(strength.min() - 1e-6, strength.max() + 1e-6, TABLE_LEVELS)
    grid = np.tile(angle, TABLE_LEVELS)
    table = output(grid, np.repeat(levels * volts, TABLE_ANGLES), machine)[0]
    table = table.reshape(TABLE_LEVELS, TABLE_ANGLES)
    place = (cycles % 1.0) * TABLE_ANGLES
    low = np.floor(place).astype(np.intp) % TABLE_ANGLES
    part = place - np.floor(place)
    level = (strength - levels[0]) / (levels[1] - levels[0])
    row = np.clip(np.floor(level).astype(np.intp), 0, TABLE_LEVELS - 2)
    up = level - row
    after = (low + 1) % TABLE_ANGLES
    one = table[row, low] * (1 - part) + table[row, after] * part
    two = table[row + 1, low] * (1 - part) + table[row + 1, after] * part
    return np.asarray(one * (1 - up) + two * up)


def _others(rng: np.random.Generator, time_s: Floats, clean: bool, truth: Truth) -> Floats:
    """Current (A) that other loads take: injectors, a pump, a fan that switches on."""
    amps = np.zeros(len(time_s))
    if rng.random() < 0.6:
        hz, width = rng.uniform(15, 60), rng.uniform(0.0015, 0.004)
        since = (time_s * hz + rng.random()) % 1.0 / hz
        amps += rng.uniform(0.5, 2.0) * np.where(since < width, 1 - np.exp(-since / 0.001), 0.0)
    if rng.random() < 0.5:
        amps += rng.uniform(0.05, 0.4) * np.cos(2 * np.pi * rng.uniform(350, 1500) * time_s)
    if not clean and rng.random() < 0.2:
        at = rng.uniform(0.1, 0.9) * time_s[-1]
        since = np.maximum(time_s - at, 0.0)
        inrush = 1 + 3 * np.exp(-since / 0.08)
        amps += np.where(time_s > at, rng.uniform(5, 25) * inrush, 0.0)
        truth.troubles.add("load_step")
    return amps


def _wrong(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Something that is no charging system on the channel."""
    noise, which = rng.standard_normal(len(time_s)), str(rng.choice(WRONG))
    if which == "quiet":
        return 12.4 + 0.003 * noise
    if which == "hum":
        return 0.4 * np.sin(2 * np.pi * 50 * time_s) + 0.02 * noise
    if which == "flat":
        return 0.002 * noise
    if which == "primary":
        return np.asarray(13.5 + 250.0 * np.exp(-((time_s * 25.0) % 1.0) / 25.0 / 0.0003) + 0.1 * noise)
    if which == "crank_sensor":
        tooth = time_s * rng.uniform(600, 1600)
        gone = (tooth % 60.0) < 2.0
        return np.asarray(np.where(gone, 0.0, rng.uniform(4, 20) * np.sin(2 * np.pi * tooth)) + 0.05 * noise)
    on = ((time_s * 8.0) % 1.0) < 0.03
    return np.asarray(np.where(on, 0.3, 13.8) + 0.05 * noise)


def _engine(rng: np.random.Generator, volts: Floats, time_s: Floats, truth: Truth, is_volts: bool) -> Floats:
    """The engine is started, or switched off, on the record."""
    stop_s = time_s[-1]
    rest = rng.uniform(12.2, 12.7) if is_volts else 0.0
    out = volts.copy()
    if rng.random() < 0.5:
        end = rng.uniform(0.15, 0.45) * stop_s
        crank = time_s < end
        sag = rng.uniform(2.0, 3.5) * (1 + 0.12 * np.cos(2 * np.pi * rng.uniform(6, 12) * time_s))
        out[crank] = (rest - sag[crank]) if is_volts else 0.0
        since = np.maximum(time_s - end, 0.0)
        share = 1 - np.exp(-since / 0.08)
        out = np.where(crank, out, rest + (out - rest) * share)
        truth.troubles.add("engine_starts")
        truth.run_s = (float(end) + 0.1, stop_s)
    else:
        end = rng.uniform(0.6, 0.85) * stop_s
        since = np.maximum(time_s - end, 0.0)
        out = np.where(time_s < end, out, rest + (out - rest) * np.exp(-since / 0.02))
        truth.troubles.add("engine_stops")
        truth.run_s = (0.0, float(end))
    return np.asarray(out)


def _scope(rng: np.random.Generator, value: Floats, rate_hz: float, truth: Truth, clean: bool) -> Floats:
    """Coupling, polarity, noise, drift, screen and steps."""
    is_volts = truth.signal != "alternator_current"
    level, pp = float(np.median(value)), truth.ripple_pp
    blocks = rng.random() < 0.5 if is_volts else rng.random() < 0.15
    out = value
    if blocks:
        keep = float(np.exp(-2 * np.pi * rng.uniform(0.7, 8.0) / rate_hz))
        # connected long before: the level is charged on it
        before = float(np.mean(out[: max(8, int(0.05 * rate_hz))]))
        out = lfilter([1.0, -1.0], [1.0, -keep], out, zi=[-before])[0]
        truth.checks.add("ac_coupled")
    noise = pp * float(np.exp(rng.uniform(np.log(0.01), np.log(0.25 if not clean else 0.05))))
    bits = 12 if clean else int(rng.choice([8, 10, 12, 14, 16]))
    if is_volts and rng.random() < 0.5:
        hz = rng.uniform(15, 80)
        spike = ((np.arange(len(out)) / rate_hz * hz) % 1.0) / hz
        out = out + rng.choice([-1, 1]) * rng.uniform(0.2, 2.0) * np.exp(-spike / 4e-5)
    else:
        out = out + 0.0
    if not clean:
        drift = min(pp, 3.0) * rng.uniform(-1.0, 1.0)
        out = out + drift * np.arange(len(out)) / len(out)
        if rng.random() < 0.05:
            out = -out
            (truth.troubles if blocks else truth.checks).add("upside_down" if blocks else "reversed_leads")
    peak = float(np.abs(out).max())
    screen = peak * rng.uniform(1.05, 1.6)
    if blocks:
        screen = max(float(np.quantile(np.abs(out), 0.999)), pp) * rng.uniform(1.1, 3.0)
        if truth.troubles & {"engine_starts", "engine_stops", "load_step"}:
            screen = max(screen, peak * 1.05)
    shift = 0.0
    if not blocks and is_volts and rng.random() < 0.5:
        # an offset puts the running level into the middle of a small range
        shift, screen = level * (1 if "reversed_leads" not in truth.checks else -1), max(peak * 0.1, 2.5 * pp)
        if truth.troubles & {"engine_starts", "engine_stops", "load_step"}:
            shift = 0.0
            screen = peak * 1.2
    if not clean and rng.random() < 0.06:
        run = out - shift
        screen = float(np.quantile(np.abs(run - (np.median(run) if blocks else 0.0)), rng.uniform(0.6, 0.9)))
        if not blocks and shift == 0.0:
            screen = float(np.quantile(np.abs(out), rng.uniform(0.6, 0.9)))
        truth.checks.add("clipped")
    step = 2 * screen / 2**bits
    truth.step = step
    out = out - shift + noise * rng.standard_normal(len(out))
    if float(np.mean(np.abs(out) > screen)) > 1e-4:
        truth.grey.add("clipped")
    out = np.clip(np.round(out / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1) * step + shift
    return np.asarray(out)


def capture(seed: int, fault: str | None = None, clean: bool = False) -> tuple[Waveform, Truth]:
    """One random capture of a charging system, and the truth about it.

    `clean`: no trouble of hookup, engine or scope beyond little noise, and a rate of at least 50 kS/s.
    """
    rng = np.random.default_rng([11, seed])
    truth = Truth(signal=str(rng.choice(SIGNALS, p=[0.5, 0.25, 0.25])))
    truth.fault = fault or ("none" if rng.random() < 0.5 else str(rng.choice(FAULTS)))
    truth.slack = rng.random() < 0.12
    rate_hz = float(rng.choice(RATES_HZ[3:7] if clean else RATES_HZ))
    stop_s = min(rng.uniform(0.4, 2.5), MOST_SAMPLES / rate_hz)
    if not clean and rng.random() < 0.04:
        stop_s = max(rng.uniform(0.002, 0.008), 20 / rate_hz)
        truth.checks.add("too_short")
    inner_hz = rate_hz if rate_hz >= 5e4 else rate_hz * np.ceil(5e4 / rate_hz)
    time_s = np.arange(int(stop_s * inner_hz)) / inner_hz
    machine = draw_machine(rng)
    sound_v = amplitude_for(machine, machine.load_a, 40.0)
    if truth.fault != "none":
        truth.phase, truth.side, truth.size = (
            int(rng.integers(3)),
            int(rng.integers(2)),
            rng.uniform(0.35, 1.0),
        )
        with_fault(machine, truth.fault, truth.phase, truth.side, truth.size)
    volts = amplitude_for(machine, machine.load_a, 2.0 * sound_v)
    hz = _speed(rng, time_s, truth, clean)
    cycles = np.cumsum(hz) / inner_hz + rng.random()
    amps = _rectified(machine, cycles, _field(rng, time_s, truth), volts)
    truth.times_s, truth.cycles, truth.run_s = time_s, cycles, (0.0, stop_s)
    truth.electrical_hz = float(np.mean(hz))
    truth.swing_pct = float(100 * np.std(hz / np.mean(hz)) * np.sqrt(2))
    is_volts = truth.signal != "alternator_current"
    taken = _others(rng, time_s, clean, truth)
    if is_volts:
        value = machine.battery_v + machine.battery_ohm * (amps - machine.load_a - taken)
        keep = float(np.exp(-2 * np.pi * rng.uniform(6e3, 3e4) / inner_hz))
    else:
        value, keep = amps, float(np.exp(-2 * np.pi * rng.uniform(5e3, 3e4) / inner_hz))
    value = lfilter([1 - keep], [1, -keep], value, zi=[keep * float(value[0])])[0]
    piece = value[: max(64, int(min(stop_s, 6.0 / truth.electrical_hz) * inner_hz))]
    truth.ripple_pp = float(np.ptp(piece)) or 1e-6
    truth.mean_v = float(value.mean()) if is_volts else float("nan")
    value = value[:: round(inner_hz / rate_hz)]
    clock = np.arange(len(value)) / rate_hz
    if not clean and rng.random() < 0.12 and stop_s > 0.3:
        value = _engine(rng, value, clock, truth, is_volts)
    if not clean and rng.random() < 0.06 and "too_short" not in truth.checks:
        value = _wrong(rng, clock)
        truth.checks = {"no_ripple"}
        truth.ripple_pp = max(float(np.ptp(value)), 1e-3)
    samples = _scope(rng, value, rate_hz, truth, clean)
    _say_rates(truth, rate_hz)
    return Waveform(rate_hz, 0.0, samples[None, :].astype(np.float32), ("",)), truth


def _say_rates(truth: Truth, rate_hz: float) -> None:
    """What rate and steps ask for: clear cases are judged, those between are not."""
    if "no_ripple" in truth.checks:
        truth.checks &= {"no_ripple"}
        truth.grey |= {
            "ac_coupled",
            "clipped",
            "reversed_leads",
            "low_sample_rate",
            "coarse_resolution",
            "too_short",
        }
        return
    ripple_hz = 6 * truth.electrical_hz
    if rate_hz < 2.2 * ripple_hz:
        truth.checks.add("low_sample_rate")
    elif rate_hz < 10 * ripple_hz:
        truth.grey.add("low_sample_rate")
    if truth.step > truth.ripple_pp / 2.5:
        truth.checks.add("coarse_resolution")
    elif truth.step > truth.ripple_pp / 8:
        truth.grey.add("coarse_resolution")
