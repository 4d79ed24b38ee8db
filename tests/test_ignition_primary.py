"""Ignition on signals whose answer follows from their construction, on closed forms, and on both simulators."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

from pipelines.errors import ShopspreadError
from pipelines.kinds import turns
from pipelines.kinds.base import EngineFamily, Hookup, Reading
from pipelines.kinds.ignition_primary import KIND
from pipelines.kinds.ignition_primary.checks import KINDS, check
from pipelines.kinds.ignition_primary.pickup import own_pulses
from pipelines.kinds.ignition_primary.ramps import fit_circuit
from pipelines.kinds.ignition_primary.simulation import IgnitionSimulation
from pipelines.kinds.ignition_primary.simulation.coil import Coil
from pipelines.waveform import Waveform
from tests.independent_ignition import Coils, charge, strike
from tests.independent_ignition_captures import capture

Floats = npt.NDArray[np.float64]
FOUR = EngineFamily("plain-4", 4, (1, 3, 4, 2))
OLD_SIX = EngineFamily("old-6", 6, (1, 5, 3, 6, 2, 4), sync_kind="distributor")
PAIRS = EngineFamily("pairs-6", 6, (1, 5, 3, 6, 2, 4), sync_kind="waste_spark")
RATE_HZ = 100_000.0


def read(lines: list[Floats], signals: tuple[str, ...], family: EngineFamily, sync: int = 1) -> Reading:
    wave = Waveform(RATE_HZ, 0.0, np.stack(lines).astype(np.float32), ("",) * len(lines))
    return KIND.read(wave, Hookup(signals, (1.0,) * len(lines), sync), family)


def by_element(reading: Reading, measure: str) -> dict[int | None, float]:
    return {one.element: one.relative_pct for one in reading.elements if one.measure == measure}


def spark(line: Floats, cut_s: float, dwell_s: float, burn_s: float, supply: float = 14.0) -> None:
    """A constructed strike: 1 V for the dwell, 0.1 ms of 300 V, a flat line of 40 V, then a ring."""
    at = [
        round(one * RATE_HZ)
        for one in (cut_s - dwell_s, cut_s, cut_s + 1e-4, cut_s + burn_s, cut_s + burn_s + 3e-3)
    ]
    line[at[0] : at[1]] = 1.0
    line[at[1] : at[2]] = 300.0
    line[at[2] : at[3]] = 40.0
    age = np.arange(at[4] - at[3]) / RATE_HZ
    line[at[3] : at[4]] = supply - 15 * np.exp(-age / 5e-4) * np.sin(2 * np.pi * 4000 * age)


def ramps(
    ohm: list[float], henry: list[float], volts: float, dwell_s: float, turn_s: float, turns_made: int
) -> Floats:
    """Charging currents one after another, V/R (1 - exp(-t R/L)), shape (samples,)."""
    n = len(ohm)
    amps = np.zeros(round((turns_made + 0.5) * turn_s * RATE_HZ))
    time = np.arange(round(dwell_s * RATE_HZ)) / RATE_HZ
    for k in range(turns_made * n):
        at = round((k / n + 0.2 / n) * turn_s * RATE_HZ)
        r, ell = ohm[k % n], henry[k % n]
        amps[at : at + len(time)] = volts / r * -np.expm1(-time * r / ell)
    return amps


# -- against closed forms and reference libraries --------------------------------------------------------------------


@pytest.mark.parametrize(("ohm", "henry"), [(0.5, 3e-3), (0.9, 4e-3), (1.5, 8e-3), (3.0, 9e-3)])
def test_resistance_and_inductance_of_a_constructed_circuit(ohm: float, henry: float) -> None:
    """RL step response, i = V/R (1 - exp(-t R/L)) (any circuit textbook): R and L come back from the ramp."""
    rng = np.random.default_rng(3)
    amps = ramps([ohm] * 4, [henry] * 4, 13.5, 5e-3, 0.12, 12) + 0.01 * rng.standard_normal(
        round(12.5 * 0.12 * RATE_HZ)
    )
    battery = np.full(len(amps), 13.5)
    reading = read([amps, battery], ("coil_feed_current", "battery_voltage"), FOUR)
    assert reading.features["circuit_ohm"] == pytest.approx(ohm, rel=0.03)
    assert reading.features["inductance_mh"] == pytest.approx(1e3 * henry, rel=0.02)
    assert reading.features["lag_ms"] == pytest.approx(1e3 * henry / ohm, rel=0.03)
    assert reading.features["dwell_ms"] == pytest.approx(5.0, abs=0.05)
    assert reading.features["cut_a"] == pytest.approx(
        13.5 / ohm * (1 - np.exp(-5e-3 * ohm / henry)), rel=0.02
    )


def test_the_fit_is_a_least_squares_fit() -> None:
    """Against scipy.optimize.curve_fit on the same noisy rise."""
    rng = np.random.default_rng(4)
    time = np.linspace(1e-4, 6e-3, 48)
    rise = 15 * -np.expm1(-(time - 5e-5) / 4e-3) + 0.03 * rng.standard_normal(48)
    own = fit_circuit(time, rise)
    (final, tau, _), _ = curve_fit(
        lambda t, a, b, c: a * -np.expm1(-(t - c) / b), time, rise, (10.0, 3e-3, 0.0)
    )
    assert own.tau_s == pytest.approx(tau, rel=0.01)
    assert own.final_a == pytest.approx(final, rel=0.01)
    assert np.isnan(fit_circuit(time, 3.0 * time).tau_s)


def _one(**changed: float) -> Coils:
    values = {
        "supply_v": 14.0, "switch_v": 0.0, "ohm": 0.7, "henry": 4e-3, "saturation_a": 1e6, "limit_a": 1e3,
        "farad": 4e-7, "loss_ohm": 1e9, "clamp_v": 1e6, "breakdown_v": 120.0, "burn_v": 25.0, "burn_rise": 0.0,
        "keep_a": 0.02, "path_ohm": 2.0, "dwell_s": 3e-3,
    }  # fmt: skip
    return Coils(**{name: np.array([value]) for name, value in (values | changed).items()})


def test_the_independent_coil_charges_like_an_ode_solver_says() -> None:
    """Without saturation against the closed form, with it against scipy's solve_ivp (LSODA, from memory ODEPACK)."""
    plain = _one()
    time, amps, _ = charge(plain, np.zeros(1))
    # the switch drops 0.04 V an ampere more
    wanted = 14.0 / 0.74 * -np.expm1(-time * 0.74 / 4e-3)
    np.testing.assert_allclose(amps[0], wanted, rtol=2e-3, atol=2e-3)
    bent = _one(saturation_a=9.0)
    time, amps, _ = charge(bent, np.zeros(1))

    def slope(_: float, i: Floats) -> Floats:
        return (14.0 - 0.74 * i) / (4e-3 * (1 + (i / 9.0) ** 4) ** -1.25)

    solved = solve_ivp(slope, (0, time[-1]), [0.0], t_eval=time, rtol=1e-8, atol=1e-9, method="LSODA")
    np.testing.assert_allclose(amps[0], solved.y[0], rtol=5e-3, atol=5e-3)


