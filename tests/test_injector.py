"""Injectors on signals whose answer follows from their construction, on closed forms, and on both simulators."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from pipelines.errors import ShopspreadError
from pipelines.kinds.base import EngineFamily, Hookup, Reading
from pipelines.kinds.injector import KIND
from pipelines.kinds.injector.checks import KINDS, check
from pipelines.kinds.injector.pulses import kink_s
from pipelines.kinds.injector.simulation import InjectorSimulation
from pipelines.kinds.injector.simulation.solenoid import Solenoid
from pipelines.waveform import Waveform
from tests.independent_injector import Pulses, run
from tests.independent_injector_captures import capture

Floats = npt.NDArray[np.float64]
FOUR = EngineFamily("plain-4", 4, (1, 3, 4, 2))
RATE_HZ = 50_000.0


def read(
    lines: list[Floats], signals: tuple[str, ...], family: EngineFamily = FOUR, sync: int = 1
) -> Reading:
    wave = Waveform(RATE_HZ, 0.0, np.stack(lines).astype(np.float32), ("",) * len(lines))
    return KIND.read(wave, Hookup(signals, (1.0,) * len(lines), sync), family)


def by_element(reading: Reading, measure: str) -> dict[int | None, float]:
    return {one.element: one.relative_pct for one in reading.elements if one.measure == measure}


def constructed(
    ohm: list[float], on_s: list[float], tau_s: float = 7e-4, volts: float = 14.0
) -> tuple[Floats, Floats]:
    """Feed current V/R (1 - exp(-t/tau)) of four plain injectors with no pintle, and the first one's voltage."""
    time = np.arange(int(1.6 * RATE_HZ)) / RATE_HZ
    feed, pin = np.zeros(len(time)), np.full(len(time), volts)
    for k in range(40):
        place, begin = k % 4, 0.013 + 0.04 * k
        since = time - begin
        on = (since >= 0) & (since < on_s[place])
        feed[on] += volts / ohm[place] * -np.expm1(-since[on] / tau_s)
        if place == 0:
            pin[on] = 0.2
            pin[(since >= on_s[place]) & (since < on_s[place] + 2e-4)] = 70.0
    rng = np.random.default_rng(1)
    return feed + 0.001 * rng.standard_normal(len(time)), pin + 0.02 * rng.standard_normal(len(time))


def test_times_and_currents_by_construction_are_named_from_the_sync() -> None:
    """Settled current is V/R (any circuit textbook); the firing order is 1-3-4-2."""
    feed, pin = constructed([14.0, 14.0, 17.5, 14.0], [6e-3, 6.6e-3, 6e-3, 6e-3])
    reading = read([feed, pin], ("injector_feed_current", "injector_voltage"))
    assert [one.check for one in reading.checks] == []
    assert by_element(reading, "on_time")[3] == pytest.approx(110.0, abs=0.7)
    assert by_element(reading, "settled")[4] == pytest.approx(80.0, abs=0.3)
    assert by_element(reading, "settled")[1] == pytest.approx(100.0, abs=0.3)
    assert reading.features["on_ms"] == pytest.approx(6.0, abs=0.06)
    assert reading.features["settled_a"] == pytest.approx(1.0, rel=0.01)
    assert reading.features["engine_rpm"] == pytest.approx(120 / 0.16, rel=1e-3)
    assert reading.features["kick_v"] == pytest.approx(70.0, abs=0.2)
    assert not by_element(reading, "opening")


def test_the_resistance_is_extrapolated_from_a_current_that_has_not_settled() -> None:
    """Three points of a - b exp(-t/tau) give a (Aitken's delta-squared, from memory): R = V/a."""
    feed, pin = constructed([13.0] * 4, [2.4e-3] * 4, tau_s=9e-4)
    reading = read([feed, pin], ("injector_feed_current", "injector_voltage"))
    assert reading.features["settled_a"] < 0.95 * 14.0 / 13.0
    assert reading.features["circuit_ohm"] == pytest.approx(13.8 / 14.0 * 13.0, rel=0.03)


def test_without_a_sync_nobody_is_named() -> None:
    feed, _ = constructed([14.0, 14.0, 17.5, 14.0], [6e-3] * 4)
    reading = read([feed], ("injector_feed_current",))
    assert [one.check for one in reading.checks] == ["no_sync"]
    assert {one.element for one in reading.elements} == {None}
    settled = [one for one in reading.elements if one.measure == "settled"]
    assert min(settled, key=lambda one: one.relative_pct).position == 3


