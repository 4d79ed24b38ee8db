"""Random engines, injectors, hookups, scopes and files around `independent_injector`: one seed, one capture.

Every trouble is drawn on its own, so that any may meet any; the truth is computed from the drawn physics. Numbers are
invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from pipelines.kinds.base import EngineFamily, Hookup
from pipelines.waveform import Waveform
from tests.independent_injector import Course, Pulses, run

Floats = npt.NDArray[np.float64]
MOST_SAMPLES = 220_000
MODES = ("feed_sync", "feed_open", "volts", "currents", "one")
ODDS = (0.42, 0.1, 0.2, 0.2, 0.08)
FAULTS = ("sticking", "weak_spring", "high_ohm", "shorted", "stuck")
AFTER_S = 4e-3


@dataclass(slots=True)
class Truth:
    """What was drawn and what follows from it; see `tests.bench.elements.Case`."""

    mode: str = ""
    fault: str = "none"
    odd: int = 0
    relative: dict[str, Floats] = field(default_factory=dict)
    checks: set[str] = field(default_factory=set)
    grey: set[str] = field(default_factory=set)
    troubles: set[str] = field(default_factory=set)
    on_ms: float = 0.0
    open_ms: float = 0.0
    shut_ms: float = 0.0
    settled_a: float = 0.0
    ohm: float = 0.0
    hold: bool = False
    readable: bool = True

    @property
    def worst_pct(self) -> float:
        """Largest true distance of an element from the median one by any measure, in %."""
        return max((float(np.nanmax(np.abs(one - 100))) for one in self.relative.values()), default=0.0)


@dataclass(slots=True)
class Engine:
    """What was drawn; `injector` by element in firing order."""

    family: EngineFamily
    rpm: float
    ramp: float
    injector: dict[str, Floats]


def _engine(rng: np.random.Generator, mode: str, truth: Truth) -> Engine:
    n = int(rng.choice([3, 4, 5, 6, 8], p=[0.2, 0.4, 0.1, 0.2, 0.1]))
    order = tuple(int(c) for c in rng.permutation(n) + 1)
    intervals = (90.0, 150.0) * 3 if n == 6 and rng.random() < 0.25 else ()
    family = EngineFamily("drawn", n, order, intervals, "coil_on_plug")
    rpm = (
        float(np.exp(rng.uniform(np.log(600), np.log(2800)))) if rng.random() < 0.9 else rng.uniform(180, 300)
    )
    on = float(np.exp(rng.uniform(np.log(2.2e-3), np.log(8e-3))))
    if mode.startswith("feed"):
        rpm = min(rpm, 0.85 * min(family.intervals_deg) / 6 / (on + 1.5e-3))
    else:
        rpm = min(rpm, 0.8 * 120 / (on + 6e-3))
    truth.hold = bool(rng.random() < 0.3)
    supply = rng.uniform(13.0, 14.6) if rpm > 400 else rng.uniform(9.5, 11.5)
    own = lambda share: np.exp(share * rng.standard_normal(n))  # noqa: E731
    ohm = rng.uniform(1.6, 3.0) if truth.hold else rng.uniform(11.0, 16.0)
    tau = rng.uniform(5e-4, 9e-4)
    henry = ohm * tau
    # the pintle moves off its seat at 45 to 70 % of what the coil can draw (or of the peak)
    full = supply / ohm
    peak = rng.uniform(3.5, 4.5) if truth.hold else np.inf
    moves = rng.uniform(0.4, 0.6) * min(full, peak)
    spring = rng.uniform(0.8, 2.0)
    injector = {
        "supply_v": np.full(n, supply),
        "ohm": ohm * own(0.006),
        "henry": henry * own(0.006),
        "gap": np.full(n, rng.uniform(0.28, 0.42)),
        "eddy_s": np.full(n, rng.uniform(2e-4, 4e-4)),
        "eddy_share": np.full(n, rng.uniform(0.05, 0.2)),
        "force": np.full(n, spring / moves**2),
        "kilogram": np.full(n, spring * rng.uniform(1.0e-7, 2.2e-7)),
        "spring_n": spring * own(0.015),
        "damp": np.full(n, spring * rng.uniform(0.5e-4, 1.5e-4)),
        "on_s": on * own(0.0015),
        "clamp_v": np.full(n, rng.uniform(50, 85)),
        "driver_ohm": np.full(n, rng.uniform(0.02, 0.04) * ohm),
        "peak_a": np.full(n, peak),
        "hold_a": np.full(n, rng.uniform(0.9, 1.3) if truth.hold else np.inf),
    }
    ramp = rng.uniform(-0.2, 0.2) if rng.random() < 0.4 else 0.0
    return Engine(family, rpm, ramp, injector)


def _plant(rng: np.random.Generator, engine: Engine, fault: str, at: int) -> None:
    own = engine.injector
    if fault == "sticking":
        own["spring_n"][at] *= rng.uniform(1.3, 1.8)
        own["damp"][at] *= rng.uniform(1.5, 4)
    elif fault == "weak_spring":
        own["spring_n"][at] *= rng.uniform(0.4, 0.7)
    elif fault == "high_ohm":
        own["ohm"][at] *= rng.uniform(1.15, 1.6)
    elif fault == "shorted":
        share = rng.uniform(0.55, 0.82)
        own["ohm"][at] *= share
        own["henry"][at] *= share**2
    elif fault == "stuck":
        own["spring_n"][at] *= 50


def _opens(engine: Engine) -> bool:
    """Whether every sound injector opens well within its pulse."""
    pulses = Pulses(**{name: value.copy() for name, value in engine.injector.items()})
    course = run(pulses, float(pulses.on_s.max()))
    return bool(np.all(course.open_s < 0.85 * pulses.on_s))


def _expected(engine: Engine, truth: Truth) -> tuple[dict[str, Floats], Course]:
    pulses = Pulses(**{name: value.copy() for name, value in engine.injector.items()})
    course = run(pulses, float(pulses.on_s.max()) + AFTER_S)
    # where current has settled, a tenth of the pulse before its end
    at = np.minimum((0.9 * pulses.on_s / course.time_s[1]).astype(int), len(course.time_s) - 1)
    settled = course.amps[np.arange(len(at)), at]
    found = {
        "on_time": pulses.on_s,
        "settled": settled,
        "opening": course.open_s,
        "closing": course.shut_s - pulses.on_s,
    }
    truth.on_ms, truth.settled_a = 1e3 * float(np.median(pulses.on_s)), float(np.median(settled))
    truth.open_ms, truth.shut_ms = (1e3 * float(np.nanmedian(found[name])) for name in ("opening", "closing"))
    truth.ohm = float(np.median(pulses.ohm))
    relative = {name: 100 * values / np.nanmedian(values) for name, values in found.items()}
    for name in ("opening", "closing"):
        relative[name] = np.where(np.isnan(relative[name]), 200.0, relative[name])
    return relative, course


def capture(
    seed: int, fault: str | None = None, clean: bool = False, mode: str | None = None
) -> tuple[Waveform, Hookup, EngineFamily, Truth]:
    """One random capture of injectors, how the log says it was made, and the truth about it.

    `clean`: no trouble of hookup or scope beyond a little noise, at least 50 kS/s.
    """
    rng = np.random.default_rng([17, seed])
    truth = Truth(mode or str(rng.choice(MODES, p=ODDS)))
    engine = _engine(rng, truth.mode, truth)
    while not _opens(engine):
        engine = _engine(rng, truth.mode, truth)
    n = engine.family.cylinders
    drawn = "none" if rng.random() < 0.5 or truth.mode == "one" else str(rng.choice(FAULTS))
    truth.fault = drawn if fault is None else fault
    where = int(rng.integers(n))
    _plant(rng, engine, truth.fault, where)
    relative, course = _expected(engine, truth)
    names = {"volts": ("on_time", "closing"), "one": ()}.get(truth.mode, ("on_time", "settled", "opening"))
    if truth.hold and truth.mode == "volts":
        names = ("on_time",)
    number = np.asarray(engine.family.firing_order)
    truth.odd = int(number[where]) if truth.fault != "none" else 0
    for name in names:
        truth.relative[name] = np.empty(n)
        truth.relative[name][number - 1] = relative[name]
    return _recorded(rng, truth, engine, course, clean)


def _times(
    rng: np.random.Generator, engine: Engine, stop_s: float, off: tuple[float, float]
) -> tuple[npt.NDArray[np.int64], Floats]:
    """Element and beginning of every pulse."""
    tick = np.arange(0, stop_s + 2e-3, 1e-3)
    wander = np.cumsum(rng.standard_normal(len(tick))) * 0.0005
    speed = engine.rpm * 6 * (1 + engine.ramp * (tick / stop_s - 0.5)) * np.exp(wander - wander.mean())
    angle = np.cumsum(speed) * 1e-3 + rng.uniform(0, 720)
    angles = np.asarray(engine.family.firing_angles_deg)
    first, last = int(angle[0] // 720) - 1, int(angle[-1] // 720) + 1
    at = (np.arange(first, last + 1)[:, None] * 720.0 + angles[None, :]).ravel()
    element = np.tile(np.arange(len(angles)), last - first + 1)
    time = np.interp(at, angle, tick, left=-1.0, right=-1.0)
    keep = (time > max(off[0], 0.0)) & (time < min(off[1], stop_s))
    return element[keep], time[keep] + 1e-5 * rng.standard_normal(int(keep.sum()))


def _recorded(
    rng: np.random.Generator, truth: Truth, engine: Engine, course: Course, clean: bool
) -> tuple[Waveform, Hookup, EngineFamily, Truth]:
    rate_hz = float(rng.choice([5e4, 1e5, 2e5] if clean else [1e4, 2e4, 5e4, 1e5, 2e5, 5e5]))
    cycle_s = 120 / engine.rpm
    cycles = rng.uniform(10, 30)
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
    stop_s = max(min(cycles * cycle_s, MOST_SAMPLES / rate_hz), 20 / rate_hz)
    off = (-1.0, stop_s + 1)
    if not clean and stop_s > 8 * cycle_s and rng.random() < 0.12:
        off = (
            (rng.uniform(0.1, 0.4) * stop_s, stop_s + 1)
            if rng.random() < 0.5
            else (-1.0, rng.uniform(0.6, 0.9) * stop_s)
        )
        truth.troubles.add("starts_or_stops")
    if 1.6 < stop_s / cycle_s < 6 or truth.troubles:
        truth.grey.add("too_short")
    element, begin_s = _times(rng, engine, stop_s, off)
    time_s = np.arange(int(stop_s * rate_hz)) / rate_hz
    longer = (
        np.exp(rng.uniform(-0.1, 0.1) * np.sin(2 * np.pi * rng.uniform(0.02, 0.2) / cycle_s * begin_s))
        if rng.random() < 0.3
        else np.ones(len(begin_s))
    )
    lines, signals, sync = _channels(rng, truth, engine, course, element, begin_s, longer, time_s, rate_hz)
    lines = _mishaps(rng, lines, rate_hz, truth, clean)
    decide = rng.random()
    samples = [
        _on_screen(rng, line, one, rate_hz, truth, clean, decide)
        for line, one in zip(lines, signals, strict=True)
    ]
    logged = list(signals)
    if not clean and len(set(signals)) == 2 and len(signals) == 2 and rng.random() < 0.06:
        samples.reverse()
        truth.checks.add("swapped_channels")
    if not clean and rng.random() < 0.04:
        for line in samples:
            begin = int(rng.integers(len(line)))
            line[begin : begin + int(rng.uniform(0.002, 0.02) * len(line))] = np.nan
    if "no_pulses" in truth.checks:
        truth.checks, truth.readable = {"no_pulses"}, False
    if not truth.readable:
        truth.grey |= {"no_pulses", "too_short", "low_sample_rate", "no_sync", "one_injector", "swapped_channels",
                       "clipped", "coarse_resolution", "ac_coupled", "reversed_leads", "scale_doubtful"}  # fmt: skip
    truth.grey -= truth.checks
    wave = Waveform(rate_hz, 0.0, np.stack(samples).astype(np.float32), ("",) * len(samples))
    return wave, Hookup(tuple(logged), (1.0,) * len(samples), sync), engine.family, truth


def _channels(
    rng: np.random.Generator, truth: Truth, engine: Engine, course: Course, element: npt.NDArray[np.int64],
    begin_s: Floats, longer: Floats, time_s: Floats, rate_hz: float,
) -> tuple[list[Floats], list[str], int]:  # fmt: skip
    """The true signals, their names and the logged sync cylinder. `longer`: how the on-time varies over the record."""
    n, supply = engine.family.cylinders, float(engine.injector["supply_v"][0])
    volts = [np.full(len(time_s), supply) for _ in range(n)]
    amps = [np.zeros(len(time_s)) for _ in range(n)]
    on_s = engine.injector["on_s"]
    jitter = np.exp(0.002 * rng.standard_normal(len(begin_s)))
    for k, begin, stretch in zip(element.tolist(), begin_s.tolist(), (longer * jitter).tolist(), strict=True):
        first = int(np.ceil(begin * rate_hz))
        last = min(int((begin + course.time_s[-1] + 0.2 * on_s[k]) * rate_hz), len(time_s))
        if first >= last:
            continue
        # a longer pulse dwells longer where all has settled: time is shifted from nine tenths of the pulse on
        since = time_s[first:last] - begin
        extra = (stretch - 1) * on_s[k]
        since = np.where(since < 0.9 * on_s[k], since, np.maximum(since - extra, 0.9 * on_s[k]))
        amps[k][first:last] = np.interp(since, course.time_s, course.amps[k])
        volts[k][first:last] = np.interp(since, course.time_s, course.volts[k])
    sag = (
        0.02
        * supply
        * rng.uniform(0, 1)
        * np.sin(2 * np.pi * rng.uniform(0.02, 0.3) * engine.rpm / 120 * time_s)
    )
    volts = [line + sag * (line > 0.5 * supply) for line in volts]
    own = int(rng.integers(n))
    sync = int(engine.family.firing_order[own])
    rest = [own, *(int(k) for k in rng.permutation(n) if k != own)]
    if truth.mode == "volts":
        return [volts[k] for k in rest], ["injector_voltage"] * n, sync
    if truth.mode == "currents":
        return [amps[k] for k in rest], ["injector_current"] * n, sync
    if truth.mode == "one":
        truth.checks.add("one_injector")
        return [amps[own], volts[own]], ["injector_current", "injector_voltage"], sync
    feed = np.sum(amps, axis=0)
    if truth.mode == "feed_open":
        truth.checks.add("no_sync")
        return [feed], ["injector_feed_current"], sync
    return [feed, volts[own]], ["injector_feed_current", "injector_voltage"], sync


def _mishaps(
    rng: np.random.Generator, lines: list[Floats], rate_hz: float, truth: Truth, clean: bool
) -> list[Floats]:
    """Wrong channel, blocked direct current, reversed leads: on the first channel."""
    if clean:
        return lines
    lines = list(lines)
    time_s = np.arange(len(lines[0])) / rate_hz
    if rng.random() < 0.04 and truth.mode.startswith("feed"):
        noise = rng.standard_normal(len(time_s))
        wrong = (
            13.8 + 0.1 * np.sin(2 * np.pi * 900 * time_s) + 0.03 * noise,
            0.3 * np.sin(2 * np.pi * 50 * time_s) + 0.02 * noise,
            0.01 * noise,
            2.5 + 2 * np.sin(2 * np.pi * 11 * time_s) + 0.05 * noise,
        )
        lines[0] = wrong[int(rng.integers(4))]
        truth.checks = {"no_pulses"}
        return lines
    if rng.random() < 0.05:
        keep = float(np.exp(-2 * np.pi * rng.uniform(0.5, 2.5) / rate_hz))
        lines[0] = np.asarray(lfilter([1.0, -1.0], [1.0, -keep], lines[0] - lines[0].mean()))
        truth.checks.add("ac_coupled")
    if rng.random() < 0.05:
        lines[0] = -lines[0]
        truth.checks.add("reversed_leads")
    return lines


def _on_screen(
    rng: np.random.Generator,
    true: Floats,
    signal: str,
    rate_hz: float,
    truth: Truth,
    clean: bool,
    decide: float,
) -> Floats:
    """One channel through probe, screen and steps."""
    bits = int(rng.choice([8, 10, 12, 14, 16]))
    size = float(np.ptp(true)) + 1e-6
    if signal == "injector_voltage":
        screen = float(rng.choice([50, 100, 200], p=[0.3, 0.5, 0.2]))
        true = true + rng.uniform(-0.005, 0.005) * screen
        noise = screen * float(np.exp(rng.uniform(np.log(3e-4), np.log(4e-3))))
    else:
        screen = size * rng.uniform(1.15, 2.5)
        mix = 1 - float(np.exp(-2 * np.pi * np.exp(rng.uniform(np.log(1.5e4), np.log(1e5))) / rate_hz))
        true = np.asarray(lfilter([mix], [1.0, mix - 1.0], true))
        if not clean and decide < 0.05:
            screen = size * rng.uniform(0.45, 0.75)
            truth.checks.add("clipped")
        elif not clean and decide > 0.96:
            screen, bits = size * rng.uniform(12, 20), 8
            truth.checks.add("coarse_resolution")
        noise = size * float(np.exp(rng.uniform(np.log(1e-3), np.log(1.5e-2))))
        true = (
            true
            + size * rng.uniform(-0.04, 0.04)
            + size * rng.uniform(-0.03, 0.03) * np.linspace(0, 1, len(true))
        )
    if clean:
        bits, noise = max(bits, 12), min(noise, 0.002 * screen)
    step = 2 * screen / 2**bits
    out = true + noise * rng.standard_normal(len(true))
    return np.clip(np.round(out / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1) * step