def test_both_simulators_burn_as_long_as_the_arcs_own_equation_says() -> None:
    """L di/dt = -(v + R i): L/R ln(1 + R i/v), worked out by hand; lossless but for the arc."""
    course = strike(_one(), np.zeros(1), 8e-3)
    cut = float(course.cut_a[0])
    # what charges the winding's capacitance up to the burn voltage is lost to the arc: C v^2 against L i^2, 1 %
    wanted = 4e-3 / 2.0 * np.log1p(2.0 * cut / 25.0)
    assert float(course.burn_s[0]) == pytest.approx(wanted, rel=0.04)
    coil = Coil(henry=4e-3, ohm=0.7, limit_a=99.0, dwell_s=3e-3, burn_v=25.0, path_ohm=2.0, driver_v=0.0)
    assert coil.burn_s(14.0) == pytest.approx(4e-3 / 2.0 * np.log1p(2.0 * coil.cut_a(14.0) / 25.0))
    tau = 4e-3 / 0.7
    assert coil.current(np.array([tau]), 14.0)[0] == pytest.approx(20.0 * (1 - np.exp(-1)), rel=1e-9)


def test_orders_of_magnitude_of_the_demos_coils() -> None:
    """Primary 0.3 to 1.5 ohm, 2 to 8 mH, cut at 4 to 15 A, burn of 0.8 to 2.5 ms: common practice, no source."""
    coil = Coil()
    assert 0.3 <= coil.ohm <= 1.5
    assert 4 <= coil.cut_a(14.0) <= 15
    assert 0.8e-3 <= coil.burn_s(14.0) <= 2.5e-3


