"""Every hookup a technician may come with: read where it can be read, each mistake named, nothing crashes."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines import kinds
from pipelines.errors import ShopspreadError
from pipelines.kinds import kind
from pipelines.kinds.base import EngineFamily, Hookup, Reading
from pipelines.waveform import Waveform
from tests.constructed_crank import Crank, Scope, capture, crank, family, on_channels


def read(wave: Waveform, hookup: Hookup, fam: EngineFamily) -> Reading:
    reader = kind("relative_compression")
    assert reader is not None
    return reader.read(wave, hookup, fam)


@lru_cache(maxsize=16)
def four(
    weak: bool = False, crank_s: float = 5.0, runs_after_s: float | None = None, start: float = 100.0
) -> Crank:
    """A four-cylinder engine whose cylinder 2 has lost 30 %."""
    return crank(
        family(4),
        np.array([1.0, 0.7, 1.0, 1.0]),
        scatter=0.004,
        weak=weak,
        crank_s=crank_s,
        runs_after_s=runs_after_s,
        start_deg=start,
    )


def checks(reading: Reading) -> set[str]:
    for check in reading.checks:
        assert check.check in set(kinds.checks())
        assert check.severity in ("note", "warning", "unusable")
        assert len(check.detail) > 40
        assert check.detail.endswith(".")
    return {check.check for check in reading.checks}


def lowest(reading: Reading) -> tuple[int | None, float]:
    assert reading.status == "read", reading.reason
    low = min(reading.elements, key=lambda c: c.relative_pct)
    return low.element, low.relative_pct


def assert_two_is_low(reading: Reading, within: float = 6.0) -> None:
    cylinder, value = lowest(reading)
    assert cylinder == 2
    assert value == pytest.approx(70.0, abs=within)


def changed(wave: Waveform, channel: int, samples: np.ndarray) -> Waveform:
    new = wave.samples.copy()
    new[channel] = samples
    return replace(wave, samples=new)


def test_a_good_hookup_raises_nothing() -> None:
    reading = read(*capture(four()))
    assert checks(reading) == set()
    assert_two_is_low(reading)
    assert np.isfinite([c.se_pct for c in reading.elements]).all()


@pytest.mark.parametrize("corner_hz", [0.5, 1.0, 2.0])
def test_ac_coupled(corner_hz: float) -> None:
    reading = read(*capture(four(), Scope(ac_hz=corner_hz)))
    assert checks(reading) == {"ac_coupled"}
    assert_two_is_low(reading)
    assert np.isnan(reading.features["rest_v"])
    assert np.isnan(reading.features["crank_min_v"])


@pytest.mark.parametrize("corner_hz", [1.0, 2.0, 6.0])
@pytest.mark.parametrize("current", [False, True])
def test_ac_coupling_shorter_than_a_cycle_is_undone(corner_hz: float, current: bool) -> None:
    """How the signal dies away when the key is let go tells the time constant: figures are those of DC coupling."""
    c = four()
    dc, ac = (read(*capture(c, Scope(current=current, ac_hz=hz))) for hz in (0.0, corner_hz))
    assert "ac_coupled" in checks(ac)
    pairs = zip(dc.elements, ac.elements, strict=True)
    assert max(abs(one.relative_pct - other.relative_pct) for one, other in pairs) < 1.0


def test_reversed_leads() -> None:
    wave, hookup, fam = capture(four())
    reading = read(changed(wave, 0, -wave.samples[0]), hookup, fam)
    assert checks(reading) == {"reversed_leads"}
    assert_two_is_low(reading)
    assert reading.features["rest_v"] == pytest.approx(12.5, abs=0.1)


def test_starter_current_and_a_clamp_turned_round() -> None:
    wave, hookup, fam = capture(four(), Scope(current=True))
    plain = read(wave, hookup, fam)
    assert checks(plain) == set()
    assert_two_is_low(plain)
    turned = read(changed(wave, 0, -wave.samples[0]), hookup, fam)
    assert checks(turned) == {"reversed_leads"}
    assert_two_is_low(turned)


@pytest.mark.parametrize("rest_s", [0.25, 0.8])
def test_the_zeros_before_a_starters_current_are_no_dropouts(rest_s: float) -> None:
    reading = read(
        *capture(crank(family(4), np.array([1.0, 0.7, 1.0, 1.0]), rest_s=rest_s), Scope(current=True))
    )
    assert checks(reading) == set()
    assert_two_is_low(reading)


@pytest.mark.parametrize("scales", [(1.0, 10.0), (10.0, 1.0)])
def test_swapped_channels(scales: tuple[float, float]) -> None:
    """Read the other way round, whichever channel the attenuator's factor was logged for."""
    supply, sync = on_channels(four(), Scope())
    samples = np.stack([sync / 10.0, supply]).astype(np.float32)
    wave = Waveform(5000.0, 0.0, samples, ("a", "b"))
    reading = read(wave, Hookup(("battery_voltage", "ignition_primary"), scales, 1), family(4))
    assert checks(reading) == {"swapped_channels"}
    assert_two_is_low(reading)
    assert reading.features["rest_v"] == pytest.approx(12.5, abs=0.1)


