"""The cranking simulation against geometry, thermodynamics and Ohm's law."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.kinds.relative_compression.simulation.cranking import (
    Battery,
    CrankingEngine,
    CrankingRun,
    CrankingTrace,
    CylinderHealth,
    GasketLeak,
    Starter,
    random_engine,
    random_run,
    simulate,
)
from pipelines.kinds.relative_compression.simulation.engine import ATMOSPHERE_PA, relative_volume

FOUR = CrankingEngine(4, (1, 3, 4, 2))
QUIET = CrankingRun(FOUR, duration_s=6.0, cycle_scatter=0.0, drag_scatter=0.0, seed=1)


def motored_peak_kpa(engine: CrankingEngine) -> float:
    """Peak absolute pressure without any leak, `p0 * (V0/Vc)^n`, in kPa (Heywood 1988)."""
    return float(
        (ATMOSPHERE_PA / 1000.0 - engine.manifold_drop_kpa) * engine.effective_ratio() ** engine.polytropic
    )


def sick(run: CrankingRun, cylinder: int, health: CylinderHealth) -> CrankingRun:
    return replace(
        run,
        health=tuple(
            health if c == cylinder else CylinderHealth() for c in range(1, run.engine.cylinders + 1)
        ),
    )


# Heywood J.B. (1988), Internal Combustion Engine Fundamentals, section 2.2: exact geometry, values recomputed.
@pytest.mark.parametrize(
    ("rod_ratio", "crank_deg", "travel"),
    [
        (3.5, 30.0, 0.08494),
        (3.5, 60.0, 0.30442),
        (3.5, 90.0, 0.57295),
        (3.5, 120.0, 0.80442),
        (3.5, 180.0, 1.0),
        (3.0, 90.0, 0.58579),
        (4.0, 90.0, 0.56351),
    ],
)
def test_piston_travel_follows_slider_crank(rod_ratio: float, crank_deg: float, travel: float) -> None:
    share = (relative_volume(crank_deg, 11.0, rod_ratio) - 1.0) / 10.0
    assert share == pytest.approx(travel, abs=1e-5)


# Same section: V/Vc at 90 and 180 deg for rc 10, R 3.5.
def test_relative_volume_at_quarter_and_half_turn() -> None:
    np.testing.assert_allclose(
        relative_volume([0.0, 90.0, 180.0], 10.0, 3.5), [1.0, 6.156541, 10.0], atol=1e-6
    )


# Same section: highest over mean piston speed, R 3.5 is 1.63401 at 75.136 deg.
def test_highest_piston_speed() -> None:
    angle_deg = np.arange(0.0, 180.0, 0.001)
    speed = np.gradient(relative_volume(angle_deg, 11.0, 3.5) / 10.0, np.radians(angle_deg)) * np.pi
    assert speed.max() == pytest.approx(1.63401, abs=1e-4)
    assert angle_deg[speed.argmax()] == pytest.approx(75.136, abs=0.01)


# Late closing shrinks the ratio that compresses: rc 10, R 3.5, 40 deg after bottom centre 9.215 and pressure ratio
# 17.94 at n = 1.3; 60 deg 8.240 and 15.51. From the same geometry.
@pytest.mark.parametrize(
    ("close_deg", "ratio", "pressure_ratio"), [(40.0, 9.215, 17.94), (60.0, 8.240, 15.51)]
)
def test_effective_ratio(close_deg: float, ratio: float, pressure_ratio: float) -> None:
    engine = replace(FOUR, rod_ratio=3.5, intake_close_deg=close_deg, polytropic=1.3, manifold_drop_kpa=0.0)
    assert engine.effective_ratio() == pytest.approx(ratio, abs=5e-4)
    assert motored_peak_kpa(engine) / (ATMOSPHERE_PA / 1000.0) == pytest.approx(pressure_ratio, abs=5e-3)


# Worked example, open encyclopedic article on compression ratio: ratio 7.5, n 1.3, 14.7 psi: 201.8 psi absolute.
def test_motored_pressure_worked_example_is_reached_by_the_simulation() -> None:
    closing = 45.0
    geometric = 1.0 + 6.5 / (relative_volume(180.0 + closing, 2.0, 3.5) - 1.0)
    tight = replace(
        FOUR,
        compression_ratio=float(geometric),
        rod_ratio=3.5,
        intake_close_deg=closing,
        polytropic=1.3,
        ring_leak_mm2=0.0,
        manifold_drop_kpa=0.0,
    )
    assert tight.effective_ratio() == pytest.approx(7.5, abs=1e-9)
    assert motored_peak_kpa(tight) * 14.7 / 101.325 == pytest.approx(201.789, abs=1e-2)
    trace = simulate([replace(QUIET, engine=tight)])[0]
    # the intake stroke breathes through a valve with a lag, so a little below
    np.testing.assert_allclose(trace.peak_kpa, motored_peak_kpa(tight), rtol=0.02)


# 720 deg / cylinders between events of an even-fire four-stroke engine: rate = rpm * cylinders / 120.
@pytest.mark.parametrize("cylinders", [3, 4, 5, 6, 8])
def test_event_rate(cylinders: int) -> None:
    order = tuple(range(1, cylinders + 1))
    engine = CrankingEngine(cylinders, order, friction_nm=6.0 * cylinders, inertia_kg_m2=0.3)
    trace = simulate([replace(QUIET, engine=engine)])[0]
    late = trace.tdc_s > 2.0
    spacing_deg = np.diff(np.interp(trace.tdc_s[late], trace.time_s, trace.crank_deg))
    np.testing.assert_allclose(spacing_deg, 720.0 / cylinders, atol=0.2)
    turned = np.ptp(np.interp(trace.tdc_s[late], trace.time_s, trace.crank_deg)) / 360.0
    seconds = np.ptp(trace.tdc_s[late])
    rate = (late.sum() - 1) / seconds
    assert rate == pytest.approx(60.0 * turned / seconds * cylinders / 120.0, rel=1e-3)


# Firing orders as printed in Auto Engine Repair (Goodheart-Willcox 2021), Fig. 6-2, and the US DOE Fundamentals
# Handbook, DOE-HDBK-1018/1-93, module 1 (1-4-3-2).
@pytest.mark.parametrize(
    ("order", "companions"),
    [
        ((1, 3, 4, 2), {(1, 4), (2, 3)}),
        ((1, 4, 3, 2), {(1, 3), (2, 4)}),
        ((1, 5, 3, 6, 2, 4), {(1, 6), (2, 5), (3, 4)}),
        ((1, 8, 4, 3, 6, 5, 7, 2), {(1, 6), (5, 8), (4, 7), (2, 3)}),
    ],
)
def test_firing_order_places_cylinders(order: tuple[int, ...], companions: set[tuple[int, int]]) -> None:
    angle = CrankingEngine(len(order), order).tdc_deg
    for position, cylinder in enumerate(order):
        assert angle[cylinder - 1] == pytest.approx(720.0 * position / len(order))
    pairs = {
        (a, b) for a in order for b in order if a < b and abs(abs(angle[a - 1] - angle[b - 1]) - 360.0) < 1e-9
    }
    assert pairs == companions


def test_events_come_in_firing_order_at_odd_intervals() -> None:
    engine = CrankingEngine(6, (1, 6, 5, 4, 3, 2), firing_intervals_deg=(150.0, 90.0) * 3)
    trace = simulate([replace(QUIET, engine=engine)])[0]
    place = np.array([engine.firing_order.index(c) for c in trace.tdc_cylinder])
    assert set(np.diff(place) % 6) == {1}
    gaps = np.diff(np.interp(trace.tdc_s, trace.time_s, trace.crank_deg))
    expected = np.where(place[:-1] % 2 == 0, 150.0, 90.0)
    np.testing.assert_allclose(gaps[3:], expected[3:], atol=0.3)


# V = OCV - I R: 12.6 V, 10 mOhm, 200 A gives 10.6 V; 12.6 to 9.6 V at 150 A means 20 mOhm (Ohm's law).
@pytest.mark.parametrize(("current_a", "ohm", "volt"), [(200.0, 0.010, 10.6), (150.0, 0.020, 9.6)])
def test_battery_obeys_ohms_law(current_a: float, ohm: float, volt: float) -> None:
    battery = Battery(rest_v=12.6, resistance_ohm=ohm, fast_ohm=0.0, slow_ohm=0.0, load_a=0.0)
    trace = simulate(
        [replace(QUIET, battery=battery, coil=replace(QUIET.coil, current_a=0.0), duration_s=4.0)]
    )[0]
    line = np.polyfit(trace.starter_current_a, trace.battery_v, 1)
    assert np.abs(np.polyval(line, trace.starter_current_a) - trace.battery_v).max() < 1e-3
    at_current = np.polyval(line, current_a)
    assert at_current == pytest.approx(volt, abs=1e-3)


@pytest.fixture(scope="module")
def healthy() -> CrankingTrace:
    return simulate([QUIET])[0]


def late_voltage_at(trace: CrankingTrace, cylinder: int, before_deg: float) -> float:
    """Mean battery voltage within 5 deg of an angle before that cylinder's top dead centre, from 3 s on."""
    angle = float(trace.run.engine.tdc_deg[cylinder - 1]) - before_deg
    off = (trace.crank_deg - angle + 360.0) % 720.0 - 360.0
    return float(trace.battery_v[(np.abs(off) < 5.0) & (trace.time_s > 3.0)].mean())


