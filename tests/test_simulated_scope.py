"""The simulated scope and the text files it writes, judged by construction and by a slow obvious reader."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from demo_warehouse.textfiles import DIALECTS, TIME_UNITS, TextDialect, write_text
from pipelines.kinds.relative_compression.simulation.cranking import (
    CoilLoad,
    CrankingEngine,
    CrankingRun,
    CrankingTrace,
    simulate,
)
from pipelines.kinds.relative_compression.simulation.ignition import firings_on
from pipelines.kinds.relative_compression.simulation.scope import (
    Recording,
    ScopeChannel,
    ScopeSetup,
    record,
    slip,
)

BATTERY = ScopeChannel("battery_voltage", full_scale=20.0)
PRIMARY = ScopeChannel("ignition_primary", full_scale=400.0, scale=20.0, noise=0.3)
SETUP = ScopeSetup(rate_hz=10_000.0, channels=(BATTERY, PRIMARY), seed=4)
RUN = CrankingRun(CrankingEngine(4, (1, 3, 4, 2)), duration_s=4.0, seed=9)


@pytest.fixture(scope="module")
def trace() -> CrankingTrace:
    return simulate([RUN])[0]


def test_each_kind_of_ignition_fires_as_often_as_it_should() -> None:
    kinds = ("coil_on_plug", "waste_spark", "distributor")
    traces = simulate([replace(RUN, coil=CoilLoad(kind=kind, advance_jitter_deg=0.0)) for kind in kinds])
    for kind, every_deg in zip(kinds, (720.0, 360.0, 180.0), strict=True):
        one = traces[kinds.index(kind)]
        angle = np.interp(firings_on(one, 3), one.time_s, one.crank_deg)
        assert angle.size >= 4
        np.testing.assert_allclose(np.diff(angle), every_deg, atol=0.5)
        # cylinder 3 is second in 1-3-4-2; it fires 8 deg before its top dead centre
        if kind != "distributor":
            off = (angle - 172.0 + every_deg / 2) % every_deg - every_deg / 2
            np.testing.assert_allclose(off, 0.0, atol=0.5)


def test_the_primary_reaches_several_hundred_volts_and_rests_at_the_battery(trace: CrankingTrace) -> None:
    fast = record(trace, replace(SETUP, rate_hz=200_000.0))
    volts = fast.samples[1] * PRIMARY.scale
    assert 250.0 < volts.max() <= 400.0
    assert np.median(volts) == pytest.approx(np.median(trace.battery_v), abs=0.6)
    high = volts > 150.0
    pulses = np.flatnonzero(np.diff(high.astype(int)) == 1) / fast.rate_hz
    np.testing.assert_allclose(pulses, trace.fire_s[trace.fire_cylinder == 1], atol=1e-4)


def test_dwell_loads_the_battery(trace: CrankingTrace) -> None:
    none = simulate([replace(RUN, coil=replace(RUN.coil, current_a=0.0))])[0]
    fired = trace.fire_s[(trace.fire_s > 1.5) & (trace.fire_s < 3.5)]
    just_before = np.interp(fired - 0.0006, trace.time_s, none.battery_v - trace.battery_v)
    ohm = RUN.battery.resistance_ohm * RUN.starter.resistance_ohm
    ohm /= RUN.battery.resistance_ohm + RUN.starter.resistance_ohm
    np.testing.assert_allclose(just_before, 0.85 * RUN.coil.current_a * ohm, rtol=0.15)


# RMS of the quantisation error is LSB / sqrt(12): Bennett W.R. (1948), Bell Syst. Tech. J. 27:446-472.
def test_quantisation_noise(trace: CrankingTrace) -> None:
    # a dither of a step or more makes the error uniform, as the formula asks
    plain = replace(BATTERY, noise=0.2)
    fine = record(trace, replace(SETUP, channels=(plain,), bits=16, brush_ripple_v=0.0))
    coarse = record(trace, replace(SETUP, channels=(plain,), bits=9, brush_ripple_v=0.0))
    error = coarse.samples[0] - fine.samples[0]
    assert coarse.step[0] == pytest.approx(40.0 / 512.0)
    assert error.std() == pytest.approx(coarse.step[0] / np.sqrt(12.0), rel=0.03)


def test_each_slip_shows_in_the_samples(trace: CrankingTrace) -> None:
    rng = np.random.default_rng(1)
    good = record(trace, SETUP)
    assert np.median(good.samples[0]) > 8.0
    assert np.median(record(trace, slip(SETUP, "reversed_leads", rng)).samples[0]) < -8.0
    swapped = record(trace, slip(SETUP, "swapped_channels", rng))
    assert np.ptp(swapped.samples[0]) > np.ptp(swapped.samples[1])
    assert abs(record(trace, slip(SETUP, "ac_coupled", rng)).samples[0].mean()) < 0.3
    cut = record(trace, slip(replace(SETUP, off_screen="inf"), "no_attenuator", rng))
    assert np.isposinf(cut.samples[1]).sum() >= 5
    clipped = record(trace, slip(SETUP, "clipped", rng)).samples[0]
    assert (clipped == clipped.max()).mean() > 0.15
    assert clipped.max() < 11.0
    assert np.ptp(record(trace, slip(SETUP, "no_sync", rng)).samples[1]) < 1.0
    lost = record(trace, slip(SETUP, "dropouts", rng)).samples
    assert 0.01 < np.isnan(lost).mean() < 0.5
    coarse = record(trace, slip(SETUP, "coarse_resolution", rng)).samples[0]
    assert np.unique(coarse).size < 12
    assert record(trace, slip(SETUP, "low_sample_rate", rng)).rate_hz <= 400.0
    wrong = record(trace, slip(SETUP, "wrong_gain", rng)).samples[0]
    assert abs(np.median(wrong) / np.median(good.samples[0]) - 1.0) > 0.4
    with pytest.raises(ValueError, match="no slip"):
        slip(SETUP, "loose_ground", rng)  # type: ignore[arg-type]


@pytest.mark.parametrize("changes", [{"rate_hz": 10.0}, {"bits": 3}, {"keep_s": (2.0, 2.0)}])
def test_senseless_setups_are_refused(trace: CrankingTrace, changes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"must lie|no samples"):
        record(trace, replace(SETUP, **changes))  # type: ignore[arg-type]


def read_slowly(path: Path, dialect: TextDialect) -> tuple[np.ndarray, list[list[float]]]:
    """Every row by hand: times in s (or counts) and values in V."""
    text = path.read_bytes().decode("utf-8-sig")
    lines = text.replace("\r\n", "\n").split("\n")[:-1]
    skip = len(dialect.preamble) + (dialect.header != "none") + dialect.units_row
    rows = []
    for line in lines[skip:]:
        cells = [c.replace(",", ".") if dialect.decimal_comma else c for c in line.split(dialect.delimiter)]
        rows.append([float(c) if c not in ("", "NaN", "nan") else float("nan") for c in cells])
    first = 1 if dialect.time_column else 0
    factor = 1e3 if dialect.millivolts else 1.0
    times = (
        np.array([row[0] / TIME_UNITS[dialect.time_unit] for row in rows]) if first else np.arange(len(rows))
    )
    return times, [[value / factor for value in row[first:]] for row in rows]


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda dialect: dialect.name)
def test_a_slow_reader_gets_back_what_was_written(dialect: TextDialect, tmp_path: Path) -> None:
    samples = np.array([[12.5, 12.25, np.nan, -3.125, 11.0], [0.5, np.inf, 1.0, -np.inf, 2.0]])
    recording = Recording(20_000.0, -0.01, samples, ("V", "V"), (0.01, 0.01))
    path = tmp_path / "deep" / "file.txt"
    write_text(path, recording, dialect)
    times, rows = read_slowly(path, dialect)
    if dialect.time_column:
        np.testing.assert_allclose(times, -0.01 + np.arange(5) / 20_000.0, atol=2e-6)
    else:
        assert "5e" not in path.read_text(encoding="utf-8")
        assert "0.00005" in path.read_text(encoding="utf-8")
    expected = samples.T.copy()
    if dialect.off_screen == "empty":
        expected[np.isinf(expected)] = np.nan
    np.testing.assert_allclose(np.array(rows), expected, atol=6e-5)


def test_dialects_cover_the_contract() -> None:
    assert {d.delimiter for d in DIALECTS} == {",", ";", "\t"}
    assert {d.time_unit for d in DIALECTS} == {"s", "ms", "us"}
    for name in ("decimal_comma", "millivolts", "units_row", "time_column", "byte_order_mark"):
        assert {getattr(d, name) for d in DIALECTS} == {True, False}
    assert {d.off_screen for d in DIALECTS} == {"inf", "empty"}


def test_impossible_dialects_are_refused() -> None:
    with pytest.raises(ValueError, match="delimiter"):
        TextDialect(decimal_comma=True)
    with pytest.raises(ValueError, match="interval"):
        TextDialect(time_column=False)
