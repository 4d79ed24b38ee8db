"""A group of thousands of captures is classified from where a part of it begins: it must end where all would."""

from __future__ import annotations

import numpy as np
import pytest

from models.spread import mixture


@pytest.mark.parametrize(
    ("seed", "count", "elements", "odd_share"), [(1, 4000, 4, 0.3), (2, 3000, 6, 0.05), (3, 9000, 3, 0.55)]
)
def test_a_large_group_ends_where_every_start_on_all_its_captures_ends(
    seed: int, count: int, elements: int, odd_share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(seed)
    pattern = rng.normal(0, 2, elements)
    reading = 100 + pattern + rng.normal(0, 1.5, (count, elements))
    odd = np.flatnonzero(rng.random(count) < odd_share)
    reading[odd, rng.integers(0, elements, odd.size)] -= rng.uniform(3, 40, odd.size)
    is_odd = np.isin(np.arange(count), odd)
    label = np.where(rng.random(count) < 0.03, np.where(is_odd, -1, 1), 0)
    assert count > mixture.ENOUGH_TO_START

    found = mixture.classify_captures(reading, label, spread_start_pct=2.0)
    monkeypatch.setattr(mixture, "ENOUGH_TO_START", count)
    whole = mixture.classify_captures(reading, label, spread_start_pct=2.0)

    assert found.healthy.shape == (count,)
    assert found.spread_pct == pytest.approx(whole.spread_pct, rel=2e-4)
    assert found.odd_share == pytest.approx(whole.odd_share, rel=2e-3)
    np.testing.assert_allclose(found.pattern_pct, whole.pattern_pct, atol=2e-4)
    np.testing.assert_allclose(found.healthy, whole.healthy, atol=5e-3)
    # and where the truth says: constructed with a spread of 1.5
    assert found.spread_pct == pytest.approx(1.5, rel=0.1)
    np.testing.assert_allclose(found.pattern_pct, pattern - pattern.mean(), atol=0.15)
