"""A person's change a month holds for every history, and is the textbook's robust regression."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
import statsmodels.api as sm

from models.people.trends import change_a_month, pooled_trends

Floats = npt.NDArray[np.float64]
MONTHS: Floats = np.arange(52) * 7 / 30.4375
HISTORIES = ("flat", "linear", "step", "saturating")


def history(kind: str, rng: np.random.Generator) -> Floats:
    """Chance of success by week over a year."""
    own = rng.uniform(-0.3, 0.3)
    if kind == "flat":
        return np.full(52, 1 / (1 + np.exp(-(2 + own))))
    if kind == "linear":
        return np.asarray(np.clip(0.6 + 0.2 * own + 0.025 * MONTHS, 0, 0.98))
    if kind == "step":
        return np.where(MONTHS < 6, 0.65 + 0.2 * own, 0.9 + 0.1 * own)
    return np.asarray(0.92 - (0.5 + 0.2 * own) * np.exp(-MONTHS / 1.5))


def true_slope(chance: Floats, trials: Floats) -> float:
    """Slope of the line that fits the true chances best over the person's work."""
    x = MONTHS - np.average(MONTHS, weights=trials)
    return float((trials * x * chance).sum() / (trials * x * x).sum())


def coverage(kind: str, people: int, pace: float) -> float:
    """Share of people whose interval holds their true change."""
    held = []
    for seed in range(people):
        rng = np.random.default_rng([seed, 7])
        chance = history(kind, rng)
        trials = rng.poisson(pace, 52).astype(float)
        events = rng.binomial(trials.astype(int), chance).astype(float)
        seen = trials > 0
        _, low, high = change_a_month(events[seen], trials[seen], MONTHS[seen])
        held.append(low <= true_slope(chance, trials) <= high)
    return float(np.mean(held))


@pytest.mark.parametrize("kind", HISTORIES)
def test_the_interval_holds_for_every_history(kind: str) -> None:
    # 800 people: a standard error of 0.8 points; the whole table is in tests/bench/bench_trends.py
    assert 0.93 <= coverage(kind, 800, 3.0) <= 0.985


def test_who_learns_among_people_who_stay_as_they_are_is_told_so() -> None:
    low, off = 0, []
    for seed in range(10):
        rng = np.random.default_rng([seed, 3])
        rows, truth = [], 0.0
        for person in "abcdefgh":
            chance = history("saturating" if person == "a" else "flat", rng)
            trials = rng.poisson(3.0, 52)
            if person == "a":
                truth = true_slope(chance, trials.astype(float))
            for week in range(52):
                at = datetime(2025, 1, 6) + timedelta(weeks=week)
                rows += [(person, at, bool(rng.random() < chance[week])) for _ in range(trials[week])]
        frame = pl.DataFrame(rows, schema=["technician", "at", "good"], orient="row")
        got = pooled_trends(
            frame, tuple("abcdefgh"), at="at", event="good", moment=datetime(2026, 1, 5), least_n=6, draws=200,
            seed=1, what="captures",
        )  # fmt: skip
        own = got.per_month["a"]
        assert own.estimate is not None
        off.append(own.estimate - truth)
        low += own.low is not None and own.low > 0
    assert abs(np.mean(off)) < 0.004
    assert low >= 7


def test_it_is_least_squares_with_the_hc2_error() -> None:
    rng = np.random.default_rng(2)
    months = np.array([-9.0, -7.5, -4.0, -3.0, -0.5])
    trials = np.array([3.0, 1.0, 6.0, 2.0, 9.0])
    events = np.array([1.0, 0.0, 4.0, 2.0, 8.0])
    middle = np.average(months, weights=trials)
    reach = np.sqrt(np.average((months - middle) ** 2, weights=trials))
    n = np.concatenate([trials, [2, 2]]).astype(int)
    k = np.concatenate([events, [1, 1]]).astype(int)
    x = np.repeat(np.concatenate([months, [middle - reach, middle + reach]]), n)
    y = np.concatenate([np.repeat([1.0, 0.0], [one, all_ - one]) for one, all_ in zip(k, n, strict=True)])
    shuffled = rng.permutation(y.size)
    theirs = sm.OLS(y[shuffled], sm.add_constant(x[shuffled])).fit(cov_type="HC2", use_t=True)
    slope, low, high = change_a_month(events, trials, months)
    assert slope == pytest.approx(theirs.params[1])
    assert (low, high) == pytest.approx(tuple(theirs.conf_int()[1]))


def test_nothing_but_successes_has_an_interval_too() -> None:
    months = np.arange(-10.0, 0.0)
    slope, low, high = change_a_month(np.full(10, 2.0), np.full(10, 2.0), months)
    assert slope == pytest.approx(0.0, abs=1e-12)
    assert low < -0.01 < 0.01 < high
