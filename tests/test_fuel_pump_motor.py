"""The demo's motor against the textbook's direct-current machine, and the independent one against theory."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.kinds.fuel_pump_current.simulation.motor import (
    Motor,
    commutation,
    run,
    with_fault,
)
from tests.independent_pump import Pump, armature, drive
from tests.independent_pump_captures import draw_pump

RATE_HZ = 50_000.0


def test_steady_current_is_voltage_less_back_voltage_over_resistance() -> None:
    """i = (V - ke w) / R: permanent-magnet d.c. motor, Fitzgerald, Kingsley & Umans, from memory."""
    motor = Motor()
    done = run(motor, np.full(60_000, 13.0), RATE_HZ, "usual", np.random.default_rng(1))
    late = slice(-20_000, None)
    wanted = (13.0 - motor.volt_s * float(done.speed_rad_s[late].mean())) / motor.resistance_ohm
    assert float(done.current_a[late].mean()) == pytest.approx(wanted, rel=0.12)
    # steady: the motor's torque kt i is the load's
    torque = motor.volt_s * done.current_a[late].mean()
    assert torque == pytest.approx(
        motor.torque_nm * float((done.speed_rad_s[late] / motor.speed_rad_s).mean()), rel=0.3
    )


def test_current_rises_with_the_time_constant_l_over_r() -> None:
    """At standstill the current is an RL circuit's: 63.2 % after L/R (any circuit textbook; 1 - 1/e)."""
    motor = Motor(inertia_kg_m2=1.0)  # so heavy that it does not turn meanwhile
    supply = np.full(2_000, 13.0)
    supply[:100] = np.nan
    amps = run(motor, supply, 1e6, "usual", np.random.default_rng(2)).current_a
    end = float(amps[-1])
    at = 100 + int(motor.tau_s * 1e6)
    assert amps[at] / end == pytest.approx(1 - np.exp(-1), abs=0.01)


@pytest.mark.parametrize(("n", "humps"), [(6, 6), (8, 8), (5, 10), (7, 14), (9, 18)])
def test_humps_a_turn_in_both_simulators(n: int, humps: int) -> None:
    """n bars and two brushes: n humps for n even, 2 n for n odd."""
    angle = np.arange(64 * n) / (64 * n)
    ohm, left = commutation(Motor(bar_ohm=(0.05,) * n), angle)
    solved = armature(Pump(n, np.full(n, 0.3), np.ones(n), np.full(n, 0.03)))
    for wave in (left, solved.volt_s, ohm):
        lines = np.abs(np.fft.rfft(wave - wave.mean()))
        if lines.max() > 1e-9 * len(wave) * abs(wave.mean()):
            assert int(np.argmax(lines)) % humps == 0


def test_armature_resistance_is_a_quarter_of_the_ring() -> None:
    """Two equal halves of the ring in parallel: R = (n r / 2) / 2 = n r / 4, plus two contacts."""
    n, coil, contact = 8, 0.4, 1e-6
    pump = Pump(n, np.full(n, coil), np.ones(n), np.full(n, contact), brush_bars=0.2)
    assert armature(pump).resistance_ohm.max() == pytest.approx(n * coil / 4, rel=0.01)


def test_a_worn_bar_shows_twice_a_turn_half_a_turn_apart() -> None:
    angle = np.arange(1600) / 1600
    ohm, _ = commutation(with_fault(Motor(), "worn_bar", 3), angle)
    one, two = int(np.argmax(ohm[:800])), 800 + int(np.argmax(ohm[800:]))
    assert abs(two - one - 800) <= 2


def test_rate_must_be_positive() -> None:
    with pytest.raises(ValueError, match="positive"):
        run(Motor(), np.full(10, 13.0), 0.0, "usual", np.random.default_rng(1))


@pytest.mark.parametrize("seed", range(4))
def test_load_is_told_by_current_and_speed_together(seed: int) -> None:
    """Torque goes with current (Fitzgerald, Kingsley & Umans, from memory): current for the speed orders what a pump
    carries, against the same pump as it usually runs."""
    told = {}
    for condition in ("usual", "loaded", "starved", "dry"):
        pump, _ = draw_pump(np.random.default_rng([8, seed]), "none", condition, 8)
        times, amps, turns = drive(pump, lambda _: 13.0, 0.5, np.random.default_rng(seed), 600.0)
        late = times > 0.3
        rpm = 60.0 * float(np.ptp(turns[late]) / np.ptp(times[late]))
        mean = float(np.interp(np.linspace(0.3, 0.5, 2000), times, amps).mean())
        told[condition] = 1e3 * mean / rpm
    assert told["loaded"] > 1.15 * told["usual"]
    assert told["starved"] < 0.85 * told["usual"]
    assert told["dry"] < 0.75 * told["starved"]