# -- constructed signals ---------------------------------------------------------------------------------------------


def test_burn_times_by_construction_are_named_from_a_pickup_on_any_cylinder() -> None:
    burn = {1: 1.4e-3, 5: 1.4e-3, 3: 0.9e-3, 6: 1.5e-3, 2: 1.4e-3, 4: 1.3e-3}
    line, pickup = np.full(200_000, 14.0), np.zeros(200_000)
    for k in range(12 * 6):
        cylinder = OLD_SIX.firing_order[k % 6]
        cut = 0.02 + k * 0.025
        spark(line, cut, 4e-3, burn[cylinder])
        if cylinder == 6:
            pickup[round(cut * RATE_HZ) : round(cut * RATE_HZ) + 4] = -9.0
    reading = read([line, pickup], ("ignition_primary", "ignition_pickup"), OLD_SIX, sync=6)
    assert [one.check for one in reading.checks] == []
    found = by_element(reading, "burn_time")
    for cylinder, wanted in burn.items():
        assert found[cylinder] == pytest.approx(100 * wanted / 1.4e-3, abs=1.0)
    assert reading.features["engine_rpm"] == pytest.approx(120 / 0.15, rel=1e-3)
    assert reading.features["dwell_ms"] == pytest.approx(4.0, abs=0.02)
    assert reading.features["burn_v"] == pytest.approx(26.0, abs=0.5)
    assert reading.features["supply_v"] == pytest.approx(14.0, abs=0.1)
    assert reading.features["strikes"] == 1.0


def test_without_a_sync_positions_are_read_and_no_cylinder_is_named() -> None:
    line = np.full(200_000, 14.0)
    for k in range(12 * 6):
        spark(line, 0.02 + k * 0.025, 4e-3, 0.8e-3 if k % 6 == 2 else 1.4e-3)
    reading = read([line], ("ignition_primary",), OLD_SIX)
    assert [one.check for one in reading.checks] == ["no_sync"]
    assert {one.element for one in reading.elements} == {None}
    assert min(reading.elements, key=lambda one: one.relative_pct).position == 3


def test_coils_on_channels_of_their_own_are_named_by_when_they_fire() -> None:
    places = {3: 1, 1: 0, 2: 3, 4: 2}
    lines = {c: np.full(160_000, 13.8) for c in (3, 1, 4, 2)}
    for turn in range(11):
        for cylinder, place in places.items():
            for again in range(3):
                cut = 0.02 + 0.14 * turn + 0.035 * place + 2.5e-3 * again
                spark(
                    lines[cylinder], cut, 1.5e-3, 1.8e-3 if cylinder == 4 else 1.2e-3
                ) if again == 2 else spark(lines[cylinder], cut, 1.5e-3, 0.99e-3)
    reading = read([lines[c] for c in (3, 1, 4, 2)], ("ignition_primary",) * 4, FOUR, sync=3)
    assert [one.check for one in reading.checks] == []
    found = by_element(reading, "burn_time")
    assert found[4] == pytest.approx(150.0, abs=4.0)
    assert max(abs(found[c] - 100) for c in (1, 2, 3)) < 2.0
    assert reading.features["strikes"] == pytest.approx(3.0)
    assert reading.features["engine_rpm"] == pytest.approx(120 / 0.14, rel=0.01)


def test_pairs_are_numbered_in_firing_order() -> None:
    amps = ramps([0.7] * 3, [4e-3, 2.5e-3, 4e-3], 13.0, 3e-3, 0.08, 14)
    line = np.full(len(amps), 14.0)
    for turn in range(14):
        # the second coil's cut is the sync: cylinders 5 and 2
        spark(line, (turn + 1.2 / 3) * 0.08 + 3e-3, 3e-3, 1.2e-3)
    for sync in (5, 2):
        reading = read([amps, line], ("coil_feed_current", "ignition_primary"), PAIRS, sync=sync)
        found = by_element(reading, "charging")
        assert set(found) == {1, 2, 3}
        assert found[2] > 140
        assert reading.features["engine_rpm"] == pytest.approx(60 / 0.08, rel=0.01)