@pytest.mark.parametrize("factor", [0.1, 10.0, 20.0])
def test_wrong_gain_keeps_the_relative_figures(factor: float) -> None:
    wave, hookup, fam = capture(four())
    right = read(wave, hookup, fam)
    wrong = read(wave, replace(hookup, scales=(factor, 1.0)), fam)
    assert "weak_battery" not in checks(wrong)
    assert checks(wrong) == {"off_house_setup"}
    for a, b in zip(right.elements, wrong.elements, strict=True):
        assert b.relative_pct == pytest.approx(a.relative_pct, abs=0.1)


@pytest.mark.parametrize("strikes", [1, 3, 4])
def test_coil_on_plug_with_several_strikes(strikes: int) -> None:
    reading = read(*capture(four(), Scope(strikes=strikes, rate_hz=10_000.0)))
    assert checks(reading) == set()
    assert_two_is_low(reading)


def test_waste_spark_names_both_candidates() -> None:
    c = replace(four(), family=family(4, (), "waste_spark"))
    reading = read(*capture(c, Scope(sync="waste_spark")))
    low = min(reading.elements, key=lambda x: x.relative_pct)
    assert {x.identified for x in reading.elements} == {"pair"}
    assert {low.element, low.companion} == {2, 4}  # 360 degrees apart in the order 1-2-3-4
    assert low.relative_pct == pytest.approx(70.0, abs=6.0)


def test_waste_spark_on_three_cylinders_is_settled_by_the_angles() -> None:
    """Every 360 degrees a pulse, every 240 a compression: only one half of the cycle has a top after the pulse."""
    three = crank(family(3, (), "waste_spark"), np.array([1.0, 0.7, 1.0]), scatter=0.004)
    reading = read(*capture(three, Scope(sync="waste_spark")))
    assert {x.identified for x in reading.elements} == {"sync"}
    assert_two_is_low(reading)


def test_distributor_gives_places_only() -> None:
    c = replace(four(), family=family(4, (), "distributor"))
    reading = read(*capture(c, Scope(sync="distributor")))
    assert {x.identified for x in reading.elements} == {"none"}
    assert {x.element for x in reading.elements} == {None}
    assert sorted(x.position for x in reading.elements) == [1, 2, 3, 4]
    low = min(reading.elements, key=lambda x: x.relative_pct)
    assert low.relative_pct == pytest.approx(70.0, abs=6.0)
    # the place is right: its events lie at the tops of the weak cylinder
    assert reading.events is not None
    at = reading.events.event_s[reading.events.position == low.position]
    assert np.median(np.abs(at[:, None] - (c.top_s[1][None, :] - 1.0)).min(axis=1)) < 0.02


@pytest.mark.parametrize(("cylinders", "order"), [(12, tuple(range(1, 13))), (10, tuple(range(1, 11)))])
def test_many_cylinders_overlap_and_are_still_told_apart(cylinders: int, order: tuple[int, ...]) -> None:
    strength = np.ones(cylinders)
    strength[4] = 0.6
    wave, hookup, fam = capture(crank(family(cylinders), strength, crank_s=8.0, scatter=0.004))
    assert fam.firing_order == order
    reading = read(wave, hookup, fam)
    assert checks(reading) == set()
    assert lowest(reading)[0] == 5


def test_missing_pulses_are_counted_in() -> None:
    reading = read(*capture(four(crank_s=8.0), Scope(keep=0.65, rate_hz=2000.0, seed=4)))
    assert_two_is_low(reading)
    assert checks(reading) <= {"low_sample_rate"}


def test_ringing_is_one_firing() -> None:
    reading = read(*capture(four(), Scope(ring_v=150.0, rate_hz=20_000.0)))
    assert checks(reading) == set()
    assert_two_is_low(reading)


