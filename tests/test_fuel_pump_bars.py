"""Pump current on signals whose answer follows from their construction."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.kinds.fuel_pump_current import bars
from pipelines.kinds.fuel_pump_current.checks import BY_NAME, check
from pipelines.kinds.fuel_pump_current.read import read_current
from pipelines.kinds.fuel_pump_current.signals import moving_mean
from pipelines.kinds.fuel_pump_current.simulation.capture import ScopeSetup, draw_motor, simulate

RATE_HZ = 25_000.0


def constructed(
    depth: list[float], rps: float = 95.0, slow: float = 0.0, noise: float = 0.02, seed: int = 5
) -> np.ndarray:
    """1.5 s of a pump of 5 A whose ripple has one hump a place of `depth`, that much lower (A) at its trough."""
    rng = np.random.default_rng(seed)
    time = np.arange(int(1.5 * RATE_HZ)) / RATE_HZ
    turns = rps * (time + slow * time**2) + 0.3
    n = len(depth)
    place = turns * n
    amps = 5.0 + 0.3 * np.cos(2 * np.pi * (place + 0.5))
    near = np.rint(place)
    window = 0.5 + 0.5 * np.cos(2 * np.pi * (place - near))
    amps -= np.asarray(depth)[near.astype(int) % n] * window
    return (amps + noise * rng.standard_normal(len(time))).astype(np.float32)


@pytest.mark.parametrize("n", [8, 12])
@pytest.mark.parametrize("slow", [0.0, -0.04])
def test_bars_speed_and_worn_bar_by_construction(n: int, slow: float) -> None:
    depth = [0.02 * ((3 * k) % 5) for k in range(n)]
    depth[2] = 0.6
    reading = read_current(constructed(depth, slow=slow), RATE_HZ)
    assert reading.bars == (n,)
    assert reading.features["pump_rpm"] == pytest.approx(60 * 95.0 * (1 + slow * 1.5), rel=0.01)
    assert reading.features["mean_a"] == pytest.approx(5.0 - np.mean(depth) / 2, abs=0.05)
    assert reading.levels is not None
    low = int(np.argmin(reading.levels.relative_pct))
    turned = np.roll(reading.levels.relative_pct, 2 - low)
    assert turned[2] < 96.0
    assert np.delete(turned, 2).min() > 98.0
    # neighbours in their order: the levels follow the planted ones around the turn
    assert np.corrcoef(turned, -np.asarray(depth))[0, 1] > 0.97


def test_opposite_places_alike_mean_half_a_turn() -> None:
    """Four humps that repeat are half a turn of eight bars: brushes alike see opposite bars together."""
    depth = [0.4, 0.0, 0.05, 0.1] * 2
    reading = read_current(constructed(depth), RATE_HZ)
    assert reading.bars == (8,)
    assert reading.features["pump_rpm"] == pytest.approx(5700, rel=0.01)


def test_five_or_ten_bars_are_both_named() -> None:
    depth = [0.4, 0.0, 0.05, 0.1, 0.03] * 2
    reading = read_current(constructed(depth), RATE_HZ)
    assert set(reading.bars) == {5, 10}
    assert np.isnan(reading.features["bars"])
    assert reading.features["pump_rpm"] == pytest.approx(5700, rel=0.01)  # ten humps a turn either way
    assert "unsure_bars" in [found.check for found in reading.checks]


def test_an_odd_number_of_bars_shows_twice_as_many_humps() -> None:
    depth = [0.0] * 14
    for k, extra in enumerate([0.02, 0.5, 0.0, 0.05, 0.03, 0.01, 0.04]):
        depth[2 * k] += extra
        depth[(2 * k + 7) % 14] += extra
    reading = read_current(constructed(depth), RATE_HZ)
    assert reading.bars == (7,)
    assert reading.features["pump_rpm"] == pytest.approx(5700, rel=0.01)
    assert reading.levels is not None
    assert len(reading.levels.relative_pct) == 7


def test_standard_errors_hold_what_white_noise_gives() -> None:
    """Two halves of a record differ as their stated errors say (0.8 to 1.25)."""
    depth = [0.0, 0.1, 0.02, 0.3, 0.05, 0.15, 0.08, 0.2]
    ratios = []
    for seed in range(20):
        samples = constructed(depth, noise=0.1, seed=seed)
        one, two = (read_current(part, RATE_HZ).levels for part in np.array_split(samples, 2))
        assert one is not None
        assert two is not None
        turned = [np.roll(np.stack([two.relative_pct, two.se_pct]), k, axis=1) for k in range(8)]
        other = min(turned, key=lambda t: float(np.sum((one.relative_pct - t[0]) ** 2)))
        ratios += ((one.relative_pct - other[0]) / np.hypot(one.se_pct, other[1])).tolist()
    assert 0.8 < float(np.sqrt(np.mean(np.square(ratios)))) < 1.25


@pytest.mark.parametrize("fault", ["worn_bar", "open_bar"])
def test_simulated_fault_is_the_lowest_bar(fault: str) -> None:
    rng = np.random.default_rng(3)
    wave = simulate(draw_motor(rng), ScopeSetup(), rng, fault, 2)  # type: ignore[arg-type]
    reading = read_current(wave.samples[0], wave.rate_hz)
    assert reading.bars == (8,)
    assert reading.levels is not None
    assert reading.levels.relative_pct.min() < 96.0


def test_start_is_seen_and_a_reversed_clamp_is_turned_over() -> None:
    readings = []
    for flipped in (False, True):
        rng = np.random.default_rng(4)
        wave = simulate(draw_motor(rng), ScopeSetup(reversed_clamp=flipped, offset_a=0.4), rng)
        readings.append(read_current(wave.samples[0], wave.rate_hz))
    plain, turned = readings
    assert "reversed_leads" not in [c.check for c in plain.checks]
    assert "reversed_leads" in [c.check for c in turned.checks]
    for name in ("pump_rpm", "mean_a", "start_peak_a", "run_up_s"):
        assert turned.features[name] == pytest.approx(plain.features[name], rel=0.02), name
    # V / R at standstill less the clamp's lag behind; the offset of the clamp is taken off
    assert 14.0 < plain.features["start_peak_a"] < 19.0


@pytest.mark.parametrize(
    "samples",
    [
        np.full(5000, np.nan, np.float32),
        np.zeros(5000, np.float32),
        np.random.default_rng(1).standard_normal(20_000).astype(np.float32),
        np.full(16, 3.0, np.float32),
    ],
    ids=["nothing", "flat", "noise", "sixteen"],
)
def test_what_is_no_pump_is_unusable_with_advice(samples: np.ndarray) -> None:
    reading = read_current(samples, RATE_HZ)
    assert reading.status == "unusable"
    assert len(reading.reason) > 40


def test_moving_mean_against_its_slow_twin() -> None:
    values = np.random.default_rng(2).standard_normal(40)
    slow = [np.mean(values[max(0, k - 4) : k + 5]) for k in range(40)]
    np.testing.assert_allclose(moving_mean(values, 9), slow, atol=1e-12)


def test_a_line_between_whole_orders_that_stands_alone_is_no_turn() -> None:
    cycles = np.arange(400 * 16) / 16
    ripple = np.cos(2 * np.pi * cycles) + 0.2 * np.cos(2 * np.pi * cycles * 11 / 19)
    ripple += 0.05 * np.random.default_rng(1).standard_normal(len(ripple))
    found = bars.fold(ripple.reshape(-1, 16))
    assert found is not None
    assert found.cycles == 1


def test_every_check_says_what_to_do() -> None:
    for name in BY_NAME:
        assert check(name).detail.endswith(".")
    with pytest.raises(KeyError):
        check("no_such_check")