def test_a_kink_is_where_the_slope_jumps_up() -> None:
    time = np.arange(400) * 1e-5
    line = np.where(time < 1.5e-3, 100 * time, 0.15 + 0.0 * time)
    line = np.where(time >= 2.0e-3, 0.15 + 80 * (time - 2.0e-3), line)
    assert kink_s(line, 2.5e-4, 3.6e-3, 1e5) == pytest.approx(2.0e-3, abs=2e-5)
    assert np.isnan(kink_s(1 - np.exp(-time / 8e-4), 2.5e-4, 3.6e-3, 1e5))


def _one(**changed: float) -> Pulses:
    values = {
        "supply_v": 14.0, "ohm": 14.0, "henry": 9e-3, "gap": 0.35, "eddy_s": 3e-4, "eddy_share": 0.1, "force": 8.0,
        "kilogram": 2e-7, "spring_n": 1.2, "damp": 2e-4, "on_s": 6e-3, "clamp_v": 70.0, "driver_ohm": 0.0,
        "peak_a": np.inf, "hold_a": np.inf,
    }  # fmt: skip
    return Pulses(**{name: np.array([value]) for name, value in (values | changed).items()})


def test_the_independent_injector_is_an_rl_circuit_while_nothing_moves() -> None:
    """Stuck shut: i = V/R (1 - exp(-t R/L)), 63.2 % after L/R; driven off into a clamp U above the supply it is gone
    after L/R ln(1 + R i/U) (any circuit textbook)."""
    course = run(_one(spring_n=1e3), 8e-3)
    on = course.time_s < 6e-3
    wanted = -np.expm1(-course.time_s[on] * 14.0 / 9e-3)
    np.testing.assert_allclose(course.amps[0, on], wanted, atol=8e-3)
    gone = course.time_s[(course.amps[0] < 2e-4) & ~on][0] - 6e-3
    assert gone == pytest.approx(9e-3 / 14.0 * np.log1p(14.0 / 56.0), rel=0.05)
    assert np.isnan(course.open_s[0])


def test_a_stiffer_spring_opens_later_and_shuts_sooner() -> None:
    soft, stiff = run(_one(), 10e-3), run(_one(spring_n=1.7), 10e-3)
    assert soft.open_s[0] < stiff.open_s[0]
    assert soft.shut_s[0] > stiff.shut_s[0]


def test_the_demos_solenoid_joins_its_pieces() -> None:
    one = Solenoid()
    time = np.linspace(0, 8e-3, 8001)
    amps = one.current(time, 14.0)
    assert np.abs(np.diff(amps)).max() < 0.02
    # the motion takes some current back, and the slope jumps up where it ends
    opens = one.opens_s(14.0)
    assert amps[time < opens].max() > amps[np.searchsorted(time, opens)]
    assert kink_s(amps[::10][: int(3.0e-3 / 1e-5)], 2.5e-4, 2.9e-3, 1e6) == pytest.approx(opens, abs=3e-5)
    # 12 to 16 ohm and about an ampere for plain drivers: common practice, no source
    assert 0.8 < amps.max() < 1.2


NONSENSE = {
    "noise": lambda rng: rng.normal(0, 1, 50_000),
    "cut off noise": lambda rng: np.clip(rng.normal(0, 5, 50_000), -1, 1),
    "hum": lambda rng: np.sin(np.arange(50_000) / 160.0) + 0.05 * rng.standard_normal(50_000),
    "two codes": lambda rng: rng.integers(0, 2, 50_000) * 5.0,
    "a step": lambda _: np.where(np.arange(50_000) > 25_000, 13.8, 0.2),
}


@pytest.mark.parametrize("signal", ["injector_voltage", "injector_feed_current"])
@pytest.mark.parametrize("what", NONSENSE)
def test_nonsense_is_not_read(what: str, signal: str) -> None:
    reading = read([NONSENSE[what](np.random.default_rng(1))], (signal,))
    assert reading.status == "unusable", what


def test_an_engine_is_needed_and_an_injectors_signal() -> None:
    wave = Waveform(1e5, 0.0, np.zeros((1, 1000), np.float32), ("",))
    with pytest.raises(ShopspreadError, match="engine family"):
        KIND.read(wave, KIND.hookup, None)
    assert "captures.csv" in KIND.read(wave, Hookup(("battery_voltage",), (1.0,)), FOUR).reason


def test_every_check_says_what_to_do() -> None:
    assert set(KINDS) == {one.name for one in KIND.checks}
    assert all(check(name).detail.endswith(".") for name in KINDS)
    with pytest.raises(KeyError):
        check("no_such_check")


