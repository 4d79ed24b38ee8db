"""How many pulses make a cycle: rectifiers at speeds and firings where one and six, or two and six, look alike."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from pipelines.kinds.base import Hookup, Reading
from pipelines.kinds.charging_ripple import KIND, comb
from pipelines.kinds.charging_ripple.firing import firing_hz, log_odds
from pipelines.kinds.charging_ripple.simulation.machine import Alternator, Fault, output_a
from pipelines.waveform import Waveform
from tests.independent_alternator import Machine, amplitude_for, output, with_fault

Floats = npt.NDArray[np.float64]
RATE_HZ = 50_000.0


def turns(electrical_hz: float, fires_hz: float, swing: float = 0.006, seconds: float = 0.7) -> Floats:
    """Electrical angle in cycles of a machine whose speed swings with the engine's firing."""
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(
        np.cumsum(electrical_hz * (1.0 + swing * np.cos(2 * np.pi * fires_hz * time))) / RATE_HZ + 0.31
    )


def rectified(turn: Floats, fault: str, load_a: float = 40.0) -> Floats:
    """Current of the rectifier without inductance, phases and diodes alike to the last digit but for the fault."""
    machine = Machine(load_a=load_a)
    with_fault(machine, fault, 1, 0)
    volts = amplitude_for(machine, load_a, 60.0)
    amps, _ = output(np.arange(360) * 2 * np.pi / 360, np.full(360, volts), machine)
    return np.asarray(np.interp(turn % 1.0 * 360, np.arange(361), np.append(amps, amps[0])))


def read(values: Floats, share: float = 0.01, signal: str = "alternator_current") -> Reading:
    noise = share * float(np.ptp(values)) * np.random.default_rng(5).standard_normal(len(values))
    wave = Waveform(RATE_HZ, 0.0, (values + noise)[None, :].astype(np.float32), ("",))
    return KIND.read(wave, Hookup((signal,), (1.0,)), None)


def shape(values: Floats, part: int, turn: Floats) -> comb.Shape:
    """Shape of the mean course over a `part` of the cycle."""
    place = np.minimum((turn % (1.0 / part) * part * 48).astype(int), 47)
    return comb.shape_of(np.bincount(place, values, 48) / np.bincount(place, minlength=48))


def test_the_firing_is_found_in_the_speed_and_says_what_turns_so_fast() -> None:
    assert firing_hz(turns(300.0, 37.0), RATE_HZ) == pytest.approx(37.0, rel=0.02)
    even = turns(300.0, 37.0, swing=0.0)
    jitter = 1e-3 * np.cumsum(np.random.default_rng(2).standard_normal(len(even))) / np.sqrt(len(even))
    assert not np.isfinite(firing_hz(even + jitter, RATE_HZ))
    # four cylinders, six pairs, pulleys of 2.7: 2 x 6 x 2.7 / 4 = 8.1 cycles between two firings, by arithmetic
    fires_hz = 800.0 * 4 / 120
    electrical_hz = 800.0 / 60 * 2.7 * 6
    assert electrical_hz / fires_hz == pytest.approx(8.1)
    assert log_odds(electrical_hz, fires_hz) > log_odds(electrical_hz / 6, fires_hz) + 5.0
    assert log_odds(electrical_hz, fires_hz) > log_odds(electrical_hz * 6, fires_hz) + 5.0
    assert log_odds(300.0, float("nan")) == 0.0


@pytest.mark.parametrize("fault", ["open_diode", "shorted_diode"])
@pytest.mark.parametrize("electrical_hz", [640.0, 930.0])
def test_one_pulse_a_cycle_is_not_six_of_a_slower_machine(fault: str, electrical_hz: float) -> None:
    turn = turns(electrical_hz, electrical_hz / 8.0)
    reading = read(rectified(turn, fault) + 0.3 * np.cos(2 * np.pi * (turn / 6.0)))
    assert reading.features["electrical_hz"] == pytest.approx(electrical_hz, rel=0.01)
    levels = sorted(one.relative_pct for one in reading.elements)
    assert levels[0] < 75.0 < levels[1]


@pytest.mark.parametrize(("electrical_hz", "cycles"), [(150.0, 6.0), (480.0, 10.0)])
def test_a_sound_machine_whose_phases_are_alike_is_not_a_fault(electrical_hz: float, cycles: float) -> None:
    turn = turns(electrical_hz, electrical_hz / cycles)
    reading = read(rectified(turn, "none"), share=0.4)
    assert reading.features["electrical_hz"] == pytest.approx(electrical_hz, rel=0.01)
    assert all(one.relative_pct > 80.0 for one in reading.elements)


