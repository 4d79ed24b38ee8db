"""One channel of a capture read as a charging system's ripple."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

import numpy as np

from pipelines.kinds.base import ElementReading, Events, Reading
from pipelines.kinds.charging_ripple import checks, comb
from pipelines.kinds.charging_ripple.course import Course, find_course, locked, phase
from pipelines.kinds.charging_ripple.firing import firing_hz
from pipelines.kinds.charging_ripple.phases import POINTS, PULSES, Phases, phases_of
from pipelines.kinds.charging_ripple.signals import Floats, Samples, Trace, clipped, prepare
from pipelines.kinds.charging_ripple.swing import Swing, swing_of
from pipelines.kinds.charging_ripple.verdict import verdict

SMOOTH_S = 0.003
SHORTEST_S = 0.012
MOST_V, MOST_A = 6.0, 600.0
FEWEST_ROWS = 24
LARGE_V, LEAST_SHARE = 0.6, 2e-5
STEPS_FOR_PHASES = 2.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What the steps of reading found."""

    trace: Trace
    course: Course
    found: comb.Comb
    cycles: Floats
    phases: Phases | None
    swing: Swing
    sign: int


def read_channel(
    samples: Samples, rate_hz: float, start_s: float, scale: float, unit: str, version: int
) -> Reading:
    """Read one channel, shape (samples,); `scale` multiplies it into `unit` (V or A).

    Never raises for a bad signal: that is status `unusable`.
    """
    trace = prepare(samples, rate_hz, scale)
    if trace is None:
        return _unusable(None, version)
    seen = (
        look(trace, unit)
        if len(trace.values) >= SHORTEST_S * trace.rate_hz and len(trace.values) > 64
        else None
    )
    if seen is None:
        return _unusable(trace, version)
    names = _checks(samples, seen, unit)
    return Reading(
        "read",
        "",
        _features(seen, unit, names),
        _elements(seen.phases),
        tuple(checks.check(name) for name in names),
        _events(seen, start_s),
        version,
        verdict(seen.phases, seen.swing, seen.found),
    )


def by_cycle(values: Floats, cycles: Floats, points: int, whole: int = 1) -> Floats:
    """`values` at `points` places of every whole cycle, shape (cycles, points); their number a multiple of `whole`."""
    first, last = int(np.ceil(cycles[0])), int(np.floor(cycles[-1]))
    last = first + (last - first) // whole * whole
    if last - first < 1:
        return np.empty((0, points))
    places = first + np.arange((last - first) * points) / points
    return np.interp(places, cycles, values).reshape(-1, points)


