"""Random hookups, scopes and files around `independent_ignition_engines`: one seed, one capture.

Every trouble is drawn on its own, so that any may meet any. Numbers are invented; orders of magnitude are common
practice, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipelines.kinds.base import EngineFamily, Hookup
from pipelines.waveform import Waveform
from tests.independent_ignition_engines import (
    COIL_FAULTS,
    MODES,
    MOST_SAMPLES,
    ODDS,
    SPARK_FAULTS,
    Engine,
    Floats,
    Struck,
    Truth,
    draw_engine,
    expected_readings,
    plant,
    spark_times,
    state_facts,
    strike_all,
)


def _voltage(
    struck: Struck, rows: npt.NDArray[np.int64], supply: Floats, time_s: Floats, rate_hz: float
) -> Floats:
    """Collector voltage of one coil over the record."""
    volts = supply.copy()
    for row in rows:
        for course, begins in zip(struck.first, struck.begin_s, strict=True):
            begin = begins[row]
            dwell = course_dwell(struck, row, begins)
            cut = begin + dwell
            a, b = (int(np.ceil(max(s, 0) * rate_hz)) for s in (begin, cut))
            c = min(int(np.ceil((cut + course.after_s[-1]) * rate_hz)), len(volts))
            a, b = min(a, len(volts)), min(b, len(volts))
            volts[a:b] = np.interp(time_s[a:b] - begin, course.charge_s, course.charge_v[row])
            after = np.interp(time_s[b:c] - cut, course.after_s, course.after_v[row])
            volts[b:c] = after - course.after_v[row, 0] + supply[b:c]
    return volts


def course_dwell(struck: Struck, row: int, begins: Floats) -> float:
    """Length of the charging of one strike (the first one ends at the nominal cut)."""
    if begins is struck.begin_s[0]:
        return float(struck.cut_s[row] - begins[row])
    return float(struck.coils.dwell_s[row])


def _current(struck: Struck, rows: npt.NDArray[np.int64], time_s: Floats, rate_hz: float) -> Floats:
    """Current of the coils of `rows` together over the record."""
    amps = np.zeros(len(time_s))
    for row in rows:
        for course, begins in zip(struck.first, struck.begin_s, strict=True):
            begin = begins[row]
            cut = begin + course_dwell(struck, row, begins)
            a, b = (min(int(np.ceil(max(s, 0) * rate_hz)), len(amps)) for s in (begin, cut))
            amps[a:b] += np.interp(time_s[a:b] - begin, course.charge_s, course.charge_a[row])
    return amps


def _pickup(
    rng: np.random.Generator,
    struck: Struck,
    own: int,
    time_s: Floats,
    rate_hz: float,
    clean: bool,
    truth: Truth,
) -> Floats:
    """A pickup around one spark lead: short rung pulses at every spark of it, and of its neighbours."""
    out = np.zeros(len(time_s))
    width = max(rng.uniform(2e-5, 1.2e-4), 1.6 / rate_hz)
    near = rng.uniform(0.08, 0.42) if rng.random() < 0.3 and not clean else 0.0
    if near:
        truth.troubles.add("neighbours")
    sign = float(rng.choice([-1, 1]))
    for row in range(len(struck.cut_s)):
        height = 1.0 if struck.element[row] == own else near * rng.uniform(0.6, 1.0)
        if height == 0:
            continue
        height *= np.exp(0.1 * rng.standard_normal())
        for begins in struck.begin_s:
            cut = begins[row] + course_dwell(struck, row, begins)
            a, b = (min(max(int(s * rate_hz), 0), len(out)) for s in (cut, cut + 10 * width))
            age = time_s[a:b] - cut
            out[a:b] += height * np.exp(-age / width) * np.cos(age / width) * (age >= 0)
    return sign * rng.uniform(1, 40) * out


def _wrong(rng: np.random.Generator, time_s: Floats) -> Floats:
    """Something that is no coil."""
    which = rng.integers(5)
    noise = rng.standard_normal(len(time_s))
    if which == 0:
        return 13.8 + 0.1 * np.sin(2 * np.pi * 900 * time_s) + 0.03 * noise
    if which == 1:
        return 0.3 * np.sin(2 * np.pi * 50 * time_s) + 0.02 * noise
    if which == 2:
        return 0.01 * noise
    if which == 3:
        return 5.0 * ((time_s * 37.0) % 1.0 > 0.5) + 0.02 * noise
    return 2.5 + 2.0 * np.sin(2 * np.pi * 11 * time_s) + 0.05 * noise


def _scope(
    rng: np.random.Generator, true: Floats, screen: float, noise: float, bits: int, nan_edge: bool
) -> Floats:
    out = true + noise * rng.standard_normal(len(true))
    step = 2 * screen / 2**bits
    top, low = (2 ** (bits - 1) - 1) * step, -(2 ** (bits - 1)) * step
    cut = (out > top) | (out < low)
    out = np.clip(np.round(out / step) * step, low, top)
    if nan_edge:
        out[cut] = np.nan
    return out


def _high_pass(true: Floats, rate_hz: float, hz: float) -> Floats:
    keep = float(np.exp(-2 * np.pi * hz / rate_hz))
    out = lfilter([1.0, -1.0], [1.0, -keep], true - np.mean(true))
    return np.asarray(out)


def _low_pass(true: Floats, rate_hz: float, hz: float) -> Floats:
    mix = 1 - float(np.exp(-2 * np.pi * hz / rate_hz))
    return np.asarray(lfilter([mix], [1.0, mix - 1.0], true))


def _on_screen(
    rng: np.random.Generator,
    true: Floats,
    signal: str,
    rate_hz: float,
    truth: Truth,
    clean: bool,
    again: float,
) -> Floats:
    """One channel through probe, coupling, screen and steps. `again`: what decides per capture, 0 to 1."""
    bits = int(rng.choice([8, 10, 12, 14, 16]))
    volts = signal in ("ignition_primary",)
    nan_edge = not clean and rng.random() < 0.15
    if volts:
        screen = float(rng.choice([60, 100, 200, 400, 500], p=[0.2, 0.25, 0.25, 0.2, 0.1]))
        if not clean and again < 0.06:
            screen = float(rng.choice([20, 25]))
        top = screen * (1 - 2.0 / 2**bits)
        line = truth.burn_v
        if line * 0.93 > top:
            truth.checks.add("clipped")
        elif line * 1.6 > top:
            truth.grey.add("clipped")
        noise = screen * float(np.exp(rng.uniform(np.log(3e-4), np.log(6e-3))))
        step = 2 * screen / 2**bits
        if step > 3.5:
            truth.checks.add("coarse_resolution")
        elif step > 2.0:
            truth.grey.add("coarse_resolution")
        true = true + rng.uniform(-0.006, 0.006) * screen
    elif signal == "ignition_pickup":
        screen = float(np.abs(true).max() * rng.uniform(0.6, 2.5)) + 1e-6
        noise = screen * float(np.exp(rng.uniform(np.log(1e-3), np.log(1.5e-2))))
    else:
        peak = float(np.ptp(true)) + 1e-6
        screen = peak * rng.uniform(1.15, 2.5)
        true = _low_pass(true, rate_hz, float(np.exp(rng.uniform(np.log(1.5e4), np.log(1e5)))))
        if not clean and again < 0.05:
            screen = peak * rng.uniform(0.45, 0.85)
            truth.checks.add("clipped")
        elif not clean and again > 0.96:
            screen, bits = peak * rng.uniform(12, 20), 8
            truth.checks.add("coarse_resolution")
        noise = peak * float(np.exp(rng.uniform(np.log(1e-3), np.log(1.5e-2))))
        true = (
            true
            + peak * rng.uniform(-0.04, 0.04)
            + peak * rng.uniform(-0.03, 0.03) * np.linspace(0, 1, len(true))
        )
    if clean:
        bits, noise = max(bits, 12), min(noise, 0.002 * screen)
        truth.checks.discard("coarse_resolution")
        truth.grey.add("coarse_resolution")
    return _scope(rng, true, screen, noise, bits, nan_edge)


def capture(
    seed: int, fault: str | None = None, clean: bool = False, mode: str | None = None
) -> tuple[Waveform, Hookup, EngineFamily, Truth]:
    """One random capture of ignition coils, how the log says it was made, and the truth about it.

    `clean`: no trouble of hookup or scope beyond a little noise, at least 50 kS/s.
    """
    rng = np.random.default_rng([11, seed])
    truth = Truth(mode or str(rng.choice(MODES, p=ODDS)))
    engine = draw_engine(rng, truth.mode, clean)
    by_voltage = truth.mode in ("distributor", "distributor_open", "coils", "waste_coils")
    possible = SPARK_FAULTS if truth.mode.startswith("distributor") else (
        (*SPARK_FAULTS, *COIL_FAULTS) if by_voltage else COIL_FAULTS)  # fmt: skip
    drawn = "none" if rng.random() < 0.5 or truth.mode == "one_coil" else str(rng.choice(possible))
    truth.fault = drawn if fault is None else fault
    where = int(rng.integers(engine.elements))
    plant(rng, engine, truth.fault, where)
    expected, course = expected_readings(engine, seed, by_voltage)
    truth.relative = (
        {"burn_time": expected["burn_time"]} if by_voltage else {"charging": expected["charging"]}
    )
    if truth.mode == "one_coil":
        truth.relative = {}
    order = engine.family.firing_order
    number = np.arange(1, engine.elements + 1) if engine.elements < len(order) else np.asarray(order)
    truth.odd = int(number[where]) if truth.fault != "none" else 0
    for name, values in truth.relative.items():
        by_number = np.empty(engine.elements)
        by_number[number - 1] = values
        truth.relative[name] = by_number
    state_facts(truth, engine, course)
    return _recorded(rng, truth, engine, clean)


def _recorded(
    rng: np.random.Generator, truth: Truth, engine: Engine, clean: bool
) -> tuple[Waveform, Hookup, EngineFamily, Truth]:
    rates = [5e4, 1e5, 2e5, 5e5] if clean else [1e4, 2e4, 5e4, 1e5, 2e5, 5e5]
    rate_hz = float(rng.choice(rates))
    cycle_s = 120 / engine.rpm
    cycles = rng.uniform(10, 40)
    if rate_hz * cycle_s * 9 > MOST_SAMPLES:
        rate_hz = max(r for r in [1e4, 2e4, 5e4, 1e5] if r * cycle_s * 9 <= MOST_SAMPLES or r == 1e4)
    if not clean and rng.random() < 0.04:
        rate_hz = float(rng.choice([1.5e3, 2.5e3, 4e3]))
        truth.checks.add("low_sample_rate")
        truth.readable = False
    elif rate_hz < 2e4:
        truth.grey.add("low_sample_rate")
    if not clean and rng.random() < 0.04:
        cycles = rng.uniform(0.4, 1.6)
        truth.checks.add("too_short")
        truth.readable = False
    stop_s = min(cycles * cycle_s, MOST_SAMPLES / rate_hz)
    stop_s = max(stop_s, 20 / rate_hz)
    off = (-1.0, stop_s + 1)
    if not clean and stop_s > 8 * cycle_s and rng.random() < 0.12:
        off = (
            (rng.uniform(0.1, 0.4) * stop_s, stop_s + 1)
            if rng.random() < 0.5
            else (-1.0, rng.uniform(0.6, 0.9) * stop_s)
        )
        truth.troubles.add("starts_or_stops")
    if 1.6 < stop_s / cycle_s < 6 or (off[0] > 0 or off[1] < stop_s):
        truth.grey.add("too_short")
    element, cut_s = spark_times(rng, engine, stop_s, off)
    time_s = np.arange(int(stop_s * rate_hz)) / rate_hz
    sag = rng.uniform(-0.4, 0.4) * np.sin(
        2 * np.pi * rng.uniform(0.02, 0.3) / cycle_s * time_s
    ) + rng.uniform(0, 0.08) * np.sin(2 * np.pi * rng.uniform(400, 2500) * time_s)
    supply = engine.supply_v + sag
    struck = strike_all(rng, engine, element, cut_s, np.interp(cut_s, time_s, supply))
    lines, signals, sync = _channels(rng, truth, engine, struck, supply, time_s, rate_hz, clean)
    decide = rng.random()
    samples = [
        _on_screen(rng, line, signal, rate_hz, truth, clean, decide)
        for line, signal in zip(_mishaps(rng, lines, rate_hz, truth, clean), signals, strict=True)
    ]
    scales = [1.0] * len(samples)
    if not clean and rng.random() < 0.2 and "ignition_primary" in signals:
        # a 10:1 attenuator whose factor stands in the log, and not in the scope
        for at, signal in enumerate(signals):
            if signal == "ignition_primary":
                samples[at] = samples[at] / 10
                scales[at] = 10.0
    logged = list(signals)
    if not clean and len(set(signals)) == 2 and len(signals) == 2 and rng.random() < 0.06:
        samples.reverse()
        scales.reverse()
        truth.checks.add("swapped_channels")
        truth.troubles.add("swapped")
    if not clean and rng.random() < 0.04:
        for line in samples:
            begin = int(rng.integers(len(line)))
            line[begin : begin + int(rng.uniform(0.002, 0.02) * len(line))] = np.nan
        truth.troubles.add("gap")
        truth.grey.add("clipped")
    if "no_strikes" in truth.checks:
        truth.checks, truth.readable = {"no_strikes"}, False
        truth.grey |= {"low_sample_rate", "clipped", "too_short", "swapped_channels", "ac_coupled", "no_sync",
                       "one_coil", "coarse_resolution", "scale_doubtful", "reversed_leads"}  # fmt: skip
    if not truth.readable:
        truth.grey |= {"no_strikes", "too_short", "low_sample_rate", "no_sync", "one_coil", "swapped_channels",
                       "clipped", "coarse_resolution", "ac_coupled", "reversed_leads", "scale_doubtful"}  # fmt: skip
    truth.grey -= truth.checks
    wave = Waveform(rate_hz, 0.0, np.stack(samples).astype(np.float32), ("",) * len(samples))
    return wave, Hookup(tuple(logged), tuple(scales), sync), engine.family, truth


def _channels(
    rng: np.random.Generator, truth: Truth, engine: Engine, struck: Struck,
    supply: Floats, time_s: Floats, rate_hz: float, clean: bool,
) -> tuple[list[Floats], list[str], int]:  # fmt: skip
    """The true signals of the hookup, their names, and the cylinder the log names as the sync's."""
    family, every = engine.family, np.arange(len(struck.cut_s))
    own = int(rng.integers(engine.elements))
    sync = int(family.firing_order[own])
    if engine.elements < family.cylinders and rng.random() < 0.5:
        sync = int(family.firing_order[own + engine.elements])  # either cylinder of the pair
    volts = lambda k: _voltage(struck, every[struck.element == k], supply, time_s, rate_hz)  # noqa: E731
    mode = truth.mode
    if mode.startswith("distributor"):
        main = _voltage(struck, every, supply, time_s, rate_hz)
        if mode == "distributor":
            return (
                [main, _pickup(rng, struck, own, time_s, rate_hz, clean, truth)],
                ["ignition_primary", "ignition_pickup"],
                sync,
            )
        truth.checks.add("no_sync")
        return [main], ["ignition_primary"], sync
    if mode in ("coils", "waste_coils"):
        rest = [int(k) for k in rng.permutation(engine.elements) if k != own]
        return [volts(k) for k in (own, *rest)], ["ignition_primary"] * engine.elements, sync
    if mode == "one_coil":
        truth.checks.add("one_coil")
        amps = _current(struck, every[struck.element == own], time_s, rate_hz)
        return [amps, volts(own)], ["coil_current", "ignition_primary"], sync
    feed = _current(struck, every, time_s, rate_hz)
    if mode == "feed_open":
        truth.checks.add("no_sync")
        return [feed], ["coil_feed_current"], sync
    if mode == "feed_pickup":
        return (
            [feed, _pickup(rng, struck, own, time_s, rate_hz, clean, truth)],
            ["coil_feed_current", "ignition_pickup"],
            sync,
        )
    return [feed, volts(own)], ["coil_feed_current", "ignition_primary"], sync


def _mishaps(
    rng: np.random.Generator,
    lines: list[Floats],
    rate_hz: float,
    truth: Truth,
    clean: bool,
) -> list[Floats]:
    """Wrong channel, reversed leads, blocked direct current: on the main channel."""
    if clean:
        return lines
    lines = list(lines)
    if rng.random() < 0.04 and truth.mode != "coils" and truth.mode != "waste_coils":
        lines[0] = _wrong(rng, np.arange(len(lines[0])) / rate_hz)
        truth.checks = {"no_strikes"}
        if truth.mode == "one_coil":
            truth.checks, truth.readable = set(), False
            truth.grey.add("one_coil")
        return lines
    if rng.random() < 0.05:
        lines[0] = _high_pass(lines[0], rate_hz, rng.uniform(0.5, 4.0))
        truth.checks.add("ac_coupled")
    if rng.random() < 0.05:
        lines[0] = -lines[0]
        truth.checks.add("reversed_leads")
    return lines
