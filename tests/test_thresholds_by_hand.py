"""Thresholds worked out by hand: kernels, pooled shares, weights, costs at a limit, flags, lists."""

from __future__ import annotations

from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest
from scipy.special import expit, logit
from scipy.stats import norm

from models.records import schemas
from models.records.measure import Measure
from models.records.shop import Shop
from models.stats.intervals import wilson_many
from models.stats.logistic import fit_logistic
from models.stats.pooling import pool_normal
from models.thresholds.costs import (
    COST_GRID_PCT,
    Draw,
    detection_kernel,
    group_curves,
    share_odd,
    smoothed_detection,
)
from models.thresholds.curves import (
    GRID_PCT,
    band,
    bootstrap_times,
    curves,
    drawn_weights,
    effective,
    healthy_weight,
    odd_weight,
    vehicle_codes,
)
from models.thresholds.evidence import Weights, confirmation_weights, design, evidence
from models.thresholds.flags import flags
from models.thresholds.follow_up import calibrated, prevalence_of, shares_by_sort
from models.thresholds.gauge import _mid_ranks, clustered_spearman
from models.thresholds.limits import Costs
from models.thresholds.proposal import _believed_healthy_flagged, _flags_per_week
from models.thresholds.shares import costs_at, share_estimate
from models.thresholds.verification import drawn_by_lot, verification_list
from tests.simulated_shop import TEST, capture_row, captures_of, frame_of

MONDAY = datetime(2025, 3, 3, 9)
DAY = timedelta(days=1)


# -- curves -------------------------------------------------------------------------------------------------------


def test_the_kernel_is_silvermans() -> None:
    odd = np.array([2.0, 4.0, 6.0, 8.0, 30.0])
    width = 0.9 * min(odd.std(), (8.0 - 4.0) / 1.34) * 5**-0.2
    kernel = detection_kernel(odd, np.array([5.0, 7.0]))
    assert kernel == pytest.approx(norm.cdf((odd[:, None] - [[5.0, 7.0]]) / width))
    # never narrower than half a percent; where the middle half is all alike the spread stands in
    close = detection_kernel(np.array([5.0, 5.1, 5.2]), np.array([6.0]))
    assert close[0, 0] == pytest.approx(norm.cdf(-1.0 / 0.5))
    alike = np.array([5.0] * 9 + [50.0])
    assert detection_kernel(alike, np.array([6.0]))[0, 0] == pytest.approx(
        norm.cdf(-1.0 / (0.9 * alike.std() * 10**-0.2))
    )
    assert detection_kernel(np.zeros(0), COST_GRID_PCT).shape == (0, COST_GRID_PCT.size)
    weight = np.array([1.0, 0.0, 3.0, 0.0, 0.0])
    assert smoothed_detection(kernel, weight) == pytest.approx((kernel[0] + 3 * kernel[2]) / 4)
    both = smoothed_detection(kernel, np.stack([weight, 2 * weight]))
    assert both == pytest.approx(np.tile((kernel[0] + 3 * kernel[2]) / 4, (2, 1)))


def test_the_grids() -> None:
    assert (COST_GRID_PCT[0], COST_GRID_PCT[-1], COST_GRID_PCT.size) == (1.0, 40.0, 391)
    assert (GRID_PCT[0], GRID_PCT[-1], GRID_PCT.size) == (0.0, 40.0, 161)


def test_a_groups_own_captures_against_what_steadies_them() -> None:
    odd_pct = np.array([2.0, 3.0, 12.0, 20.0])
    kernel = detection_kernel(odd_pct[2:], COST_GRID_PCT)
    alarm, detection = np.full(COST_GRID_PCT.size, 0.2), np.full(COST_GRID_PCT.size, 0.6)
    own = group_curves(
        odd_pct, np.array([0, 1]), np.array([2, 3]), np.array([1.0, 3.0, 0, 0]), np.array([0, 0, 1.0, 1.0]), alarm,
        detection, kernel,
    )  # fmt: skip
    at = int(np.searchsorted(COST_GRID_PCT, 2.5))
    # effective numbers (1 + 3)^2 / (1 + 9) = 1.6 and 2; three quarters of the healthy weight lie beyond 2.5
    assert own[0][at] == pytest.approx((1.6 * 0.75 + 30 * 0.2) / 31.6)
    assert own[1][at] == pytest.approx((2 * kernel[:, at].mean() + 10 * 0.6) / 12)
    none = group_curves(
        odd_pct, np.array([0]), np.array([2]), np.zeros(4), np.zeros(4), alarm, detection, kernel[:1]
    )
    assert (none[0] is alarm, none[1] is detection) == (True, True)