@pytest.mark.parametrize("lost", [False, True])
def test_pulse_cut_at_the_screens_top(lost: bool) -> None:
    """Without an attenuator the pulse ends at the screen's top, or is missing in the file (off the screen)."""
    supply, sync = on_channels(four(), Scope(rate_hz=10_000.0))
    step = 20.0 / 2**11
    codes = np.round(sync / step)
    cut = np.where(codes > 2047, np.nan if lost else 2047, codes) * step
    wave = Waveform(10_000.0, 0.0, np.stack([supply, cut]).astype(np.float32), ("", ""))
    reading = read(wave, Hookup(("battery_voltage", "ignition_primary"), (1.0, 1.0)), family(4))
    assert checks(reading) == {"clipped"}
    assert {c.severity for c in reading.checks} == {"note"}
    assert "attenuator" in reading.checks[0].detail
    assert_two_is_low(reading)


def test_too_short_is_refused_with_a_reason() -> None:
    reading = read(*capture(four(crank_s=0.7)))
    assert reading.status == "unusable"
    assert "too_short" in checks(reading)
    assert "crank for about ten" in reading.reason


def test_only_cranking_counts_when_the_engine_starts() -> None:
    reading = read(*capture(four(crank_s=6.0, runs_after_s=4.0)))
    assert "engine_started" in checks(reading)
    assert_two_is_low(reading)
    assert reading.events is not None
    assert reading.events.end_s < -1.0 + 0.8 + 4.3
    assert reading.features["crank_rpm"] < 260.0


def test_weak_battery() -> None:
    reading = read(*capture(four(weak=True)))
    assert "weak_battery" in checks(reading)
    assert_two_is_low(reading, 8.0)


def test_clipped_supply() -> None:
    wave, hookup, fam = capture(four(), Scope(step_v=0.01))
    reading = read(changed(wave, 0, np.minimum(wave.samples[0], np.float32(11.6))), hookup, fam)
    assert "clipped" in checks(reading)
    # a scope that leaves samples beyond the screen out says the same
    lost = np.where(wave.samples[0] > 11.6, np.float32(np.nan), wave.samples[0])
    assert "clipped" in checks(read(changed(wave, 0, lost), hookup, fam))
    assert "weak_battery" not in checks(read(changed(wave, 0, lost), hookup, fam))


def test_a_rest_cut_off_is_no_weak_battery() -> None:
    """Only the rest lies beyond the screen: the extreme stands dead still in a noisy signal, and says nothing of the
    battery."""
    wave, hookup, fam = capture(four(), Scope(noise_v=0.03, step_v=0.005))
    at_s = np.arange(wave.samples.shape[1]) / wave.rate_hz
    whole = wave.samples[0] + np.where((at_s < 0.85) | (at_s > 6.0), np.float32(0.7), np.float32(0.0))
    top = 12.8
    cut = np.minimum(whole, np.float32(top))
    reading = read(changed(wave, 0, cut), hookup, fam)
    assert checks(reading) == {"clipped"}
    assert_two_is_low(reading)
    gone = np.where(whole > top, np.float32(np.nan), whole)
    assert "weak_battery" not in checks(read(changed(wave, 0, gone), hookup, fam))


@pytest.mark.parametrize("level", [12.5, 12.8])
def test_a_battery_that_rests_on_one_code_is_not_cut_off(level: float) -> None:
    """On a screen of 50 V either way 12.5 V is code 128 of ten bits: a power of two, and no edge."""
    wave, hookup, fam = capture(four(), Scope(noise_v=0.01))
    step = level / 128.0
    codes = np.round((wave.samples[0] + (level - 12.5)) / step) * step
    assert "clipped" not in checks(read(changed(wave, 0, codes.astype(np.float32)), hookup, fam))


@pytest.mark.parametrize("step_v", [1.0, 1.3])
def test_coarse_resolution(step_v: float) -> None:
    """A ripple of 2.5 V over two or three steps: said so, and still read (noise and unlike cycles fill the steps)."""
    reading = read(*capture(four(), Scope(step_v=step_v, noise_v=0.1)))
    assert checks(reading) == {"coarse_resolution"}
    assert lowest(reading)[0] == 2


def test_a_fine_scope_is_not_called_coarse() -> None:
    assert checks(read(*capture(four(), Scope(step_v=40.0 / 2**10)))) == set()


@pytest.mark.parametrize("filler", [np.nan, 0.0])
def test_dropouts_and_gaps(filler: float) -> None:
    wave, hookup, fam = capture(four(crank_s=8.0))
    samples = wave.samples.copy()
    for start in (1.7, 3.1, 5.2, 6.6):
        samples[0, int(start * wave.rate_hz) : int((start + 0.09) * wave.rate_hz)] = filler
    reading = read(replace(wave, samples=samples), hookup, fam)
    assert checks(reading) == set()
    assert_two_is_low(reading)


