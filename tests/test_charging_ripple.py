"""Charging ripple on rectifier waveforms whose answer follows from their construction, and on both simulators."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from pipelines.kinds.base import Hookup, Reading
from pipelines.kinds.charging_ripple import KIND
from pipelines.kinds.charging_ripple.checks import BY_NAME, blocks_direct_current, check
from pipelines.kinds.charging_ripple.course import spacing
from pipelines.kinds.charging_ripple.simulation.machine import Alternator, output_a
from pipelines.kinds.charging_ripple.simulation.shelf import PAIRS, AlternatorSimulation
from pipelines.waveform import Waveform
from tests.independent_alternator import Machine, amplitude_for, output, with_fault

Floats = npt.NDArray[np.float64]
RATE_HZ, ELECTRICAL_HZ = 50_000.0, 297.3
SAID = {"open_diode": "does not conduct", "shorted_diode": "conducts both ways", "lost_phase": "lost"}


def ideal(
    turn: Floats, upper: tuple[int, ...] = (0, 1, 2), lower: tuple[int, ...] = (0, 1, 2), gain: float = 1.0
) -> Floats:
    """Ideal rectification: the highest of the phases with an upper diode less the lowest of those with a lower one.

    `turn` is the electrical angle in cycles; `gain` the first phase's.
    """
    volts = np.cos(2 * np.pi * (turn[None, :] - np.arange(3)[:, None] / 3.0))
    volts[0] *= gain
    return np.asarray(volts[list(upper)].max(axis=0) - volts[list(lower)].min(axis=0))


def turns(seconds: float = 0.7, swing: float = 0.003) -> Floats:
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    hz = ELECTRICAL_HZ * (1.0 + swing * np.cos(2 * np.pi * 25.0 * time))
    return np.asarray(np.cumsum(hz) / RATE_HZ + 0.17)


def read(values: Floats, signal: str = "alternator_current", rate_hz: float = RATE_HZ) -> Reading:
    wave = Waveform(rate_hz, 0.0, values[None, :].astype(np.float32), ("",))
    return KIND.read(wave, Hookup((signal,), (1.0,)), None)


def noisy(values: Floats, size: float = 0.003, seed: int = 3) -> Floats:
    return values + size * np.random.default_rng(seed).standard_normal(len(values))


def off_degrees(reading: Reading, turn: Floats, phase: int) -> float:
    """How far the events of the lowest phase lie from where `phase` is at its highest or lowest, in degrees."""
    assert reading.events is not None
    worst = min(reading.elements, key=lambda one: one.relative_pct)
    at = reading.events.event_s[reading.events.position == worst.position]
    angle = np.interp(at, np.arange(len(turn)) / RATE_HZ, turn)
    return float(np.median(np.abs((2 * angle - 2 * phase / 3 + 0.5) % 1.0 - 0.5)) * 180.0)


def test_ideal_six_pulse_rectification_is_the_textbooks() -> None:
    """Ripple of 4.2 % r.m.s. of the mean and 13.4 % of the peak, six pulses a cycle: three-phase bridge in any
    power-electronics textbook (values from memory; 1 - cos 30 deg = .134 follows from the waveform by hand)."""
    turn = turns()
    volts = ideal(turn)
    assert np.ptp(volts) / volts.max() == pytest.approx(1 - np.cos(np.pi / 6), abs=1e-3)
    assert np.std(volts) / volts.mean() == pytest.approx(0.042, abs=2e-4)
    reading = read(noisy(40.0 * ideal(turn, gain=0.999), 0.05))
    assert reading.features["ripple_share_pct"] == pytest.approx(4.2, abs=0.15)
    assert reading.features["ripple_a"] / (40.0 * volts.max()) == pytest.approx(0.134, abs=0.006)
    assert reading.features["electrical_hz"] == pytest.approx(ELECTRICAL_HZ, rel=2e-3)
    assert reading.features["ripple_hz"] == pytest.approx(6 * ELECTRICAL_HZ, rel=2e-3)
    assert reading.features["pulses"] == 6.0
    assert reading.features["missing_pulses"] == 0.0
    assert [one.relative_pct for one in reading.elements] == pytest.approx([100.0] * 3, abs=3.0)


def test_the_demos_machine_has_the_textbooks_ripple_and_current() -> None:
    """Phase currents of a machine with large reactance are sines: their positive parts make the six-pulse waveform."""
    amps = output_a(Alternator(reactance_ohm=0.2), 36.0, "none", 0, 0)
    assert np.std(amps) / amps.mean() == pytest.approx(0.042, abs=0.006)
    assert np.ptp(amps) / amps.max() == pytest.approx(0.134, abs=0.02)
    lines = np.abs(np.fft.rfft(amps - amps.mean()))
    assert int(np.argmax(lines)) == 6


FAULTS: dict[str, tuple[Callable[[Floats], Floats], str]] = {
    "open": (lambda turn: ideal(turn, upper=(1, 2)), "open_diode"),
    "lost": (lambda turn: ideal(turn, upper=(1, 2), lower=(1, 2)), "lost_phase"),
    "weak": (lambda turn: ideal(turn, gain=0.9), ""),
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("signal", ["alternator_current", "battery_voltage"])
def test_the_phase_at_fault_is_named_by_construction(fault: str, signal: str) -> None:
    make, said = FAULTS[fault]
    turn = turns()
    shape = make(turn)
    values = 40.0 * shape if signal == "alternator_current" else 13.8 + 0.6 * (shape - shape.mean())
    reading = read(noisy(values, 0.005 * float(np.ptp(values))), signal)
    assert reading.features["electrical_hz"] == pytest.approx(ELECTRICAL_HZ, rel=0.01)
    levels = sorted(one.relative_pct for one in reading.elements)
    assert levels[0] < 85.0 < levels[1]
    assert off_degrees(reading, turn, 0) < 15.0
    if said:
        assert SAID[said] in " ".join(reading.notes)


@pytest.mark.parametrize("fault", ["none", "open_diode", "shorted_diode", "lost_phase", "weak_phase"])
@pytest.mark.parametrize("phase", [0, 2])
def test_faults_of_the_independent_rectifier(fault: str, phase: int) -> None:
    machine = Machine(gain=np.array([1.0, 1.002, 0.999]), load_a=45.0, battery_ohm=0.012)
    machine.ohm[0, 1] *= 1.01
    machine.ohm[1, 0] *= 0.99
    with_fault(machine, fault, phase, 1)
    volts = amplitude_for(machine, 45.0, 40.0)
    angle = np.arange(360) * 2 * np.pi / 360
    amps, rail = output(angle, np.full(360, volts), machine)
    # Kirchhoff: what leaves the rectifier raises the battery's voltage by its resistance
    np.testing.assert_allclose(
        rail, machine.battery_v + machine.battery_ohm * (amps - machine.load_a), atol=1e-6
    )
    turn = turns()
    values = np.interp(turn % 1.0 * 360, np.arange(361), np.append(rail, rail[0]))
    reading = read(noisy(values, 0.004), "battery_voltage")
    assert reading.status == "read"
    levels = [one.relative_pct for one in reading.elements]
    assert reading.features["electrical_hz"] == pytest.approx(ELECTRICAL_HZ, rel=0.01)
    if fault == "none":
        assert min(levels) > 92.0
        return
    assert min(levels) < 85.0
    assert off_degrees(reading, turn, phase) < 28.0
    if fault in SAID:
        assert SAID[fault] in " ".join(reading.notes)


def test_speed_swing_is_read_and_a_slack_belt_is_spoken_of() -> None:
    firm, slack = (read(noisy(40.0 * ideal(turns(swing=swing), gain=0.998), 0.05)) for swing in (0.01, 0.06))
    assert firm.features["speed_swing_pct"] == pytest.approx(1.0, abs=0.25)
    assert slack.features["speed_swing_pct"] == pytest.approx(6.0, abs=1.5)
    assert "belt" not in " ".join(firm.notes)
    assert "belt" in " ".join(slack.notes)


def test_a_regulators_clock_is_told_from_injectors() -> None:
    turn = turns()
    time = np.arange(len(turn)) / RATE_HZ
    shape = 40.0 * ideal(turn, gain=0.998)
    driven = shape * (1 + 0.02 * np.sin(2 * np.pi * 205.0 * time))
    pulsed = shape + 2.0 * ((time * 33.0) % 1.0 < 0.1)
    assert read(noisy(driven, 0.05)).features["field_clock_hz"] == pytest.approx(205.0, abs=3.0)
    assert np.isnan(read(noisy(pulsed, 0.05)).features["field_clock_hz"])


def test_standard_errors_are_what_noise_gives() -> None:
    """Sixteen records that differ in nothing but noise scatter as their errors say."""
    values, errors = [], []
    for seed in range(16):
        reading = read(noisy(40.0 * ideal(turns(0.4), gain=0.99), 0.8, seed))
        apart = np.array([one.relative_pct for one in reading.elements])
        values.append(np.sort(apart)[0])
        errors.append(reading.elements[int(np.argmin(apart))].se_pct)
    assert 0.6 < float(np.std(values, ddof=1)) / float(np.sqrt(np.mean(np.square(errors)))) < 1.7


def test_levels_signs_and_coupling() -> None:
    turn = turns()
    volts = 14.0 + 0.2 * ideal(turn, gain=0.998)
    plain = read(noisy(volts), "battery_voltage")
    assert plain.features["charging_v"] == pytest.approx(float(volts.mean()), abs=0.01)
    assert plain.features["ripple_mv"] == pytest.approx(1e3 * float(np.ptp(volts)), rel=0.15)
    assert not plain.checks
    turned = read(noisy(-volts), "battery_voltage")
    assert [one.check for one in turned.checks] == ["reversed_leads"]
    assert turned.features["charging_v"] == pytest.approx(plain.features["charging_v"], abs=0.01)
    blocked = read(noisy(volts - volts.mean()), "alternator_voltage")
    assert [one.check for one in blocked.checks] == ["ac_coupled"]
    assert np.isnan(blocked.features["charging_v"])
    cut = np.clip(noisy(volts), None, float(np.quantile(volts, 0.6)))
    assert "clipped" in [one.check for one in read(cut, "battery_voltage").checks]
    short = read(noisy(volts)[:1500], "battery_voltage")
    assert "too_short" in [one.check for one in short.checks]
    coarse = np.round(noisy(volts) / 0.04) * 0.04
    assert "coarse_resolution" in [one.check for one in read(coarse, "battery_voltage").checks]


def test_only_the_running_engine_counts() -> None:
    turn = turns(2.4)
    volts = 14.0 + 0.2 * ideal(turn, gain=0.998)
    volts[: len(volts) // 3] = 12.4
    reading = read(noisy(volts), "battery_voltage")
    assert reading.events is not None
    assert reading.events.start_s > 0.75
    assert reading.features["charging_v"] == pytest.approx(14.35, abs=0.1)


def test_current_comes_before_voltage_where_both_are_there() -> None:
    turn = turns()
    both = np.stack([np.full(len(turn), 12.6), noisy(40.0 * ideal(turn, gain=0.998), 0.05)]).astype(
        np.float32
    )
    hookup = Hookup(("battery_voltage", "alternator_current"), (1.0, 1.0))
    reading = KIND.read(Waveform(RATE_HZ, 0.0, both, ("", "")), hookup, None)
    assert reading.status == "read"
    assert np.isfinite(reading.features["charging_a"])


def test_the_spacing_of_the_lines() -> None:
    lines = np.array([1500.0, 300.0, 600.0, 1800.0])
    assert spacing(lines, np.array([1.0, 0.9, 0.8, 0.5])) == (0, 5)
    assert spacing(np.array([1800.0, 3600.0, 5400.0, 411.0]), np.array([1.0, 0.4, 0.2, 0.1])) == (0, 1)


def test_a_rectifiers_current_never_turns_round() -> None:
    shape = 20.0 * ideal(turns(), upper=(1, 2), lower=(1, 2))
    assert not blocks_direct_current(shape, "A")
    assert blocks_direct_current(shape - shape.mean(), "A")
    assert not blocks_direct_current(-shape, "A")


@pytest.mark.parametrize("group", PAIRS)
def test_the_shelf_gives_the_same_again_and_each_slip_its_check(group: str) -> None:
    shelf = AlternatorSimulation()
    for slip in ("", *shelf.slips):
        made = shelf.capture(group, fault="open_diode", slip=slip, vehicle_seed=3, seed=8)
        again = shelf.capture(group, fault="open_diode", slip=slip, vehicle_seed=3, seed=8)
        np.testing.assert_array_equal(made.recording.samples, again.recording.samples)
        wave = Waveform(made.recording.rate_hz, 0.0, made.recording.samples.astype(np.float32), ("",))
        reading = KIND.read(wave, Hookup(made.signals, made.scales), None)
        names = [one.check for one in reading.checks if one.check != "ac_coupled"]
        assert names == [] if not slip else slip in names, (slip, names)
        if not slip:
            assert min(one.relative_pct for one in reading.elements) < 75.0
            assert SAID["open_diode"] in " ".join(reading.notes)
    for bad in ({"fault": "rust", "slip": ""}, {"fault": "", "slip": "rust"}):
        with pytest.raises(KeyError):
            shelf.capture(group, vehicle_seed=1, seed=1, **bad)


def test_every_check_says_what_to_do() -> None:
    assert set(BY_NAME) == {one.name for one in KIND.checks}
    for name in BY_NAME:
        assert check(name).detail.endswith(".")
    with pytest.raises(KeyError):
        check("no_such_check")