def test_the_share_of_odd_ones_is_pooled_on_the_logit() -> None:
    group = np.array([0] * 10 + [1] * 4 + [-1] * 2)
    odd = np.array([1.0] * 3 + [0.0] * 7 + [2.0] + [0.0] * 3 + [1.0, 0.0])
    healthy = np.array([0.0] * 3 + [1.0] * 7 + [0.0] + [1.0] * 3 + [0.0, 1.0])
    asked = np.ones(16)
    shop, found = share_odd(Draw(healthy, odd, asked), group, 3, None)
    assert shop == pytest.approx(6 / 17)
    # effective numbers: 10, and (2 + 3)^2 / (4 + 3) for the second; the third group has none
    worth = np.array([10.0, 25 / 7, 0.0])
    share = (np.array([0.3, 0.4, shop]) * worth + shop) / (worth + 1)
    error = np.where(worth > 0, 1 / np.sqrt((worth + 1) * share * (1 - share)), np.inf)
    pool = pool_normal(logit(share), error, mu_prior=(float(logit(shop)), 0.5), tau_scale=0.5, grid=200)
    assert found == pytest.approx(expit(pool.mean))
    moved = share_odd(Draw(healthy, odd, asked), group, 3, np.array([1.0, -1.0, 0.0]))[1]
    assert moved == pytest.approx(expit(pool.mean + pool.sd * [1.0, -1.0, 0.0]))
    nobody = share_odd(Draw(healthy, odd, np.zeros(16)), group, 3)
    assert np.isnan([nobody[0], *nobody[1]]).all()
    # a shop without any odd one is taken for one in a hundred
    never = share_odd(Draw(np.ones(16), np.zeros(16), asked), group, 3)
    assert never[0] == 0.0
    assert never[1][2] == pytest.approx(0.01, abs=0.004)


def test_effective_numbers_bands_and_draws() -> None:
    assert (effective(np.array([1.0, 1.0, 2.0])), effective(np.zeros(3))) == (pytest.approx(16 / 6), 0.0)
    wide = np.tile([[0.1], [0.9]], (10, 1))
    wilson_low, wilson_high = wilson_many([20.0], [40.0])
    assert band(np.array([0.5]), wide, 40.0) == (pytest.approx([0.1]), pytest.approx([0.9]))
    # fewer than twenty usable draws say nothing
    assert band(np.array([0.5]), wide[:19], 40.0) == (pytest.approx(wilson_low), pytest.approx(wilson_high))
    spoilt = np.concatenate([wide, np.full((5, 1), np.nan)])
    assert band(np.array([0.5]), spoilt, 40.0)[0] == pytest.approx([0.1])
    vehicle = np.array([0, 0, 1, 2])
    times = bootstrap_times(vehicle, 200, 1)
    assert times.shape == (200, 4)
    assert (times[:, 0] == times[:, 1]).all()
    assert (times[:, [0, 2, 3]].sum(axis=1) == 3).all()
    assert bootstrap_times(np.zeros(0, dtype=np.int64), 7, 1).shape == (7, 0)
    assert bootstrap_times(np.zeros(50_000, dtype=np.int64), 200, 1).shape[0] == 100
    rows = pl.DataFrame(
        {"group": ["g", "g", "h", "g"], "vehicle": ["v", "v", "v", None], "capture_file": list("abcd")}
    )
    codes = vehicle_codes(rows)
    assert codes[0] == codes[1]
    assert sorted(set(codes.tolist())) == [0, 1, 2]


def _rows(n: int = 60) -> pl.DataFrame:
    rng = np.random.default_rng(3)
    odd = rng.gamma(2.0, 3.0, n)
    flagged = odd > 8
    seen = rng.random(n) < np.where(flagged, 0.8, 0.3)
    return pl.DataFrame(
        {
            "capture_file": [f"{i}" for i in range(n)],
            "group": ["g"] * n,
            "vehicle": [f"{i}" for i in range(n)],
            "purpose": ["diagnosis"] * (n - 2) + ["known_good", "drill"],
            "call": [["odd", "even", "unsure", None][i % 4] for i in range(n)],
            "odd_pct": odd,
            "flagged": flagged,
            "confirmed": np.where(seen, np.where(odd > 6, -1, 1), 0),
            "in_question": [True] * (n - 2) + [False] * 2,
        }
    )


