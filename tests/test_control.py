"""Control charts and funnels against the published examples and tables."""

from __future__ import annotations

import numpy as np
import pytest

from models.stats.control import (
    cusum,
    cusum_weights,
    ewma,
    ewma_run_length,
    false_alarm_chance,
    funnel_limit,
    limit_for_false_alarms,
    over_dispersion,
    risk_adjusted_cusum,
)


def test_ewma_is_the_handbooks() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4
    x = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    x += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    printed += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = ewma(x, target=50, sd=2.0539, weight=0.3, limit=3)
    assert chart.statistic == pytest.approx(printed, abs=0.005)
    assert chart.high == pytest.approx(52.5884, abs=1e-4)
    assert chart.low == pytest.approx(47.4115, abs=1e-4)
    assert not chart.signal.any()
    early = ewma(x, target=50, sd=2.0539, weight=0.3, limit=3, steady=False)
    assert early.high[0] == pytest.approx(50 + 3 * 2.0539 * 0.3)
    assert early.high[-1] == pytest.approx(chart.high[-1], abs=1e-2)


def test_cusum_is_the_handbooks() -> None:
    # e-Handbook section 6.3.2.3: target 325, k 0.3175, h 4.1959, signal at group 14
    x = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600]
    x += [324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]
    chart = cusum(x, target=325, allowance=0.3175, limit=4.1959)
    printed = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    assert chart.high == pytest.approx(printed, abs=0.0051)
    low = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0]
    assert chart.low[:12] == pytest.approx(low, abs=0.0051)
    assert int(np.argmax(chart.signal)) + 1 == 14


def test_cusum_is_montgomerys() -> None:
    # Montgomery, Introduction to Statistical Quality Control, Example 9.1 (the data are from memory; they
    # reproduce every quoted output)
    x = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08]
    x += [
        9.37,
        10.62,
        10.31,
        8.52,
        10.84,
        10.90,
        9.33,
        12.29,
        11.50,
        10.60,
        11.08,
        10.38,
        11.62,
        11.31,
        10.52,
    ]
    chart = cusum(x, target=10, allowance=0.5, limit=5)
    assert chart.high[26:] == pytest.approx([3.35, 4.47, 5.28, 5.30], abs=0.005)
    assert chart.high_run[26:].tolist() == [5, 6, 7, 8]
    assert int(np.argmax(chart.signal)) + 1 == 29
    # new mean: target + K + C+ / N+
    assert 10 + 0.5 + chart.high[28] / chart.high_run[28] == pytest.approx(11.25, abs=0.005)


@pytest.mark.parametrize(
    ("weight", "limit", "published"),
    [
        (0.40, 3.054, [500, 14.3, 71.2]),
        (0.25, 2.998, [500, 11.1, 48.2]),
        (0.20, 2.962, [500, 10.5, 41.8]),
        (0.10, 2.814, [500, 10.3, 31.3]),
        (0.05, 2.615, [500, 11.4, 28.8]),
    ],
)
def test_ewma_run_lengths_are_the_table(weight: float, limit: float, published: list[float]) -> None:
    # Lucas & Saccucci (1990) Technometrics 32:1-29; shifts 0, 1, 0.5
    got = [ewma_run_length(weight=weight, limit=limit, shift=s) for s in (0, 1, 0.5)]
    assert got == pytest.approx(published, rel=0.005)


def test_risk_adjusted_weights() -> None:
    # the formula of Steiner et al. (2000) Biostatistics 1:441-452 (from memory), which from odds 1 to 2 gives
    # log(2/(1+p)) and log(1/(1+p)); the figures are worked out from it here (the paper's own table was not seen)
    event, none = cusum_weights([0.025, 0.10, 0.20], odds_to_find=2)
    assert event == pytest.approx([0.66845, 0.59784, 0.51083], abs=5e-6)
    assert none == pytest.approx([-0.02469, -0.09531, -0.18232], abs=5e-6)
    with pytest.raises(ValueError, match="odds"):
        cusum_weights([0.1], odds_to_find=1.0, odds_in_control=2.0)
    with pytest.raises(ValueError, match="inside"):
        cusum_weights([0.0], odds_to_find=2.0)


def test_weights_do_not_reward_ordinary_work() -> None:
    # with R0 > 1 the mean weight is negative up to the ordinary odds and positive at those looked for
    p = np.array([0.05, 0.2, 0.6])
    event, none = cusum_weights(p, odds_to_find=4, odds_in_control=1.25)
    for odds, sign in ((1, -1), (1.25, -1), (4, 1)):
        chance = odds * p / (1 - p + odds * p)
        assert (np.sign(chance * event + (1 - chance) * none) == sign).all()


