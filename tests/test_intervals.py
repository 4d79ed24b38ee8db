"""Intervals against the published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from models.stats.intervals import (
    clopper_pearson,
    mean_with_interval,
    newcombe_difference,
    poisson_exact,
    share,
    share_difference,
    wilson,
    wilson_many,
)


# Newcombe R.G. (1998) Stat. Med. 17:857-872, Table I, method 3
@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_is_the_published_table(events: int, trials: int, low: float, high: float) -> None:
    assert wilson(events, trials) == pytest.approx((low, high), abs=5e-5)


# the same table, method 5 (Clopper & Pearson 1934)
@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_clopper_pearson_is_the_published_table(events: int, trials: int, low: float, high: float) -> None:
    assert clopper_pearson(events, trials) == pytest.approx((low, high), abs=5e-5)


# Newcombe R.G. (1998) Stat. Med. 17:873-890, Table II, method 10
@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((6, 7, 2, 7), 0.0582, 0.8062),
        ((5, 56, 0, 29), -0.0381, 0.1926),
        ((0, 10, 0, 20), -0.1611, 0.2775),
        ((0, 10, 0, 10), -0.2775, 0.2775),
        ((10, 10, 0, 20), 0.6791, 1.0),
    ],
)
def test_newcombe_difference_is_the_published_table(
    counts: tuple[int, int, int, int], low: float, high: float
) -> None:
    assert newcombe_difference(*counts) == pytest.approx((low, high), abs=5e-5)


# Garwood F. (1936) Biometrika 28:437-442
@pytest.mark.parametrize(
    ("events", "low", "high"),
    [(0, 0, 3.689), (1, 0.025, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390), (20, 12.217, 30.888)],
)
def test_poisson_is_the_published_table(events: int, low: float, high: float) -> None:
    assert poisson_exact(events) == pytest.approx((low, high), abs=1e-3)


def test_rule_of_three() -> None:
    # Hanley & Lippman-Hand (1983) JAMA 249:1743-1745: 0 of 30, exact one-sided limit 1 - 0.05^(1/30)
    assert clopper_pearson(0, 30, level=0.90)[1] == pytest.approx(1 - 0.05 ** (1 / 30), abs=1e-9)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_holds_the_share_and_stays_inside(counts: tuple[int, int]) -> None:
    events, trials = counts
    low, high = wilson(events, trials)
    assert 0 <= low <= events / trials <= high <= 1
    many_low, many_high = wilson_many([events], [trials])
    assert (many_low[0], many_high[0]) == pytest.approx((low, high), abs=1e-12)


def test_nothing_seen_says_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    assert wilson_many([0], [0]) == (np.array([0.0]), np.array([1.0]))
    none = share(2, 3, least=6, what="captures")
    assert none.estimate is None
    assert none.n == 3
    assert none.why == "Too little to say: 3 captures, at least 6 needed."
    assert share_difference(1, 3, 4, 50, least=6).estimate is None


def test_a_share_that_is_none_is_refused() -> None:
    for events, trials in ((5, 4), (-1, 4), (math.nan, 4)):
        with pytest.raises(ValueError, match="no share"):
            wilson(events, trials)
    with pytest.raises(ValueError, match="each group"):
        newcombe_difference(0, 0, 1, 2)
    with pytest.raises(ValueError, match="count"):
        poisson_exact(-1)


def test_mean_with_interval_is_students() -> None:
    x = np.array([2.1, 2.6, 2.4, 2.5, 2.3, np.nan])
    result = mean_with_interval(x)
    expected = stats.ttest_1samp(x[:5], 0).confidence_interval()
    assert result.n == 5
    assert result.estimate == pytest.approx(2.38)
    assert (result.low, result.high) == pytest.approx((expected.low, expected.high))
    assert mean_with_interval([1.0, 2.0]).estimate is None
