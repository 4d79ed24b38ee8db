"""One channel of a capture read as pump current."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import Check, ElementReading, Events, Reading
from pipelines.kinds.fuel_pump_current import checks
from pipelines.kinds.fuel_pump_current.measure import Levels, Sizes, bar_levels, sizes
from pipelines.kinds.fuel_pump_current.signals import Trace, prepare
from pipelines.kinds.fuel_pump_current.startup import Startup, find_startup
from pipelines.kinds.fuel_pump_current.turning import Turning, find_turning

SHORTEST_S = 0.06
LOWEST_RIPPLE_HZ = 250.0
MOST_A = 60.0
SHAPE_POINTS = 180
STEPS_FOR_BARS = 2.5
ZERO_OFF_A = 0.35
MOST_SE_PCT = 5.0
"""Usual error of a place from which on the record says nothing of its bars."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the steps of reading found: for the reading, and for tests that look inside."""

    trace: Trace
    turning: Turning
    start: Startup
    sizes: Sizes
    levels: Levels | None


def read_current(
    samples: npt.NDArray[np.float32], rate_hz: float, start_s: float, scale: float, version: int
) -> Reading:
    """Read one channel, shape (samples,), as the current of a pump; `scale` multiplies it into A.

    `start_s` is the time of the first sample. Never raises for a bad signal: that is status `unusable`.
    """
    trace = prepare(samples, rate_hz, scale)
    if trace is None:
        return _unusable(samples, None, version)
    turning = find_turning(trace) if trace.duration_s >= SHORTEST_S else None
    if turning is None or not _is_pump(trace, turning):
        return _unusable(samples, trace, version)
    seen, names = look(samples, trace, turning)
    return Reading(
        "read",
        "",
        _features(seen, names),
        _elements(seen.levels),
        tuple(checks.check(name) for name in names),
        _events(seen, start_s),
        version,
        _notes(turning, seen.levels),
    )


def look(samples: npt.NDArray[np.float32], trace: Trace, turning: Turning) -> tuple[Seen, list[str]]:
    """Measure the followed stretch, and name the setup checks that failed."""
    start = find_startup(trace, turning.first, turning.last)
    part = trace.amps[turning.first : turning.last]
    running = float(np.median(part))
    if not abs(start.no_current_a) <= 0.4 * abs(running) + ZERO_OFF_A:
        start = replace(start, no_current_a=nan, polarity=0)
    blocked = checks.blocks_direct_current(part, start.no_current_a)
    sign = start.polarity or (-1 if running < 0 and not blocked else 1)
    names = ["reversed_leads"] if sign < 0 else []
    if sign < 0:
        trace, turning = replace(trace, amps=-trace.amps), replace(turning, flat=-turning.flat)
        start = replace(start, no_current_a=-start.no_current_a)
    zero = start.no_current_a if np.isfinite(start.no_current_a) else 0.0
    found = sizes(trace, turning, zero)
    ripple = found.ripple_a if np.isfinite(found.ripple_a) else 2.8 * float(np.std(turning.flat))
    fine = trace.step_a * STEPS_FOR_BARS < ripple
    levels = bar_levels(trace, turning, zero) if fine and not blocked else None
    if levels is not None and float(np.median(levels.se_pct)) > MOST_SE_PCT:
        levels = None
    turned = float(turning.turns[-1] - turning.turns[0]) if len(turning.turns) else nan
    names += checks.of_sizes(trace, ripple, turned, (turning.last - turning.first) / len(trace.amps))
    if blocked:
        names.append("ac_coupled")
    if checks.clipped(samples, trace):
        names.append("clipped")
    if checks.switched(samples, trace.file_rate_hz, running) > 0:
        names.append("pwm_driven")
    return Seen(trace, turning, start, found, levels), names


def _is_pump(trace: Trace, turning: Turning) -> bool:
    """Whether what was followed can be a motor: a comb of lines, or at least a ripple on a current of a pump's size."""
    part = trace.amps[turning.first : turning.last]
    if float(np.quantile(np.abs(part), 0.99)) > MOST_A:
        return False
    read = turning.count
    return turning.line_hz > LOWEST_RIPPLE_HZ or (read is not None and read.is_comb)


