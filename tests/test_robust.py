"""Robust location and scale against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from models.stats.robust import (
    MAD_FACTOR,
    MAD_TO_SD,
    mad_factor,
    mad_scale,
    nanmedian,
    shorth_middle,
)


def test_mad_flags_what_the_ordinary_z_cannot() -> None:
    # Iglewicz & Hoaglin (1993), worked example; median 2.45, MAD 0.15.
    values = np.array([2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3])
    published = [1.5738, 0.6745, 0.2248, 0.2248, 0.6745, 1.5738, 0.6745, 0.6745, 25.8558, 26.3055]
    plain_scale = mad_scale(values) / mad_factor(values.size)
    modified = np.abs(values - nanmedian(values)) / plain_scale
    assert modified == pytest.approx(published, abs=1e-3)
    assert np.flatnonzero(modified > 3.5).tolist() == [8, 9]
    ordinary = (values - values.mean()) / values.std(ddof=1)
    assert np.abs(ordinary).max() < 2.0


def test_constant_of_the_mad_is_the_textbook_one() -> None:
    # 1/Phi^-1(3/4): Rousseeuw & Croux (1993), JASA 88:1273-1283.
    assert pytest.approx(1.4826, abs=5e-5) == MAD_TO_SD


@pytest.mark.parametrize("n", range(2, 11))
def test_small_sample_factor_makes_the_mad_unbiased(n: int) -> None:
    """40,000 normal samples; the standard deviation of a small sample's MAD is about 0.7, so 4 errors."""
    draws = np.random.default_rng(n).standard_normal((40_000, n))
    estimate = mad_scale(draws)
    assert estimate.mean() == pytest.approx(1.0, abs=4.0 * estimate.std() / 200.0)
    raw = MAD_TO_SD * np.median(np.abs(draws - np.median(draws, axis=1, keepdims=True)), axis=1)
    assert raw.mean() * MAD_FACTOR[n - 2] == pytest.approx(estimate.mean(), rel=1e-9)


def test_median_and_scale_leave_gaps_out() -> None:
    values = np.array([[1.0, np.nan, 3.0, 2.0], [np.nan, np.nan, np.nan, np.nan]])
    assert nanmedian(values, axis=1)[0] == 2.0
    assert np.isnan(nanmedian(values, axis=1)[1])
    assert mad_scale(values, axis=1)[0] == pytest.approx(MAD_TO_SD * MAD_FACTOR[1])
    assert np.isnan(mad_scale(values, axis=1)[1])


def test_shortest_half_stays_with_the_majority_where_the_median_moves() -> None:
    rng = np.random.default_rng(4)
    values = np.concatenate([rng.normal(100.0, 1.0, 110), rng.normal(70.0, 8.0, 90)])[:, None]
    assert np.median(values) < 99.0
    assert shorth_middle(values)[0] == pytest.approx(100.0, abs=0.6)
