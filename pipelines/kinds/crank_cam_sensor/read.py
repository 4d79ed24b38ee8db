"""One capture of a crank sensor, a cam sensor or both."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

import numpy as np

from pipelines.kinds.base import Check, ElementReading, Events, Hookup, Reading
from pipelines.kinds.crank_cam_sensor import checks
from pipelines.kinds.crank_cam_sensor.angle import CRANK, CrankAngle, angle_of
from pipelines.kinds.crank_cam_sensor.cam import Cam, read_cam
from pipelines.kinds.crank_cam_sensor.find import Found, look
from pipelines.kinds.crank_cam_sensor.signals import Floats, Trace
from pipelines.kinds.crank_cam_sensor.teeth import Levels, by_cycle, over_repeats, run_out, without_run_out
from pipelines.kinds.crank_cam_sensor.wheel import Wheel
from pipelines.waveform import Waveform

CAM = "cam_sensor"
PLACE, SIZE, TIMING = "tooth_place", "tooth_size", "cam_timing"
UNKNOWN_PLACE_PCT = 100.0 / np.sqrt(12.0)
SHAPE_POINTS, SHAPE_TURNS = 360, 60
MOST_EVENTS = 6000
FEWEST_WINDOWS = 2


@dataclass(frozen=True, slots=True)
class Seen:
    """What the steps of reading found.

    Attributes:
        place, size: of the teeth that are there; size is None where the screen cut it off.
        pitch: samples from place to place, shape (windows of two turns, 2 x teeth).
        height: one number a tooth, shape (teeth,): V per 1000 rpm of a coil, share of a pitch of a switch.
    """

    found: Found
    wheel: Wheel
    place: Levels
    size: Levels | None
    pitch: Floats
    height: Floats
    angle: CrankAngle | None
    cam: Cam | None


def read_sensors(waveform: Waveform, hookup: Hookup, version: int) -> Reading:
    """Read one capture; see `pipelines.kinds.base.Kind.read`."""
    named = hookup.signals[: waveform.channels]
    channels = {name: named.index(name) for name in (CRANK, CAM) if name in named}
    if not channels:
        said = "No channel is logged as crank_sensor or cam_sensor; correct the row in captures.csv."
        return Reading("unusable", said, {}, reader_version=version)
    looked = {
        name: look(waveform.samples[at], waveform.rate_hz, hookup.scales[at]) for name, at in channels.items()
    }
    main, other = looked.get(CRANK, looked.get(CAM)), looked.get(CAM) if CRANK in looked else None
    names = []
    if CRANK in looked and CAM in looked and _swapped(main, other):
        main, other = other, main
        names.append("swapped_channels")
    if main is None or main.wheel is None:
        return _unusable(main, names, version)
    seen = _measure(main, main.wheel, other, waveform.start_s)
    if seen is None:
        return _unusable(main, [*names, "too_short"], version)
    names += _checks(seen, named_cam=CRANK in looked and CAM in looked)
    return Reading(
        "read",
        "",
        _features(seen, cam_only=CRANK not in looked),
        _elements(seen),
        tuple(checks.check(name) for name in names),
        _events(seen, waveform.start_s),
        version,
        _notes(seen, cam_only=CRANK not in looked),
    )


def _swapped(crank: Found | None, cam: Found | None) -> bool:
    """Whether the channel logged as the cam's carries the wheel: the crank's has more teeth and turns twice as fast."""
    if cam is None or cam.wheel is None:
        return False
    if crank is None or crank.wheel is None:
        return crank is None or len(crank.teeth.at) < len(cam.teeth.at)
    return len(cam.teeth.at) > 1.5 * len(crank.teeth.at)


def _measure(main: Found, wheel: Wheel, other: Found | None, start_s: float) -> Seen | None:
    cycles = by_cycle(main.teeth.at, wheel)
    if cycles is None or len(cycles.first) < FEWEST_WINDOWS:
        return None
    place = over_repeats(cycles.error_pct, ratio=False, overlap=cycles.overlap, apart=cycles.apart_pct)
    pitch = cycles.pitch
    own = main.teeth.size[cycles.first[:, None] + np.arange(pitch.shape[1])]
    # Faraday: the flux's rate of change grows with the speed, so a coil's pulses are taken at 1000 rpm
    slow = 1000.0 * pitch * wheel.places / (60.0 * main.trace.rate_hz)
    height = own / pitch if main.trace.switched else own * slow
    height = height.reshape(len(height), -1, wheel.teeth).mean(axis=1)
    middle = np.median(height, axis=0)
    even = height if main.trace.switched else without_run_out(height, wheel.slot, wheel.places)
    cut = main.trace.clipped
    size = None if cut else over_repeats(100.0 * even / np.median(middle), ratio=True, overlap=cycles.overlap)
    angle = angle_of(main, start_s, place.relative_pct - 100.0)
    half_gap = (wheel.places - int(wheel.slot[-1]) + 1) / wheel.places / 2
    cam = read_cam(other, angle, start_s, half_gap) if other is not None and angle is not None else None
    return Seen(main, wheel, place, size, pitch, middle, angle, cam)


def _checks(seen: Seen, *, named_cam: bool) -> list[str]:
    trace, names = seen.found.trace, []
    if len(seen.wheel.first) < checks.FEW_TURNS:
        names.append("too_short")
    if trace.clipped:
        names.append("clipped")
    if trace.every * float(np.median(seen.pitch)) < checks.SAMPLES_A_TOOTH:
        names.append("low_sample_rate")
    swing = 2.0 * float(np.median(trace.half_v[np.isfinite(trace.half_v)]))
    if trace.step_v > swing / checks.STEPS:
        names.append("coarse_resolution")
    if not trace.switched and seen.found.teeth.rising:
        names.append("reversed_leads")
    if trace.switched and _blocks(trace):
        names.append("ac_coupled")
    if seen.wheel.lost > checks.LOST_SHARE:
        names.append("lost_pulses")
    if named_cam and seen.cam is None:
        names.append("no_cam")
    return names


def _blocks(trace: Trace) -> bool:
    """Whether a switch's levels lie about nothing, the lower one well below it, which no sensor gives."""
    half = np.where(np.isfinite(trace.half_v), trace.half_v, np.nan)
    swing = 2.0 * float(np.nanmedian(half))
    low = float(np.nanmedian(trace.middle_v - half))
    return low < -0.15 * swing and abs(float(trace.volts.mean())) < 0.08 * swing


