"""The reader's parts against slow obvious twins, published values and statistics."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.optimize import least_squares

from pipelines.kinds import kind
from pipelines.kinds.relative_compression import grey_box, inversion, placing, torque
from pipelines.kinds.relative_compression.angle import BINS, bin_means, take_cycles
from pipelines.kinds.relative_compression.cylinders import standard_errors
from pipelines.kinds.relative_compression.doubt import borne_out
from pipelines.kinds.relative_compression.front import look_at
from pipelines.kinds.relative_compression.in_step import in_step
from pipelines.kinds.relative_compression.period import (
    comb_score,
    firing_phasors,
    ripple_spectrum,
    track_cycles,
)
from pipelines.kinds.relative_compression.pulses import PulseTrain, pulse_trains
from pipelines.kinds.relative_compression.stretch import moving_mean
from pipelines.kinds.relative_compression.values import block_mean, last_code, middle_of, ranked, smallest_gap
from tests.constructed_crank import Crank, Scope, capture, crank, family

# --- published values -------------------------------------------------------------------------------------------


def test_cylinder_volume_of_the_slider_crank() -> None:
    """V/Vc = 1 + (rc - 1)/2 [R + 1 - cos a - sqrt(R^2 - sin^2 a)] at rc 10, R 3.5: 6.156541 at 90, 10 at 180 deg.

    Heywood J. B. (1988), Internal Combustion Engine Fundamentals, section 2.2; values by exact geometry.
    """
    assert torque.ROD_RATIO == 3.5
    found = torque.volume(10.0, np.array([0.0, 90.0, 180.0]))
    assert found == pytest.approx([1.0, 6.156541, 10.0], abs=1e-6)


def test_motored_compression() -> None:
    """p = p0 (V0/V)^n: ratio 7.5 and n 1.3 give 13.727 atmospheres (201.8 psi at 14.7 psi), a worked example of an
    open encyclopedic article on compression ratio. The torque is that pressure, gauge, times dV/da."""
    assert torque.POLYTROPIC == 1.3
    closed = 180.0 - torque.INTAKE_CLOSES_DEG
    ratio = 12.0
    angle = np.array([-40.0, -20.0, 20.0, 40.0])
    closed_volume = float(torque.volume(ratio, np.array([closed]))[0])
    pressure = (closed_volume / torque.volume(ratio, angle)) ** 1.3 - 1.0
    step = 1e-3
    slope = (torque.volume(ratio, angle + step) - torque.volume(ratio, angle - step)) / np.radians(2 * step)
    expected = pressure * slope / (closed_volume**1.3 - 1.0)
    assert torque.gas_torque(ratio, angle) == pytest.approx(expected, rel=1e-5)
    assert pytest.approx(13.7271, abs=1e-4) == 7.5**1.3


def test_gas_spring_gives_back_what_it_takes() -> None:
    angle = np.linspace(-360.0, 360.0, 7201)
    work = np.trapezoid(torque.gas_torque(11.0, angle), angle)
    assert work == pytest.approx(0.0, abs=1e-9)
    assert torque.gas_torque(11.0, np.array([-30.0]))[0] < 0  # it brakes before the top


@pytest.mark.parametrize(
    ("cylinders", "spacing_deg"), [(3, 240), (4, 180), (5, 144), (6, 120), (8, 90), (10, 72), (12, 60)]
)
def test_even_engines_have_only_their_own_orders(cylinders: int, spacing_deg: float) -> None:
    """Compressions every 720/cylinders degrees (exact): all orders but multiples of the cylinders cancel."""
    angles = family(cylinders).firing_angles_deg
    assert np.diff(angles) == pytest.approx(spacing_deg)
    size = np.abs(firing_phasors(angles, np.arange(1.0, 2 * cylinders + 1)))
    multiples = np.arange(1, 2 * cylinders + 1) % cylinders == 0
    assert size[multiples] == pytest.approx(cylinders)
    assert size[~multiples] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("cycles", [4, 16, 64, 256])
def test_averaging_in_step_lowers_noise_by_the_root(cycles: int) -> None:
    """Averaging N synchronous repeats leaves 1/sqrt(N) of incoherent noise: Hochmann D. & Sadok M. (2004), "Theory
    of synchronous averaging", IEEE Aerospace Conference; McFadden P. D. (1987), MSSP 1:83-95 (from memory)."""
    rng = np.random.default_rng(11)
    per_bin = 5
    samples = cycles * BINS * per_bin
    rate = 1000.0
    noise = rng.standard_normal(samples)
    edges = np.arange(cycles + 1) * BINS * per_bin / rate
    taken = take_cycles(noise, None, rate, [edges])
    assert taken.count >= 0.9 * cycles
    mean = taken.ripple.mean(axis=0)
    # a bin holds per_bin samples, and taking off the cycle's own mean hardly matters
    expected = 1.0 / np.sqrt(per_bin * taken.count)
    assert mean.std() == pytest.approx(expected, rel=0.15)


