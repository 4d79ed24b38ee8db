"""Conformal p-values and false discovery rates against published values and their own promises."""

from __future__ import annotations

from datetime import date, datetime

import numpy as np
import polars as pl
import pytest
from scipy.stats import false_discovery_control
from statsmodels.stats.multitest import multipletests

from models.outliers.discoveries import discoveries, weekly_discoveries
from models.outliers.forest import isolation_scores
from models.stats.conformal import (
    adjusted_p,
    benjamini_hochberg,
    conformal_p,
    conformal_p_leave_one_out,
    p_floor,
    smallest_calibration,
)

# Benjamini & Hochberg (1995), JRSS-B 57:289-300, section 4 (data of Neuhaus et al. 1992).
PUBLISHED = np.array(
    [.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1.0]
)  # fmt: skip


def test_the_papers_example_rejects_four() -> None:
    assert PUBLISHED.size == 15
    assert benjamini_hochberg(PUBLISHED, 0.05).sum() == 4
    assert np.flatnonzero(benjamini_hochberg(PUBLISHED, 0.05)).tolist() == [0, 1, 2, 3]
    assert (PUBLISHED <= 0.05 / 15).sum() == 3  # Bonferroni, as printed beside it


def test_adjusted_values_agree_with_two_libraries() -> None:
    shuffled = PUBLISHED[np.random.default_rng(0).permutation(15)]
    assert adjusted_p(shuffled) == pytest.approx(multipletests(shuffled, method="fdr_bh")[1], abs=1e-12)
    assert adjusted_p(shuffled) == pytest.approx(false_discovery_control(shuffled), abs=1e-12)
    assert adjusted_p(PUBLISHED)[3] == pytest.approx(0.035625)


def test_missing_p_values_are_never_discoveries_and_do_not_count() -> None:
    with_gap = np.concatenate([PUBLISHED, [np.nan]])
    assert benjamini_hochberg(with_gap, 0.05).tolist() == [
        *benjamini_hochberg(PUBLISHED, 0.05).tolist(),
        False,
    ]
    assert np.isnan(adjusted_p(with_gap)[-1])
    assert not benjamini_hochberg(np.zeros(0), 0.05).size


def test_rank_formula_on_a_handful() -> None:
    calibration = np.array([1.0, 2.0, 3.0, 4.0])
    assert conformal_p(calibration, np.array([5.0, 3.5, 3.0, 0.0, np.nan]))[:4].tolist() == [
        0.2,
        0.4,
        0.6,
        1.0,
    ]
    assert np.isnan(conformal_p(calibration, np.array([np.nan]))).all()


def test_leaving_itself_out_is_the_same_as_taking_it_out() -> None:
    rng = np.random.default_rng(3)
    scores = rng.normal(size=40).round(1)
    inside = rng.random(40) < 0.5
    found = conformal_p_leave_one_out(scores, inside)
    for at in range(40):
        others = inside.copy()
        others[at] = False
        assert found[at] == pytest.approx(conformal_p(scores[others], scores[[at]])[0])


def test_healthy_captures_get_small_p_values_as_often_as_they_say() -> None:
    """Bates et al. (2023): P(p <= t) = t at multiples of 1/(n+1). n = 99, 4 Monte Carlo errors."""
    rng = np.random.default_rng(7)
    sets, tests = 2000, 20
    calibration, new = rng.normal(size=(sets, 99)), rng.normal(size=(sets, tests))
    p = np.stack([conformal_p(c, s) for c, s in zip(calibration, new, strict=True)])
    for t in (0.01, 0.05, 0.1, 0.2):
        per_set = (p <= t + 1e-12).mean(axis=1)
        assert per_set.mean() == pytest.approx(t, abs=4.0 * per_set.std() / np.sqrt(sets))


def test_floor_and_the_size_a_lone_discovery_needs() -> None:
    assert [p_floor(n) for n in (9, 19, 39, 99)] == pytest.approx([0.1, 0.05, 0.025, 0.01])
    assert smallest_calibration(20, 0.1) == 199
    for m, q in ((1, 0.1), (20, 0.1), (7, 0.05), (13, 0.2)):
        n = smallest_calibration(m, q)
        assert p_floor(n) <= q / m + 1e-12
        assert n == 0 or p_floor(n - 1) > q / m
        lone = np.concatenate([[p_floor(n)], np.ones(m - 1)])
        assert benjamini_hochberg(lone, q)[0]