def _unusable(main: Found | None, names: list[str], version: int) -> Reading:
    short = main is not None and main.regular and len(main.teeth.at) < 150
    reason = "too_short" if "too_short" in names or short else "no_wheel"
    others = [name for name in names if name != reason]
    if main is not None and main.trace.clipped:
        others.append("clipped")
    worst: Check = replace(checks.check(reason), severity="unusable")
    found = tuple(checks.check(name) for name in others)
    return Reading("unusable", worst.detail, {}, checks=(worst, *found), reader_version=version)


def _features(seen: Seen, *, cam_only: bool) -> dict[str, float]:
    trace, wheel, cam = seen.found.trace, seen.wheel, seen.cam
    turn = seen.pitch.mean(axis=1) * wheel.places / trace.rate_hz
    low, high = np.quantile(1.0 / seen.pitch, [0.05, 0.95], axis=1)
    coil = not trace.switched
    swing, _ = (
        run_out(seen.height, wheel.slot, wheel.places) if coil and seen.size is not None else (nan, nan)
    )
    return {
        "turns": float(len(wheel.first)),
        "places": float(wheel.places),
        "teeth": float(wheel.teeth),
        "broken_teeth": float(len(wheel.missing)),
        "crank_rpm": 60.0 / float(turn.mean()) * (2.0 if cam_only else 1.0),
        "speed_swing_pct": 100.0 * float(np.mean((high - low) * seen.pitch.mean(axis=1))),
        "lost_turns_pct": 100.0 * wheel.lost,
        "coil": float(coil),
        "pulse_v": float(np.median(seen.found.teeth.size[wheel.first])) if coil and seen.size else nan,
        "pulse_at_1000_rpm_v": float(np.median(seen.height)) if coil and seen.size else nan,
        "tooth_width_pct": nan if coil else 100.0 * float(np.median(seen.height)),
        "run_out_pct": swing,
        "cam_edges": float(cam.edges) if cam else nan,
        "cam_after_gap_deg": 360.0 * cam.turns if cam else nan,
        "cam_se_deg": 360.0 * cam.se_turns if cam else nan,
        "cam_wander_deg": 360.0 * cam.wander_turns if cam else nan,
    }


