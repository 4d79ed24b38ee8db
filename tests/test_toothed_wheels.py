"""Wheels found from constructed times and signals; from outside the project: geometry, Faraday, scipy's roots."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import brentq

from pipelines.kinds.base import Hookup, Reading
from pipelines.kinds.crank_cam_sensor import KIND
from pipelines.kinds.crank_cam_sensor.angle import crank_angle
from pipelines.kinds.crank_cam_sensor.cam import _reference
from pipelines.kinds.crank_cam_sensor.checks import CHECKS, check
from pipelines.kinds.crank_cam_sensor.find import look
from pipelines.kinds.crank_cam_sensor.simulation.shelf import DESIGNS, WheelSimulation
from pipelines.kinds.crank_cam_sensor.wheel import find_wheel, pitches
from pipelines.waveform import Waveform
from tests.independent_toothed_wheel import Engine, Rim, coil_voltage, gas_torque, motion
from tests.independent_wheel_captures import capture

Floats = npt.NDArray[np.float64]
RATE_HZ = 20_000.0
# Teeth and pitch of wheels in common use: 60 places of 6 degrees, 58 teeth; 36 of 10 degrees, 35 (or 30 in three runs).
# The 58-tooth and 35-tooth wheels are the usual examples of engine-position functions in microcontroller makers' notes
# (e.g. NXP AN4907); the three-gap wheel is common practice, no source.
PATTERNS = {
    "60-2": ((58,), 2), "36-1": ((35,), 1), "36-2-2-2": ((1, 16, 13), 2), "24-2": ((22,), 2), "12-1": ((11,), 1)
}  # fmt: skip


def slots_of(pattern: str) -> tuple[list[int], int]:
    runs, wide = PATTERNS[pattern]
    slots, at = [], 1
    for run in runs:
        slots += list(range(at, at + run))
        at += run + wide
    return slots, at - 1


def swinging(turns: Floats, swing: float = 0.25, order: float = 2.0, rpm: float = 200.0) -> Floats:
    """Times in s at which the crank has turned that far: dt/dangle = (1 + swing cos(order angle)) / speed."""
    angle = 2 * np.pi * turns
    return (angle + swing / order * np.sin(order * angle)) * 30 / np.pi / rpm


def tooth_times(
    pattern: str, turns: int = 12, off: dict[int, float] | None = None, swing: float = 0.25
) -> Floats:
    """Times of all teeth; `off`: by number, how far in places."""
    slots, places = slots_of(pattern)
    at = np.array(slots, dtype=np.float64) - 1
    for number, by in (off or {}).items():
        at[number - 1] += by
    return swinging((np.arange(turns)[:, None] + at / places).ravel() + 0.3, swing)


def square(times: Floats, width: Floats, high: float = 5.0) -> Floats:
    """A switch that is low over each tooth: `width` in s about each of `times`."""
    time = np.arange(int((times[-1] + 0.02) * RATE_HZ)) / RATE_HZ
    edges = np.stack([times - width / 2, times + width / 2], axis=1).ravel()
    return np.where(np.searchsorted(edges, time) % 2 == 1, 0.0, high)


def read(*volts: Floats, rate_hz: float = RATE_HZ) -> Reading:
    signals = ("crank_sensor", "cam_sensor")
    samples = np.stack(volts).astype(np.float32)
    wave = Waveform(rate_hz, 0.0, samples, ("",) * len(volts))
    return KIND.read(wave, Hookup(signals[: len(volts)], (1.0,) * len(volts)), None)


def values(reading: Reading, measure: str) -> Floats:
    return np.array([one.relative_pct for one in reading.elements if one.measure == measure])


@pytest.mark.parametrize("pattern", PATTERNS)
def test_wheels_in_common_use_are_found_from_their_times_alone(pattern: str) -> None:
    slots, places = slots_of(pattern)
    times = tooth_times(pattern)
    for begin in (0, 5, len(slots) - 1):
        found = find_wheel(times[begin:])
        assert found is not None
        assert found.name == pattern
        assert found.places == places
        assert found.slot.tolist() == slots
        assert found.missing == ()
        # the first tooth after the gap of every whole turn
        assert {int(at + begin) % len(slots) for at in found.first} == {0}
        assert found.lost == 0


def test_a_tooth_that_is_gone_keeps_its_number() -> None:
    times = tooth_times("60-2").reshape(12, 58)
    found = find_wheel(np.delete(times, 29, axis=1).ravel())
    assert found is not None
    assert found.name == "60-2"
    assert found.missing == (30,)
    assert found.numbers.tolist() == [*range(1, 30), *range(31, 59)]
    one_gap = find_wheel(np.delete(tooth_times("36-1").reshape(12, 35), 9, axis=1).ravel())
    assert one_gap is not None
    assert {one_gap.missing[0], one_gap.either} == {10, 26}


def test_no_gap_no_wheel() -> None:
    assert find_wheel(swinging(np.arange(400) / 30.0)) is None
    assert find_wheel(np.sort(np.random.default_rng(1).random(400))) is None
    count, whole = pitches(swinging(np.arange(400) / 30.0))
    assert (count == 1).all()
    assert whole.all()


def test_turns_with_lost_pulses_are_left_out_and_counted() -> None:
    times = np.delete(tooth_times("60-2"), [3 * 58 + 20, 7 * 58 + 40])
    found = find_wheel(times)
    assert found is not None
    assert len(found.first) == 9  # eleven gaps are seen, two turns hold a hole
    assert found.lost == pytest.approx(2 / 11, abs=0.02)


@pytest.mark.parametrize(
    ("pattern", "number", "by"), [("60-2", 17, 0.12), ("36-1", 30, -0.15), ("36-2-2-2", 9, 0.1)]
)
def test_a_bent_tooth_is_told_from_the_swing_of_the_speed(pattern: str, number: int, by: float) -> None:
    times = tooth_times(pattern, turns=16, off={number: by})
    pitch = np.full(len(times), 0.5 * float(np.median(np.diff(times))))
    reading = read(square(times, 0.8 * pitch))
    place = values(reading, "tooth_place") - 100
    assert int(np.argmax(np.abs(place))) + 1 == number
    assert place[number - 1] == pytest.approx(100 * by, abs=1.0)
    assert np.abs(np.delete(place, number - 1)).max() < 1.5


def test_a_chipped_tooth_of_a_switch_is_narrow_and_late_by_half_of_it() -> None:
    times = tooth_times("60-2", turns=16, swing=0.05)
    pitch = 60 / 200 / 60
    width = np.full(len(times), 0.5 * pitch)
    width[19::58] *= 0.6
    reading = read(square(times, width))
    size = values(reading, "tooth_size")
    assert int(np.argmin(size)) == 19
    assert size[19] == pytest.approx(60.0, abs=2.0)
    assert reading.features["tooth_width_pct"] == pytest.approx(50.0, abs=1.5)


def coil_wave(rpm: float, rate_hz: float = 50_000.0, off: float = 0.0) -> tuple[Floats, Floats]:
    """A coil at steady speed from the independent magnetic circuit, and the turns at each sample."""
    slots, places = slots_of("60-2")
    centre = np.array(slots, dtype=np.float64) - 1
    centre[11] += off
    rim = Rim(places, centre, np.ones(58), np.full(58, 0.5))
    turns = 0.3 + np.arange(int(12 * 60 / rpm * rate_hz)) / rate_hz * rpm / 60
    return coil_voltage(rim, turns, rate_hz, 0.01, rpm, 1e6), turns


def test_a_coils_pulses_grow_in_proportion_to_the_speed() -> None:
    """Faraday's law of induction: v = -N dphi/dt, so at a given flux per angle the height is proportional to speed."""
    slow, fast = (read(coil_wave(rpm)[0], rate_hz=50_000.0) for rpm in (200.0, 600.0))
    assert fast.features["pulse_v"] / slow.features["pulse_v"] == pytest.approx(3.0, rel=0.02)
    assert fast.features["pulse_at_1000_rpm_v"] == pytest.approx(
        slow.features["pulse_at_1000_rpm_v"], rel=0.02
    )
    assert slow.features["coil"] == 1.0
    for reading, rpm in ((slow, 200.0), (fast, 600.0)):
        assert reading.features["crank_rpm"] == pytest.approx(rpm, rel=1e-3)