def test_the_chance_of_being_confirmed_is_a_ridge_logistic_model() -> None:
    rows = _rows()
    x = design(rows)
    odd = rows["odd_pct"].to_numpy()
    plain = np.stack(
        [
            np.log1p(odd), np.clip(odd, 0, 8), np.clip(odd - 8, 0, 30), rows["flagged"].to_numpy().astype(float),
            *[(rows["call"].fill_null("") == word).to_numpy().astype(float) for word in ("odd", "even", "unsure")],
        ],
        axis=1,
    )  # fmt: skip
    assert x[:, 0] == pytest.approx(np.ones(60))
    assert x[:, 1:] == pytest.approx((plain - plain.mean(axis=0)) / plain.std(axis=0))
    found = confirmation_weights(rows)
    asked, seen = rows["in_question"].to_numpy(), (rows["confirmed"] != 0).to_numpy()
    fit = fit_logistic(x[asked], seen[asked].astype(float), penalty=np.array([0.0] + [0.5] * 7))
    assert found.chance[asked] == pytest.approx(fit.chance(x[asked]))
    assert np.isnan(found.chance[~asked]).all()
    weight = np.where(asked & seen, 1 / np.nan_to_num(found.chance, nan=1.0), 0.0)
    assert found.weight == pytest.approx(weight)
    assert found.effective_n == pytest.approx(weight.sum() ** 2 / (weight**2).sum())
    assert (found.truncated, found.largest) == (0, pytest.approx(weight.max()))
    cut = confirmation_weights(rows, max_weight=1.5)
    assert cut.weight.max() == 1.5
    assert cut.truncated == int((asked & seen & (found.chance < 1 / 1.5)).sum())
    nine = rows.with_columns(
        confirmed=pl.when((pl.col("confirmed") != 0).cum_sum() <= 9).then("confirmed").otherwise(0)
    )
    assert confirmation_weights(nine).why == "Not weighted: fewer than 10 confirmed captures."
    ten = rows.with_columns(
        confirmed=pl.when((pl.col("confirmed") != 0).cum_sum() <= 10).then("confirmed").otherwise(0)
    )
    assert confirmation_weights(ten).why is None
    assert drawn_weights(rows, np.ones((3, 60), dtype=np.uint16), found)[2].weight == pytest.approx(
        found.weight
    )


def _plain(rows: pl.DataFrame) -> Weights:
    weight = (rows["confirmed"] != 0).to_numpy().astype(float) * 2
    return Weights(weight, weight, 0, 2.0, 1.0, "given")


def test_weights_of_healthy_and_odd_captures() -> None:
    rows = pl.DataFrame(
        {"purpose": ["known_good", "known_good", "diagnosis", None, "drill"], "confirmed": [0, -1, 1, -1, 0]}
    )
    assert healthy_weight(rows, _plain(rows)).tolist() == [1.0, 0.0, 2.0, 0.0, 0.0]
    assert odd_weight(rows, _plain(rows)).tolist() == [0.0, 2.0, 0.0, 2.0, 0.0]
    assert drawn_weights(rows, np.ones((4, 5), dtype=np.uint16), _plain(rows))[3].why == "given"


def test_naive_and_corrected_shares_of_a_few_captures() -> None:
    rows = _rows()
    found = curves(rows, grid_pct=np.array([5.0, 9.0]), draws=30).curves
    odd, code = rows["odd_pct"].to_numpy(), rows["confirmed"].to_numpy()
    asked = rows["in_question"].to_numpy()
    for what, member in (("detection", (code == -1) & asked), ("false_alarm", (code == 1) & asked)):
        part = found.filter((pl.col("what") == what) & (pl.col("how") == "naive"))
        assert part["share"].to_list() == pytest.approx([(odd[member] >= x).mean() for x in (5.0, 9.0)])
        assert part["n"].unique().to_list() == [int(member.sum())]
        assert part["effective_n"][0] == pytest.approx(member.sum())
    weight = healthy_weight(rows, confirmation_weights(rows))
    corrected = found.filter((pl.col("what") == "false_alarm") & (pl.col("how") == "corrected"))
    assert corrected["share"].to_list() == pytest.approx(
        [weight[odd >= x].sum() / weight.sum() for x in (5.0, 9.0)]
    )
    assert found.height == 8


# -- shares, costs and limits -------------------------------------------------------------------------------------


def test_expected_cost_of_a_capture() -> None:
    cost = Costs(600.0, 90.0).expected(0.2, np.array([0.1, 0.5]), np.array([0.5, 0.9]))
    assert cost == pytest.approx([0.2 * 600 * 0.5 + 0.8 * 90 * 0.1, 0.2 * 600 * 0.1 + 0.8 * 90 * 0.5])
    with pytest.raises(ValueError, match="cost_false_alarm"):
        Costs(1.0, 0.0)


