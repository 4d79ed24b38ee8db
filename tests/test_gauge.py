"""Deviation beside the gauge: rank agreement only, and only what belongs together."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import spearmanr

from models.records import schemas
from models.spread.fit import fit_groups, score_captures
from models.thresholds.gauge import _repeated_spearman, clustered_spearman, deviation_against_gauge, spearman
from tests.groups_shop import MEASURE, TEST, DrawnShop, Truth, make_shop


def gauged(shop: DrawnShop, *, noise_pct: float, days: int = 1) -> pl.DataFrame:
    """Outcomes whose gauge readings follow the readings, about 1200 kPa at 100 %."""
    rng = np.random.default_rng(3)
    rows = []
    for (name,), cells in shop.records.elements.sort("element").group_by("capture_file", maintain_order=True):
        kpa = 12.0 * cells["relative_pct"].to_numpy() * (1 + rng.normal(0, noise_pct / 100, cells.height))
        weak = shop.odd_elements[str(name)]
        when = datetime(2026, 12, 1) if days > 0 else datetime(2025, 12, 1)
        rows.append(
            (
                name,
                TEST,
                when + timedelta(days=days),
                "odd" if weak else "even",
                list(weak),
                "gauge",
                kpa.tolist(),
            )
        )
    return pl.DataFrame(rows, schema=schemas.OUTCOMES.types, orient="row")


def check(shop: DrawnShop, outcomes: pl.DataFrame, **options):  # type: ignore[no-untyped-def]
    records = shop.records.with_frames(outcomes=outcomes)
    scores = score_captures(fit_groups(records, MEASURE), records)
    return deviation_against_gauge(scores, records, draws=100, **options)


def test_a_gauge_that_agrees_and_one_that_does_not() -> None:
    even = [Truth(f"even-{n}", n, np.full(n, 100.0), 1.4, 0.5) for n in (4, 6)]
    shop = make_shop(5, [20, 20], odd_share=0.5, groups=even)
    close = check(shop, gauged(shop, noise_pct=0.5))
    assert close.points.height == 20 * 4 + 20 * 6
    for estimate in close.agreement.values():
        assert estimate.n == 20  # engines, not elements
        assert estimate.estimate is not None
        assert estimate.estimate > 0.7
        assert estimate.low is not None
        assert estimate.low <= estimate.estimate
    shuffled = gauged(shop, noise_pct=0.5).with_columns(
        gauge_kpa=pl.col("gauge_kpa").map_elements(
            lambda kpa: np.random.default_rng(int(kpa[0])).normal(1100, 60, len(kpa)).tolist(),
            return_dtype=pl.List(pl.Float64),
        )
    )
    for estimate in check(shop, shuffled).agreement.values():
        assert estimate.low is not None
        assert estimate.low < 0.1


def test_loss_is_against_that_engines_own_best_or_median() -> None:
    shop = make_shop(5, [6], odd_share=1.0, sizes=[4], loss_pct=(40.0, 50.0))
    best = check(shop, gauged(shop, noise_pct=0.1)).points
    middle = check(shop, gauged(shop, noise_pct=0.1), against="median").points
    assert best.group_by("capture_file").agg(pl.col("gauge_loss_pct").min())["gauge_loss_pct"].max() == 0.0
    assert middle["gauge_loss_pct"].min() < 0.0  # type: ignore[operator]
    assert best.filter(pl.col("gauge_loss_pct") > 30)["deviation_pct"].max() < -30  # type: ignore[operator]
    assert not any("kpa" in column for column in best.columns)


def test_captures_after_the_repair_and_unnamed_elements_stay_out() -> None:
    shop = make_shop(5, [6], odd_share=1.0, sizes=[4])
    assert check(shop, gauged(shop, noise_pct=0.5, days=-30)).points.height == 0
    nameless = make_shop(5, [6], odd_share=1.0, sizes=[4], identified="none")
    by_position = nameless.records.elements.with_columns(element=pl.col("position"))
    named = replace(nameless, records=nameless.records.with_frames(elements=by_position))
    outcomes = gauged(named, noise_pct=0.5)
    assert check(nameless, outcomes).points.height == 0


def test_too_few_engines_and_wrong_lists_say_so() -> None:
    shop = make_shop(5, [3], odd_share=1.0, sizes=[4])
    outcomes = gauged(shop, noise_pct=0.5)
    few = check(shop, outcomes).agreement["group-0"]
    assert few.estimate is None
    assert few.why is not None
    assert "3 engines" in few.why
    short = outcomes.with_columns(gauge_kpa=pl.col("gauge_kpa").list.head(3))
    assert check(shop, short).points.height == 0
    zero = outcomes.with_columns(gauge_kpa=pl.lit([0.0, 1.0, 1.0, 1.0], dtype=pl.List(pl.Float64)))
    assert check(shop, zero).points.height == 0
    assert check(shop, outcomes.clear()).agreement == {}


def test_rank_correlation_agrees_with_scipy_ties_included() -> None:
    rng = np.random.default_rng(2)
    x, y = rng.integers(0, 6, 40).astype(float), rng.integers(0, 6, 40).astype(float)
    assert spearman(x, y) == pytest.approx(spearmanr(x, y).statistic)
    assert np.isnan(spearman(np.ones(5), y[:5]))
    assert clustered_spearman(np.ones(20), y[:20], np.arange(20), draws=10, seed=1).why is not None


def test_rows_taken_several_times_correlate_as_if_written_out() -> None:
    rng = np.random.default_rng(5)
    for ties in (4, 1000):
        x, y = rng.integers(0, ties, 60).astype(float), rng.integers(0, ties, 60).astype(float)
        times = rng.integers(0, 4, 60)
        places = (np.unique(values, return_inverse=True)[1] for values in (x, y))
        written = spearmanr(np.repeat(x, times), np.repeat(y, times)).statistic
        assert _repeated_spearman(*places, times) == pytest.approx(written, abs=1e-12)
    assert np.isnan(_repeated_spearman(np.zeros(5, dtype=np.int64), np.arange(5), np.ones(5, dtype=np.int64)))


def test_elements_of_one_engine_do_not_count_as_engines() -> None:
    """Eight engines of eight elements that differ by engine only: the interval is that of eight values."""
    rng = np.random.default_rng(1)
    engine = np.repeat(np.arange(8), 8)
    x, y = rng.normal(size=8)[engine], rng.normal(size=8)[engine]
    grouped = clustered_spearman(x, y, engine, draws=300, seed=1)
    apart = clustered_spearman(x, y, np.arange(64), draws=300, seed=1)
    assert grouped.low is not None
    assert grouped.high is not None
    assert apart.low is not None
    assert apart.high is not None
    assert grouped.high - grouped.low > 2.0 * (apart.high - apart.low)
