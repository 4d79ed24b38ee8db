"""Pump captures that cannot be read: every reason that shows is said, and no reason that does not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import Hookup
from pipelines.kinds.fuel_pump_current import KIND
from pipelines.kinds.fuel_pump_current.angle import quick_length
from pipelines.kinds.fuel_pump_current.speed import Course, phase
from pipelines.waveform import Waveform

Floats = npt.NDArray[np.float64]


def named(samples: Floats, rate_hz: float) -> list[str]:
    wave = Waveform(rate_hz, 0.0, samples[None, :].astype(np.float32), ("",))
    reading = KIND.read(wave, Hookup(("fuel_pump_current",), (1.0,)), None)
    assert reading.status == "unusable"
    assert reading.checks[0].severity == "unusable"
    return [one.check for one in reading.checks]


def rippled(seconds: float, rate_hz: float) -> Floats:
    time = np.arange(int(seconds * rate_hz)) / rate_hz
    noise = 0.02 * np.random.default_rng(1).standard_normal(len(time))
    return np.asarray(6.0 + 0.3 * np.cos(2 * np.pi * 760.0 * time) + noise)


def test_a_level_left_for_short_pulses_is_no_edge_of_the_screen() -> None:
    time = np.arange(48_000) / 50_000.0
    primary = 13.0 + 200.0 * np.exp(-((time * 12.0) % 1.0) * 300.0)
    steps = 2.5
    assert named(np.round(primary / steps) * steps, 50_000.0) == ["no_ripple"]
    # what is left downwards only is: a pump whose current lies above the screen most of the time
    high = np.minimum(rippled(0.05, 50_000.0), 5.99).astype(np.float32)
    assert named(high, 50_000.0) == ["too_short", "clipped"]


def test_a_short_record_says_also_that_the_clamp_is_reversed_or_the_input_blocks() -> None:
    short = rippled(0.02, 50_000.0)
    assert named(short, 50_000.0) == ["too_short"]
    assert named(-short, 50_000.0) == ["too_short", "reversed_leads"]
    assert named(short - 6.0, 50_000.0) == ["too_short", "ac_coupled"]


def test_phase_by_fewer_samples_is_the_phase_of_all() -> None:
    rate_hz = 200_000.0
    time = np.arange(60_000) / rate_hz
    cycles = 400.0 * time + 0.4 * np.sin(2 * np.pi * 3.0 * time)
    flat = np.cos(2 * np.pi * cycles)
    centre = np.arange(0.0, len(time), 4_000.0)
    hz = 400.0 + 0.4 * 2 * np.pi * 3.0 * np.cos(2 * np.pi * 3.0 * centre / rate_hz)
    track = phase(flat, rate_hz, Course(1_003, 58_990, centre, hz), 0.02)
    assert (track.first, track.last, len(track.cycles)) == (1_003, 58_990, 57_987)
    off = (track.cycles - cycles[1_003:58_990] + 0.5) % 1.0 - 0.5
    # half a window at the ends knows one side only
    assert np.abs(off[4_000:-4_000]).max() < 4e-3
    assert np.abs(off).max() < 0.05
    assert np.all(np.diff(track.cycles) > 0.0)


def test_a_length_without_large_primes() -> None:
    for length in range(1, 400):
        found = quick_length(length)
        assert 0.8 * length <= found <= length
        rest = found
        for prime in (2, 3, 5, 7, 11):
            while rest % prime == 0:
                rest //= prime
        assert rest == 1