def test_a_share_at_a_limit_needs_five_captures() -> None:
    odd, weight = np.array([1.0, 5.0, 6.0, 7.0, 8.0, 9.0]), np.ones(6)
    found = share_estimate(odd, np.arange(5), weight, [], 5.0, "known healthy")
    low, high = wilson_many([4.0], [5.0])
    assert (found.n, found.estimate, found.low, found.high) == (
        5,
        0.8,
        pytest.approx(low[0]),
        pytest.approx(high[0]),
    )
    assert share_estimate(odd, np.arange(4), weight, [], 5.0, "known healthy").estimate is None
    drawn = [np.array([9.0, 1, 1, 1, 1, 0]), np.array([0.01, 1, 1, 1, 1, 0])] * 20
    again = share_estimate(odd, np.arange(5), weight, drawn, 5.0, "known healthy")
    assert again.low == pytest.approx(min(low[0], 4 / 13), abs=1e-6)


def test_sorts_stand_for_themselves() -> None:
    looks = np.array([False] * 4 + [True] * 6)
    odd = np.array([1.0, 1, 1, 0, 1, 0, 0, 0, 0, 0])
    healthy = np.array([0.0, 0, 0, 1, 0, 1, 1, 1, 0, 0])
    draw, group = Draw(healthy, odd, np.ones(10)), np.zeros(10, dtype=np.int64)
    counts, shares = shares_by_sort(draw, group, 2, looks)
    assert counts.tolist() == [[4.0, 0.0], [6.0, 0.0]]
    for sort, member in enumerate((~looks, looks)):
        inside = Draw(np.where(member, healthy, 0), np.where(member, odd, 0), draw.asked)
        assert shares[sort] == pytest.approx(share_odd(inside, group, 2)[1])
    assert prevalence_of(np.array([[4.0, 0], [6.0, 0]]), np.array([[0.5, 0.9], [0.1, 0.9]])) == pytest.approx(
        [0.26, 0.26]
    )
    assert np.isnan(prevalence_of(np.zeros((2, 1)), np.ones((2, 1)))).all()
    fixed = np.array([[0.5, 0.0], [0.25, 0.0]])
    scaled = calibrated(draw, group, looks, counts, fixed, known_good=np.zeros(10, dtype=bool))
    # 4 x 0.5 and 6 x 0.75 healthy, 4 x 0.5 + 6 x 0.25 odd
    assert scaled.healthy == pytest.approx([0, 0, 0, 2.0, 0, 1.5, 1.5, 1.5, 0, 0])
    assert scaled.odd == pytest.approx([2 / 3, 2 / 3, 2 / 3, 0, 1.5, 0, 0, 0, 0, 0])
    two = Draw(np.where(np.arange(10) == 7, 0.0, healthy), odd, np.ones(10))
    assert (
        calibrated(two, group, looks, counts, fixed, known_good=np.zeros(10, dtype=bool)).healthy.sum() == 0
    )


def test_flags_a_week_and_healthy_ones_flagged() -> None:
    rows = pl.DataFrame(
        {
            "captured_at": [MONDAY + i * DAY for i in range(0, 120, 2)],
            "odd_pct": [float(i % 5) for i in range(60)],
        }
    )
    recent = [v for t, v in rows.iter_rows() if t > rows["captured_at"].max() - 84 * DAY]  # type: ignore[operator]
    assert _flags_per_week(rows, 4.0) == pytest.approx(sum(v >= 4 for v in recent) / 12)
    assert _flags_per_week(rows.head(2), 0.0) == 2.0  # less than a week counts as one
    assert _flags_per_week(rows.head(8), 4.0) == pytest.approx(1 / 2)
    case = SimpleNamespace(
        null=SimpleNamespace(survival=lambda x: np.full(x.shape, 0.1)),
        rows=pl.DataFrame({"capture_file": ["a", "b", "c"], "odd_pct": [4.0, 5.0, 9.0]}),
        fit=SimpleNamespace(
            healthy=pl.DataFrame(
                {
                    "capture_file": ["a", "b", "c", "c"],
                    "group": ["g", "g", "g", "h"],
                    "healthy_probability": [1.0, 0.8, 0.2, 1.0],
                }
            )
        ),
        stat={"group": "g"},
    )  # fmt: skip
    assert _believed_healthy_flagged(cast(Any, case), 5.0) == pytest.approx((1.0 + 30 * 0.1) / 32)
    assert _believed_healthy_flagged(cast(Any, case), 10.0) == 0.1


