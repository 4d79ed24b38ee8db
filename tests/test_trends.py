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


def coverage(kind: str, people: int, pace: float, *, seed: int = 7) -> tuple[float, float]:
    """Share of people whose interval holds their true change, and how wide it is; 8 pieces of work at least."""
    held, wide = [], []
    for person in range(people):
        rng = np.random.default_rng([person, seed])
        chance = history(kind, rng)
        trials = rng.poisson(pace, 52).astype(float)
        events = rng.binomial(trials.astype(int), chance).astype(float)
        seen = trials > 0
        if trials.sum() < 8:
            continue
        _, low, high = change_a_month(events[seen], trials[seen], MONTHS[seen])
        held.append(low <= true_slope(chance, trials) <= high)
        wide.append(high - low)
    return float(np.mean(held)), float(np.mean(wide))


@pytest.mark.parametrize("kind", HISTORIES)
def test_the_interval_holds_for_every_history_and_is_not_wider_than_it_says(kind: str) -> None:
    # 800 people: a standard error of 0.8 points, so half a point to spare on either side of 93 to 97; the whole
    # table is in tests/bench/bench_trends.py
    assert 0.925 <= coverage(kind, 800, 1.0)[0] <= 0.975
    assert 0.93 <= coverage(kind, 800, 3.0)[0] <= 0.985


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
    trials = np.array([30.0, 10.0, 60.0, 20.0, 90.0])
    events = np.array([10.0, 5.0, 40.0, 20.0, 60.0])
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


@pytest.mark.parametrize("good", [True, False])
def test_where_one_sort_is_rare_shuffled_orders_say_how_far_it_reaches(good: bool) -> None:
    """Every single piece of work is laid on a drawn day of the same work, with the whole regression each time."""
    rng = np.random.default_rng(4)
    months = np.arange(-9.0, 0.0, 0.5)
    trials = rng.integers(1, 5, months.size).astype(float)
    rare = np.zeros(months.size)
    rare[[1, 2, 5, 6, 9, 11, 12, 13, 16, 17]] = 1.0
    middle = np.average(months, weights=trials)
    reach = np.sqrt(np.average((months - middle) ** 2, weights=trials))
    days = np.repeat(months, trials.astype(int))
    design = sm.add_constant(np.concatenate([days, np.repeat([middle - reach, middle + reach], 2)]))

    bread = np.linalg.inv(design.T @ design)
    leverage = np.einsum("ij,jk,ik->i", design, bread, design)

    def ratio(y: Floats) -> tuple[float, float]:
        y = np.concatenate([y, [0, 1, 0, 1]])
        line = bread @ design.T @ y
        off = (y - design @ line) ** 2 / (1 - leverage)
        return float(line[1]), float(np.sqrt((bread @ (design.T * off) @ design @ bread)[1, 1]))

    own = np.concatenate([[1.0] * int(k) + [0.0] * int(n - k) for k, n in zip(rare, trials, strict=True)])
    own = own if good else 1 - own
    slope, low, high = change_a_month(rare if good else trials - rare, trials, months)
    theirs, error = ratio(own)
    shuffled = [ratio(rng.permutation(own)) for _ in range(8000)]
    far = float(np.quantile([abs(one) / its for one, its in shuffled], 0.95))
    assert slope == pytest.approx(theirs)
    assert 1.75 < far < 1.97  # Student's quantile would be 2.01
    # 999 shuffles leave a standard error of 3 % in what they say
    assert (high - low) / 2 == pytest.approx(far * error, rel=0.06)


def test_a_learning_curve_with_its_failure_at_the_start_is_no_surprise() -> None:
    """One failure, in the first week: shuffled it reaches less far, but the interval keeps its least reach."""
    months = np.arange(-9.0, 0.0, 0.25)
    trials = np.ones(months.size)
    events = trials.copy()
    events[:1] = 0.0
    slope, low, high = change_a_month(events, trials, months)
    design = sm.add_constant(
        np.concatenate([months, np.repeat([months.mean() - months.std(), months.mean() + months.std()], 2)])
    )
    fit = sm.OLS(np.concatenate([events, [0, 1, 0, 1]]), design).fit(cov_type="HC2")
    assert (high - slope) == pytest.approx(1.7 * fit.bse[1])
    assert low == pytest.approx(slope - 1.7 * fit.bse[1])
