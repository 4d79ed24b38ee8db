"""Sparks as the controller gives them, and the volts an input sees of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.composed.crank import Course
from tests.composed.parameters import Drawn, IgnitionDraw

Array = npt.NDArray[np.float64]
COIL_ON_V = 1.2
LOGIC_V = 5.0
INJECTOR_KICK_V = 55.0


@dataclass(frozen=True, slots=True)
class Sparks:
    """Times in s of the pulses of the watched coil (`own_s`) and of all other coils (`others_s`)."""

    own_s: Array
    others_s: Array


def _times_of(course: Course, angles_deg: Array) -> Array:
    """When the crank first came to those angles."""
    reached = np.maximum.accumulate(course.angle_deg)
    kept = np.concatenate([[True], np.diff(reached) > 0])
    times: Array = np.interp(angles_deg, reached[kept], course.time_s[kept], left=np.nan, right=np.nan)
    return times


def _angles(first_deg: float, period_deg: float, course: Course) -> Array:
    last = float(course.angle_deg.max())
    return np.arange(first_deg % period_deg, last, period_deg)


def sparks(drawn: Drawn, course: Course) -> Sparks:
    """All pulses of the record: the controller's rules first, then what it misses by chance."""
    ignition = drawn.ignition
    tops = course.tables.tops_deg
    period = 720.0 if ignition.style == "coil_on_plug" or ignition.watched == "injector" else 360.0
    shift = 300.0 if ignition.watched == "injector" else -ignition.advance_deg
    blind_to = drawn.engine.rest_deg + 360.0 * ignition.blind_turns
    trains: list[Array] = []
    for top in tops:
        angles = _angles(top + shift, period, course)
        if ignition.blind_turns and period == 720.0:
            extra = _angles(top + shift + 360.0, 720.0, course)
            angles = np.sort(np.concatenate([angles, extra[extra < blind_to]]))
        trains.append(angles)
    own_at = ignition.sync_cylinder - 1
    if ignition.style == "distributor" and ignition.watched != "injector":
        # The one coil gives 720 / cylinders pulses; each cylinder's own only once a cycle.
        own = np.sort(np.concatenate([_angles(top + shift, 720.0, course) for top in tops]))
        others = np.zeros(0)
    else:
        own = trains[own_at]
        rest = [train for c, train in enumerate(trains) if c != own_at]
        others = np.sort(np.concatenate(rest))
        if period == 360.0:  # the companion's pulse is the same coil's
            apart = np.abs((others[:, None] - own[None, :] + 180) % 360 - 180).min(axis=1, initial=360.0)
            others = np.unique(np.round(others[apart > 1.0], 3))
    rng = np.random.default_rng([drawn.seed, 30])
    return Sparks(_given(drawn, course, own, rng), _given(drawn, course, others, rng))


def _given(drawn: Drawn, course: Course, angles: Array, rng: np.random.Generator) -> Array:
    ignition = drawn.ignition
    times = _times_of(course, angles)
    late = angles >= drawn.engine.rest_deg + 360.0 * ignition.first_spark_turns
    keep = np.isfinite(times) & (late | (drawn.crank.ran_until_s is not None))
    live = course.turning | (course.speed > 20.0)
    keep &= np.interp(times, course.time_s, live.astype(float)) > 0.5
    if drawn.crank.ran_until_s is not None:
        off = (times > drawn.crank.ran_until_s) & (times < drawn.crank.engaged_s[0][0])
        keep &= ~off
    for on, until in ignition.quiet_s:
        keep &= ~((times >= on) & (times < until))
    keep &= rng.random(times.size) >= ignition.missing_share
    return times[keep]


def volts_seen(drawn: Drawn, pulses: Sparks, at_s: Array, supply_v: Array) -> Array:
    """What the ignition input is given at those times, before the scope's own doing."""
    ignition = drawn.ignition
    key_s = min(drawn.crank.engaged_s[0][0] - 0.4, drawn.crank.ran_until_s or 1e9)
    if ignition.watched in ("primary", "injector"):
        out = supply_v.copy()
        if ignition.key_step:
            out[at_s < key_s] = 0.0
        shape = _primary if ignition.watched == "primary" else _injector
        for t0 in pulses.own_s:
            shape(ignition, out, at_s, float(t0), 1.0)
        if ignition.neighbours and ignition.watched == "primary":
            for t0 in pulses.others_s:
                _pickup(ignition, out, at_s, float(t0), ignition.neighbours * ignition.kick_v)
        return out
    out = np.zeros(at_s.size)
    if ignition.watched == "trigger":
        for t0 in pulses.own_s:
            out[_slice(at_s, t0 - ignition.dwell_s, t0)] = LOGIC_V
        return out
    height = ignition.kick_v / 430.0 * 0.8 * drawn.scope.ignition.high
    for t0 in pulses.own_s:
        _pickup(ignition, out, at_s, float(t0), height)
    if ignition.neighbours:
        for t0 in pulses.others_s:
            _pickup(ignition, out, at_s, float(t0), ignition.neighbours * height)
    return out


def _slice(at_s: Array, begin: float, end: float) -> slice:
    low, high = np.searchsorted(at_s, (begin, end))
    return slice(int(low), int(high))


def _ring(ignition: IgnitionDraw, since: Array) -> Array:
    return np.exp(-since / ignition.ring_decay_s) * np.cos(2 * np.pi * ignition.ring_hz * since)


def _primary(ignition: IgnitionDraw, out: Array, at_s: Array, t0: float, share: float) -> None:
    """Dwell at coil-on level, the inductive kick, the burn line, then ringing about the battery's volts."""
    out[_slice(at_s, t0 - ignition.dwell_s, t0)] = COIL_ON_V
    burning = _slice(at_s, t0, t0 + ignition.burn_s)
    since = at_s[burning] - t0
    kick = share * ignition.kick_v * np.exp(-since / (ignition.pulse_s * 0.3))
    out[burning] = out[burning] + 28.0 + 12.0 * since / ignition.burn_s + kick
    after = _slice(at_s, t0 + ignition.burn_s, t0 + ignition.burn_s + 6 * ignition.ring_decay_s)
    out[after] += 35.0 * _ring(ignition, at_s[after] - t0 - ignition.burn_s)


def _injector(ignition: IgnitionDraw, out: Array, at_s: Array, t0: float, share: float) -> None:
    """On for some milliseconds at the transistor's volts, then a kick that a clamp diode holds, no burn line."""
    out[_slice(at_s, t0 - ignition.on_time_s, t0)] = COIL_ON_V * 0.3
    after = _slice(at_s, t0, t0 + 3e-3)
    since = at_s[after] - t0
    out[after] += share * INJECTOR_KICK_V * np.exp(-np.maximum(since - 2e-4, 0.0) / 4e-4)


def _pickup(ignition: IgnitionDraw, out: Array, at_s: Array, t0: float, height: float) -> None:
    where = _slice(at_s, t0, t0 + 6 * ignition.pulse_s)
    since = at_s[where] - t0
    out[where] += (
        height * np.exp(-since / ignition.pulse_s) * np.cos(2 * np.pi * ignition.ring_hz * since * 0.2)
    )