def test_the_shops_simulation_gives_the_same_again_each_slip_its_check_and_each_fault_its_injector() -> None:
    shop = InjectorSimulation((FOUR,))
    planted = [("", ""), *((one, "") for one in shop.faults), *(("", one) for one in shop.slips)]
    for at, (fault, slip) in enumerate(planted):
        made = shop.capture("plain-4", fault=fault, slip=slip, vehicle_seed=at, seed=5)
        again = shop.capture("plain-4", fault=fault, slip=slip, vehicle_seed=at, seed=5)
        np.testing.assert_array_equal(made.recording.samples, again.recording.samples)
        wave = Waveform(made.recording.rate_hz, 0.0, made.recording.samples.astype(np.float32), ("", ""))
        reading = KIND.read(wave, Hookup(made.signals, made.scales), FOUR)
        names = [one.check for one in reading.checks]
        assert names == [] if not slip else slip in names
        if not slip:
            worst = max(reading.elements, key=lambda one: abs(one.relative_pct - 100))
            assert abs(worst.relative_pct - 100) > 8 if fault else abs(worst.relative_pct - 100) < 7
            assert not fault or (worst.element,) == made.odd
    for bad in ({"fault": "rust", "slip": ""}, {"fault": "", "slip": "rust"}):
        with pytest.raises(KeyError):
            shop.capture("plain-4", vehicle_seed=1, seed=1, **bad)


def test_the_independent_simulators_odd_injectors_are_found_and_named() -> None:
    found, wrong = 0, 0
    for seed in range(10):
        wave, hookup, family, truth = capture(seed, clean=True, mode=("feed_sync", "currents")[seed % 2])
        reading = KIND.read(wave, hookup, family)
        assert reading.elements, seed
        worst = max(reading.elements, key=lambda one: abs(one.relative_pct - 100))
        if truth.fault != "none" and truth.worst_pct > 10:
            found += 1
            wrong += worst.element != truth.odd
    assert found >= 2
    assert wrong == 0


def test_a_quick_rise_and_a_driver_that_lets_the_current_fall_slowly_are_pulses_all_the_same() -> None:
    """At 20 kS/s a fall of a quarter of a millisecond takes longer than the first third of the rise."""
    rate_hz, tau_s, on_s, fall_s = 20_000.0, 3.5e-4, 2.5e-3, 2.8e-4
    time = np.arange(int(1.2 * rate_hz)) / rate_hz
    since = (time - 0.011) % 0.03
    top = -np.expm1(-on_s / tau_s)
    falling = top * np.maximum(0.0, 1.0 - (since - on_s) / fall_s)
    feed = 0.9 * np.where(since < on_s, -np.expm1(-since / tau_s), falling)
    feed = feed * (time > 0.011) + 0.001 * np.random.default_rng(4).standard_normal(len(time))
    for way in (1.0, -1.0):
        wave = Waveform(rate_hz, 0.0, (way * feed)[None].astype(np.float32), ("",))
        reading = KIND.read(wave, Hookup(("injector_feed_current",), (1.0,)), FOUR)
        assert reading.status == "read"
        assert ("reversed_leads" in [one.check for one in reading.checks]) == (way < 0)
        assert reading.features["on_ms"] == pytest.approx(1e3 * on_s, abs=0.12)


@pytest.mark.parametrize(("steps", "coarse"), [(50, False), (12, True)])
def test_a_screen_for_the_peak_is_not_too_coarse_for_the_holding_current(steps: int, coarse: bool) -> None:
    time = np.arange(int(1.0 * RATE_HZ)) / RATE_HZ
    since = (time - 0.011) % 0.04
    rise = 4.0 * np.minimum(since / 1e-3, 1.0)
    held = np.where(since < 1e-3, rise, 1.1 + 2.9 * np.exp(-(since - 1e-3) / 1e-4))
    on = (since < 5e-3) & (time > 0.011)
    lines = []
    for k in range(4):
        line = np.roll(np.where(on, held, 0.0), round(0.01 * k * RATE_HZ))
        line = line + 0.01 * np.random.default_rng(k).standard_normal(len(time))
        lines.append(np.round(line * steps / 4.0) * 4.0 / steps)
    reading = read(lines, ("injector_current",) * 4)
    assert reading.features["peak_and_hold"] == 1.0
    assert ("coarse_resolution" in [one.check for one in reading.checks]) == coarse


def test_a_record_that_cannot_be_read_says_what_the_log_and_a_single_pulse_show() -> None:
    feed, _ = constructed([14.0] * 4, [6e-3] * 4)
    short = feed[: round(0.03 * RATE_HZ)]
    named = {one.check for one in read([-short], ("injector_feed_current",)).checks}
    assert {"too_short", "no_sync", "reversed_leads"} <= named
    named = {one.check for one in read([short * 0.0], ("injector_current",)).checks}
    assert "one_injector" in named
    assert "no_sync" not in named
