"""One channel of a capture read as pump current."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import nan

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import Check
from pipelines.kinds.fuel_pump_current import checks
from pipelines.kinds.fuel_pump_current.measure import Levels, Sizes, bar_levels, sizes
from pipelines.kinds.fuel_pump_current.signals import Trace, prepare
from pipelines.kinds.fuel_pump_current.startup import Startup, find_startup
from pipelines.kinds.fuel_pump_current.turning import Turning, find_turning

SHORTEST_S = 0.06


@dataclass(frozen=True, slots=True)
class PumpReading:
    """All that one channel says.

    Attributes:
        status: `read` or `unusable`; `reason` says why and what to do.
        features: capture-level numbers by name, unit in the name, NaN where unknown.
        levels: the bars against each other; None where they cannot be told.
        bars: candidates for the number of bars, the likelier first; one = told; empty = not shown.
        checks: setup checks that failed.
        turning: the steady stretch.
        notes: what had to be decided, in sentences.
    """

    status: str
    reason: str
    features: dict[str, float]
    levels: Levels | None = None
    bars: tuple[int, ...] = ()
    checks: tuple[Check, ...] = ()
    turning: Turning | None = None
    notes: tuple[str, ...] = field(default=())


def read_current(samples: npt.NDArray[np.float32], rate_hz: float, scale: float = 1.0) -> PumpReading:
    """Read one channel, shape (samples,), as the current of a pump; `scale` multiplies it into A.

    Never raises for a bad signal: that is status `unusable`.
    """
    trace = prepare(samples, rate_hz, scale)
    if trace is None:
        return _unusable("no_ripple")
    turning = find_turning(trace) if trace.duration_s >= SHORTEST_S else None
    if turning is None:
        return _unusable("too_short" if trace.duration_s < 2 * SHORTEST_S else "no_ripple")
    start = find_startup(trace, turning.first, turning.last)
    found = sizes(trace, turning, 0.0)
    part = trace.amps[turning.first : turning.last]
    running = float(np.median(part))
    if not _is_pump(found, turning):
        return _unusable("no_ripple")
    blocked = checks.blocks_direct_current(start, running, found.ripple_a, float(np.std(part)))
    sign = start.polarity or (-1 if running < 0 and not blocked else 1)
    names = ["reversed_leads"] if sign < 0 else []
    if sign < 0:
        trace, turning = _turned(trace, turning)
        start = replace(start, no_current_a=-start.no_current_a)
    zero = start.no_current_a if np.isfinite(start.no_current_a) else 0.0
    found = sizes(trace, turning, zero)
    levels = None if blocked else bar_levels(trace, turning, zero)
    turns = float(turning.repeats[-1] - turning.repeats[0]) / (turning.per_turn or 1.0)
    names += checks.of_sizes(trace, found, turns)
    if blocked:
        names.append("ac_coupled")
    if checks.clipped(samples, trace):
        names.append("clipped")
    if checks.switched(samples, rate_hz, running / (scale or 1.0)) > 0:
        names.append("pwm_driven")
    bars = tuple(dict.fromkeys(n for n, _ in turning.turn.candidates))
    if len(bars) != 1:
        names.append("unsure_bars")
    return PumpReading(
        "read",
        "",
        _features(turning, found, start, turns, blocked, "clipped" in names),
        levels,
        bars,
        tuple(checks.check(name) for name in names),
        turning,
        _notes(bars),
    )


def _is_pump(found: Sizes, turning: Turning) -> bool:
    """Whether what was followed can be a motor: humps in a plausible repetition, or at least a wandering line."""
    if turning.turn.candidates:
        return True
    return bool(np.isfinite(found.ripple_a)) and turning.line_hz > 300.0


def _turned(trace: Trace, turning: Turning) -> tuple[Trace, Turning]:
    """Trace and ripple with the sign turned over."""
    return replace(trace, amps=-trace.amps), replace(turning, flat=-turning.flat)


def _unusable(name: str) -> PumpReading:
    found = checks.check(name)
    return PumpReading("unusable", found.detail, {}, checks=(found,))


def _features(
    turning: Turning, found: Sizes, start: Startup, turns: float, blocked: bool, clipped: bool
) -> dict[str, float]:
    """Capture-level numbers; what the hookup hides is NaN."""
    mean = nan if blocked else found.mean_a
    hidden = blocked or clipped
    return {
        "turns": float(int(turns)),
        "bars": float(turning.turn.bars) or nan,
        "pump_rpm": found.rpm,
        "rpm_spread_pct": found.rpm_spread_pct,
        "mean_a": mean,
        "ripple_a": found.ripple_a,
        "wobble_pct": nan if blocked else found.wobble_pct,
        "a_per_krpm": mean / found.rpm * 1000.0 if found.rpm > 0 else nan,
        "start_peak_a": nan if hidden else start.peak_a,
        "run_up_s": nan if hidden else start.run_up_s,
    }


def _notes(bars: tuple[int, ...]) -> tuple[str, ...]:
    """What could not be decided, said."""
    if not bars:
        return ("The bars look alike in this record, so that the ripple does not show where a turn begins.",)
    if len(bars) == 1:
        return ()
    if set(bars) == {5, 10}:
        return ("Ten humps a turn: a commutator of 10 bars, or of 5 whose bars each show twice.",)
    return (f"The ripple fits a commutator of {' or of '.join(map(str, bars))} bars equally well.",)