def test_times_of_the_teeth_are_the_roots_scipy_finds() -> None:
    """A sine under the teeth: its falling zeros by `scipy.optimize.brentq` are the times the reader gives."""
    rate_hz = 15_000.0

    def volts(time: float) -> float:
        turns = 3.0 * time + 0.02 * np.sin(12.0 * time)
        place = (turns * 36.0) % 36.0
        # falls through zero where `place` is a whole number; nothing in the gap
        return float(-np.sin(2 * np.pi * place)) if place < 34.5 or place > 35.5 else 0.0

    samples = np.array([volts(at / rate_hz) for at in range(int(4.5 * rate_hz))])
    found = look(samples.astype(np.float32), rate_hz, 1.0)
    assert found is not None
    assert found.wheel is not None
    assert found.wheel.name == "36-1"
    assert not found.teeth.rising
    times = found.trace.time_s(found.teeth.at, 0.0)
    for time in times[[40, 77, 150, 260]]:
        assert abs(brentq(volts, time - 1e-3, time + 1e-3, xtol=1e-9) - time) < 0.1 / rate_hz


def test_reversed_leads_are_read_all_the_same() -> None:
    volts, _ = coil_wave(250.0, off=0.15)
    plain, turned = read(volts, rate_hz=50_000.0), read(-volts, rate_hz=50_000.0)
    assert "reversed_leads" not in {one.check for one in plain.checks}
    assert "reversed_leads" in {one.check for one in turned.checks}
    for reading in (plain, turned):
        place = values(reading, "tooth_place")
        assert int(np.argmax(place)) == 11
        assert place[11] == pytest.approx(115.0, abs=2.0)


