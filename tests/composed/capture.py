"""One drawn capture from crank to file: `simulate`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds import EngineFamily, Hookup
from pipelines.waveform import Waveform
from tests.composed.crank import Course, run
from tests.composed.ignition import Sparks, sparks, volts_seen
from tests.composed.parameters import Drawn
from tests.composed.scope import Seen, low_passed, seen

Array = npt.NDArray[np.float64]
MEMORY_SAMPLES = 1_000_000
NAMES = {"voltage": "battery_voltage", "current": "starter_current"}
IGNITION_NAMES = {"primary": "ignition_primary", "injector": "ignition_primary"}
SCALES = {"voltage": 1.0, "current": 100.0, "ignition": 1.0}


@dataclass(frozen=True, slots=True)
class Record:
    """What `truth.py` needs beside the numbers: the course, the window on screen, the channels before saving."""

    course: Course
    begin_s: float
    end_s: float
    step_s: float
    channels: dict[str, Seen]
    sparks: Sparks


def window_s(drawn: Drawn) -> tuple[float, float]:
    """The stretch of time on screen: the memory holds so many samples and no more."""
    length = drawn.crank.duration_s
    held = MEMORY_SAMPLES / drawn.scope.rate_hz
    if held >= length:
        return 0.0, length
    on = drawn.crank.engaged_s[0][0]
    begin = max(on - 0.1 * held, 0.0)
    return begin, begin + held


def starter_ripple(drawn: Drawn, course: Course, at_s: Array) -> tuple[Array, Array]:
    """Starter current at those times with its commutation and brush noise, and what these two add to it, in A."""
    smooth = np.interp(at_s, course.time_s, course.current_a)
    turns = np.interp(at_s, course.time_s, course.angle_deg) / 360.0 * drawn.starter.gear
    rng = np.random.default_rng([drawn.seed, 40])
    rough = drawn.starter.commutation_share * np.sin(2 * np.pi * drawn.starter.bars * turns)
    rough += drawn.starter.brush_noise_share * rng.standard_normal(at_s.size, dtype=np.float32)
    return smooth, smooth * rough


def clamp_zero_a(drawn: Drawn, course: Course) -> float:
    """What was flowing when the clamp was zeroed, in A."""
    if not drawn.scope.clamp_zeroed_while_on:
        return 0.0
    return float(course.current_a[course.turning].mean()) if course.turning.any() else 0.0


def measured(drawn: Drawn, course: Course) -> dict[str, Array]:
    """What clips and clamp carry over the whole course (smooth), by `voltage` and `current`."""
    current = course.current_a + (course.loads_a if drawn.scope.clamp_on_battery else 0.0)
    return {"voltage": course.volts, "current": current - clamp_zero_a(drawn, course)}


def observe(drawn: Drawn, course: Course) -> Record:
    """Put the course on screen."""
    begin, end = window_s(drawn)
    step = 1 / drawn.scope.rate_hz
    n = max(int((end - begin) * drawn.scope.rate_hz), 32)
    at = np.asarray(begin + step * np.arange(n), dtype=np.float64)
    if drawn.file.jitter_share:
        rng = np.random.default_rng([drawn.seed, 41])
        at = at + step * drawn.file.jitter_share * rng.uniform(-1, 1, n)
    _, rough = starter_ripple(drawn, course, at)
    carried = measured(drawn, course)
    volts = np.interp(at, course.time_s, course.volts) - drawn.battery.ohm * rough
    pulses = sparks(drawn, course)
    signals: dict[str, Array] = {}
    if drawn.scope.supply in ("voltage", "both"):
        signals["voltage"] = volts
    if drawn.scope.supply in ("current", "both"):
        signals["current"] = np.interp(at, course.time_s, carried["current"]) + rough
    if drawn.ignition.watched != "none":
        signals["ignition"] = volts_seen(drawn, pulses, at, volts)
    channels: dict[str, Seen] = {}
    before = course.time_s <= begin
    for number, (name, values) in enumerate(signals.items()):
        channel = getattr(drawn.scope, name)
        settled = float(values[: max(n // 100, 1)].mean())
        if channel.ac_tau_s and name in carried and before.sum() > 1:
            history = carried[name][before]
            grid = float(course.time_s[1] - course.time_s[0])
            settled = float(low_passed(history, channel.ac_tau_s, grid, float(history[0]))[-1])
        channels[name] = seen(channel, values, at, step, settled, [drawn.seed, 50 + number])
    return Record(course, begin, end, step, channels, pulses)


def saved(drawn: Drawn, record: Record) -> tuple[Waveform, Hookup]:
    """The file and the log's line on it."""
    names = list(record.channels)
    if drawn.scope.sync_first and "ignition" in names:
        names = ["ignition", *(n for n in names if n != "ignition")]
    scales = [SCALES[n] for n in names]
    rows = np.stack([record.channels[n].values / s for n, s in zip(names, scales, strict=True)])
    samples = _file_faults(drawn, rows).astype(np.float32)
    rate = drawn.scope.rate_hz * drawn.file.repeats
    signals = [NAMES.get(n) or IGNITION_NAMES.get(drawn.ignition.watched, "ignition_pickup") for n in names]
    logged = [s * (getattr(drawn.scope, n).scale_error) for n, s in zip(names, scales, strict=True)]
    if drawn.log.swapped and "ignition" in names:
        a = names.index("ignition")
        b = next(k for k, n in enumerate(names) if n != "ignition")
        signals[a], signals[b] = signals[b], signals[a]
        logged[a], logged[b] = logged[b], logged[a]
    hookup = Hookup(tuple(signals), tuple(logged), drawn.log.sync_cylinder or drawn.ignition.sync_cylinder)
    return Waveform(rate, drawn.file.start_s, samples, ("",) * len(names)), hookup


def _file_faults(drawn: Drawn, rows: Array) -> Array:
    file = drawn.file
    rows = rows.copy()
    if file.gap_share:
        rng = np.random.default_rng([drawn.seed, 60])
        n = rows.shape[1]
        size = min(file.gap_samples, max(n // 50, 1))
        for at in rng.integers(0, max(n - size, 1), max(int(file.gap_share * n / size), 1)):
            rows[:, at : at + size] = np.nan
    if file.alternate and rows.shape[0] > 1:
        rows[0, 1::2] = np.nan
        rows[1:, 0::2] = np.nan
    return np.repeat(rows, file.repeats, axis=1) if file.repeats > 1 else rows


def logged_family(drawn: Drawn) -> EngineFamily:
    """The engine as the log names it: right, but for a wrong number of cylinders or a wrong kind of sync."""
    style = drawn.log.style or drawn.ignition.style
    if drawn.log.cylinders:
        count = drawn.log.cylinders
        return EngineFamily("logged wrong", count, tuple(range(1, count + 1)), (), style)  # type: ignore[arg-type]
    engine = drawn.engine
    even = max(engine.intervals_deg) - min(engine.intervals_deg) < 1e-6
    intervals = () if even else engine.intervals_deg
    return EngineFamily("drawn", engine.cylinders, engine.firing_order, intervals, style)  # type: ignore[arg-type]


def record_of(drawn: Drawn) -> Record:
    """Course and channels of a drawn capture."""
    return observe(drawn, run(drawn))