# Common practice, no source: voltage is lowest towards the top of each compression stroke.
def test_battery_voltage_is_lowest_near_the_top_of_compression(healthy: CrankingTrace) -> None:
    valley = np.mean([late_voltage_at(healthy, c, 5.0) for c in (1, 2, 3, 4)])
    ridge = np.mean([late_voltage_at(healthy, c, 95.0) for c in (1, 2, 3, 4)])
    assert valley < ridge - 0.3
    profile = [np.mean([late_voltage_at(healthy, c, d) for c in (1, 2, 3, 4)]) for d in range(0, 180, 10)]
    assert np.argmin(profile) in (0, 1, 2)


def test_a_dead_cylinder_has_no_event_and_deepens_the_next(healthy: CrankingTrace) -> None:
    dead = simulate([sick(QUIET, 3, CylinderHealth(open_to_air=True))])[0]
    assert dead.peak_kpa[2] < 0.15 * dead.peak_kpa[0]

    def drop(trace: CrankingTrace, cylinder: int) -> float:
        return late_voltage_at(trace, cylinder, 95.0) - late_voltage_at(trace, cylinder, 8.0)

    assert drop(dead, 3) < 0.4 * drop(healthy, 3)
    # 4 follows 3 in 1-3-4-2: it gets no push from an expansion stroke of 3 and pulls the battery lowest
    lowest = {c: late_voltage_at(dead, c, 8.0) for c in (1, 2, 4)}
    assert lowest[4] < min(lowest[1], lowest[2]) - 0.05