# -- flags, gauge, lists ------------------------------------------------------------------------------------------


def test_flags_by_hand() -> None:
    cells = [("a", p, p, None, d) for p, d in enumerate((-9.0, 0.0, -3.0, 1.0), 1)]
    cells += [("b", p, p, p + 2, d) for p, d in enumerate((-5.0, 0.0, 0.0), 1)]
    frame = pl.DataFrame(
        [(f, "g", *rest) for f, *rest in cells],
        schema={
            "capture_file": pl.String, "group": pl.String, "position": pl.Int32, "element": pl.Int32,
            "companion": pl.Int32, "deviation_pct": pl.Float64,
        },
        orient="row",
    )  # fmt: skip
    limits = pl.DataFrame({"group": ["g"], "threshold_pct": [2.5], "version": [7]})
    low = Measure("level", "level", "median")
    a, b = flags(frame, limits, low).sort("capture_file").iter_rows(named=True)
    # a: 9 below the median 0 of the others; the third, 3 below its others' median 0, is a residue of less than 0.3 of 9
    # is not: 3 reaches 2.7
    assert (a["odd_pct"], a["flagged"], a["flagged_elements"], a["flagged_positions"]) == (
        9.0,
        True,
        [1, 3],
        [1, 3],
    )
    assert (b["odd_pct"], b["flagged_elements"], b["threshold_version"]) == (5.0, [1, 3], 7)
    less = flags(frame.with_columns(certainty=pl.lit(0.5)), limits, low).sort("capture_file")
    assert less["odd_pct"].to_list() == [4.5, 2.5]
    assert less["flagged"].to_list() == [True, True]
    above = limits.with_columns(threshold_pct=pl.lit(5.01))
    assert flags(frame, above, low).sort("capture_file")["flagged"].to_list() == [True, False]
    assert flags(frame, limits.clear(), low).height == 0


def test_ranks_and_engines() -> None:
    assert _mid_ranks(np.array([0, 1, 1, 2]), np.array([2, 1, 1, 0])).tolist() == [1.5, 3.5, 3.5, 4.5]
    x = np.arange(5.0)
    assert clustered_spearman(x, x, np.arange(5), draws=50, seed=1).estimate == pytest.approx(1.0)
    few = clustered_spearman(x[:4], x[:4], np.arange(4), draws=50, seed=1)
    assert (few.n, few.why) == (4, "4 engines with gauge readings; at least 5 are needed.")


def _scored(n: int) -> tuple[pl.DataFrame, Shop]:
    captures = [
        capture_row(
            f"{i}", repair_order=f"{i}", vehicle=f"{i}", captured_at=MONDAY + i * DAY, purpose="diagnosis", call="even"
        )
        for i in range(n)
    ]  # fmt: skip
    outcomes = [
        {"repair_order": f"{i}", "test": TEST, "confirmed_at": MONDAY + (i + 1) * DAY, "finding": "even"}
        for i in range(0, n, 2)
    ]
    orders = [
        {"repair_order": f"{i}", "opened_at": MONDAY, "closed_at": MONDAY + 25 * DAY if i < 25 else None}
        for i in range(n)
    ]
    shop = Shop(
        captures=captures_of(captures),
        outcomes=frame_of(schemas.OUTCOMES, outcomes),
        orders=frame_of(schemas.ORDERS, orders),
    )
    scores = pl.DataFrame(
        {"capture_file": [f"{i}" for i in range(n)], "odd_pct": [float(i % 8) for i in range(n)]}
    )
    return scores, shop


def test_the_list_for_the_lead_by_hand() -> None:
    scores, shop = _scored(30)
    found = verification_list(scores, shop, {"f": 6.0}, as_of=MONDAY + 29 * DAY, share=1.0)
    # odd numbers are not confirmed, 7, 15 and 23 are beyond the limit, 15 is the first of the last fourteen days
    assert found.captures["capture_file"].to_list() == ["29", "27", "25", "21", "19", "17"]
    assert found.captures["still_open"].to_list() == [True, True, True, False, False, False]
    # of the fifteen confirmed ones 6, 14 and 22 were beyond the limit
    assert (found.confirmed, found.needed) == (12, 8)
    assert "about 8 more are needed" in found.sentence
    assert not drawn_by_lot("x", share=1e-9, seed=1)
    rows = evidence(scores, shop)
    assert rows.filter(pl.col("confirmed") == 1).height == 15
    cost = costs_at(scores, shop, {"f": 6.0}, draws=20)["f"]
    assert (cost.false_alarm.n, cost.detection.n) == (15, 0)