def test_discoveries_keep_their_rate() -> None:
    """Bates et al. (2023): FDR <= pi0 q. Calibration 1000, 180 N(0,1) and 20 N(3.5,1), q = 0.1, bound 0.09."""
    rng = np.random.default_rng(12)
    false_share, power = [], []
    for _ in range(500):
        scores = np.concatenate([rng.normal(size=180), rng.normal(3.5, 1.0, 20)])
        named = benjamini_hochberg(conformal_p(rng.normal(size=1000), scores), 0.1)
        false_share.append(named[:180].sum() / max(named.sum(), 1))
        power.append(named[180:].mean())
    error = np.std(false_share) / np.sqrt(500)
    assert np.mean(false_share) <= 0.09 + 3.0 * error
    assert np.mean(false_share) == pytest.approx(0.0891, abs=4.0 * error)
    assert np.mean(power) == pytest.approx(0.869, abs=0.02)


def test_split_conformal_on_an_isolation_forest_holds() -> None:
    """No shape assumed: heavy-tailed, correlated features; 300 test points in each of 20 runs."""
    shares = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        x = rng.standard_t(3, size=(800, 4)) @ rng.normal(size=(4, 4))
        score, _ = isolation_scores(x[:300], x[300:], trees=60, subsample=256, seed=seed)
        p = conformal_p(score[:200], score[200:])
        shares.append(np.mean(p <= 0.1))
    assert np.mean(shares) == pytest.approx(0.1, abs=4.0 * np.std(shares) / np.sqrt(20) + 0.005)


MONDAYS = [date(2026, 3, 2)] * 4 + [date(2026, 3, 9)] * 3 + [None]


def test_each_week_stands_alone() -> None:
    p = [0.01, 0.02, 0.5, None, 0.04, 0.9, 0.9, 0.001]
    table = weekly_discoveries(p, MONDAYS, q=0.1)
    assert table["discovery"].to_list() == [True, True, False, False, False, False, False, True]
    assert table["captures_in_week"].to_list() == [3, 3, 3, 3, 3, 3, 3, 1]
    assert table["q_value"][0] == pytest.approx(0.03)
    assert table["p_value"][3] is None
    assert table["q_value"][3] is None
    assert table["reachable"].all()


def test_a_calibration_set_too_small_is_named() -> None:
    table = weekly_discoveries([0.05, 0.5, 0.5], [date(2026, 3, 2)] * 3, q=0.1, calibration_n=[19, 29, 19])
    assert not table["discovery"].any()
    assert table["reachable"].to_list() == [False, True, False]
    assert table["why"][0].startswith(
        "Cannot be reached with this calibration size: 19 known healthy captures"
    )
    assert "at least 29" in table["why"][0]
    assert table["why"][1] is None


def test_no_captures_no_discoveries() -> None:
    assert weekly_discoveries([], []).height == 0
    with pytest.raises(ValueError, match="between 0 and 1"):
        weekly_discoveries([0.1], [None], q=1.0)
    with pytest.raises(ValueError, match="one week"):
        weekly_discoveries([0.1], [])


def test_discoveries_of_one_test_are_not_moved_by_another() -> None:
    def scored(test: str, p_values: list[float]) -> tuple[pl.DataFrame, pl.DataFrame]:
        names = [f"{test}{at}" for at in range(len(p_values))]
        captures = pl.DataFrame(
            {"capture_file": names, "test": test, "captured_at": [datetime(2026, 3, 4, 9)] * len(names)}
        )
        scores = pl.DataFrame(
            {"capture_file": names, "rank": 0, "p_value": p_values, "p_floor": [0.001] * len(names)}
        )
        return captures, scores

    one, two = scored("a", [0.004, 0.3, 0.6]), scored("b", [0.9] * 200)
    alone = discoveries(*one, 10.0)
    # by hand, Benjamini & Hochberg (1995): 0.004 <= 0.1 * 1 / 3, 0.3 > 0.1 * 2 / 3
    assert alone["discovery"].to_list() == [True, False, False]
    assert alone["q_value"].to_list() == pytest.approx([0.012, 0.45, 0.6])
    assert alone["week"].to_list() == [date(2026, 3, 2)] * 3
    both = discoveries(pl.concat([one[0], two[0]]), pl.concat([one[1], two[1]]), 10.0)
    assert both.filter(test="a").equals(alone)
    assert not both.filter(test="b")["discovery"].any()
    # a second measure of the same capture says nothing here, and one without a day cannot be of any week
    more = pl.concat([one[1], one[1].with_columns(rank=pl.lit(1, dtype=pl.Int32), p_value=pl.lit(1e-6))])
    assert discoveries(one[0], more, 10.0).equals(alone)
    undated = one[0].with_columns(captured_at=pl.lit(None, dtype=pl.Datetime("us")))
    assert discoveries(undated, one[1], 10.0).is_empty()
