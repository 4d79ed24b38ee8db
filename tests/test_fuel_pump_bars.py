"""Pump current on signals whose answer follows from their construction, and on the demo's motor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from pipelines.kinds.base import Hookup, Reading
from pipelines.kinds.fuel_pump_current import KIND, comb, places
from pipelines.kinds.fuel_pump_current.checks import BY_NAME, blocks_direct_current, check
from pipelines.kinds.fuel_pump_current.measure import bar_levels
from pipelines.kinds.fuel_pump_current.signals import moving_mean, prepare
from pipelines.kinds.fuel_pump_current.simulation.capture import ScopeSetup, draw_motor, simulate
from pipelines.kinds.fuel_pump_current.simulation.shelf import BARS, PumpSimulation
from pipelines.kinds.fuel_pump_current.turning import find_turning
from pipelines.waveform import Waveform

RATE_HZ = 25_000.0
Floats = npt.NDArray[np.float64]


def read(samples: npt.NDArray[np.float32], rate_hz: float = RATE_HZ) -> Reading:
    return KIND.read(Waveform(rate_hz, 0.0, samples[None, :].astype(np.float32), ("",)), KIND.hookup, None)


def constructed(
    depth: list[float],
    rps: float = 95.0,
    slow: float = 0.0,
    noise: float = 0.02,
    seed: int = 5,
    lag_s: float = 0.0,
) -> npt.NDArray[np.float32]:
    """1.5 s of a pump of 5 A whose ripple has one trough a place of `depth`, that much lower (A) in its middle.

    `lag_s` sends it through a first-order lag, as a winding does.
    """
    rng = np.random.default_rng(seed)
    time = np.arange(int(1.5 * RATE_HZ)) / RATE_HZ
    turns = rps * (time + slow * time**2) + 0.3
    n = len(depth)
    place = turns * n
    amps = 5.0 + 0.3 * np.cos(2 * np.pi * (place + 0.5)) + 0.1 * np.cos(4 * np.pi * (place + 0.5))
    near = np.rint(place)
    window = 0.5 + 0.5 * np.cos(2 * np.pi * (place - near))
    amps -= np.asarray(depth)[near.astype(int) % n] * window
    if lag_s:
        keep = float(np.exp(-1.0 / (RATE_HZ * lag_s)))
        for at in range(1, len(amps)):
            amps[at] = keep * amps[at - 1] + (1 - keep) * amps[at]
    return (amps + noise * rng.standard_normal(len(time))).astype(np.float32)


def turned_to(values: list[float], wanted: Floats) -> Floats:
    """`values` rotated to lie closest to `wanted`: where a turn begins cannot be seen."""
    turns = [np.roll(values, k) for k in range(len(values))]
    return min(turns, key=lambda one: float(np.sum((one - wanted) ** 2)))


# brushes alike: opposite places hold the same two bars
DEPTHS = {
    8: [0.02, 0.6, 0.08, 0.0] * 2,
    12: [0.02, 0.6, 0.08, 0.0, 0.05, 0.03] * 2,
}


@pytest.mark.parametrize("n", DEPTHS)
@pytest.mark.parametrize("slow", [0.0, -0.04])
def test_bars_speed_and_worn_bar_by_construction(n: int, slow: float) -> None:
    depth = DEPTHS[n]
    reading = read(constructed(depth, slow=slow))
    assert reading.features["bars"] == n
    assert reading.features["pump_rpm"] == pytest.approx(60 * 95.0 * (1 + slow * 1.5), rel=0.01)
    assert reading.features["mean_a"] == pytest.approx(5.0 - np.mean(depth) / 2, abs=0.05)
    load = 1e3 * reading.features["mean_a"] / reading.features["pump_rpm"]
    assert reading.features["load_a_per_krpm"] == pytest.approx(load)
    found = turned_to([one.relative_pct for one in reading.elements], -np.asarray(depth))
    low = np.asarray(depth) == max(depth)
    assert found[low].max() < 96.5
    assert found[~low].min() > 98.0
    assert np.corrcoef(found, -np.asarray(depth))[0, 1] > 0.97


def test_six_bars_are_told_or_left_open_but_never_taken_for_another_number() -> None:
    for deep in (0.0, 0.1, 0.2, 0.3, 0.6):
        reading = read(constructed([0.05, deep, 0.0] * 2))
        assert reading.status == "read"
        assert len(reading.elements) in (0, 6)


def test_an_odd_number_of_bars_makes_as_many_ripples_in_half_a_turn() -> None:
    reading = read(constructed([0.02, 0.5, 0.0, 0.05, 0.03, 0.01, 0.04] * 2))
    assert reading.features["bars"] == 7
    assert len(reading.elements) == 7
    assert reading.features["pump_rpm"] == pytest.approx(5700, rel=0.01)


def test_five_or_ten_bars_are_not_told_unless_the_brushes_take_turns() -> None:
    same = read(constructed([0.3, 0.0, 0.2, 0.05, 0.1] * 2))
    assert np.isnan(same.features["bars"])
    assert len(same.elements) == 10
    assert same.features["pump_rpm"] == pytest.approx(5700, rel=0.01)  # ten ripples a turn either way
    assert "of 5" in " ".join(same.notes)
    alternate = [deep + 0.15 * (k % 2) for k, deep in enumerate([0.1, 0.0, 0.05, 0.02, 0.03] * 2)]
    other = read(constructed(alternate))
    assert other.features["bars"] == 5
    assert len(other.elements) == 5


def test_bars_that_look_alike_are_not_compared() -> None:
    reading = read(constructed([0.0] * 8, noise=0.05))
    assert reading.status == "read"
    assert not reading.elements
    assert np.isnan(reading.features["pump_rpm"])
    assert reading.features["mean_a"] == pytest.approx(5.0, abs=0.02)
    assert reading.notes


def test_the_windings_lag_is_found_and_taken_off() -> None:
    """A first-order lag of 0.3 ms (RL circuit, i + (L/R) di/dt = goal) leaves the places as they were."""
    depth = DEPTHS[8]
    plain, late = (read(constructed(depth, noise=0.005, lag_s=lag)) for lag in (0.0, 3e-4))
    assert late.features["lag_ms"] == pytest.approx(0.3, abs=0.1)
    assert plain.features["lag_ms"] == pytest.approx(0.0, abs=0.1)
    wanted = np.array([one.relative_pct for one in plain.elements])
    np.testing.assert_allclose(
        turned_to([one.relative_pct for one in late.elements], wanted), wanted, atol=0.6
    )


def test_standard_errors_hold_at_least_what_noise_gives() -> None:
    """Twelve records that differ in nothing but noise scatter no more than their errors say.

    The errors also hold what the choice of L/R and of the places leaves open, which noise does not move.
    """
    depth = DEPTHS[8]
    values, errors = [], []
    for seed in range(12):
        reading = read(constructed(depth, noise=0.05, seed=seed))
        here = [one.relative_pct for one in reading.elements]
        first = values[0] if values else np.array(here)
        values.append(turned_to(here, first))
        errors.append([one.se_pct for one in reading.elements])
    # opposite places are alike, so half a turn's rotation must not count as scatter
    halves = np.array(values).reshape(12, 2, 4).mean(axis=1)
    stated = np.sqrt(np.mean(np.square(errors)) / 2)
    assert float(np.sqrt(np.mean(halves.var(axis=0, ddof=1)))) < 1.25 * stated
    assert stated < 0.3


@pytest.mark.parametrize("fault", ["worn_bar", "open_bar"])
def test_simulated_fault_is_the_lowest_bar(fault: str) -> None:
    rng = np.random.default_rng(3)
    wave = simulate(draw_motor(rng), ScopeSetup(), rng, fault, 2)  # type: ignore[arg-type]
    reading = read(wave.samples[0], wave.rate_hz)
    assert reading.features["bars"] == 8
    levels = np.array([one.relative_pct for one in reading.elements])
    low = int(np.argmin(levels))
    assert levels[low] < 96.5
    # the other brush shows it half a turn later
    assert int(np.argsort(levels)[1]) == (low + 4) % 8


def test_start_is_seen_and_a_reversed_clamp_is_turned_over() -> None:
    readings = []
    for flipped in (False, True):
        rng = np.random.default_rng(4)
        setup = ScopeSetup(reversed_clamp=flipped, offset_a=0.3)
        wave = simulate(draw_motor(rng), setup, rng, "worn_bar", 1)
        readings.append(read(wave.samples[0], wave.rate_hz))
    plain, turned = readings
    assert "reversed_leads" not in [c.check for c in plain.checks]
    assert "reversed_leads" in [c.check for c in turned.checks]
    for name in ("pump_rpm", "mean_a", "start_peak_a", "run_up_s"):
        assert turned.features[name] == pytest.approx(plain.features[name], rel=0.02), name
    # V / R at standstill less the clamp's lag behind; the offset of the clamp is taken off
    assert 14.0 < plain.features["start_peak_a"] < 19.0


@pytest.mark.parametrize("group", BARS)
def test_the_shelf_gives_the_same_again_and_each_slip_its_check(group: str) -> None:
    shelf = PumpSimulation()
    for slip in ("", *shelf.slips):
        made = shelf.capture(group, fault="open_bar", slip=slip, vehicle_seed=3, seed=8)
        again = shelf.capture(group, fault="open_bar", slip=slip, vehicle_seed=3, seed=8)
        np.testing.assert_array_equal(made.recording.samples, again.recording.samples)
        wave = Waveform(made.recording.rate_hz, 0.0, made.recording.samples.astype(np.float32), ("",))
        reading = KIND.read(wave, Hookup(made.signals, made.scales), None)
        names = [one.check for one in reading.checks]
        assert names == [] if not slip else slip in names, (slip, names)
        if not slip:
            assert len(reading.elements) == BARS[group]
            assert min(one.relative_pct for one in reading.elements) < 96.0
    for bad in ({"fault": "rust", "slip": ""}, {"fault": "", "slip": "rust"}):
        with pytest.raises(KeyError):
            shelf.capture(group, vehicle_seed=1, seed=1, **bad)


@pytest.mark.parametrize(
    "samples",
    [
        np.append(np.full(4999, np.nan, np.float32), np.float32(1.0)),
        np.zeros(5000, np.float32),
        np.random.default_rng(1).standard_normal(20_000).astype(np.float32),
        np.full(16, 3.0, np.float32),
    ],
    ids=["nothing", "flat", "noise", "sixteen"],
)
def test_what_is_no_pump_is_unusable_with_advice(samples: npt.NDArray[np.float32]) -> None:
    reading = read(samples)
    assert reading.status == "unusable"
    assert len(reading.reason) > 40


def test_a_pump_draws_no_negative_current() -> None:
    ripple = 1.5 + 1.6 * np.sin(np.arange(4000) / 9.0)
    assert not blocks_direct_current(ripple, float("nan"))
    assert blocks_direct_current(ripple - ripple.mean(), float("nan"))
    assert blocks_direct_current(ripple - ripple.mean() + 0.2, 0.2)


def test_moving_mean_against_its_slow_twin() -> None:
    values = np.random.default_rng(2).standard_normal(40)
    slow = [np.mean(values[max(0, k - 4) : k + 5]) for k in range(40)]
    np.testing.assert_allclose(moving_mean(values, 9), slow, atol=1e-12)


def test_a_line_between_whole_orders_that_stands_alone_is_no_turn() -> None:
    cycles = np.arange(400 * 16) / 16
    ripple = np.cos(2 * np.pi * cycles) + 0.2 * np.cos(2 * np.pi * cycles * 11 / 19)
    ripple += 0.05 * np.random.default_rng(1).standard_normal(len(ripple))
    found = comb.count(comb.spectrum(ripple.reshape(-1, 16)), 400, 800.0, 6000.0)
    assert found is None or not found.told


def test_levels_need_a_count_of_ripples() -> None:
    trace = prepare(constructed([0.0] * 8, noise=0.05), RATE_HZ, 1.0)
    assert trace is not None
    turning = find_turning(trace)
    assert turning is not None
    assert bar_levels(trace, turning, 0.0) is None


def test_every_check_says_what_to_do() -> None:
    assert set(BY_NAME) == {one.name for one in KIND.checks}
    for name in BY_NAME:
        assert check(name).detail.endswith(".")
    with pytest.raises(KeyError):
        check("no_such_check")


def placed(bars: int, order: int, seed: int) -> tuple[tuple[Floats, Floats], int]:
    """Alike bars, each with a weight of its own, under two brushes; `order` of the shaft's turn is followed."""
    rng = np.random.default_rng(seed)
    turn = np.arange(400 * 32) / 32 / order
    weight = 1.0 + 0.15 * rng.standard_normal(bars)
    values = 0.03 * rng.standard_normal(len(turn))
    for brush, gain in ((0.0, 1.0), (0.5, 0.95)):
        apart = (turn[:, None] - np.arange(bars) / bars - brush + 0.5) % 1.0 - 0.5
        values += gain * (weight * np.exp(-np.abs(apart) * bars / 0.2)).sum(axis=1)
    return comb.spectrum(values.reshape(400, 32)), 400


@pytest.mark.parametrize(("bars", "order"), [(6, 6), (7, 14), (8, 8), (9, 18)])
def test_the_sizes_of_all_lines_tell_speed_and_bars(bars: int, order: int) -> None:
    for seed in range(4):
        lines, cycles = placed(bars, order, seed)
        found = places.likeliest(lines, cycles, 100.0 * order, 1280.0 * order)
        assert found is not None
        assert (found.order, found.bars) == (order / 2, bars)


def test_a_count_that_the_other_witness_denies_is_taken_back() -> None:
    lines, cycles = placed(8, 8, 1)
    read = comb.Count(4.0, 4, 1.0, 20.0, 4.0, 3.0, 1.0, False)
    assert read.told
    kept = places.agreed(read, lines, cycles, 800.0, 10_000.0)
    assert kept is not None
    assert kept.told
    wrong = places.agreed(replace(read, ripples=5), lines, cycles, 800.0, 10_000.0)
    assert wrong is not None
    assert not wrong.told
    unsure = places.agreed(replace(read, lead=0.0), lines, cycles, 800.0, 10_000.0)
    assert unsure is not None
    assert unsure.told
    assert places.agreed(None, lines, cycles, 800.0, 10_000.0) is None
