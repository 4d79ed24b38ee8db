"""Normal spread: recovered where the truth is known, borrowed where it is not, and never fooled by a crowd."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from sklearn.metrics import roc_auc_score

from models.records.shop import Shop
from models.spread.drift import drift_of
from models.spread.fit import GroupFit, SpreadSettings, fit_groups, score_captures
from models.spread.null import Null, lowest_gap
from tests.groups_shop import (
    MEASURE,
    DrawnShop,
    Truth,
    found_odd,
    healthy_readings,
    make_shop,
    to_median,
)


def fitted(shop: DrawnShop) -> GroupFit:
    return fit_groups(shop.records, MEASURE)


def flagged(shop: DrawnShop) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """odd_pct of every capture, whether its group's normal-spread limit flags it, and whether it is odd."""
    fit = fitted(shop)
    scores = score_captures(fit, shop.records).captures
    limit = scores.join(fit.stats.select("group", "odd_limit_pct"), on="group", how="left")
    odd = scores["odd_pct"].to_numpy()
    return odd, odd >= limit["odd_limit_pct"].to_numpy(), shop.is_odd(scores["capture_file"])


def naive_gap(row: np.ndarray) -> tuple[float, int]:
    """Slow twin of `lowest_gap`."""
    at = int(np.nanargmin(row))
    rest = [value for place, value in enumerate(row) if place != at and np.isfinite(value)]
    return float(np.median(rest) - row[at]), at


def test_lowest_gap_agrees_with_its_slow_twin() -> None:
    rng = np.random.default_rng(1)
    table = rng.normal(size=(200, 8))
    table[rng.random(table.shape) < 0.3] = np.nan
    gap, at = lowest_gap(table)
    for row in range(200):
        if np.isfinite(table[row]).sum() < 3:
            assert np.isnan(gap[row])
            assert at[row] == -1
        else:
            assert (gap[row], at[row]) == pytest.approx(naive_gap(table[row]))


def test_inside_one_capture_no_element_can_be_three_sigma_off() -> None:
    """Shiffler R.E. (1988), American Statistician 42:79-80: |z| <= (n-1)/sqrt(n); the group has to say."""
    for n in (3, 4, 5, 6, 8):
        dead = np.array([0.0] + [100.0] * (n - 1))
        z = abs(dead[0] - dead.mean()) / dead.std(ddof=1)
        assert z == pytest.approx((n - 1) / np.sqrt(n))
        assert z < 3.0
    shop = make_shop(2, [30], odd_share=0.3, sizes=[4])
    odd, over, truth = flagged(shop)
    assert over[truth].all()
    assert odd[truth].min() > odd[~truth].max()


@pytest.mark.parametrize("odd_share", [0.4, 0.5])
@pytest.mark.parametrize("same_element", [False, True])
def test_half_of_the_captures_may_be_faulty_and_nobody_said_which(
    odd_share: float, same_element: bool
) -> None:
    """22 captures a group, ten groups, three shops: the limit flags few healthy captures and the faults.

    About 350 healthy captures; at a true rate of 1 % more than 3 % would be a 3.7 sigma event.
    """
    alarms, found, areas = [], [], []
    for seed in range(3):
        shop = make_shop(seed, [22] * 10, odd_share=odd_share, same_element=same_element)
        odd, over, truth = flagged(shop)
        alarms.append(over[~truth])
        found.append(over[truth])
        areas.append(roc_auc_score(truth, odd))
    assert np.concatenate(alarms).mean() <= 0.03
    assert np.concatenate(found).mean() >= 0.99
    assert min(areas) > 0.998


def test_pattern_and_spread_are_recovered_from_a_contaminated_group() -> None:
    shop = make_shop(9, [80] * 6, odd_share=0.45)
    fit = fitted(shop)
    for truth in shop.truth.values():
        stat = fit.stats.filter(pl.col("group") == truth.name).row(0, named=True)
        assert stat["basis"] == "all, robust"
        assert stat["spread_pct"] == pytest.approx(truth.spread_pct, rel=0.25)
        error = fit.pattern_of(truth.name) - truth.pattern_pct
        assert np.abs(error).max() < 5.0 * truth.spread_pct / np.sqrt(40)
        assert stat["odd_share"] == pytest.approx(0.45, abs=0.2)
        assert np.median(fit.pattern_of(truth.name)) == pytest.approx(100.0)