def test_stated_false_alarms_are_those_of_simulated_charts() -> None:
    rng = np.random.default_rng(8)
    expected = np.clip(rng.beta(2, 10, 60), 0.02, 0.9)
    limit = limit_for_false_alarms(
        expected, chance=0.1, observations=60, odds_to_find=4, odds_in_control=1.25
    )
    runs = 4000
    alarms = 0
    for _ in range(runs):
        p = rng.choice(expected, 60)
        event = rng.random(60) < 1.25 * p / (1 - p + 1.25 * p)
        alarms += bool(
            risk_adjusted_cusum(event, p, limit=limit, odds_to_find=4, odds_in_control=1.25).signal
        )
    assert alarms / runs == pytest.approx(0.1, abs=4 * np.sqrt(0.09 / runs))
    stated = false_alarm_chance(expected, limit=limit, observations=60, odds_to_find=4, odds_in_control=1.25)
    assert stated == pytest.approx(0.1, rel=0.05)
    # the same chain says what trouble is found, and that a head start finds it sooner but alarms more
    found = false_alarm_chance(
        expected, limit=limit, observations=60, odds_to_find=4, odds_in_control=1.25, odds_true=6
    )
    assert found > 0.9
    head = false_alarm_chance(
        expected, limit=limit, observations=60, odds_to_find=4, odds_in_control=1.25, start=limit / 2
    )
    assert head > stated


def test_chart_dates_the_rise_and_ends_the_alarm() -> None:
    expected = np.full(60, 0.1)
    events = np.zeros(60, dtype=bool)
    events[20:32] = [True, True, False, True, True, False, True, True, True, False, True, True]
    chart = risk_adjusted_cusum(events, expected, limit=4.0, odds_to_find=4)
    assert len(chart.signal) == 1
    assert chart.since == (20,)
    assert 22 < chart.signal[0] < 32
    assert chart.statistic.max() == 4.0
    assert not chart.alarmed
    assert risk_adjusted_cusum(events[:32], expected[:32], limit=4.0, odds_to_find=4).alarmed


def test_chart_starts_anew_after_a_session() -> None:
    expected = np.full(40, 0.1)
    events = np.tile([True, False], 20)
    restart = np.zeros(40, dtype=bool)
    restart[20] = True
    chart = risk_adjusted_cusum(events, expected, limit=4.0, odds_to_find=4, restart=restart, restart_at=2.0)
    assert len(chart.signal) == 2
    assert chart.since[1] == 20
    # the head start finds what did not change sooner than the first time
    assert chart.signal[1] - 20 < chart.signal[0]


def test_funnel_limits() -> None:
    # method: Spiegelhalter (2005) Stat. Med. 24:1185-1202, appendix; numbers worked out independently
    n = [20, 50, 100, 200]
    assert funnel_limit(0.08, n, 0.975) == pytest.approx([0.1936, 0.1538, 0.1322, 0.1172], abs=5e-5)
    assert funnel_limit(0.08, n, 0.999) == pytest.approx([0.2943, 0.2114, 0.1695, 0.1426], abs=5e-5)
    assert funnel_limit(0.08, n, 0.025) == pytest.approx([0, 0.0028, 0.0254, 0.0418], abs=5e-5)
    with pytest.raises(ValueError, match="inside"):
        funnel_limit(0.0, n, 0.975)


def test_over_dispersion_of_chance_and_of_more() -> None:
    rng = np.random.default_rng(4)
    n = rng.integers(40, 200, 4000)
    assert over_dispersion(rng.binomial(n, 0.8), n, 0.8) == pytest.approx(1.0, abs=0.1)
    spread = rng.binomial(n, rng.beta(16, 4, 4000))
    assert over_dispersion(spread, n, 0.8) > 2
    assert over_dispersion([3, 4], [5, 5], 0.7) == 1.0
    # one who stands apart does not widen the funnel he is to be seen in
    others = [86, 91, 88, 93, 90, 87, 92]
    assert over_dispersion([*others, 40], [100] * 8, 0.83) < 1.5
    assert over_dispersion([70, 95, 60, 90, 99, 75, 85, 40], [100] * 8, 0.77) > 5


def test_ewma_refuses_nonsense() -> None:
    with pytest.raises(ValueError, match="weight"):
        ewma([1.0], target=0, sd=1, weight=0, limit=3)