def test_zeros_of_a_dropout_below_a_battery_that_sinks_far() -> None:
    """Cranking three volts below rest: a zero is still no sample of a battery."""
    wave, hookup, fam = capture(four(crank_s=8.0))
    samples = wave.samples.copy()
    samples[0] -= np.float32(0.6) * (samples[0] < 12.2)
    for start in (1.7, 3.1, 5.2, 6.6):
        samples[0, int(start * wave.rate_hz) : int((start + 0.09) * wave.rate_hz)] = 0.0
    reading = read(replace(wave, samples=samples), hookup, fam)
    assert "clipped" not in checks(reading)
    assert lowest(reading)[0] == 2


def test_slow_sample_rate() -> None:
    reading = read(*capture(four(), Scope(rate_hz=400.0)))
    assert "low_sample_rate" in checks(reading)


def test_two_cranks_with_a_pause_are_read_together() -> None:
    one, hookup, fam = capture(four(crank_s=3.0))
    two, _, _ = capture(four(crank_s=3.0, start=310.0))
    rest = np.repeat(np.array([[12.5], [12.5]], dtype=np.float32), 6000, axis=1)
    wave = Waveform(5000.0, 0.0, np.concatenate([one.samples, rest, two.samples], axis=1), ("", ""))
    alone, both = read(one, hookup, fam), read(wave, hookup, fam)
    assert_two_is_low(both)
    assert both.features["cycles"] > 1.6 * alone.features["cycles"]
    assert checks(both) == set()


def test_no_cranking_at_all() -> None:
    rng = np.random.default_rng(2)
    samples = (12.6 + 0.01 * rng.standard_normal((2, 20_000))).astype(np.float32)
    reading = read(
        Waveform(5000.0, 0.0, samples, ("", "")),
        Hookup(("battery_voltage", "ignition_primary"), (1.0, 1.0)),
        family(4),
    )
    assert reading.status == "unusable"
    assert reading.reason.endswith(".")


@pytest.mark.parametrize(
    ("signals", "sync_cylinder", "what"),
    [
        (("ignition_primary", "fuel_pump_current"), 1, "battery_voltage"),
        (("battery_voltage", "ignition_primary"), 9, "sync_cylinder"),
    ],
)
def test_a_call_that_makes_no_sense_says_so(signals: tuple[str, str], sync_cylinder: int, what: str) -> None:
    wave, _, fam = capture(four())
    with pytest.raises(ShopspreadError, match=what):
        read(wave, Hookup(signals, (1.0, 1.0), sync_cylinder), fam)


def test_big_records_are_read() -> None:
    """A megasample a second, eight channels."""
    c = four(crank_s=3.0)
    supply, sync = on_channels(c, Scope(rate_hz=1e6))
    samples = np.zeros((8, supply.size), dtype=np.float32)
    samples[4], samples[6] = supply, sync
    signals = ("a", "b", "c", "d", "battery_voltage", "e", "ignition_primary", "f")
    wave = Waveform(1e6, 0.0, samples, ("",) * 8)
    assert_two_is_low(read(wave, Hookup(signals, (1.0,) * 8), family(4)))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 2**31),
    length=st.integers(16, 4000),
    rate_hz=st.sampled_from([100.0, 1000.0, 44_100.0]),
    shape=st.sampled_from(["noise", "flat", "steps", "walk", "spikes", "huge", "tiny"]),
    gaps=st.sampled_from([0.0, 0.1, 0.9]),
    cylinders=st.integers(3, 12),
)
def test_whatever_comes_a_reading_comes_back(
    seed: int, length: int, rate_hz: float, shape: str, gaps: float, cylinders: int
) -> None:
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((2, length))
    x = {
        "noise": x,
        "flat": np.full_like(x, 12.5),
        "steps": np.round(x),
        "walk": np.cumsum(x, axis=1),
        "spikes": np.where(np.abs(x) > 2.5, 300.0, 12.0),
        "huge": x * 1e30,
        "tiny": x * 1e-30,
    }[shape]
    x[rng.random(x.shape) < gaps] = np.nan
    x[0, 0] = 12.0
    wave = Waveform(rate_hz, 0.0, x.astype(np.float32), ("", ""))
    reading = read(wave, Hookup(("battery_voltage", "ignition_primary"), (1.0, 1.0)), family(cylinders))
    assert reading.status in ("read", "unusable")
    assert (reading.status == "unusable") == bool(reading.reason)
    for c in reading.elements:
        assert np.isfinite(c.relative_pct)
        assert np.isfinite(c.se_pct)
    checks(reading)