def test_run_out_is_the_once_per_turn_swing_of_the_pulses() -> None:
    rate_hz, turns = 20_000.0, np.arange(80_000) / 20_000.0 * 4.0
    place = (turns * 60) % 60
    pulses = np.where((place < 57.5) | (place > 59.5), -np.sin(2 * np.pi * place), 0.0)
    reading = read((1 + 0.05 * np.cos(2 * np.pi * (turns - 0.4))) * pulses, rate_hz=rate_hz)
    assert reading.features["run_out_pct"] == pytest.approx(10.0, abs=0.7)
    size = values(reading, "tooth_size")
    assert np.abs(size[2:-2] - 100).max() < 1.5  # the run-out is taken off


@pytest.mark.parametrize("at_deg", [1.0, 100.0, 345.0, 359.5])
def test_the_cam_stands_where_it_was_put(at_deg: float) -> None:
    times = tooth_times("60-2", turns=20)
    crank = square(times, np.full(len(times), 0.003))
    time = np.arange(len(crank)) / RATE_HZ
    fine = np.linspace(0, 21, 200_001)
    turns = np.interp(time, swinging(fine), fine) - 0.3
    edge = at_deg / 360.0
    cam = np.where((turns - edge) % 2.0 < 0.3, 5.0, 0.0)
    reading = read(crank, cam)
    found = reading.features["cam_after_gap_deg"]
    assert (found - at_deg + 180) % 360 - 180 == pytest.approx(0.0, abs=0.4)
    assert reading.features["cam_edges"] == 2
    timing = [one for one in reading.elements if one.measure == "cam_timing"]
    assert timing[0].relative_pct == pytest.approx(100 + found / 3.6)
    swapped = read(cam, crank)
    assert "swapped_channels" in {one.check for one in swapped.checks}
    assert swapped.features["cam_after_gap_deg"] == pytest.approx(found, abs=1e-6)