def test_a_leak_costs_more_the_slower_the_crank_and_a_late_valve_does_not() -> None:
    leak = sick(QUIET, 2, CylinderHealth(leak_mm2=FOUR.leak_for_loss(0.3, 200.0)))
    late = sick(QUIET, 2, CylinderHealth(late_close_deg=FOUR.late_close_for_loss(0.3)))
    slow = replace(Starter(), emf_v_s=0.013)
    quick_leak, slow_leak, quick_late, slow_late = (
        100.0 - trace.relative_peak_pct[1]
        for trace in simulate([leak, replace(leak, starter=slow), late, replace(late, starter=slow)])
    )
    assert quick_leak == pytest.approx(30.0, abs=8.0)
    assert slow_leak > quick_leak + 4.0
    assert quick_late == pytest.approx(30.0, abs=3.0)
    assert slow_late == pytest.approx(quick_late, abs=1.5)


def test_a_gasket_between_neighbours_costs_both() -> None:
    trace = simulate([replace(QUIET, gaskets=(GasketLeak(2, 3, 3.0),))])[0]
    assert max(trace.peak_kpa[1:3]) < 0.8 * min(trace.peak_kpa[[0, 3]])
    assert trace.peak_kpa[1] == pytest.approx(trace.peak_kpa[2], rel=0.1)