def test_where_nothing_tells_the_cycle_no_phase_is_named() -> None:
    time = np.arange(int(0.7 * RATE_HZ)) / RATE_HZ
    pulses = np.maximum(0.0, np.cos(2 * np.pi * 900.0 * time) + 0.4)
    reading = read(13.8 + 0.05 * pulses, share=0.3, signal="battery_voltage")
    assert reading.status == "read"
    assert reading.elements == ()
    assert not np.isfinite(reading.features["pulses"])
    assert "cannot be told" in " ".join(reading.notes)


def test_an_open_diode_seen_upside_down_through_a_blocking_input_is_turned_over() -> None:
    turn = turns(300.0, 37.0)
    ripple = rectified(turn, "open_diode")
    ripple = 0.01 * (ripple - ripple.mean())
    lowest = []
    for way in (1.0, -1.0):
        reading = read(way * ripple, signal="battery_voltage")
        assert [one.check for one in reading.checks] == ["ac_coupled"]
        assert "does not conduct" in " ".join(reading.notes)
        assert reading.events is not None
        worst = min(reading.elements, key=lambda one: one.relative_pct)
        assert worst.relative_pct < 80.0
        lowest.append(reading.events.event_s[reading.events.position == worst.position])
    angle = [np.interp(one, np.arange(len(turn)) / RATE_HZ, turn) * 2 % 1.0 for one in lowest]
    assert abs((np.median(angle[0]) - np.median(angle[1]) + 0.5) % 1.0 - 0.5) < 0.05


@pytest.mark.parametrize("reactance_ohm", [0.05, 0.15, 0.3])
def test_shapes_of_a_machine_with_inductance(reactance_ohm: float) -> None:
    turn = np.arange(4800) / 240.0
    places = np.arange(241)

    def likeliest(fault: Fault, part: int) -> int:
        amps = output_a(Alternator(reactance_ohm=reactance_ohm), 24.0, fault, 0, 1)
        values = np.interp(turn % 1.0 * 240, places, np.append(amps, amps[0]))
        found = comb.shape_odds(shape(values, part, turn))
        return max(found, key=lambda one: found[one])

    assert likeliest("open_diode", 1) == 1
    assert likeliest("shorted_diode", 1) == 1
    assert likeliest("weak_phase", 2) == 2
    assert likeliest("none", 6) == 6


def test_a_spacing_that_is_too_fine_is_seen() -> None:
    grid = np.arange(48 * 60) / 48.0
    noise = 0.05 * np.random.default_rng(4).standard_normal(len(grid))
    for multiple in (1, 2, 3):
        rows = (np.cos(2 * np.pi * multiple * grid) + noise).reshape(60, 48)
        assert comb.too_fine(comb.lines_of(rows), 60) == multiple
    rows += 0.3 * np.cos(2 * np.pi * grid).reshape(60, 48)
    assert comb.too_fine(comb.lines_of(rows), 60) == 1


def test_lines_between_are_counted_and_what_is_hardly_there_is_not() -> None:
    cycles = 1200
    grid = np.arange(24 * cycles) / 24.0
    shaped = comb.Shape(0.2, 0.05, -1.0, 1.0, 0.12, False)

    def found(sixths: tuple[int, ...], size: float) -> comb.Comb | None:
        noise = 3e-3 * np.random.default_rng(6).standard_normal(len(grid))
        lines = sum(size * np.cos(2 * np.pi * order / 6 * grid) for order in sixths)
        rows = (np.cos(2 * np.pi * grid) + lines + noise).reshape(cycles, 24)
        return comb.find(comb.lines_of(rows), cycles, shaped, 1300.0, 0.0, float("nan"))

    none, stray, six = found((), 0.0), found((4, 8), 0.001), found((4, 5, 8), 0.02)
    assert none is not None
    assert stray is not None
    assert six is not None
    # 650 or 217 Hz: without a line between, at so little noise, two cycles are the likelier
    assert none.part == 2
    assert (stray.part, stray.lead) == (none.part, pytest.approx(none.lead))
    assert (six.part, six.sure, six.told) == (6, True, True)


def test_a_fault_is_named_on_more_than_a_sound_machine_is() -> None:
    assert comb.Comb(6, 1.6, 0.0).told
    assert not comb.Comb(6, 1.4, 0.0).told
    assert comb.Comb(1, 2.6, 3.6).told
    assert not comb.Comb(1, 2.6, 3.4).told
    assert not comb.Comb(2, 2.4, 9.0).told


def test_a_record_without_noise_is_not_without_error() -> None:
    reading = read(rectified(turns(300.0, 37.0), "weak_phase"), share=0.0)
    assert min(one.se_pct for one in reading.elements) >= 0.05
    assert max(one.se_pct for one in reading.elements) < 0.2