def test_the_reference_edge_is_after_the_longest_wait_and_even_cams_fold() -> None:
    assert _reference(np.array([0.1, 0.4, 1.5])) == (2, 1)
    assert _reference(np.array([0.0, 0.5, 1.0, 1.5]))[1] == 4
    assert _reference(np.array([0.0, 0.2, 1.0, 1.2]))[1] == 2
    # alike within four degrees: the wait before decides
    assert _reference(np.array([0.0, 0.6, 0.8, 1.4]))[0] in (1, 3)


@pytest.mark.parametrize("seed", [700_003, 700_009, 700_012])
def test_crank_angle_is_the_truth_of_the_independent_engine(seed: int) -> None:
    wave, truth, signals = capture(seed, fault="none", clean=True)
    angle = crank_angle(wave, Hookup(signals, (1.0,) * len(signals)))
    assert angle is not None
    inside = np.linspace(angle.time_s[0], angle.time_s[-1], 2000)
    apart = angle.at(inside) - np.interp(inside, truth.time_s, truth.turns)
    apart -= np.round(np.median(apart))
    assert np.abs(apart - np.median(apart)).max() * 360 < 1.5
    assert np.isnan(angle.at(np.array([angle.time_s[0] - 1e-3]))).all()
    true_rpm = 60 * np.gradient(truth.turns) / np.gradient(truth.time_s)
    middle = inside[300:-300]
    ratio = angle.speed_rpm(middle) / np.interp(middle, truth.time_s, true_rpm)
    assert np.median(np.abs(ratio - 1)) < 0.03
    assert crank_angle(wave, Hookup(("battery_voltage",), (1.0,))) is None


@pytest.mark.parametrize("group", DESIGNS)
def test_the_shelf_gives_the_same_again_and_each_slip_its_check(group: str) -> None:
    shelf = WheelSimulation()
    for slip in ("", *shelf.slips):
        made, again = (
            shelf.capture(group, fault="bent_tooth", slip=slip, vehicle_seed=8, seed=8) for _ in range(2)
        )
        np.testing.assert_array_equal(made.recording.samples, again.recording.samples)
        wave = Waveform(made.recording.rate_hz, 0.0, made.recording.samples.astype(np.float32), ("", ""))
        reading = KIND.read(wave, Hookup(made.signals, made.scales), None)
        names = [one.check for one in reading.checks]
        assert names == [] if not slip else slip in names, (slip, names)
        if not slip:
            place = np.abs(values(reading, "tooth_place") - 100)
            assert int(np.argmax(place)) + 1 == made.odd[0]
    for bad in ({"fault": "rust", "slip": ""}, {"fault": "", "slip": "rust"}):
        with pytest.raises(KeyError):
            shelf.capture(group, vehicle_seed=1, seed=1, **bad)


def test_the_independent_engines_gas_gives_back_what_it_takes() -> None:
    """Compression's work is mostly given back: the torque of a cycle sums to a small share of its size."""
    for idles in (False, True):
        gas = gas_torque(Engine(idles=idles))
        assert gas.shape == (720,)
        assert abs(gas.mean()) < (0.4 if idles else 0.1)
    time, turns = motion(Engine(swing=0.3, scatter=1e-6), 8.0, np.random.default_rng(1))
    speed = 60 * np.diff(turns) / np.diff(time)
    assert 150 < speed.mean() < 260
    assert np.ptp(speed[720:1440]) / speed.mean() == pytest.approx(0.3, abs=0.1)


def test_every_check_says_what_to_do() -> None:
    for one in CHECKS:
        assert one.todo
        assert check(one.name).detail.endswith(".")
    with pytest.raises(KeyError):
        check("no_such_check")