def test_a_group_uneven_when_healthy_is_not_called_odd() -> None:
    uneven = Truth("uneven", 4, np.array([100.0, 91.0, 100.0, 103.0]), 1.2, 0.5)
    even = Truth("even", 4, np.full(4, 100.0), 1.2, 0.5)
    shop = make_shop(4, [25, 25], odd_share=0.3, groups=[uneven, even])
    odd, over, truth = flagged(shop)
    assert over[~truth].mean() <= 0.05
    assert over[truth].all()
    assert fitted(shop).pattern_of("uneven")[1] == pytest.approx(91.0, abs=1.2)
    assert (odd[~truth] < 6.0).all()


def test_what_the_fit_rests_on_is_named() -> None:
    labelled = make_shop(5, [40, 40, 40], odd_share=0.3, known_good_share=0.5, confirm=(0.9, 0.9))
    assert set(fitted(labelled).stats["basis"]) == {"confirmed"}
    known = make_shop(5, [40, 40, 40], odd_share=0.3, known_good_share=0.5)
    assert set(fitted(known).stats["basis"]) == {"known_good"}
    bare = make_shop(5, [40, 40, 0], odd_share=0.3)
    stats = fitted(bare).stats
    assert stats["basis"].to_list() == ["all, robust", "all, robust", "borrowed"]
    assert stats["why"].str.len_chars().min() > 20
    assert "borrowed from the other groups" in stats["why"][2]


def test_labels_outweigh_looks() -> None:
    """Eleven of twelve captures have a low element 2; only if they are known good is that the pattern."""
    low = Truth("low-two", 4, np.array([100.0, 90.0, 100.0, 100.0]), 1.0, 0.5)
    shop = make_shop(6, [12], odd_share=0.0, groups=[low])
    as_good = shop.records.captures.with_columns(purpose=pl.lit("known_good"))
    known = fit_groups(shop.records.with_frames(captures=as_good), MEASURE)
    assert known.pattern_of("low-two")[1] == pytest.approx(90.0, abs=1.5)
    outcomes = found_odd(shop.records.captures, timedelta(days=2))
    faulty = fit_groups(shop.records.with_frames(outcomes=outcomes), MEASURE)
    assert faulty.stats["basis"].item() == "borrowed"
    assert faulty.pattern_of("low-two") == pytest.approx(np.full(4, 100.0), abs=0.5)


def test_an_outcome_says_nothing_about_the_repaired_engine() -> None:
    shop = make_shop(7, [10], odd_share=0.0, sizes=[4])
    outcomes = found_odd(shop.records.captures, -timedelta(days=2))
    fit = fit_groups(shop.records.with_frames(outcomes=outcomes), MEASURE)
    assert set(fit.healthy["label"]) == {"not known"}
    assert fit.stats["healthy_captures"].item() > 9.0


def test_a_known_good_capture_on_a_repaired_order_is_healthy() -> None:
    """Same order, same day, an odd finding: the capture made as known-good shows the engine after the repair."""
    shop = make_shop(7, [10], odd_share=0.0, sizes=[4])
    good = shop.records.captures.with_columns(purpose=pl.lit("known_good"))
    outcomes = found_odd(good, timedelta(minutes=10), method="repair_verified")
    fit = fit_groups(shop.records.with_frames(captures=good, outcomes=outcomes), MEASURE)
    assert set(fit.healthy["label"]) == {"known healthy"}
    assert fit.stats["basis"].item() == "known_good"


def test_own_weight_runs_from_borrowed_to_own() -> None:
    shop = make_shop(8, [60, 60, 0, 1, 5, 60], odd_share=0.0, sizes=[4, 4, 4, 4, 4, 4])
    weight = fitted(shop).stats["own_weight"].to_list()
    assert weight[2] == pytest.approx(0.0, abs=1e-9)
    assert weight[2] < weight[3] < weight[4] < weight[5]
    assert weight[5] > 0.9


def test_one_group_with_one_capture_gets_a_sensible_borrowed_limit() -> None:
    for shop in (make_shop(1, [1], odd_share=0.0, sizes=[4]), make_shop(1, [1], odd_share=1.0, sizes=[4])):
        fit = fitted(shop)
        limit = fit.stats["odd_limit_pct"].item()
        assert 5.0 < limit < 15.0
        scores = score_captures(fit, shop.records)
        assert scores.captures.height == 1
    rich = make_shop(3, [60] * 6 + [1], odd_share=0.2, sizes=[4] * 7)
    limits = fitted(rich).stats["odd_limit_pct"].to_list()
    assert np.median(limits[:6]) < limits[6] < 13.0