def test_quantisation_noise_and_the_step_found() -> None:
    """RMS error of rounding = step / sqrt(12): Bennett W. R. (1948), Bell Syst. Tech. J. 27:446-472."""
    rng = np.random.default_rng(3)
    step = 40.0 / 2**10
    x = rng.uniform(9.0, 12.0, 200_000)
    codes = np.round(x / step) * step
    assert np.sqrt(np.mean((codes - x) ** 2)) / step == pytest.approx(0.288675, rel=0.01)
    assert smallest_gap(codes[:4000].astype(np.float32)) == pytest.approx(step, rel=1e-3)
    # a bin mean of n samples keeps about 1/sqrt(n) of it, as the signal moves over the codes
    means = block_mean((codes - x).astype(np.float32), 100)
    assert means.std() == pytest.approx(0.288675 * step / 10.0, rel=0.05)


def test_pulses_in_step_among_strays() -> None:
    """Ten pulses at one place of the cycle are found among twelve strays; two alone prove nothing, for two thrown at
    random lie within the window in 2 x 0.06 of all cases; a coil of every cylinder has no one place."""
    rng = np.random.default_rng(7)
    times, cycles = np.array([0.0, 8.0]), np.array([0.0, 13.0])
    coil = (np.arange(2, 12) + 0.3) * 8.0 / 13.0 + rng.normal(0, 0.003, 10)
    mixed = np.sort(np.concatenate([coil, rng.uniform(0, 8, 12)]))
    found = in_step([PulseTrain(mixed, cut_off=False)], times, cycles)
    assert found is not None
    assert np.isin(coil, found[0]).all()
    assert found[0].size <= 12
    assert found[1] == pytest.approx(0.3, abs=0.02)
    assert in_step([PulseTrain(coil[:2], cut_off=False)], times, cycles) is None
    every = np.arange(0.1, 13.0, 0.25) * 8.0 / 13.0
    assert in_step([PulseTrain(every, cut_off=False)], times, cycles) is None
    named = sum(
        in_step([PulseTrain(np.sort(rng.uniform(0, 8, int(n))), cut_off=False)], times, cycles) is not None
        for n in rng.integers(2, 9, 400)
    )
    assert named <= 0.04 * 400  # the bound is 0.02 a train


def test_last_codes() -> None:
    assert last_code(127 * 0.15625, 0.15625)
    assert last_code(2047 * 0.01, 0.01)
    assert last_code(-10.24, 0.01)
    assert not last_code(10.24, 0.01)  # two's complement ends one code lower above zero than below
    assert not last_code(12.53, 0.01)
    assert not last_code(12.0, 0.0)


# --- slow twins -------------------------------------------------------------------------------------------------


