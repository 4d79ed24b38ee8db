"""Sync pulses that are missing or not to be believed: none, bursts, strays, another engine than the log names."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.kinds.base import Hookup
from pipelines.kinds.relative_compression.doubt import borne_out, stated_error
from pipelines.waveform import Waveform
from tests.constructed_crank import Scope, capture, crank, family
from tests.test_reading_hookups import assert_two_is_low, changed, checks, four, lowest, read


def test_no_sync_sees_but_does_not_name() -> None:
    c = four()
    wave, hookup, fam = capture(c, Scope(sync=None))
    alone = Waveform(wave.rate_hz, wave.start_s, wave.samples[:1].copy(), ("a",))
    for w, h in ((wave, hookup), (alone, Hookup(("battery_voltage",), (1.0,)))):
        reading = read(w, h, fam)
        assert checks(reading) == {"no_sync"}
        assert {x.element for x in reading.elements} == {None}
        low = min(reading.elements, key=lambda x: x.relative_pct)
        assert low.relative_pct == pytest.approx(70.0, abs=6.0)
        assert reading.events is not None
        at = reading.events.event_s[reading.events.position == low.position]
        assert np.median(np.abs(at[:, None] - (c.top_s[1][None, :] - 1.0)).min(axis=1)) < 0.03


def test_a_lead_on_the_battery_is_no_sync() -> None:
    wave, hookup, fam = capture(four())
    reading = read(changed(wave, 1, wave.samples[0]), hookup, fam)
    assert "no_sync" in checks(reading)
    assert {x.element for x in reading.elements} == {None}


def with_bursts(wave: Waveform, count: int, seed: int, *, coil: bool) -> Waveform:
    """Bursts of interference of 1 to 8 ms on the sync lead while cranking; the coil's own pulses too, or not."""
    rng = np.random.default_rng(seed)
    sync = wave.samples[1].astype(float)
    if not coil:
        sync = rng.normal(0, 0.05, sync.size)
    for at_s in rng.uniform(1.0, 7.5, count):
        begin = int(at_s * wave.rate_hz)
        length = int(rng.uniform(0.001, 0.008) * wave.rate_hz) + 1
        sync[begin : begin + length] += rng.normal(0, 60.0, sync[begin : begin + length].size)
    return changed(wave, 1, sync.astype(np.float32))


def test_bursts_on_a_dead_lead_name_nobody_and_spoil_nothing() -> None:
    wave, hookup, fam = capture(four(crank_s=8.0))
    for seed in range(6):
        reading = read(with_bursts(wave, 3 + seed, seed, coil=False), hookup, fam)
        assert "no_sync" in checks(reading)
        assert {x.element for x in reading.elements} == {None}
        assert min(x.relative_pct for x in reading.elements) == pytest.approx(70.0, abs=6.0)


def test_a_coil_among_bursts_is_still_the_coil() -> None:
    wave, hookup, fam = capture(four(crank_s=8.0))
    for seed in range(6):
        reading = read(with_bursts(wave, 4, seed, coil=True), hookup, fam)
        assert "no_sync" not in checks(reading)
        assert_two_is_low(reading)


@pytest.mark.parametrize(("truly", "logged"), [(4, 3), (4, 6), (5, 4), (8, 5), (8, 6)])
def test_pulses_of_another_engine_than_the_log_says(truly: int, logged: int) -> None:
    """A wrong engine family in the log must not pass for a missing sync: the firings between two pulses tell."""
    strength = np.ones(truly)
    strength[1] = 0.7
    wave, hookup, right = capture(crank(family(truly), strength, crank_s=8.0, scatter=0.004))
    assert lowest(read(wave, hookup, right))[0] == 2
    reading = read(wave, hookup, family(logged))
    assert reading.status == "unusable"
    assert "engine family" in reading.reason
    assert reading.elements == ()


def test_half_the_firings_of_the_family_in_the_log() -> None:
    """A four with waste spark logged as an eight: every second of the eight hardly compresses, or the pulses tell."""
    wave, hookup, _ = capture(
        crank(family(4), np.ones(4), crank_s=8.0, scatter=0.004), Scope(sync="waste_spark")
    )
    reading = read(wave, hookup, family(8))
    assert reading.status == "unusable"
    assert "engine family" in reading.reason


def test_an_odd_figure_is_believed_only_beyond_some_of_its_doubts() -> None:
    even, error = np.array([100.0, 101.0, 99.0, 100.0]), np.ones(4)
    low = np.array([100.0, 101.0, 70.0, 100.0])
    strong = np.array([125.0, 70.0, 75.0, 125.0])

    def named(relative: np.ndarray, weighed: np.ndarray, doubt: float) -> list[bool]:
        return borne_out(relative, weighed, error, np.full(4, doubt)).tolist()

    assert named(even, even, 8.0) == [True] * 4
    assert named(low, low, 11.0) == [True] * 4
    assert named(low, low, 13.0) == [False] * 4  # 30 is less than 2.5 of these: who is odd is open for all
    assert named(strong, strong, 8.0) == [True] * 4
    assert named(strong, strong, 9.0) == [False, True, True, False]  # a strong one must stand out by three
    one = np.array([100.0, 125.0, 70.0, 100.0])  # among sound ones nothing compresses so much more than they
    assert named(one, one, 1.0) == [True, False, True, True]
    three = np.array([100.0, 125.0, 98.0])
    assert borne_out(three, three, np.ones(3), np.ones(3)).all()
    far = np.array([100.0, 140.0, 70.0, 100.0])  # nothing compresses so well
    assert named(far, far, 1.0) == [True, False, True, True]
    assert named(even, even, 25.0) == [False] * 4
    assert named(low, even, 1.0) == [False] * 4  # the weighed figure takes it back
    assert named(low, 200.0 - low, 1.0) == [False] * 4  # or turns it over


def test_a_small_leak_keeps_its_error_where_the_ripple_is_explained() -> None:
    """Ten per cent weak, three doubts of four: doubted where the model leaves much or weighing takes a third back."""
    relative, error = np.array([100.0, 101.0, 90.0, 100.0]), np.full(4, 0.2)
    doubt, kept = np.full(4, 4.0), np.ones(4, dtype=bool)

    def stated(left_pct: float, misfit: float) -> list[float]:
        weighed = np.array([100.0, 101.0, 100.0 - left_pct, 100.0])
        return stated_error(relative, weighed, error, doubt, kept, misfit).tolist()

    assert stated(9.0, 0.02) == [0.2] * 4
    doubted = [0.2, 0.2, pytest.approx(np.hypot(np.hypot(0.2, 4.0), 1.0)), 0.2]
    assert stated(9.0, 0.06) == doubted
    assert stated(6.5, 0.02)[2] == pytest.approx(np.hypot(np.hypot(0.2, 4.0), 3.5))
    assert stated(12.5, 0.06) == [0.2] * 4  # beyond three doubts it is clear whatever the model leaves