def look(trace: Trace, unit: str) -> Seen | None:
    """Follow the ripple and measure it; None where there is none."""
    course = find_course(trace.flat, trace.rate_hz)
    if course is None:
        return None
    spacing_hz = course.mean_hz / course.multiple
    turned = phase(trace.flat, trace.rate_hz, course, max(SMOOTH_S, 1.0 / spacing_hz)) / course.multiple
    flat = trace.flat[course.first : course.last]
    rows = by_cycle(flat, turned, _points(spacing_hz), 6)
    if len(rows) < FEWEST_ROWS or not _is_ripple(trace.values, flat, unit):
        return None
    lines = comb.lines_of(rows)
    finer = comb.too_fine(lines, len(rows))
    if finer > 1:
        spacing_hz, turned = finer * spacing_hz, finer * turned
        rows = by_cycle(flat, turned, _points(spacing_hz), 6)
        lines = comb.lines_of(rows)
    values = trace.values[course.first : course.last]
    blocked = checks.blocks_direct_current(values, unit)
    shape = comb.shape_of(rows.mean(axis=0))
    turned_over = comb.upside_down(shape) if blocked else float(np.median(values)) < 0
    sign = -1 if turned_over else 1
    shape = comb.shape_of(sign * rows.mean(axis=0))
    fires_hz = firing_hz(turned, trace.rate_hz)
    found = comb.find(lines, len(rows), shape, spacing_hz, _large(rows, values, unit), fires_hz)
    if found is None:
        return None
    electrical_hz = spacing_hz / found.part
    # the line that shows the shaft's angle best: high, and strong
    size = np.abs(np.fft.rfft(rows.mean(axis=0)))[1 : rows.shape[1] // 2]
    order = 1 + int(np.argmax(size * np.arange(1, len(size) + 1)))
    cycles = locked(flat, turned, order, trace.rate_hz, 1.0 / electrical_hz) / found.part
    cycle_rows = by_cycle(sign * flat, cycles, POINTS)
    phases = phases_of(cycle_rows) if len(cycle_rows) else None
    pp = phases.ripple_pp if phases else float(np.ptp(rows.mean(axis=0)))
    if trace.file_rate_hz < checks.FOLDED_HZ or not found.told:
        phases = None
    if phases is not None and trace.step * STEPS_FOR_PHASES > float(np.quantile(np.abs(flat), 0.95)) * 2:
        phases = None
    return Seen(trace, course, found, cycles, phases, swing_of(cycles, values, trace.rate_hz, pp), sign)


def _points(spacing_hz: float) -> int:
    """Points a cycle of the lines' spacing needs, fewer the faster it is."""
    return 48 if spacing_hz < 600 else 24 if spacing_hz < 1200 else 12 if spacing_hz < 1800 else 8


def _large(rows: Floats, values: Floats, unit: str) -> float:
    """Log odds that a ripple of this size is no sound machine's, by its size in V or over the mean current."""
    pp = float(np.ptp(rows.mean(axis=0)))
    if unit == "V":
        return 3.0 if pp > LARGE_V else 0.0
    if checks.blocks_direct_current(values, unit):
        return 0.0
    share = pp / (abs(float(values.mean())) + 1e-12)
    return 4.0 if share > 0.9 else -4.0 if share < 0.5 else 0.0


def _is_ripple(values: Floats, flat: Floats, unit: str) -> bool:
    """Whether what was followed can be a charging system's, by its size: more than what single precision leaves."""
    swing = float(np.ptp(np.quantile(flat, [0.02, 0.98])))
    return LEAST_SHARE * float(np.abs(values).max()) < swing < (MOST_V if unit == "V" else MOST_A)


def _unusable(trace: Trace | None, version: int) -> Reading:
    """No ripple could be followed: the check that says best why comes first, and gives the reason."""
    names = ["no_ripple"]
    if trace is not None:
        if trace.record_s < checks.SHORTEST_S:
            names = ["too_short"]
        elif trace.file_rate_hz < checks.LOWEST_RATE_HZ:
            names = ["low_sample_rate"]
    first = replace(checks.check(names[0]), severity="unusable")
    return Reading("unusable", first.detail, {}, checks=(first,), reader_version=version)


def _checks(samples: Samples, seen: Seen, unit: str) -> list[str]:
    trace, course = seen.trace, seen.course
    part = trace.values[course.first : course.last]
    names = ["ac_coupled"] if checks.blocks_direct_current(part, unit) else []
    if seen.sign < 0 and not names:
        names.append("reversed_leads")
    if clipped(samples, trace.gap_share):
        names.append("clipped")
    cycles = float(seen.cycles[-1] - seen.cycles[0])
    pp = seen.phases.ripple_pp if seen.phases else float(np.ptp(np.quantile(seen.trace.flat, [0.05, 0.95])))
    ripple_hz = PULSES * seen.swing.electrical_hz
    return names + checks.of_sizes(trace.step, pp, cycles, trace.record_s, trace.file_rate_hz, ripple_hz)


def _features(seen: Seen, unit: str, names: list[str]) -> dict[str, float]:
    """Capture-level numbers; what the hookup hides is NaN."""
    swing, phases = seen.swing, seen.phases
    values = seen.sign * seen.trace.values[seen.course.first : seen.course.last]
    mean = nan if "ac_coupled" in names else float(values.mean())
    pp = phases.ripple_pp if phases else nan
    lines = np.abs(np.fft.rfft(phases.mean_cycle)) if phases else np.full(PULSES + 1, nan)
    of_ripple = 100.0 * lines / (lines[PULSES] + 1e-30)
    rms = float(np.std(phases.mean_cycle)) if phases else nan
    return {
        "cycles": float(int(seen.cycles[-1] - seen.cycles[0])),
        "pulses": float(PULSES) if seen.found.sure else nan,
        "electrical_hz": swing.electrical_hz,
        "ripple_hz": PULSES * swing.electrical_hz,
        "charging_v": mean if unit == "V" else nan,
        "charging_a": mean if unit == "A" else nan,
        "ripple_mv": 1e3 * pp if unit == "V" else nan,
        "ripple_a": pp if unit == "A" else nan,
        "ripple_share_pct": 100.0 * rms / abs(mean) if unit == "A" and mean else nan,
        "sixth_pct": float(of_ripple[1]),
        "third_pct": float(of_ripple[2]),
        "half_pct": float(of_ripple[3]),
        "missing_pulses": float(np.count_nonzero(phases.pulse_pct < 50.0)) if phases else nan,
        "speed_swing_pct": swing.swing_pct,
        "field_clock_hz": swing.clock_hz,
    }


def _elements(phases: Phases | None) -> tuple[ElementReading, ...]:
    if phases is None:
        return ()
    pairs = zip(phases.relative_pct.tolist(), phases.se_pct.tolist(), strict=True)
    return tuple(
        ElementReading(None, at, value, error, "none") for at, (value, error) in enumerate(pairs, start=1)
    )


def _events(seen: Seen, start_s: float) -> Events:
    """The moments at which each phase is at its highest and its lowest."""
    trace, course, phases, cycles = seen.trace, seen.course, seen.phases, seen.cycles
    begin_s = start_s + trace.first_s
    first, last = (begin_s + at / trace.rate_hz for at in (course.first, course.last - 1))
    none = np.empty(0)
    if phases is None:
        return Events(first, last, none, none, np.empty(0, dtype=np.int64), none)
    whole = np.arange(np.ceil(cycles[0]) - 1, np.floor(cycles[-1]) + 1)
    angles = (whole[:, None] + phases.place + np.arange(PULSES)[None, :] / PULSES).ravel()
    number = np.tile(np.arange(PULSES) % 3 + 1, len(whole))
    inside = (angles >= cycles[0]) & (angles <= cycles[-1])
    at = np.interp(angles[inside], cycles, np.arange(course.first, course.last))
    shape = phases.mean_cycle / phases.ripple_pp if phases.ripple_pp > 0 else none
    return Events(first, last, none, begin_s + at / trace.rate_hz, number[inside], shape)