def test_bin_means_against_a_loop() -> None:
    rng = np.random.default_rng(4)
    x = rng.standard_normal(300)
    rate = 37.0
    edges = np.sort(rng.uniform(0.2, 7.9, 25))
    fine = 2000  # the loop samples the held signal this densely within each sample
    slow = []
    for a, b in itertools.pairwise(edges):
        at = np.linspace(a, b, max(50, int((b - a) * rate * fine)), endpoint=False)
        slow.append(np.mean([x[int(t * rate)] for t in at[:: max(1, at.size // 4000)]]))
    assert bin_means(x, rate, edges) == pytest.approx(slow, abs=0.03)
    # exactly, where edges fall on samples
    whole = np.array([0, 3, 10, 11, 40]) / rate
    assert bin_means(x, rate, whole) == pytest.approx([x[0:3].mean(), x[3:10].mean(), x[10], x[11:40].mean()])


@pytest.mark.parametrize("width", [1, 2, 7, 500])
def test_moving_mean_against_a_loop(width: int) -> None:
    x = np.random.default_rng(5).standard_normal(60)
    w = min(width, x.size)
    left = (w - 1) // 2
    slow = [x[max(0, i - left) : i + w - left].mean() for i in range(x.size)]
    assert moving_mean(x, width) == pytest.approx(slow)


def test_ranks_and_middle() -> None:
    rng = np.random.default_rng(6)
    for size in (1, 2, 5, 100, 1001):
        x = rng.standard_normal(size)
        assert middle_of(x) == pytest.approx(float(np.median(x)))
        assert ranked(x, 0.0, 1.0) == pytest.approx([x.min(), x.max()])
    assert ranked(np.arange(101.0), 0.1, 0.5) == [10.0, 50.0]


def test_slow_trend_is_taken_off_and_orders_are_kept() -> None:
    cycles, rate, length = 8, 2000.0, 0.6
    t = np.arange(int(cycles * length * rate)) / rate
    wave = 0.3 * np.cos(2 * np.pi * t / length) + 0.2 * np.sin(2 * np.pi * 4 * t / length)
    edges = np.arange(cycles + 1) * length
    plain = take_cycles(wave, None, rate, [edges])
    tilted = take_cycles(wave + 0.4 * t + 3.0, None, rate, [edges])
    assert tilted.count == plain.count == cycles
    assert tilted.ripple == pytest.approx(plain.ripple, abs=1e-5)
    orders = np.abs(np.fft.rfft(plain.ripple.mean(axis=0))) * 2 / BINS
    assert orders[[1, 4]] == pytest.approx([0.3, 0.2], rel=0.01)


@lru_cache(maxsize=8)
def engine(cylinders: int, weak: int, left: float, seed: int = 0, scatter: float = 0.004) -> Crank:
    strength = np.ones(cylinders)
    strength[weak] = left
    return crank(family(cylinders), strength, seed=seed, scatter=scatter, crank_s=5.0)


def cycles_of(c: Crank) -> np.ndarray:
    """The cycles in crank time cut at the true sparks of place 1, with no part of the reader but the binning."""
    wave, _, _ = capture(c)
    sparks = c.spark_s[c.spark_place == 0][1:]
    edges = (sparks[:-1, None] + np.diff(sparks)[:, None] * np.arange(BINS) / BINS).ravel()
    values = bin_means(wave.samples[0].astype(float), wave.rate_hz, np.append(edges, sparks[-1])).reshape(
        -1, BINS
    )
    return values - values.mean(axis=1, keepdims=True)


@pytest.mark.parametrize(("cylinders", "weak", "left"), [(4, 1, 0.7), (6, 3, 0.5), (8, 5, 0.8)])
def test_inversion_against_a_general_optimiser(cylinders: int, weak: int, left: float) -> None:
    """The same cost minimised the slow way: every parameter in one vector, numeric derivatives, scipy's
    trust region."""
    ripple = cycles_of(engine(cylinders, weak, left))
    angles = np.array(family(cylinders).firing_angles_deg)
    mean = ripple.mean(axis=0)
    size = float(np.sqrt(2 * (mean @ mean) / BINS))
    noise = inversion._noise(ripple / size, grey_box.orders_for(cylinders))
    fit = grey_box.Fit(mean / size, angles, grey_box.USUAL, grey_box.SPREAD, noise, inversion.USUAL_RHO)
    solved = fit.solve()

    def left_over(z: np.ndarray) -> np.ndarray:
        x, linear = z[:5], z[5:]
        explained = linear @ fit.rows(x)
        explained[: fit.orders.size] -= fit.observed(x, fit.seen(x))
        return np.concatenate([-explained.view(float), (x - grey_box.USUAL) / grey_box.SPREAD])

    usual = float(np.median(solved.linear[:cylinders]))
    start = np.concatenate([grey_box.USUAL, np.full(cylinders, usual), np.zeros(cylinders)])
    start[0] = solved.x[0] + 0.1
    free = np.full(2 * cylinders, np.inf)
    bounds = (np.concatenate([grey_box.LOWEST, -free]), np.concatenate([grey_box.HIGHEST, free]))
    slow = least_squares(left_over, start, bounds=bounds, method="trf", x_scale="jac", max_nfev=400)
    strength = slow.x[5 : 5 + cylinders]
    relative = 100 * strength / np.median(strength)
    found = 100 * solved.linear[:cylinders] / np.median(solved.linear[:cylinders])
    assert 2 * slow.cost == pytest.approx(solved.cost, rel=0.03)
    assert found == pytest.approx(relative, abs=1.0)


def test_closed_form_slopes_against_differences() -> None:
    """Kaufman's slopes: the linear part held, then projected out."""
    ripple = cycles_of(engine(6, 3, 0.5))
    angles = np.array(family(6).firing_angles_deg)
    mean = ripple.mean(axis=0)
    size = float(np.sqrt(2 * (mean @ mean) / BINS))
    fit = grey_box.Fit(mean / size, angles, grey_box.USUAL, grey_box.SPREAD, None, 0.3)
    x = grey_box.USUAL + np.array([0.3, 0.02, 2.0, 0.1, -0.2])
    state = fit.at(x)
    slopes = fit.slopes(state)

    def held(y: np.ndarray) -> np.ndarray:
        explained = state.linear @ fit.rows(y)
        explained[: fit.orders.size] -= fit.observed(y, fit.seen(y))
        return -explained.view(float)

    predicted = state.predicted
    for j, step in enumerate((1e-4, 1e-4, 1e-3, 1e-4, 1e-4)):
        up, down = x.copy(), x.copy()
        up[j] += step
        down[j] -= step
        full = (held(up) - held(down)) / (2 * step)
        projected = full - np.linalg.solve(state.normal, predicted @ full) @ predicted
        scale = np.abs(projected).max()
        assert slopes[j] == pytest.approx(projected, abs=0.03 * scale)


def test_the_estimate_turns_with_the_engine() -> None:
    """Beginning the cycle at the next firing shifts the strengths by one place and changes nothing else
    (up to where the search stops)."""
    ripple = cycles_of(engine(6, 3, 0.5))
    angles = np.array(family(6).firing_angles_deg)
    first = inversion.invert(ripple, angles)
    turned = inversion.invert(np.roll(ripple, -BINS // 6, axis=1), angles)
    assert np.roll(turned.strength, 1) == pytest.approx(first.strength, rel=2e-3)


def test_cycles_alone_average_to_the_whole() -> None:
    found = inversion.invert(cycles_of(engine(6, 3, 0.5)), np.array(family(6).firing_angles_deg))
    assert found.by_cycle.mean(axis=0) == pytest.approx(found.strength, rel=0.01)


def test_a_well_explained_engine_keeps_its_figures() -> None:
    """The weighed strengths are the plain ones where the model explains the ripple, and their doubt is small."""
    ripple = cycles_of(engine(6, 3, 0.5))
    found = inversion.invert(ripple, np.array(family(6).firing_angles_deg))
    relative, weighed = placing.relative_of(found.strength), placing.relative_of(found.weighed)
    assert weighed == pytest.approx([100.0, 100.0, 100.0, 50.0, 100.0, 100.0], abs=6.0)
    assert found.doubt_pct.max() < 12.0
    assert borne_out(relative, weighed, np.zeros(6), found.doubt_pct).all()


def test_a_torque_no_cylinder_makes_raises_the_doubt() -> None:
    """A load that swings at orders between the firings: the doubt grows with it, and what looks odd is not believed."""
    ripple = cycles_of(engine(6, 3, 1.0))
    angles = np.array(family(6).firing_angles_deg)
    size = float(np.ptp(ripple.mean(axis=0)))
    at = 2 * np.pi * (np.arange(BINS) + 0.5) / BINS
    foreign = size * (np.cos(5 * at) + np.cos(7 * at + 1.0) + np.cos(8 * at + 2.0))
    doubts = [
        float(np.median(inversion.invert(ripple + share * foreign, angles).doubt_pct))
        for share in (0.0, 0.1, 0.3)
    ]
    assert doubts[0] < doubts[1] < doubts[2]
    assert doubts[2] > 1.5 * doubts[0]


def test_period_and_phase_from_the_ripple_alone() -> None:
    c = engine(5, 2, 0.8)
    wave, _, fam = capture(c)
    supply = wave.samples[0].astype(float)
    span = (int(1.6 * wave.rate_hz), int(5.6 * wave.rate_hz))
    true_cycle = float(np.median(np.diff(c.top_s[0])))
    spectrum = ripple_spectrum(supply, wave.rate_hz, (span,))
    grid = np.geomspace(0.25, 2.0, 400)
    best = grid[np.argmax(comb_score(spectrum, grid, fam.firing_angles_deg))]
    assert best == pytest.approx(true_cycle, rel=0.03)
    times, passed = track_cycles(supply, wave.rate_hz, span, float(best), fam.firing_angles_deg)
    tops = c.top_s[0][(c.top_s[0] > times[0] + 0.3) & (c.top_s[0] < times[-1] - 0.3)]
    turns = np.interp(tops, times, passed)
    assert np.diff(turns) == pytest.approx(1.0, abs=0.02)


def test_pulses_against_the_true_sparks() -> None:
    from pipelines.kinds.relative_compression.signals import thin_sync

    c = engine(4, 1, 0.7)
    wave, _, _ = capture(c, Scope(strikes=3, rate_hz=20_000.0))
    trace = thin_sync(wave, 1, 1.0, "ignition_primary")
    tallest = next(iter(pulse_trains(trace, [(wave.start_s + 0.9, wave.start_s + 5.8)])))
    true = c.spark_s[c.spark_place == 0] + wave.start_s
    assert tallest.times_s.size == true.size
    assert tallest.times_s == pytest.approx(true, abs=2e-4)


# --- the standard error -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("memory", [0.0, 0.3])
def test_standard_error_of_a_mean(memory: float) -> None:
    """Cycles drawn around known strengths, alike from one to the next by `memory`: the claimed error matches the
    scatter of the estimate over many draws."""
    rng = np.random.default_rng(8)
    truth = np.array([1.0, 0.7, 1.02, 0.98, 1.01, 0.99])
    cycles, draws = 12, 1500
    got, claimed = [], []
    for _ in range(draws):
        noise = 0.03 * rng.standard_normal((cycles + 1, truth.size))
        noise = noise[1:] + memory * noise[:-1]
        by_cycle = truth + noise
        mean = by_cycle.mean(axis=0)
        relative = 100.0 * mean / np.median(mean)
        got.append(relative)
        claimed.append(standard_errors(by_cycle, relative))
    # the weak cylinder: no part in the median
    scatter = np.std(np.array(got)[:, 1])
    honest = np.sqrt(np.mean(np.array(claimed)[:, 1] ** 2))
    assert honest / scatter == pytest.approx(1.0, abs=0.15)


def test_standard_error_over_repeated_captures() -> None:
    """One engine cranked again and again, from another angle each time: the spread of the readings matches the
    claimed standard error within 20 % (30 repeats tell a ratio to about 7 %, six cylinders to better)."""
    reader = kind("relative_compression")
    assert reader is not None
    strength = np.array([1.0, 0.7, 1.0, 0.98, 1.02, 1.0])
    got, claimed = [], []
    for seed in range(30):
        c = crank(
            family(6), strength, seed=seed, scatter=0.02, start_deg=29.0 * seed, crank_s=4.0, rest_s=0.4
        )
        reading = reader.read(*capture(c, Scope(rate_hz=2000.0, noise_v=0.02, seed=seed)))
        assert reading.status == "read"
        got.append([x.relative_pct for x in reading.elements])
        claimed.append([x.se_pct for x in reading.elements])
    scatter = np.sqrt(np.mean(np.var(got, axis=0, ddof=1)))
    honest = np.sqrt(np.mean(np.square(claimed)))
    assert 0.8 < scatter / honest < 1.25


def test_figures_no_cylinder_can_have_are_no_reading() -> None:
    """Compression far below nothing, or a fit that leaves half the ripple over: no engine of this family was seen."""
    wave, hookup, fam = capture(engine(4, 1, 0.7))
    front = look_at(wave, hookup, fam)
    found = inversion.invert(front.cycles.ripple, np.array(fam.firing_angles_deg))
    relative = placing.relative_of(found.strength)
    assert placing.is_an_engine(front, found, relative)
    assert placing.is_an_engine(front, found, np.array([100.0, -25.0, 100.0, 110.0]))  # a dead one's residue
    assert not placing.is_an_engine(front, found, np.array([100.0, -140.0, 100.0, 240.0]))
    assert not placing.is_an_engine(front, replace(found, misfit=0.7), relative)