def _unusable(samples: npt.NDArray[np.float32], trace: Trace | None, version: int) -> Reading:
    """No ripple could be followed: the check that says best why comes first, and gives the reason."""
    names = ["no_ripple"]
    if trace is not None:
        names = ["clipped"] if checks.clipped(samples, trace) else []
        if trace.duration_s < 2 * SHORTEST_S:
            names.insert(0, "too_short")
        elif not names:
            slow = trace.file_rate_hz < checks.LOWEST_RATE_HZ
            names.append("low_sample_rate" if slow else "no_ripple")
        running = float(np.median(trace.amps))
        if "no_ripple" not in names:
            # the right channel, as far as can be told: what else is wrong with it is said too
            blocked = checks.blocks_direct_current(trace.amps, nan)
            names += ["ac_coupled"] if blocked else ["reversed_leads"] if running < 0 else []
            if checks.switched(samples, trace.file_rate_hz, running) > 0:
                names.append("pwm_driven")
    first, *others = (checks.check(name) for name in names)
    worst: Check = replace(first, severity="unusable")
    return Reading("unusable", worst.detail, {}, checks=(worst, *others), reader_version=version)


def _features(seen: Seen, names: list[str]) -> dict[str, float]:
    """Capture-level numbers; what the hookup hides is NaN."""
    found, start = seen.sizes, seen.start
    blocked = "ac_coupled" in names
    hidden = blocked or "clipped" in names
    mean = nan if blocked else found.mean_a
    turns = seen.turning.turns
    bars = seen.levels.bars if seen.levels else seen.turning.bars
    return {
        "turns": float(int(turns[-1] - turns[0])) if len(turns) else nan,
        "bars": float(bars[0]) if len(bars) == 1 else nan,
        "pump_rpm": found.rpm,
        "rpm_spread_pct": found.rpm_spread_pct,
        "mean_a": mean,
        # a d.c. motor's torque goes with its current: what it carries, at the speed it carries it
        "load_a_per_krpm": 1e3 * mean / found.rpm,
        "ripple_a": found.ripple_a,
        "wobble_pct": nan if blocked else found.wobble_pct,
        "lag_ms": 1e3 * seen.levels.lag_s if seen.levels else nan,
        "start_peak_a": nan if hidden else start.peak_a,
        "run_up_s": nan if hidden else start.run_up_s,
    }


def _elements(levels: Levels | None) -> tuple[ElementReading, ...]:
    if levels is None:
        return ()
    pairs = zip(levels.relative_pct.tolist(), levels.se_pct.tolist(), strict=True)
    return tuple(
        ElementReading(None, at, value, error, "none") for at, (value, error) in enumerate(pairs, start=1)
    )


def _events(seen: Seen, start_s: float) -> Events:
    """The middles of every place's passages, the time the current is late taken into account."""
    trace, turning, levels = seen.trace, seen.turning, seen.levels
    first, last = (start_s + at / trace.rate_hz for at in (turning.first, turning.last - 1))
    none = np.empty(0)
    if levels is None:
        return Events(first, last, none, none, np.empty(0, dtype=np.int64), none)
    places = len(levels.relative_pct)
    span = 1.0 if places % 2 == 0 else 0.5
    whole = int((turning.turns[-1] - levels.place_turns[0]) / span)
    angles = (levels.place_turns[None, :] + span * np.arange(whole)[:, None]).ravel()
    number = np.tile(np.arange(1, places + 1), whole)
    inside = (angles >= turning.turns[0]) & (angles <= turning.turns[-1])
    at = np.interp(angles[inside], turning.turns, np.arange(turning.first, turning.last))
    grid = np.arange(SHAPE_POINTS) / SHAPE_POINTS * len(levels.mean_turn)
    shape = np.interp(grid, np.arange(len(levels.mean_turn)), levels.mean_turn, period=len(levels.mean_turn))
    return Events(first, last, none, start_s + at / trace.rate_hz, number[inside], shape)


def _notes(turning: Turning, levels: Levels | None) -> tuple[str, ...]:
    """What could not be decided, said."""
    if not turning.ripples:
        if len(turning.turns):
            return (
                "The speed is clear, but the ripples in a turn could not be counted: no bars are compared.",
            )
        said = "The ripples of a turn could not be counted in this record: neither speed nor bars are read."
        return (said,)
    if levels is None:
        return ("Level, steps or length of this record do not allow to compare the bars.",)
    if len(levels.bars) > 1:
        return ("Ten ripples a turn: a commutator of 10 bars, or of 5 of which each shows twice.",)
    if levels.bars[0] % 2 == 0:
        return ("Opposite bars lie under the two brushes together: one worn bar lowers two opposite places.",)
    return ()