def test_energy_is_not_made(healthy: CrankingTrace) -> None:
    """Once cranking is steady, friction takes less than the battery gives, and speed does not run away."""
    late = healthy.time_s > 3.0
    electric_w = np.mean(healthy.battery_v[late] * healthy.starter_current_a[late])
    coulomb, viscous = FOUR.drag_at(20.0)
    speed = healthy.speed_rpm[late] * np.pi / 30.0
    friction_w = np.mean((coulomb + viscous * speed) * speed)
    assert 0.2 * electric_w < friction_w < 0.85 * electric_w


def test_engagement_draws_most_and_cold_oil_slows() -> None:
    cold, warm = simulate([replace(QUIET, oil_c=-15.0), replace(QUIET, oil_c=60.0)])
    for trace in (cold, warm):
        first = trace.starter_current_a[trace.time_s < 0.7].max()
        assert first > 1.3 * trace.starter_current_a[trace.time_s > 2.0].max()
    late = cold.time_s > 3.0
    assert cold.speed_rpm[late].mean() < 0.85 * warm.speed_rpm[late].mean()


def test_an_engine_that_starts_runs_up_and_charges() -> None:
    trace = simulate([replace(QUIET, engine_starts_at_s=2.5)])[0]
    assert trace.speed_rpm[trace.time_s < 2.4].max() < 350.0
    assert trace.speed_rpm[-500:].mean() > 600.0
    assert trace.battery_v[-500:].mean() == pytest.approx(14.2, abs=0.2)
    assert trace.starter_current_a[-1] == 0.0


def test_a_pause_lets_the_engine_stop() -> None:
    trace = simulate([replace(QUIET, pauses_s=((2.5, 4.0),))])[0]
    stopped = (trace.time_s > 3.7) & (trace.time_s < 4.0)
    assert np.abs(trace.speed_rpm[stopped]).max() < 5.0
    assert trace.speed_rpm[trace.time_s > 5.0].mean() > 120.0


def test_a_run_depends_on_its_seed_and_not_on_its_neighbours() -> None:
    rng = np.random.default_rng(5)
    runs = [random_run(rng, duration_s=3.0) for _ in range(3)]
    together, again = simulate(runs), simulate(runs[::-1])[::-1]
    alone = simulate([runs[1]])[0]
    for a, b in zip(together, again, strict=True):
        np.testing.assert_array_equal(a.battery_v, b.battery_v)
    np.testing.assert_allclose(together[1].battery_v, alone.battery_v, atol=1e-5)
    other = simulate([replace(runs[1], seed=runs[1].seed + 1)])[0]
    assert np.abs(other.battery_v - alone.battery_v).max() > 1e-3


def test_random_runs_turn_and_lose_what_they_should() -> None:
    rng = np.random.default_rng(11)
    runs = [random_run(rng, fault="low_trapped", loss=0.35, duration_s=4.0) for _ in range(24)]
    for run, trace in zip(runs, simulate(runs), strict=True):
        assert trace.speed_rpm[trace.time_s > 2.0].mean() > 80.0
        hit = [j for j, h in enumerate(run.health) if h.trapped < 0.8]
        sound = [j for j in range(run.engine.cylinders) if j not in hit]
        lost = 1.0 - trace.peak_kpa[hit] / np.median(trace.peak_kpa[sound])
        np.testing.assert_allclose(lost, 0.35, atol=0.06)


@pytest.mark.parametrize(
    ("order", "intervals"),
    [((1, 2, 2, 4), ()), ((1, 3, 4, 2), (180.0, 180.0, 180.0)), ((1, 3, 4, 2), (200.0,) * 4)],
)
def test_contradicting_engines_are_refused(order: tuple[int, ...], intervals: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="must"):
        CrankingEngine(4, order, intervals)


def test_odd_fire_needs_an_even_count() -> None:
    with pytest.raises(ValueError, match="even number"):
        random_engine(np.random.default_rng(1), cylinders=5, odd_fire=True)
