"""The limit of a group put together slowly: the shop's curves, every X of the grid, every draw."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from scipy.stats import norm

from models.spread.null import Null
from models.stats.intervals import wilson
from models.thresholds.costs import COST_GRID_PCT, Draw, ShopCurves, smoothed_detection
from models.thresholds.curves import bootstrap_times, drawn_weights, healthy_weight, odd_weight, vehicle_codes
from models.thresholds.evidence import confirmation_weights, evidence
from models.thresholds.follow_up import (
    calibrated,
    enough_unflagged,
    looks_healthy,
    prevalence_of,
    shares_by_sort,
)
from models.thresholds.limits import Case, Costs, from_costs, from_spread, shop_curves
from models.thresholds.proposal import _propose_one, propose
from tests.drawn_log import END
from tests.follow_up_shop import FollowUp, follow_up_shop


def _ends(draws: Sequence[float] | npt.NDArray[np.float64]) -> tuple[float, float]:
    """Where 2.5 and 97.5 % of what is drawn from lie: k/(n + 1) of it below the k-th of n draws."""
    ordered = np.sort(draws)
    places = np.arange(1, ordered.size + 1) / (ordered.size + 1)
    return float(np.interp(0.025, places, ordered)), float(np.interp(0.975, places, ordered))


@pytest.mark.parametrize("odd_ones", [11, 12])
def test_the_shops_curves_are_put_together_draw_by_draw(odd_ones: int) -> None:
    rng = np.random.default_rng(2)
    n = 120
    confirmed = np.where(np.arange(n) < odd_ones, -1, np.where(rng.random(n) < 0.5, 1, 0))
    good = np.arange(n) >= n - 4
    rows = pl.DataFrame(
        {
            "capture_file": [f"{i}" for i in range(n)],
            "group": [["a", "b", "elsewhere"][i % 3] for i in range(n)],
            "vehicle": [f"{i // 2}" for i in range(n)],
            "purpose": ["known_good" if one else "diagnosis" for one in good],
            "call": [None] * n,
            "odd_pct": np.where(confirmed < 0, 9.0, 2.0) + rng.normal(0, 1, n),
            "flagged": confirmed < 0,
            "confirmed": np.where(good & (confirmed < 0), 0, confirmed),
            "in_question": ~good,
        }
    )
    looks = looks_healthy(rows, {})
    weighting = confirmation_weights(rows)
    times = bootstrap_times(vehicle_codes(rows), 50, 1)[:3]
    names = ["a", "b"]
    found = shop_curves(rows, weighting, times, looks, names, seed=9)
    group = np.array([{"a": 0, "b": 1}.get(name, -1) for name in rows["group"]])
    noise = np.random.default_rng(9).standard_normal((3, 2, 2))
    asked = (~good).astype(float)

    def read(draw: Draw, own: Any) -> tuple[Draw, Any]:
        counts, shares = shares_by_sort(draw, group, 2, looks, own)
        return calibrated(draw, group, looks, counts, shares, known_good=good), prevalence_of(counts, shares)

    whole, prevalence = read(Draw(healthy_weight(rows, weighting), odd_weight(rows, weighting), asked), None)
    assert (found.odd_n, found.enough, found.unflagged_n) == (
        odd_ones,
        odd_ones >= 12,
        enough_unflagged(rows, looks)[1],
    )
    assert found.prevalence == pytest.approx(prevalence)
    assert (found.draw.healthy, found.draw.odd) == (pytest.approx(whole.healthy), pytest.approx(whole.odd))
    spoken = [i for i in range(n) if whole.healthy[i] > 0 or whole.odd[i] > 0]
    assert found.spoken.tolist() == spoken
    odd = [i for i in range(n) if whole.odd[i] > 0]
    value = rows["odd_pct"].to_numpy()[odd]
    width = max(
        0.9 * min(value.std(), np.subtract(*np.quantile(value, [0.75, 0.25])) / 1.34) * len(odd) ** -0.2, 0.5
    )
    kernel = norm.cdf((value[:, None] - COST_GRID_PCT) / width)
    if odd_ones == 12:
        assert found.detection == pytest.approx(smoothed_detection(kernel, whole.odd[odd]))
    else:
        assert (found.detection.size, found.drawn_detection.shape) == (0, (3, 0))
    for at, (one, row) in enumerate(zip(drawn_weights(rows, times, weighting), times, strict=True)):
        drawn, share = read(
            Draw(healthy_weight(rows, one) * row, odd_weight(rows, one) * row, asked * row), noise[at]
        )
        assert found.drawn_prevalence[at] == pytest.approx(share)
        assert found.drawn[at].healthy == pytest.approx(drawn.healthy[spoken])
        assert found.drawn[at].odd == pytest.approx(drawn.odd[spoken])
        assert found.drawn[at].asked == pytest.approx(drawn.asked[spoken])
        if odd_ones == 12:
            assert found.drawn_detection[at] == pytest.approx(drawn.odd[odd] @ kernel / drawn.odd[odd].sum())
    quiet = rows.with_columns(confirmed=pl.when(pl.Series(looks)).then(0).otherwise("confirmed"))
    few = shop_curves(quiet, weighting, times[: odd_ones - 11], looks, names, seed=9)
    assert (few.enough, few.unflagged_n, few.drawn_prevalence.shape) == (False, 0, (odd_ones - 11, 2))


# -- limits -------------------------------------------------------------------------------------------------------

COSTS = Costs(600.0, 90.0)


def _case(own_odd: int = 5, own_healthy: int = 6, *, odd_n: int = 14, enough: bool = True) -> Case:
    """A group `g` and rows of others, weights and three draws made up; the group is the second of two."""
    rng = np.random.default_rng(own_odd * 10 + own_healthy)
    n = 30
    kind = np.array(["odd"] * own_odd + ["even"] * own_healthy + ["other"] * (n - own_odd - own_healthy))
    value = np.where(kind == "odd", rng.uniform(4, 15, n), rng.uniform(0.5, 7, n))
    rows = pl.DataFrame(
        {
            "capture_file": [f"{i}" for i in range(n)], "odd_pct": value,
            "group": ["g" if one != "other" else None if i % 2 else "h" for i, one in enumerate(kind)],
            "captured_at": [END + timedelta(days=i) for i in range(n)],
        }
    )  # fmt: skip
    healthy = np.where(kind == "even", rng.uniform(1, 3, n), 0.0)
    healthy[-1] = 2.0  # of another group
    odd = np.where(kind == "odd", rng.uniform(1, 3, n), 0.0)
    spoken = np.flatnonzero((healthy > 0) | (odd > 0))
    draws = [
        Draw(
            healthy[spoken] * rng.integers(0, 3, size), odd[spoken] * rng.integers(1, 3, size), np.ones(size)
        )
        for size in [spoken.size] * 4
    ]
    shape = norm.sf((COST_GRID_PCT - 9.0) / 3.0)
    together = ShopCurves(
        odd_n, 23, enough, shape, np.stack([shape * (1 - 0.05 * i) for i in range(4)]), np.array([0.5, 0.12]),
        np.array([[0.5, 0.1], [0.5, np.nan], [0.5, 0.2], [0.5, 0.05]]), Draw(healthy, odd, np.ones(n)), spoken, draws,
    )  # fmt: skip
    null = Null.from_draws(np.abs(rng.normal(0, 2.0, 3000)) + 0.5)
    fit = SimpleNamespace(
        nulls={"g": null}, settings=SimpleNamespace(false_alarm_share=0.01),
        healthy=pl.DataFrame(
            {"capture_file": ["7", "8", "29"], "group": ["g", "g", "h"], "healthy_probability": [1.0, 0.5, 1.0]}
        ),
    )  # fmt: skip
    stat = {"group": "g", "basis": "its own", "healthy_captures": 6.4}
    stretch = np.array([0.8, 1.0, 1.1, 1.3])
    return Case.of(cast(Any, fit), 1, stat, stretch, rows, together)


def _slow_limit(
    value: Any, healthy: Any, odd: Any, null: Any, detection: Any, kernel: Any, prevalence: float
) -> tuple[float, list[tuple[float, float, float]]]:
    """Every X of the grid by itself: shares, cost, and the first of the lowest cost."""
    table = []
    for at, x in enumerate(COST_GRID_PCT):
        alarm, finds = float(null[at]), float(detection[at])
        if healthy.sum() > 0:
            worth = healthy.sum() ** 2 / (healthy**2).sum()
            own = sum(w for w, v in zip(healthy, value, strict=True) if v >= x) / healthy.sum()
            alarm = (worth * own + 30 * alarm) / (worth + 30)
        if odd.sum() > 0:
            worth = odd.sum() ** 2 / (odd**2).sum()
            own = float((odd[odd > 0] * kernel[:, at]).sum()) / odd.sum()
            finds = (worth * own + 10 * finds) / (worth + 10)
        table.append((prevalence * 600 * (1 - finds) + (1 - prevalence) * 90 * alarm, finds, alarm))
    best = min(range(len(table)), key=lambda at: table[at][0])
    return float(COST_GRID_PCT[best]), table


@pytest.mark.parametrize(("own_odd", "own_healthy", "basis"), [
    (5, 6, "outcomes"), (6, 5, "outcomes"), (4, 6, "outcomes of all groups"), (5, 4, "outcomes of all groups"),
])  # fmt: skip
def test_the_limit_of_the_lowest_cost_and_its_interval(own_odd: int, own_healthy: int, basis: str) -> None:
    case = _case(own_odd, own_healthy)
    found = from_costs(case, COSTS)
    member = (case.rows["group"] == "g").fill_null(False).to_numpy()
    value = case.rows["odd_pct"].to_numpy()
    own = value[member & (case.whole.odd > 0)]
    width = max(
        0.9 * min(own.std(), np.subtract(*np.quantile(own, [0.75, 0.25])) / 1.34) * own.size**-0.2, 0.5
    )
    kernel = norm.cdf((own[:, None] - COST_GRID_PCT) / width)
    null = case.fit.nulls["g"]
    limit, table = _slow_limit(
        value, np.where(member, case.whole.healthy, 0), np.where(member, case.whole.odd, 0),
        null.survival(COST_GRID_PCT), case.together.detection, kernel, 0.12,
    )  # fmt: skip
    assert found.limit == limit
    assert found.cost["threshold_pct"].to_list() == COST_GRID_PCT.tolist()
    for column, at in (("expected_cost", 0), ("detection", 1), ("false_alarm", 2)):
        assert found.cost[column].to_list() == pytest.approx([row[at] for row in table])
    again = []
    for at, draw in enumerate(case.together.drawn):
        share = case.together.drawn_prevalence[at, 1]
        if np.isfinite(share):
            inside = member[case.spoken]
            again.append(_slow_limit(
                value[case.spoken], np.where(inside, draw.healthy, 0), np.where(inside, draw.odd, 0),
                null.survival(COST_GRID_PCT / case.stretch[at]), case.together.drawn_detection[at], kernel, share,
            )[0])  # fmt: skip
    low, high = _ends(again)
    assert (found.low, found.high) == (pytest.approx(min(low, limit)), pytest.approx(max(high, limit)))
    assert len(set(again)) > 1
    assert (found.basis, found.prevalence) == (basis, 0.12)
    assert found.why == (
        f"{limit:.1f} % has the lowest expected cost when a miss costs 600 and an unneeded test 90, with a fault in "
        f"12% of captures; {own_odd} captures confirmed odd and {own_healthy} known healthy are this group's own, 14 "
        "odd ones the whole shop's; 23 captures that looked healthy were confirmed too, so that the figures are "
        "corrected for odd-looking ones being followed up more often."
    )


@pytest.mark.parametrize(
    ("odd_n", "says"), [(11, "11 captures confirmed odd, too few"), (12, "23 were confirmed, at least 20")]
)
def test_the_limit_of_the_normal_spread(odd_n: int, says: str) -> None:
    case = _case(odd_n=odd_n, enough=False)
    found = from_spread(case)
    limit = float(np.quantile(case.fit.nulls["g"].odd_pct, 0.99))
    assert found.limit == limit
    assert (found.low, found.high) == pytest.approx(_ends(limit * case.stretch))
    assert (found.basis, found.prevalence, found.cost.height) == ("normal spread", None, 0)
    assert says in found.why
    assert f"{limit:.1f} % is what about 1% of healthy captures of this group reach (its own)." in found.why


def test_a_proposal_is_put_together_from_its_case() -> None:
    case = _case(own_healthy=6)
    found, limit = _propose_one(case, COSTS, 0.05), from_costs(case, COSTS)
    x = round(limit.limit, 1)
    assert (found.group, found.threshold_pct, found.basis, found.why) == ("g", x, limit.basis, limit.why)
    assert (found.low, found.high) == (min(round(limit.low, 1), x), max(round(limit.high, 1), x))
    assert (found.cost_miss, found.cost_false_alarm, found.prevalence) == (600.0, 90.0, 0.12)
    value = case.rows["odd_pct"].to_numpy()
    for figure, weights, rows, drawn in (
        (found.false_alarm, case.whole.healthy, case.healthy_rows, [one.healthy for one in case.again]),
        (found.detection, case.whole.odd, case.odd_rows, [one.odd for one in case.again]),
    ):
        assert figure.n == rows.size
        share = (
            sum(w for w, v in zip(weights[rows], value[rows], strict=True) if v >= x) / weights[rows].sum()
        )
        assert figure.estimate == pytest.approx(share)
        # four draws say nothing: Wilson on the effective number
        worth = weights[rows].sum() ** 2 / (weights[rows] ** 2).sum()
        assert (figure.low, figure.high) == pytest.approx(wilson(share * worth, worth))
        assert len(drawn) == 4
    spread = float(case.null.survival(np.array([x]))[0])
    counted = (sum(p for p, at in ((1.0, 7), (0.5, 8)) if value[at] >= x) + 30 * spread) / 31.5
    assert found.believed_healthy_flagged == pytest.approx(max(spread, counted))
    strict = _propose_one(case, COSTS, found.believed_healthy_flagged - 1e-9).needs_look
    assert strict is not None
    assert f"A limit of {x:.1f} % would flag {found.believed_healthy_flagged:.0%} of" in strict
    assert _propose_one(case, COSTS, found.believed_healthy_flagged).needs_look is None
    own = case.rows.filter(pl.col("group") == "g")["odd_pct"].to_list()
    # eleven captures on eleven days: ten days of work, the first day no longer within them
    assert found.flags_per_week == pytest.approx(sum(v >= x for v in own[1:]) / (10 / 7))
    # with four known healthy captures of its own the false alarms are those of the normal spread
    few = _propose_one(_case(own_healthy=4), COSTS, 0.05)
    case = _case(own_healthy=4)
    again = _ends(case.null.survival(few.threshold_pct / case.stretch))
    one = float(case.null.survival(np.array([few.threshold_pct]))[0])
    assert (few.false_alarm.n, few.false_alarm.estimate) == (6, one)
    assert (few.false_alarm.low, few.false_alarm.high) == pytest.approx(
        (min(again[0], one), max(again[1], one))
    )


def test_proposals_of_a_shop_are_those_of_its_cases() -> None:
    drawn = follow_up_shop(5, FollowUp(at_random=0.3), groups=2, captures=70, odd_share=0.2)
    found = propose(drawn.fit, drawn.scores, drawn.shop, COSTS, draws=50, seed=8)
    rows = evidence(drawn.scores, drawn.shop)
    names = drawn.fit.stats["group"].to_list()
    limits = dict(drawn.fit.stats.select("group", "odd_limit_pct").iter_rows())
    together = shop_curves(
        rows, confirmation_weights(rows), bootstrap_times(vehicle_codes(rows), 50, 8), looks_healthy(rows, limits),
        names, seed=10,
    )  # fmt: skip
    rng = np.random.default_rng(9)
    for at, (proposal, stat) in enumerate(zip(found, drawn.fit.stats.iter_rows(named=True), strict=True)):
        # the intervals of spread and pattern, as if normal: 1.96 standard errors a side; of the pattern the element
        # that is furthest off counts, 0.65 standard errors give or take
        error = (np.log(stat["spread_high"]) - np.log(stat["spread_low"])) / 3.92
        ranges = [
            row["high"] - row["low"]
            for row in drawn.fit.pattern.iter_rows(named=True)
            if row["group"] == stat["group"]
        ]
        off = 0.65 * sum(ranges) / len(ranges) / 3.92 / stat["odd_limit_pct"]
        assert off > 0.005
        error = np.sqrt(error**2 + off**2)
        stretch = np.exp(error * rng.standard_normal(50))
        case = Case.of(drawn.fit, at, stat, stretch, rows, together)
        again = from_costs(case, COSTS)
        assert proposal.basis == again.basis == "outcomes"
        assert (proposal.low, proposal.high) == (round(again.low, 1), round(again.high, 1))
        assert proposal.cost["expected_cost"].to_list() == again.cost["expected_cost"].to_list()