def test_a_sync_that_does_not_fit_the_family_names_nobody() -> None:
    amps = ramps([0.7] * 4, [4e-3] * 4, 13.0, 3e-3, 0.12, 12)
    pickup = np.zeros(len(amps))
    for k in range(24):
        pickup[round((k * 0.06 + 0.01) * RATE_HZ)] = 5.0
    reading = read([amps, pickup], ("coil_feed_current", "ignition_pickup"), FOUR)
    assert "family_doubtful" in [one.check for one in reading.checks]
    assert not reading.elements
    assert reading.features["dwell_ms"] == pytest.approx(3.0, abs=0.05)


def test_a_neighbours_pulses_are_told_by_how_often_they_come() -> None:
    sparks = np.arange(80) * 0.02
    heights = np.where(np.arange(80) % 4 == 1, 1.0, 0.45) * np.random.default_rng(1).uniform(0.7, 1.0, 80)
    kept = own_pulses(sparks, heights, sparks, 4)
    np.testing.assert_allclose(kept, sparks[1::4])


NONSENSE = {
    "noise": lambda rng: rng.normal(0, 1, 50_000),
    "cut off noise": lambda rng: np.clip(rng.normal(0, 5, 50_000), -1, 1),
    "two codes": lambda rng: rng.integers(0, 2, 50_000) * 5.0,
    "a square wave": lambda _: 13.8 * ((np.arange(50_000) // 900) % 2),
    "a triangle": lambda _: np.abs((np.arange(50_000) / 1000.0) % 2.0 - 1.0),
    "a step": lambda _: np.where(np.arange(50_000) > 25_000, 13.8, 0.2),
}


@pytest.mark.parametrize("signal", ["ignition_primary", "coil_feed_current"])
@pytest.mark.parametrize("what", NONSENSE)
def test_nonsense_is_not_read(what: str, signal: str) -> None:
    reading = read([NONSENSE[what](np.random.default_rng(1))], (signal,), FOUR)
    assert reading.status == "unusable", what


@pytest.mark.parametrize("shift", [0, 1])
def test_what_stands_on_the_channel_is_no_coil(shift: int) -> None:
    rng = np.random.default_rng(shift)
    hum = np.sin(np.arange(50_000) / 40.0) + 0.1 * rng.standard_normal(50_000)
    reading = read([hum], (("ignition_primary", "coil_feed_current")[shift],), FOUR)
    assert reading.status == "unusable"
    assert [one.check for one in reading.checks] == ["no_strikes"]


def test_an_engine_is_needed_and_a_coils_signal() -> None:
    wave = Waveform(1e5, 0.0, np.zeros((1, 1000), np.float32), ("",))
    with pytest.raises(ShopspreadError, match="engine family"):
        KIND.read(wave, KIND.hookup, None)
    reading = KIND.read(wave, Hookup(("battery_voltage",), (1.0,)), FOUR)
    assert reading.status == "unusable"
    assert "captures.csv" in reading.reason


def test_every_check_says_what_to_do() -> None:
    assert set(KINDS) == {one.name for one in KIND.checks}
    assert all(check(name).detail.endswith(".") for name in KINDS)
    with pytest.raises(KeyError):
        check("no_such_check")


# -- trains of events ------------------------------------------------------------------------------------------------


def test_index_pulses_doubled_or_missing_are_mended() -> None:
    train = np.arange(12) * 0.1
    spoiled = np.sort(np.append(np.delete(train, 5), 0.33))
    np.testing.assert_allclose(turns.regular(spoiled), train, atol=1e-9)


def test_phases_run_on_beyond_both_ends_and_stop_in_a_pause() -> None:
    index = np.array([1.0, 1.2, 1.4, 5.0, 5.2])
    found = turns.phases(np.array([0.95, 1.05, 1.5, 3.0, 5.1]), index)
    np.testing.assert_allclose(found[[0, 1, 4]], [0.75, 0.25, 0.5])
    assert np.isnan(found[3])
    assert np.isnan(turns.phases(np.array([1.0]), np.array([1.0]))).all()


def test_nearest_place_around_the_turn() -> None:
    places = np.array([0.0, 0.25, 0.5, 0.75])
    assert turns.nearest(np.array([0.98, 0.27, 0.4, 0.375, np.nan]), places).tolist() == [0, 1, 2, -1, -1]


def test_in_turn_counts_over_a_missing_event() -> None:
    times = np.delete(np.arange(20) * 0.02, 7)
    wanted = np.delete(np.arange(20) % 4, 7)
    assert turns.in_turn(times, np.array([0, 0.25, 0.5, 0.75])).tolist() == wanted.tolist()


# -- simulators ------------------------------------------------------------------------------------------------------


def test_the_shops_simulation_gives_the_same_again_each_slip_its_check_and_each_fault_its_cylinder() -> None:
    families = (FOUR, OLD_SIX, replace(PAIRS, name="pairs-4", cylinders=4, firing_order=(1, 3, 4, 2)))
    shop = IgnitionSimulation(families)
    assert shop.groups == ("plain-4", "old-6")
    for group, family in (("plain-4", FOUR), ("old-6", OLD_SIX)):
        for at, fault in enumerate(("", *shop.faults)):
            made = shop.capture(group, fault=fault, slip="", vehicle_seed=at, seed=5)
            again = shop.capture(group, fault=fault, slip="", vehicle_seed=at, seed=5)
            np.testing.assert_array_equal(made.recording.samples, again.recording.samples)
            wave = Waveform(
                made.recording.rate_hz,
                0.0,
                made.recording.samples.astype(np.float32),
                ("",) * len(made.signals),
            )
            reading = KIND.read(wave, Hookup(made.signals, made.scales), family)
            assert [one.check for one in reading.checks] == []
            worst = max(reading.elements, key=lambda one: abs(one.relative_pct - 100))
            if fault:
                assert (worst.element,) == made.odd
                assert abs(worst.relative_pct - 100) > 8
            else:
                assert abs(worst.relative_pct - 100) < 12
        for slip in shop.slips:
            made = shop.capture(group, fault="", slip=slip, vehicle_seed=3, seed=8)
            wave = Waveform(
                made.recording.rate_hz,
                0.0,
                made.recording.samples.astype(np.float32),
                ("",) * len(made.signals),
            )
            assert slip in [
                one.check for one in KIND.read(wave, Hookup(made.signals, made.scales), family).checks
            ]
    for bad in ({"fault": "rust", "slip": ""}, {"fault": "", "slip": "rust"}):
        with pytest.raises(KeyError):
            shop.capture("plain-4", vehicle_seed=1, seed=1, **bad)


def test_the_independent_simulators_odd_cylinders_are_found_and_named() -> None:
    found, wrong, healthy = 0, 0, 0
    for seed in range(12):
        wave, hookup, family, truth = capture(
            seed, clean=True, mode=("distributor", "feed_coil", "coils")[seed % 3]
        )
        reading = KIND.read(wave, hookup, family)
        assert reading.elements, seed
        worst = max(reading.elements, key=lambda one: abs(one.relative_pct - 100))
        if truth.fault != "none" and truth.worst_pct > 10:
            found += 1
            wrong += worst.element != truth.odd
        elif truth.fault == "none":
            healthy += 1
            assert abs(worst.relative_pct - 100) < 10, seed
    assert found >= 3
    assert healthy >= 3
    assert wrong == 0


def test_two_coils_are_read_but_never_compared() -> None:
    """Of two that differ neither is the odd one; the group must still have a layout a fit can stand on."""
    family = EngineFamily("pairs-4", 4, (1, 3, 4, 2), sync_kind="waste_spark")
    assert KIND.layout is not None
    assert KIND.layout(family).elements == 4
    amps = ramps([0.7] * 2, [4e-3, 2.5e-3], 13.0, 3e-3, 0.08, 14)
    line = np.full(len(amps), 14.0)
    for turn in range(14):
        spark(line, (turn + 0.2 / 2) * 0.08 + 3e-3, 3e-3, 1.2e-3)
    reading = read([amps, line], ("coil_feed_current", "ignition_primary"), family)
    assert reading.status == "read"
    assert not reading.elements
    assert reading.features["dwell_ms"] == pytest.approx(3.0, abs=0.05)