def test_intervals_cover_in_thin_and_thick_groups() -> None:
    """Thirty shops, groups of 0, 1, 3 and 10 captures; the whole table is in tests/bench/bench_coverage.py.

    Spread intervals are one hit or miss a group, so 120 of them at 95 % give 0.95 +- 0.06 (3 sigma).
    """
    from tests.bench.bench_coverage import coverage

    table = coverage(30, odd_share=0.25, seed=77).filter(pl.col("captures") <= 10)
    for what in ("spread", "pattern", "new healthy capture", "odd_pct below its 95 % limit"):
        mean = table.filter(pl.col("what") == what)["covered"].mean()
        assert 0.89 <= mean <= 0.995, (what, mean)  # type: ignore[operator]


def test_repeats_of_one_vehicle_are_not_independent() -> None:
    """Ten captures of each of six vehicles say little more about the pattern than one of each."""
    group = Truth("kept", 4, np.full(4, 100.0), 1.5, 0.9)
    others = [Truth(f"o{at}", 4, np.full(4, 100.0), 1.5, 0.9) for at in range(5)]
    repeated = make_shop(5, [60] * 6, odd_share=0.0, repeats=10, groups=[group, *others])
    single = make_shop(5, [60] * 6, odd_share=0.0, repeats=1, groups=[group, *others])

    def width(shop: DrawnShop) -> float:
        rows = fitted(shop).pattern
        return float((rows["high"] - rows["low"]).mean())  # type: ignore[operator, arg-type]

    assert width(repeated) > 2.0 * width(single)
    stat = fitted(repeated).stats.row(0, named=True)
    assert stat["between_vehicle_pct"] == pytest.approx(1.5 * np.sqrt(0.9), rel=0.4)
    assert stat["within_vehicle_pct"] < 0.6
    assert stat["reading_se_pct"] == pytest.approx(0.4, abs=1e-6)


@pytest.mark.parametrize("kind", ["pair", "none"])
def test_unnamed_elements_are_still_judged(kind: str) -> None:
    shop = make_shop(12, [30] * 4, odd_share=0.4, identified=kind, sizes=[4, 6, 8, 4])
    odd, over, truth = flagged(shop)
    assert roc_auc_score(truth, odd) > 0.995
    assert over[~truth].mean() <= 0.05
    fit = fitted(shop)
    scores = score_captures(fit, shop.records).captures
    if kind == "none":
        assert scores["odd_element"].is_null().all()
        assert scores["odd_companion"].is_null().all()
        assert fit.stats["why"].str.contains("Nothing names the elements").all()
        assert fit.pattern["pattern_pct"].to_list() == [100.0] * fit.pattern.height
    else:
        assert scores["odd_companion"].is_not_null().all()
        assert fit.stats["why"].str.contains("names pairs only").all()
    assert scores["odd_position"].is_not_null().all()


def test_a_capture_without_sync_is_turned_to_fit_an_uneven_group() -> None:
    uneven = Truth("uneven", 6, np.array([100.0, 88.0, 100.0, 103.0, 100.0, 100.0]), 0.8, 0.5)
    named = make_shop(3, [40], odd_share=0.0, groups=[uneven])
    nameless = make_shop(30, [20], odd_share=0.0, groups=[uneven], identified="none")
    rename = pl.col("capture_file") + "-unnamed"
    captures = pl.concat([named.records.captures, nameless.records.captures.with_columns(rename)])
    elements = pl.concat([named.records.elements, nameless.records.elements.with_columns(rename)])
    both = named.records.with_frames(captures=captures, elements=elements)
    fit = fit_groups(both, MEASURE)
    scores = score_captures(fit, both)
    unnamed = scores.captures.filter(pl.col("capture_file").str.ends_with("-unnamed"))
    assert unnamed["odd_pct"].max() < 4.0  # type: ignore[operator]


