"""What swings from capture to capture is taken off, and a weak element never passes for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.records.matrix import Layout
from models.spread.fit import fit_groups, score_captures
from models.spread.null import lowest_gap
from models.spread.swing import (
    MOST_SWINGS,
    alternation,
    contrasts_lost,
    own_swing_variance,
    shared_swings,
    swing_of,
)
from tests.groups_shop import MEASURE, DrawnShop, Truth, make_shop

SIX = Layout("six", 6, (1, 6, 5, 4, 3, 2), uneven=True)


def swinging(shop: DrawnShop, name: str, swing_pct: float, seed: int) -> DrawnShop:
    """The shop with a swing added to every capture of one group, by position."""
    rng = np.random.default_rng(seed)
    size = {file: rng.normal(0.0, swing_pct) for file in shop.records.captures["capture_file"]}
    added = pl.col("capture_file").replace_strict(size) * pl.when(pl.col("position") % 2 == 1).then(
        1.0
    ).otherwise(-1.0)
    mine = pl.col("capture_file").str.starts_with(name + "/")
    moved = shop.records.elements.with_columns(
        relative_pct=pl.when(mine).then(pl.col("relative_pct") + added).otherwise(pl.col("relative_pct"))
    ).with_columns(
        relative_pct=100 * pl.col("relative_pct") / pl.col("relative_pct").median().over("capture_file")
    )
    return replace(shop, records=shop.records.with_frames(elements=moved))


def test_the_sign_alternates_in_sequence() -> None:
    sign = alternation(SIX)
    assert sign[np.array(SIX.sequence) - 1].tolist() == [1.0, -1.0] * 3
    assert sign.sum() == 0.0
    assert not alternation(Layout("three", 3, (1, 3, 2), uneven=False)).any()


def test_a_swing_is_measured_and_its_absence_too() -> None:
    """2,000 captures: the standard error of a variance is sqrt(2/n) of it, so 4 errors are 13 %."""
    rng = np.random.default_rng(1)
    sign = alternation(SIX)
    scatter = rng.normal(0.0, 1.5, (2000, 6))
    swing = scatter + rng.normal(0.0, 4.0, (2000, 1)) * sign
    assert np.sqrt(own_swing_variance(swing, sign, np.ones(2000))) == pytest.approx(4.0, rel=0.13)
    assert np.sqrt(own_swing_variance(scatter, sign, np.ones(2000))) < 0.4
    assert own_swing_variance(swing[:1], sign, np.ones(1)) == 0.0
    assert own_swing_variance(scatter[:, :3], np.zeros(3), np.ones(2000)) == 0.0


def test_thin_groups_borrow_the_swing_of_like_ones() -> None:
    found = shared_swings([16.0, 9.0, 0.0, 0.0], [50.0, 50.0, 0.0, 50.0], np.array([0, 0, 0, 1]), [True] * 4)
    assert found[2] == pytest.approx(np.sqrt(12.5))
    assert found[0] == pytest.approx(np.sqrt((50 * 16 + 5 * 9) / 55))
    assert found[3] < found[2]
    assert shared_swings([4.0], [10.0], np.array([0]), [False]) == [0.0]
    assert shared_swings([4.0], [0.0], np.array([0]), [True]) == [0.0]


def test_swing_of_each_capture_is_found_through_noise() -> None:
    rng = np.random.default_rng(2)
    sign = alternation(SIX)
    b = rng.normal(0.0, 4.0, 500)
    found = swing_of(rng.normal(0.0, 1.0, (500, 6)) + b[:, None] * sign, sign, 4.0, 1.0)
    inside = np.abs(b) < MOST_SWINGS * 4.0
    assert np.sqrt(np.mean((found - b)[inside] ** 2)) < 2.0 / np.sqrt(6)
    assert np.abs(found).max() <= MOST_SWINGS * 4.0
    assert not swing_of(rng.normal(size=(5, 6)), sign, 0.0, 1.0).any()
    assert swing_of(np.zeros((0, 6)), sign, 1.0, 1.0).size == 0


@pytest.mark.parametrize("n", [4, 6, 8])
@pytest.mark.parametrize("loss", [8.0, 15.0, 40.0])
def test_one_weak_element_is_no_swing(n: int, loss: float) -> None:
    sign = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)
    weak = np.zeros((1, n))
    weak[0, 2] = -loss
    b = swing_of(weak, sign, 3.0, 1.0)
    gap, at = lowest_gap(weak - b[:, None] * sign)
    assert at[0] == 2
    assert gap[0] > 0.8 * loss


def test_two_weak_elements_keep_most_of_their_gap() -> None:
    """Even two that fire 360 degrees apart in a four, which is exactly the shape of a swing."""
    sign = np.array([1.0, -1.0, 1.0, -1.0])
    weak = np.array([[-30.0, 0.0, -30.0, 0.0]])
    b = swing_of(weak, sign, 3.0, 1.0)
    assert np.abs(b[0]) <= 6.0
    left = weak - b[:, None] * sign
    assert np.ptp(left) >= 18.0


def test_contrasts_lost_runs_from_none_to_one() -> None:
    assert contrasts_lost(0.0, 1.0, 6) == 0.0
    assert contrasts_lost(1e6, 1.0, 6) == pytest.approx(1.0)
    assert contrasts_lost(1.0, 2.0, 4) == pytest.approx(0.5)


def test_a_swinging_group_keeps_its_spread_and_gets_a_low_limit() -> None:
    groups = [Truth(f"f{at}", 6, np.full(6, 100.0), 1.3, 0.5) for at in range(4)]
    plain = make_shop(7, [100] * 4, odd_share=0.4, groups=groups)
    shop = swinging(plain, "f1", 4.0, seed=3)
    fit = fit_groups(shop.records, MEASURE)
    stats = {row["group"]: row for row in fit.stats.iter_rows(named=True)}
    assert stats["f1"]["swing_pct"] == pytest.approx(4.0, rel=0.4)
    assert stats["f0"]["swing_pct"] < 1.5
    assert stats["f1"]["spread_pct"] == pytest.approx(1.3, rel=0.3)
    assert "swings by about" in stats["f1"]["why"]
    assert "swings by about" not in stats["f0"]["why"]
    assert stats["f1"]["odd_limit_pct"] < 2.0 * stats["f0"]["odd_limit_pct"]
    scores = score_captures(fit, shop.records).captures
    mine = scores.filter(pl.col("group") == "f1")
    odd = shop.is_odd(mine["capture_file"])
    over = mine["odd_pct"].to_numpy() >= stats["f1"]["odd_limit_pct"]
    assert over[odd].all()
    assert over[~odd].mean() <= 0.05


def test_the_limit_of_a_swinging_group_flags_the_share_it_says() -> None:
    """New healthy captures of the group: 1 % beyond the limit, give or take what 60 captures can tell."""
    groups = [Truth("f0", 6, np.full(6, 100.0), 1.3, 0.5), Truth("f1", 6, np.full(6, 100.0), 1.3, 0.5)]
    shop = swinging(make_shop(8, [60, 60], odd_share=0.2, groups=groups), "f1", 4.0, seed=4)
    fit = fit_groups(shop.records, MEASURE)
    new = swinging(make_shop(9, [1, 3000], odd_share=0.0, groups=groups), "f1", 4.0, seed=5)
    scores = score_captures(fit, new.records).captures
    mine = scores.filter(pl.col("group") == "f1")["odd_pct"].to_numpy()
    limit = fit.stats.filter(pl.col("group") == "f1")["odd_limit_pct"].item()
    assert 0.001 < np.mean(mine >= limit) < 0.035
