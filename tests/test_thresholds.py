"""Thresholds: evidence, curves, correction for who gets followed up, proposals, what-if."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from sklearn.metrics import roc_auc_score

from models.records import schemas
from models.spread.fit import fit_groups, score_captures
from models.thresholds.costs import COST_GRID_PCT, detection_kernel, smoothed_detection
from models.thresholds.curves import band, share_at_least
from models.thresholds.evidence import EVEN, MAX_WEIGHT, ODD, confirmation_weights, evidence
from models.thresholds.proposal import Costs, Proposal, costs_at, curves, propose
from models.thresholds.whatif import what_if
from tests.groups_shop import MEASURE, TEST, DrawnShop, make_shop


def scored(shop: DrawnShop):  # type: ignore[no-untyped-def]
    fit = fit_groups(shop.records, MEASURE)
    return fit, score_captures(fit, shop.records)


def proposals_of(shop: DrawnShop, **costs: float) -> tuple[Proposal, ...]:
    fit, scores = scored(shop)
    asked = {"miss": 600.0, "false_alarm": 90.0} | costs
    return propose(fit, scores, shop.records, Costs(**asked), draws=60)


@pytest.fixture(scope="module")
def followed_up() -> DrawnShop:
    """Small faults, three quarters of the odd-looking captures followed up, an eighth of the others."""
    return make_shop(
        2001, [120] * 6, odd_share=0.25, loss_pct=(3.0, 25.0), confirm=(0.75, 0.12), known_good_share=0.1
    )


def test_share_at_least_counts_like_a_loop() -> None:
    rng = np.random.default_rng(1)
    odd, weight = rng.gamma(2.0, 2.0, 40).round(1), rng.uniform(0, 3, (3, 40))
    grid = np.arange(0.0, 12.0, 0.5)
    found = share_at_least(odd, weight, grid)
    for draw in range(3):
        for at, x in enumerate(grid):
            slow = sum(weight[draw][i] for i in range(40) if odd[i] >= x) / sum(weight[draw])
            assert found[draw, at] == pytest.approx(slow)


def test_the_area_under_both_curves_is_the_published_one() -> None:
    """Hanley J.A. & McNeil B.J. (1982), Radiology 143:29-36, Tables I and II: ratings of 109 images, AUC 0.893."""
    normal, abnormal = [33, 6, 6, 11, 2], [3, 2, 2, 11, 33]
    assert (sum(normal), sum(abnormal)) == (58, 51)
    rating = np.concatenate(
        [np.repeat(np.arange(1, 6), normal), np.repeat(np.arange(1, 6), abnormal)]
    ).astype(float)
    truth = np.repeat([False, True], [58, 51])
    grid = np.arange(1.0, 7.0)
    alarm = share_at_least(rating[~truth], np.ones(58), grid)
    detection = share_at_least(rating[truth], np.ones(51), grid)
    area = -np.trapezoid(detection, alarm)
    assert area == pytest.approx(0.893, abs=5e-4)
    assert area == pytest.approx(roc_auc_score(truth, rating))
    youden = detection - alarm
    assert youden[3] == pytest.approx(44 / 51 + 45 / 58 - 1)  # cut at rating 4


def test_band_is_honest_where_the_bootstrap_cannot_see() -> None:
    """0 of 20: Wilson (0, 0.1611), Newcombe R.G. (1998), Stat. Med. 17:857-872, Table I, method 3."""
    low, high = band(np.array([0.0]), np.zeros((100, 1)), 20.0)
    assert (low[0], high[0]) == pytest.approx((0.0, 0.1611), abs=5e-5)
    low, high = band(np.array([0.5]), np.tile([[0.2], [0.8]], (50, 1)), 1000.0)
    assert (low[0], high[0]) == pytest.approx((0.2, 0.8))


def test_evidence_knows_what_each_capture_is_about() -> None:
    shop = make_shop(5, [12], odd_share=0.4, sizes=[4])
    captures = shop.records.captures.with_columns(
        purpose=pl.Series(["drill", "known_good"] + ["diagnosis"] * 10), call=pl.lit("odd")
    )
    odd_names = [name for name in captures["capture_file"] if shop.odd_elements[name]]
    outcomes = pl.DataFrame(
        [
            (name, TEST, when + timedelta(days=late), "odd", list(shop.odd_elements[name]), "gauge", [])
            for (name, when), late in zip(
                captures.filter(pl.col("capture_file").is_in(odd_names))
                .select("capture_file", "captured_at")
                .iter_rows(),
                [3] * (len(odd_names) - 1) + [-3],
                strict=True,
            )
        ],
        schema=schemas.OUTCOMES.types,
        orient="row",
    )
    records = shop.records.with_frames(captures=captures, outcomes=outcomes)
    rows = evidence(score_captures(fit_groups(records, MEASURE), records), records)
    assert rows.height == 12
    asked = dict(rows.select("capture_file", "in_question").iter_rows())
    assert not asked["group-0/0.csv"]
    assert not asked["group-0/1.csv"]
    assert not asked[odd_names[-1]]  # made after the repair
    assert (rows["confirmed"] == ODD).sum() == len(odd_names) - 1
    named = rows.filter(pl.col("confirmed") == ODD)["named_right"]
    assert named.all()
    assert named.null_count() == 0


def test_weights_repair_what_following_up_the_odd_ones_spoils(followed_up: DrawnShop) -> None:
    """Within four standard errors of the full truth corrected; off by more than that naive."""
    _, scores = scored(followed_up)
    rows = evidence(scores, followed_up.records)
    weighting = confirmation_weights(rows)
    assert weighting.why is None
    assert 1.0 <= weighting.largest <= MAX_WEIGHT
    truth = followed_up.is_odd(rows["capture_file"])
    asked = rows["in_question"].to_numpy()
    confirmed = rows["confirmed"].to_numpy()
    share = truth[asked].mean()
    naive = (confirmed[asked] == ODD).sum() / (confirmed[asked] != 0).sum()
    corrected = weighting.weight[confirmed == ODD].sum() / weighting.weight.sum()
    error = np.sqrt(share * (1 - share) / weighting.effective_n)
    assert abs(corrected - share) < 4.0 * error
    assert naive - share > 0.15
    # Calibrated: among captures in question, the modelled chances add up to the confirmations.
    assert weighting.chance[asked].sum() == pytest.approx((confirmed[asked] != 0).sum(), rel=1e-6)


def test_corrected_curves_lie_nearer_the_truth_than_naive_ones() -> None:
    """Many captures, so that the bias stands out from the noise: one in twenty even-looking ones followed up."""
    shop = make_shop(31, [400] * 4, odd_share=0.25, loss_pct=(3.0, 20.0), confirm=(0.9, 0.04))
    _, scores = scored(shop)
    rows = evidence(scores, shop.records)
    found = curves(rows, draws=40)
    odd, truth = rows["odd_pct"].to_numpy(), shop.is_odd(rows["capture_file"])
    everything = {}
    table = found.curves
    assert set(table["how"]) == {"naive", "corrected"}
    assert (table["low"] <= table["share"] + 1e-9).all()
    assert (table["high"] >= table["share"] - 1e-9).all()
    for what, member in (("false_alarm", ~truth), ("detection", truth)):
        for how in ("naive", "corrected"):
            part = table.filter((pl.col("what") == what) & (pl.col("how") == how)).filter(
                pl.col("threshold_pct").is_between(3.0, 7.0)
            )
            errors = []
            for (name, x), cell in part.group_by("group", "threshold_pct"):
                group = (rows["group"] == name).to_numpy()
                exact = (odd[member & group] >= x).mean()
                errors.append(cell["share"].item() - exact)
            everything[what, how] = float(np.mean(errors))
    assert everything["false_alarm", "naive"] > 0.02
    assert abs(everything["false_alarm", "corrected"]) < 0.5 * everything["false_alarm", "naive"]
    assert everything["detection", "naive"] > 0.02
    assert abs(everything["detection", "corrected"]) < everything["detection", "naive"]
    assert found.weights["weight"].min() >= 1.0  # type: ignore[operator]
    assert found.weights["chance"].is_between(0.0, 1.0).all()


def test_weights_are_one_where_there_is_nothing_to_model() -> None:
    shop = make_shop(3, [20], odd_share=0.3, confirm=(1.0, 1.0), sizes=[4])
    _, scores = scored(shop)
    weighting = confirmation_weights(evidence(scores, shop.records))
    assert weighting.weight.tolist() == [1.0] * 20
    assert weighting.effective_n == pytest.approx(20.0)
    assert weighting.why == "Not weighted: every capture in question was confirmed."


def test_smoothed_detection_follows_the_steps() -> None:
    rng = np.random.default_rng(4)
    odd = rng.uniform(3.0, 25.0, 400)
    kernel = detection_kernel(odd, COST_GRID_PCT)
    smooth = smoothed_detection(kernel, np.ones(400))
    steps = share_at_least(odd, np.ones(400), COST_GRID_PCT)
    assert np.abs(smooth - steps).max() < 0.05
    assert (np.diff(smooth) <= 0).all()
    assert np.isnan(smoothed_detection(kernel, np.zeros((2, 400)))).all()


def test_without_outcomes_the_limit_is_the_normal_spread() -> None:
    shop = make_shop(4, [25] * 5, odd_share=0.5)
    fit, _ = scored(shop)
    found = proposals_of(shop)
    assert [proposal.group for proposal in found] == fit.stats["group"].to_list()
    for proposal, limit in zip(found, fit.stats["odd_limit_pct"], strict=True):
        assert proposal.basis == "normal spread"
        assert proposal.threshold_pct == pytest.approx(limit, abs=0.051)
        assert proposal.low < proposal.threshold_pct < proposal.high
        assert "too few to weigh costs" in proposal.why
        assert proposal.detection.estimate is None
        assert proposal.false_alarm.estimate == pytest.approx(0.01, abs=0.003)
        assert proposal.cost.height == 0
        assert proposal.prevalence is None
        assert proposal.flags_per_week > 0


def test_proposed_limits_come_close_to_the_ones_that_truly_cost_least() -> None:
    """Two shops of 75 captures a group; the whole table is in tests/bench/bench_thresholds.py.

    Single shops of that bench scatter by 0.45 % about the true X; 16 groups give a mean within 4 errors.
    """
    from tests.bench.bench_thresholds import recovery

    table = recovery(2, 75, seed=9, draws=30_000)
    off = (table["proposed_pct"] - table["true_pct"]).to_numpy()
    assert abs(off.mean()) < 0.45
    assert np.abs(off).max() < 2.0
    assert table["excess_cost"].median() < 0.12  # type: ignore[operator]
    assert table["excess_cost"].mean() < table["excess_cost_normal_spread"].mean()  # type: ignore[operator]
    assert ((table["low"] <= table["true_pct"]) & (table["true_pct"] <= table["high"])).mean() > 0.7  # type: ignore[operator]


def test_the_interval_of_a_thin_group_holds_the_limit_that_truly_costs_least() -> None:
    """Forty groups; 93 to 97 of 100 over the hundreds of tests/bench/bench_thresholds.py."""
    from tests.bench.bench_thresholds import thin_groups

    table = thin_groups(5, seed=6, draws=20_000).filter(pl.col("basis") != "normal spread")
    assert table.height >= 32
    assert table["held"].mean() >= 0.87  # type: ignore[operator]
    widths = [table.filter(pl.col("captures") == n)["width"].mean() for n in (6, 75)]
    assert widths[0] > 1.5 * widths[1]  # type: ignore[operator]


def test_dearer_misses_lower_the_limit(followed_up: DrawnShop) -> None:
    cheap = proposals_of(followed_up, miss=100.0)
    dear = proposals_of(followed_up, miss=5000.0)
    assert all(d.threshold_pct < c.threshold_pct for d, c in zip(dear, cheap, strict=True))
    assert {proposal.basis for proposal in dear} == {"outcomes"}
    for proposal in dear:
        assert proposal.cost["expected_cost"].min() == pytest.approx(
            proposal.cost.filter(pl.col("threshold_pct") == proposal.threshold_pct)["expected_cost"].item()
        )
        assert proposal.detection.n >= 5
        assert proposal.prevalence == pytest.approx(0.27, abs=0.15)
        assert "follow" in proposal.why


def test_only_the_ratio_of_the_costs_moves_the_limit(followed_up: DrawnShop) -> None:
    once = proposals_of(followed_up, miss=600.0, false_alarm=90.0)
    tenfold = proposals_of(followed_up, miss=6000.0, false_alarm=900.0)
    assert [p.threshold_pct for p in once] == [p.threshold_pct for p in tenfold]


@pytest.mark.parametrize("cost", [0.0, -1.0, float("nan"), float("inf")])
def test_a_cost_that_is_none_is_refused(cost: float) -> None:
    shop = make_shop(4, [5], sizes=[4])
    with pytest.raises(ValueError, match="cost_miss is a positive number"):
        proposals_of(shop, miss=cost)


def test_costs_of_given_limits(followed_up: DrawnShop) -> None:
    _, scores = scored(followed_up)
    found = costs_at(
        scores.captures,
        followed_up.records,
        {"group-0": 4.0, "group-1": 400.0},
        draws=40,
    )
    zero = found["group-0"]
    assert zero.detection.estimate is not None
    assert zero.false_alarm.estimate is not None
    assert zero.detection.estimate > 0.5
    assert zero.false_alarm.estimate < 0.3
    assert (found["group-1"].detection.estimate, found["group-1"].false_alarm.estimate) == (0.0, 0.0)
    assert found["nowhere"].detection.estimate is None
    assert found["nowhere"].detection.why == "No limit is in force for nowhere."


def test_nothing_in_nothing_out() -> None:
    shop = make_shop(4, [3], odd_share=0.0, sizes=[4])
    empty = shop.records.with_frames(
        captures=shop.records.captures.clear(), elements=shop.records.elements.clear()
    )
    fit = fit_groups(empty, MEASURE)
    scores = score_captures(fit, empty)
    (proposal,) = propose(fit, scores, empty, Costs(1.0, 1.0), draws=20)
    assert proposal.basis == "normal spread"
    assert proposal.flags_per_week == 0.0
    assert curves(evidence(scores, empty), draws=5).curves.height == 0
    assert costs_at(scores, empty, {"group-0": 5.0})["group-0"].detection.estimate is None
    none = fit_groups(empty.with_frames(groups=empty.groups.clear()), MEASURE)
    assert propose(none, scores, empty, Costs(1.0, 1.0)) == ()


def test_what_if_agrees_with_a_loop() -> None:
    rng = np.random.default_rng(9)
    odd = rng.gamma(2.0, 2.0, 300)
    odd[5] = np.nan
    group = rng.integers(0, 3, 300)
    confirmed = rng.choice([ODD, 0, EVEN], 300)
    before, after = np.array([4.0, 5.0, 6.0]), np.array([5.0, 5.0, 4.5])
    found = what_if(odd, group, after, before, confirmed)
    newly = [i for i in range(300) if odd[i] >= after[group[i]] and not odd[i] >= before[group[i]]]
    gone = [i for i in range(300) if odd[i] >= before[group[i]] and not odd[i] >= after[group[i]]]
    assert found.newly_flagged.tolist() == newly
    assert found.no_longer_flagged.tolist() == gone
    assert not found.flagged[5]
    assert {int(group[i]) for i in newly} == {2}
    assert {int(group[i]) for i in gone} == {0}
    assert found.newly_by_outcome == tuple(
        sum(confirmed[i] == code for i in newly) for code in (ODD, 0, EVEN)
    )
    assert found.flagged_before.tolist() == [int((odd[group == f] >= before[f]).sum()) for f in range(3)]
    assert found.flagged_after[1] == found.flagged_before[1]


def test_what_if_at_the_limit_counts_as_flagged() -> None:
    found = what_if(np.array([5.0]), np.array([0]), np.array([5.0]), np.array([5.1]))
    assert found.flagged.tolist() == [True]
    assert found.newly_by_outcome == (0, 1, 0)