def test_deviation_is_reading_minus_group_and_odd_pct_follows_from_it() -> None:
    shop = make_shop(2, [30, 30], odd_share=0.3)
    fit = fitted(shop)
    scores = score_captures(fit, shop.records)
    both = shop.records.elements.join(scores.elements, on=["capture_file", "position"])
    assert both.height == shop.records.elements.height
    assert (both["relative_pct"] - both["group_pct"] - both["deviation_pct"]).abs().max() < 1e-9  # type: ignore[operator]
    for (name,), rows in both.sort("position").group_by("capture_file"):
        gap, at = naive_gap(rows["deviation_pct"].to_numpy())
        found = scores.captures.filter(pl.col("capture_file") == name).row(0, named=True)
        assert (found["odd_pct"], found["odd_position"]) == pytest.approx((gap, at + 1))
        assert found["odd_element"] == rows["element"][at]


def test_p_values_hold_for_new_healthy_captures_whatever_they_rest_on() -> None:
    """P(p <= t) <= t within 4 binomial errors, by the group's own, the shop's, and no calibration set."""
    for counts, share, words in (
        ([260, 260], 0.5, "of this group"),
        ([16] * 12, 0.5, "of all groups"),
        ([60, 60, 60], 0.0, "normal spread alone"),
    ):
        p_all = []
        for seed in range(3):
            shop = make_shop(40 + seed, counts, odd_share=0.15, known_good_share=share)
            scores = score_captures(fitted(shop), shop.records)
            table = scores.captures.join(
                shop.records.captures.select("capture_file", "purpose"), on="capture_file"
            )
            assert table["p_basis"].str.contains(words).all()
            assert (table["p_value"] >= table["p_floor"] - 1e-12).all()
            healthy = ~shop.is_odd(table["capture_file"]) & (table["purpose"] == "diagnosis").to_numpy()
            p_all.append(table["p_value"].to_numpy()[healthy])
        p = np.concatenate(p_all)
        for t in (0.05, 0.1, 0.3, 0.5):
            assert np.mean(p <= t) <= t + 4.0 * np.sqrt(t * (1 - t) / p.size), (words, t)
        assert np.mean(p <= 0.5) > 0.35


def test_p_value_falls_as_odd_pct_grows() -> None:
    shop = make_shop(2, [300], odd_share=0.3, known_good_share=0.6)
    table = score_captures(fitted(shop), shop.records).captures
    unlabelled = table.join(
        shop.records.captures.filter(pl.col("purpose") == "diagnosis"), on="capture_file", how="semi"
    )
    ordered = unlabelled.sort("odd_pct")
    assert (ordered["p_value"].diff().drop_nulls() <= 0.05).all()
    assert ordered["p_value"][-1] == ordered["p_floor"][-1]


def test_normal_tail_continues_the_draws() -> None:
    rng = np.random.default_rng(2)
    null = Null.from_draws(np.sort(np.abs(rng.normal(0.0, 1.5, 20_000))))
    at = np.linspace(0.0, 12.0, 400)
    survival = null.survival(at)
    assert (np.diff(survival) <= 1e-12).all()
    exact = 2.0 * (1.0 - 0.5 * (1.0 + np.vectorize(__import__("math").erf)(at / 1.5 / np.sqrt(2))))
    middle = (exact > 1e-6) & (exact < 1.0)
    assert np.log(survival[middle]) == pytest.approx(np.log(exact[middle]), abs=1.2)
    assert np.isnan(null.survival(np.array([np.nan])))[0]


