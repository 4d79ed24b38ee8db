"""On which side a fault stands, and how far healthy elements usually scatter: both only move the figures along."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.records.measure import Measure
from models.records.shop import Shop
from models.spread.fit import GroupFit, Scores, fit_groups, score_captures
from models.thresholds.flags import flags
from models.thresholds.proposal import Costs, propose
from tests.groups_shop import MEASURE, DrawnShop, make_shop

HIGH, EITHER = replace(MEASURE, direction="high"), replace(MEASURE, direction="either")


@pytest.fixture(scope="module")
def drawn() -> DrawnShop:
    return make_shop(5, [60, 40, 30], odd_share=0.3, known_good_share=0.3, sizes=[4, 6, 5])


def stretched(shop: Shop, factor: float) -> Shop:
    """Readings moved away from 100 % (a negative factor mirrors them)."""
    return shop.with_frames(
        elements=shop.elements.with_columns(
            relative_pct=100.0 + factor * (pl.col("relative_pct") - 100.0),
            se_pct=abs(factor) * pl.col("se_pct"),
        )
    )


def judged(shop: Shop, measure: Measure) -> tuple[GroupFit, Scores]:
    fit = fit_groups(shop, measure)
    return fit, score_captures(fit, shop)


def flagged(shop: Shop, scores: Scores, measure: Measure, limit: float) -> pl.DataFrame:
    cells = shop.elements.join(scores.elements, on=["capture_file", "position"]).join(
        scores.captures.select("capture_file", "group"), on="capture_file"
    )
    groups = shop.groups["group"]
    limits = pl.DataFrame(
        {"group": groups, "threshold_pct": [limit] * groups.len(), "version": [1] * groups.len()}
    )
    return flags(cells, limits, measure).sort("capture_file")


def test_high_is_the_mirror_of_low(drawn: DrawnShop) -> None:
    low_shop, high_shop = drawn.records, stretched(drawn.records, -1.0)
    low_fit, low = judged(low_shop, MEASURE)
    high_fit, high = judged(high_shop, HIGH)
    # Mirroring twice costs the last digit of a float, nothing more.
    assert_frame_equal(high.captures, low.captures, rel_tol=1e-9, abs_tol=1e-9)
    assert_frame_equal(
        high.elements.with_columns(
            group_pct=200.0 - pl.col("group_pct"), deviation_pct=-pl.col("deviation_pct")
        ),
        low.elements, rel_tol=1e-9, abs_tol=1e-9,
    )  # fmt: skip
    pattern = high_fit.pattern.with_columns(
        pattern_pct=200.0 - pl.col("pattern_pct"),
        low=200.0 - pl.col("high"), high=200.0 - pl.col("low"),
        predict_low=200.0 - pl.col("predict_high"), predict_high=200.0 - pl.col("predict_low"),
    )  # fmt: skip
    assert_frame_equal(pattern, low_fit.pattern, rel_tol=1e-9, abs_tol=1e-9)
    drift = ("drift_pct_per_month", "drift_low", "drift_high")
    assert_frame_equal(high_fit.stats.drop(drift), low_fit.stats.drop(drift), rel_tol=1e-9, abs_tol=1e-9)
    turned = high_fit.stats.select(
        drift_pct_per_month=-pl.col("drift_pct_per_month"),
        drift_low=-pl.col("drift_high"),
        drift_high=-pl.col("drift_low"),
    )
    assert_frame_equal(turned, low_fit.stats.select(drift), rel_tol=1e-9, abs_tol=1e-9)
    below, above = flagged(low_shop, low, MEASURE, 8.0), flagged(high_shop, high, HIGH, 8.0)
    assert below["flagged"].sum() > 10
    assert_frame_equal(above, below, rel_tol=1e-9, abs_tol=1e-9)
    # And the faults, high ones now, are nothing to a measure whose faults stand low.
    _, wrong = judged(high_shop, MEASURE)
    odd = drawn.is_odd(wrong.captures["capture_file"])
    assert wrong.captures["odd_pct"].to_numpy()[odd].max() < high.captures["odd_pct"].to_numpy()[odd].min()


def test_either_finds_a_fault_on_both_sides(drawn: DrawnShop) -> None:
    odd_names = [name for name, weak in drawn.odd_elements.items() if weak]
    up = odd_names[::2]
    elements = drawn.records.elements.with_columns(
        relative_pct=pl.when(pl.col("capture_file").is_in(up))
        .then(200.0 - pl.col("relative_pct"))
        .otherwise(pl.col("relative_pct"))
    )
    shop = drawn.records.with_frames(elements=elements)
    fit, scores = judged(shop, EITHER)
    limit = dict(fit.stats.select("group", "odd_limit_pct").iter_rows())
    for row in scores.captures.filter(pl.col("capture_file").is_in(odd_names)).iter_rows(named=True):
        assert row["odd_pct"] >= limit[row["group"]], row
        assert (row["odd_element"],) == drawn.odd_elements[row["capture_file"]]
    healthy = scores.captures.filter(~pl.col("capture_file").is_in(odd_names))
    over = [row["odd_pct"] >= limit[row["group"]] for row in healthy.iter_rows(named=True)]
    assert np.mean(over) <= 0.05
    named = flagged(shop, scores, EITHER, 8.0).filter(pl.col("capture_file").is_in(odd_names))
    assert named["flagged"].all()
    for name, elements_named in named.select("capture_file", "flagged_elements").iter_rows():
        assert tuple(elements_named) == drawn.odd_elements[name]


@pytest.mark.parametrize("factor", [4.0, 0.2, 3.7])
@pytest.mark.parametrize("direction", ["low", "high", "either"])
def test_the_usual_spread_only_sets_the_scale(drawn: DrawnShop, factor: float, direction: str) -> None:
    plain = replace(MEASURE, direction=direction)
    wide = replace(plain, usual_spread_pct=MEASURE.usual_spread_pct * factor)
    one_shop, other_shop = drawn.records, stretched(drawn.records, factor)
    one_fit, one = judged(one_shop, plain)
    other_fit, other = judged(other_shop, wide)
    for name in ("odd_pct", "odd_se_pct", "judged_pct"):
        np.testing.assert_allclose(other.captures[name], factor * one.captures[name].to_numpy(), rtol=1e-9)
    for name in ("p_value", "model_p", "p_floor"):
        np.testing.assert_allclose(other.captures[name], one.captures[name].to_numpy(), rtol=1e-9)
    for name in (
        "spread_pct", "spread_low", "spread_high", "between_vehicle_pct", "within_vehicle_pct", "reading_se_pct",
        "odd_usual_pct", "odd_limit_pct",
    ):  # fmt: skip
        np.testing.assert_allclose(
            other_fit.stats[name], factor * one_fit.stats[name].to_numpy(), rtol=1e-9, err_msg=name
        )
    np.testing.assert_allclose(
        other_fit.pattern["pattern_pct"] - 100.0,
        factor * (one_fit.pattern["pattern_pct"] - 100.0).to_numpy(),
        rtol=1e-9,
        atol=1e-9,
    )
    limits = [
        [proposal.threshold_pct for proposal in propose(fit, scores, shop, Costs(600.0, 90.0), draws=20)]
        for fit, scores, shop in ((one_fit, one, one_shop), (other_fit, other, other_shop))
    ]
    # A proposal by the normal spread is rounded to a tenth of a percent.
    np.testing.assert_allclose(limits[1], factor * np.array(limits[0]), atol=0.05 * (1.0 + factor) + 1e-9)