def _elements(seen: Seen) -> tuple[ElementReading, ...]:
    wheel, found = seen.wheel, []
    numbers = wheel.numbers.tolist()
    every = sorted([*wheel.slot.tolist(), *wheel.missing])
    gone = [every.index(slot) + 1 for slot in wheel.missing]
    for name, levels, nothing, unsure in (
        (PLACE, seen.place, 100.0, UNKNOWN_PLACE_PCT),
        (SIZE, seen.size, 0.0, 1.0),
    ):
        if levels is None:
            continue
        rows = [*zip(numbers, levels.relative_pct.tolist(), levels.se_pct.tolist(), strict=True)]
        rows += [(number, nothing, unsure) for number in gone]
        middle = float(np.median([value for _, value, _ in rows]))
        move = 100.0 - middle
        scale = 100.0 / middle if name == SIZE else 1.0
        for number, value, error in sorted(rows):
            level = value * scale if name == SIZE else value + move
            found.append(ElementReading(number, number, level, error * scale, "sync", measure=name))
    cam = seen.cam
    if cam is not None and np.isfinite(cam.se_turns):
        value, error = 100.0 * (1.0 + cam.turns), 100.0 * cam.se_turns
        found.append(ElementReading(None, 1, value, error, "none", measure=TIMING))
    return tuple(found)


def _events(seen: Seen, start_s: float) -> Events:
    wheel, trace = seen.wheel, seen.found.trace
    first = wheel.first[: max(1, MOST_EVENTS // wheel.teeth)]
    at = seen.found.teeth.at[first[:, None] + np.arange(wheel.teeth)]
    number = np.tile(wheel.numbers, len(first))
    time = trace.time_s(at, start_s)
    last = seen.found.teeth.at[wheel.first[-1] + wheel.teeth - 1]
    return Events(
        float(time[0, 0]), float(trace.time_s(last, start_s)), time[:, 0], time.ravel(), number, _shape(seen)
    )


def _shape(seen: Seen) -> Floats:
    """Mean signal over a turn, from the first tooth after the gap, in parts of its own half swing."""
    wheel, trace, at = seen.wheel, seen.found.trace, seen.found.teeth.at
    first = wheel.first[wheel.first + wheel.teeth < len(at)][:SHAPE_TURNS]
    if not len(first):
        return np.empty(0)
    grid = 1.0 + np.arange(SHAPE_POINTS) / SHAPE_POINTS * wheel.places
    slots = np.append(wheel.slot, wheel.places + 1.0)
    rows = []
    for begin in first.tolist():
        where = np.interp(grid, slots, at[begin : begin + wheel.teeth + 1])
        sample = np.clip(np.rint(where).astype(np.int64), 0, len(trace.volts) - 1)
        part = trace.volts[sample] - trace.middle_at(where)
        rows.append(part / (0.5 * float(np.ptp(part)) + 1e-12))
    return np.asarray(np.mean(rows, axis=0))


def _notes(seen: Seen, *, cam_only: bool) -> tuple[str, ...]:
    wheel, notes = seen.wheel, []
    notes.append(
        f"Wheel {wheel.name}, read from a {'switch' if seen.found.trace.switched else 'coil'}; tooth 1 is the first "
        "after the gap."
    )
    if wheel.missing:
        every = np.sort([*wheel.slot, *wheel.missing])
        gone = ", ".join(str(int(np.searchsorted(every, slot)) + 1) for slot in wheel.missing)
        notes.append(
            f"Nothing passes where tooth {gone} should be: it is missing, or the wheel is of a rare kind."
        )
    if wheel.either:
        notes.append(
            f"Its two gaps are alike: counted from the other one, the missing tooth is number {wheel.either}."
        )
    if cam_only:
        notes.append("Only the cam sensor is on the record: the teeth are the cam's, the speed is doubled.")
    if seen.size is None:
        notes.append("The pulses are cut off, so their heights are not compared.")
    return tuple(notes)