def drifting(seed: int, slope: float, *, vehicles: int = 20) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two captures of each vehicle; element 3 of four moves by `slope` % a month against the others."""
    rng = np.random.default_rng(seed)
    vehicle = np.repeat(np.arange(vehicles), 2)
    month = np.repeat(rng.uniform(0.0, 12.0, vehicles), 2) + rng.uniform(0.0, 0.2, 2 * vehicles)
    deviation = rng.normal(0.0, 0.8, (vehicles, 4))[vehicle] + rng.normal(0.0, 0.8, (2 * vehicles, 4))
    deviation[:, 2] += slope * (month - 6.0)
    return deviation, month, vehicle


def test_a_planted_drift_is_found_in_its_element_and_no_drift_is_not() -> None:
    deviation, month, vehicle = drifting(6, -0.5)
    moved = drift_of(deviation, month, np.ones(40), vehicle)
    assert moved.element == 3
    assert moved.slope.low is not None
    assert moved.slope.high is not None
    assert moved.slope.low <= -0.5 <= moved.slope.high < 0.0
    deviation, month, vehicle = drifting(7, 0.0)
    flat = drift_of(deviation, month, np.ones(40), vehicle).slope
    assert flat.low is not None
    assert flat.high is not None
    assert flat.low <= 0.0 <= flat.high
    assert drift_of(deviation, month, np.ones(40), np.zeros(40, dtype=np.int64)).slope.why is not None
    assert drift_of(deviation, np.full(40, 3.0), np.ones(40), vehicle).slope.why is not None
    nothing = drift_of(np.zeros((0, 4)), np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.int64))
    assert (nothing.slope.n, nothing.element) == (0, None)


def test_drift_is_seldom_seen_where_there_is_none() -> None:
    """400 steady groups of 15 vehicles; at most 5 % may look drifting, up to 3 binomial errors more."""
    seen = 0
    for seed in range(400):
        deviation, month, vehicle = drifting(seed, 0.0, vehicles=15)
        found = drift_of(deviation, month, np.ones(30), vehicle).slope
        assert found.low is not None
        assert found.high is not None
        seen += not found.low <= 0.0 <= found.high
    assert seen / 400 <= 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / 400)


def test_empty_frames_give_empty_answers() -> None:
    full = make_shop(1, [3, 3]).records
    for missing in ("captures", "elements", "groups", "outcomes"):
        shop = full.with_frames(**{missing: getattr(full, missing).clear()})
        fit = fit_groups(shop, MEASURE)
        scores = score_captures(fit, shop)
        assert fit.stats.height == shop.groups.height
        assert fit.pattern.height == shop.groups["elements"].sum()
        assert scores.captures.height == (6 if missing == "outcomes" else 0)
    fit = fit_groups(Shop(), MEASURE)
    assert (fit.stats.height, fit.pattern.height, fit.healthy.height) == (0, 0, 0)


def test_broken_rows_are_left_out_not_fatal() -> None:
    shop = make_shop(1, [12], odd_share=0.0, sizes=[4])
    spoiled = shop.records.elements.with_columns(
        relative_pct=pl.when((pl.col("capture_file") == "group-0/0.csv") & (pl.col("position") == 2))
        .then(float("nan"))
        .otherwise(pl.col("relative_pct")),
        se_pct=pl.when(pl.col("capture_file") == "group-0/1.csv").then(None).otherwise(pl.col("se_pct")),
    ).filter(~((pl.col("capture_file") == "group-0/2.csv") & (pl.col("position") == 4)))
    captures = shop.records.captures.with_columns(
        captured_at=pl.when(pl.col("capture_file") == "group-0/3.csv").then(None).otherwise("captured_at"),
        vehicle=pl.lit(None, dtype=pl.String),
        purpose=pl.when(pl.col("capture_file") == "group-0/4.csv").then(None).otherwise("purpose"),
    )
    broken = shop.records.with_frames(captures=captures, elements=spoiled)
    fit = fit_groups(broken, MEASURE)
    scores = score_captures(fit, broken)
    assert fit.stats["group"].to_list() == ["group-0"]
    assert scores.captures.height == 10
    twice = broken.groups.with_columns(
        group=pl.lit("x"), sequence=pl.lit([1, 1, 3, 4], dtype=pl.List(pl.Int32))
    )
    with pytest.raises(ValueError, match=r"'x': sequence \(1, 1, 3, 4\)"):
        fit_groups(broken.with_frames(groups=pl.concat([broken.groups, twice])), MEASURE)
    error = scores.captures.filter(pl.col("capture_file") == "group-0/1.csv")["odd_se_pct"].item()
    assert error is None


def test_the_share_of_healthy_captures_a_limit_may_flag_can_be_chosen() -> None:
    shop = make_shop(2, [40], odd_share=0.2, sizes=[4])
    strict = fit_groups(shop.records, MEASURE, settings=SpreadSettings(false_alarm_share=0.001))
    loose = fit_groups(shop.records, MEASURE, settings=SpreadSettings(false_alarm_share=0.1))
    assert loose.stats["odd_limit_pct"].item() < strict.stats["odd_limit_pct"].item()
    truth = shop.truth["group-0"]
    new = to_median(healthy_readings(np.random.default_rng(3), truth, 4000))
    gap, _ = lowest_gap(new - loose.pattern_of("group-0"))
    assert np.mean(gap >= loose.stats["odd_limit_pct"].item()) == pytest.approx(0.1, abs=0.06)
