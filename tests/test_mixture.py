"""Healthy or odd, capture by capture: each by itself, and by the formulas as they are written."""

from __future__ import annotations

import numpy as np
import pytest

from models.spread.mixture import GAP_RANGE_PCT, gap_log_density, healthy_probability


@pytest.mark.parametrize("elements", [3, 4, 58])
def test_how_many_captures_stand_beside_one_changes_nothing_in_it(elements: int) -> None:
    rng = np.random.default_rng(6)
    residual = rng.normal(0.0, 2.0, (150, elements))
    residual[::7, 1] -= 15.0
    residual[3, 0] = 160.0  # beyond what any element can stand off
    label = rng.integers(-1, 2, 150)
    together = healthy_probability(residual, 2.1, 0.3, label, odd_spread_pct=1.8)
    alone = [
        healthy_probability(residual[i : i + 1], 2.1, 0.3, label[i : i + 1], odd_spread_pct=1.8)
        for i in range(150)
    ]
    for place in (0, 1):
        assert np.array_equal(together[place], np.concatenate([one[place] for one in alone]))


def test_the_density_of_a_gap_is_the_written_formula() -> None:
    gap = np.array([-150.0, -101.0, -20.0, -6.0, 0.0, 1.0, 6.3, 30.0, 99.0, 140.0])
    spread, high = 2.1, 0.1
    share = np.where(gap > 0, 1 - high, high)
    start = 1 / (1 + np.exp(-np.clip((np.abs(gap) / spread - 3) * 3, -30, 30)))
    far = np.where(np.abs(gap) <= GAP_RANGE_PCT, 1.0, 1e-6)
    assert np.allclose(
        gap_log_density(gap, spread, high), np.log(share * start * far / GAP_RANGE_PCT), rtol=1e-13
    )
    assert gap[0] == -150.0  # what was given stays as it was
