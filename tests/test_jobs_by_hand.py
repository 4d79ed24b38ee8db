"""Jobs' figures worked out by hand on a few rows: weights, steps, weekly charts, costs, words."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm

from models.jobs.adoption import _direction, adoption
from models.jobs.comebacks import _cost, _parts, comebacks
from models.jobs.comparison import has_begun, risk_difference, watched_weights
from models.jobs.listing import listed_jobs
from models.jobs.returns import covariates, recorded, watched_orders
from models.jobs.stepped import pooled_step, stepped_adoption
from models.jobs.weekly import Change, WeekChart, limit_for_run_length, watch_weeks
from models.jobs.wording import EValue, caution_sentence, headline_of
from models.records import schemas
from models.records.shop import Shop
from models.stats.intervals import mean_with_interval, newcombe_difference, wilson
from models.stats.results import Estimate
from tests.simulated_shop import capture_row, captures_of, frame_of

MONDAY = datetime(2025, 3, 3, 9)
DAY = timedelta(days=1)


def _order(order: str, day: int, **other: object) -> dict[str, object]:
    opened = MONDAY + day * DAY
    given = {
        "repair_order": order, "opened_at": opened, "closed_at": opened + DAY, "technician": "a", "vehicle": order,
        "engine_family": "f", "complaint": "misfire", "scope_eligible": True,
    }  # fmt: skip
    return {**given, **other}


def _shop(orders: list[dict[str, object]], scoped: tuple[str, ...] = ()) -> Shop:
    at = {str(order["repair_order"]): order["opened_at"] for order in orders}
    captures = [
        capture_row(o, repair_order=o, captured_at=at[o], purpose="diagnosis", vehicle=o, technician="a")
        for o in scoped
    ]
    return Shop(captures=captures_of(captures), orders=frame_of(schemas.ORDERS, orders))


# -- returns ------------------------------------------------------------------------------------------------------


def test_what_is_known_of_an_order_beforehand() -> None:
    orders = [_order(f"v{i}", 10 * i, vehicle="v") for i in range(5)]
    orders += [_order("none 1", 1, vehicle=None), _order("none 2", 2, vehicle=None)]
    orders += [
        _order("back", 13, vehicle="w", comeback_of="v1"),
        _order("later", 14, vehicle="w", comeback_of="v1"),
    ]
    orders += [_order("overlap", 20, comeback_of="v2", opened_at=MONDAY + 20 * DAY)]
    rows = watched_orders(_shop(orders), MONDAY + 60 * DAY)
    found = {row["repair_order"]: row for row in rows.iter_rows(named=True)}
    assert [found[f"v{i}"]["history"] for i in range(5)] == [
        "first_visit", "one_earlier", "two_earlier", "three_or_more", "three_or_more",
    ]  # fmt: skip
    assert found["none 2"]["history"] == "first_visit"
    assert found["later"]["history"] == "one_earlier"
    # v1 closed on day 11, the first of its two returns was opened on day 13; v2 closed after its return was opened
    assert (found["v1"]["returned"], found["v1"]["days"]) == (True, 2.0)
    assert (found["v2"]["returned"], found["v2"]["days"]) == (True, 0.0)
    assert (found["v3"]["returned"], found["v3"]["days"]) == (False, 29.0)
    assert [found[o]["is_return"] for o in ("back", "v1")] == [True, False]
    assert found["v1"]["season"] == "Q1"
    assert found["v3"]["season"] == "Q2"


def test_an_age_is_recorded_where_nine_in_ten_have_one() -> None:
    def rows(unknown: int) -> pl.DataFrame:
        return pl.DataFrame({"age": [None] * unknown + ["0 to 4 years"] * (20 - unknown)})

    assert recorded(rows(2))[1] == ("mileage",)
    assert "vehicle age" in recorded(rows(2))[0]
    assert recorded(rows(3))[1] == ("vehicle age", "mileage")
    assert "vehicle age" not in recorded(rows(3))[0]


def test_the_design_by_hand() -> None:
    orders = [_order("1", 0, complaint="c"), _order("2", 1, complaint="d"), _order("3", 2, complaint="c")]
    orders += [
        _order("4", 3, complaint="d", comeback_of="1", vehicle=None),
        _order("5", 4, complaint="d", vehicle=None),
    ]
    design = covariates(watched_orders(_shop(orders), MONDAY + 60 * DAY), ridge=0.2)
    assert design.names == ("intercept", "complaint: d", "is itself a comeback")
    assert design.x[design.cell].tolist() == [[1, 0, 0], [1, 1, 0], [1, 0, 0], [1, 1, 1], [1, 1, 0]]
    assert design.x.shape == (3, 3)
    assert design.penalty.tolist() == [0.0, 0.2, 0.2]
    assert sorted(design.cluster) == [0, 1, 2, 3, 4]


# -- weights and steps --------------------------------------------------------------------------------------------


def test_the_weight_of_having_been_watched_by_hand() -> None:
    potential = np.array([5.0, 10.0, 20.0, 40.0, 3.0, 40.0])
    end = np.array([4.0, 30.0, 20.0, 30.0, 30.0, 30.0])
    seen = np.array([True, False, True, True, False, True])
    arm = np.array([True, True, True, True, False, False])
    # of the four: all could be watched for 4 days, two of them for 20, one for 30; of the two: one for 30
    weights = watched_weights(potential, end, seen, arm)
    assert weights == pytest.approx([1.0, 0.0, 2.0, 4.0, 0.0, 2.0])
    alone = watched_weights(
        np.array([5.0, 6.0]), np.array([9.0, 6.0]), np.array([True, True]), np.array([True, True])
    )
    assert alone == pytest.approx([2.0, 2.0])


def test_who_has_begun() -> None:
    shop = _shop([_order("1", 0), _order("2", 1), _order("3", 2), _order("4", 3, technician="b")], ("2",))
    assert has_begun(watched_orders(shop, MONDAY + 60 * DAY)).tolist() == [False, False, True, False]


def test_a_difference_of_two_risks_is_newcombes() -> None:
    first, second = (Estimate(n, k / n, *wilson(k, n)) for k, n in ((56, 70), (48, 80)))
    found = risk_difference(first, second)
    # Newcombe (1998), Stat. Med. 17:873-890, Table II, method 10: 0.0524 to 0.3339
    assert (found.estimate, found.low, found.high) == pytest.approx((0.2, 0.0524, 0.3339), abs=5e-5)
    assert found.n == 150
    none = risk_difference(first, Estimate.nothing(3, "few"))
    assert (none.n, none.why) == (73, "few")
    assert risk_difference(first, Estimate(3, 0.5)).why is not None


def test_the_step_is_the_textbooks_regression() -> None:
    rng = np.random.default_rng(4)
    n = 200
    who, day = rng.integers(0, 4, n), rng.integers(0, 360, n)
    after = day > 60 * who + 40
    back = rng.random(n) < 0.15 + 0.1 * ~after
    rows = pl.DataFrame(
        {
            "technician": [f"t{i}" for i in who],
            "opened_at": [datetime(2025, 1, 1) + int(d) * DAY for d in day],
            "after": after,
            "came_back": back,
        }
    )
    found = pooled_step(rows)
    quarter = rows["opened_at"].dt.quarter().to_numpy() - 1
    columns = [after, *[who == i for i in range(4)], *[quarter == q for q in range(1, 4)]]
    theirs = sm.OLS(back.astype(float), np.column_stack(columns).astype(float)).fit(
        cov_type="HC1", use_t=True
    )
    assert found.n == n
    assert found.estimate == pytest.approx(theirs.params[0])
    assert (found.low, found.high) == pytest.approx(tuple(theirs.conf_int()[0]))
    few = rows.with_columns(after=pl.int_range(pl.len()) < 19)
    assert pooled_step(few).estimate is None
    assert pooled_step(rows.with_columns(after=pl.int_range(pl.len()) < 20)).estimate is not None
    assert pooled_step(rows.with_columns(after=pl.int_range(pl.len()) >= 19)).why is not None
    together = rows.with_columns(after=pl.col("opened_at") >= datetime(2025, 7, 1))
    assert "same quarter" in (pooled_step(together).why or "")


def test_before_and_after_a_technician_began() -> None:
    orders = [_order(f"{i}", i) for i in range(12)] + [_order("b", 0, technician="b"), _order("young", 55)]
    orders += [_order(f"{i} again", i + 5, comeback_of=f"{i}", scope_eligible=False) for i in (0, 1, 8)]
    orders += [_order("2 late", 2 + 1 + 31, comeback_of="2", scope_eligible=False)]
    shop = _shop(orders, ("5",))
    end = MONDAY + 60 * DAY
    rows = watched_orders(shop, end)
    potential = np.array([(end - c).total_seconds() / 86400 for c in rows["closed_at"]])
    (row,) = stepped_adoption(rows, potential, window_days=30, least_n=5).by_technician.iter_rows(named=True)
    counts = [row[f"{side}_{what}"] for side in ("before", "after") for what in ("orders", "comebacks")]
    assert (row["technician"], row["began_at"], counts) == ("a", MONDAY + 5 * DAY, [5, 2, 7, 1])
    assert (row["before_risk"], row["after_risk"], row["difference"]) == pytest.approx(
        (0.4, 1 / 7, 1 / 7 - 0.4)
    )
    assert (row["low"], row["high"]) == pytest.approx(newcombe_difference(1, 7, 2, 5))
    exact = stepped_adoption(rows, np.full(rows.height, 30.0), window_days=30, least_n=5).by_technician
    assert exact["after_orders"].item() == 8  # watched for just the window


# -- weekly chart -------------------------------------------------------------------------------------------------


def test_a_weekly_chart_by_hand() -> None:
    events, trials = [4, 0, 6, 5, 5, 16, 17, 18], [10, 0, 10, 12, 10, 20, 20, 20]
    weeks = pl.DataFrame(
        {"week": [MONDAY.date() + timedelta(weeks=i) for i in range(8)], "events": events, "trials": trials}
    )
    chart = watch_weeks(weeks)
    limit = limit_for_run_length(520.0) * np.sqrt(0.2 / 1.8)
    level, z, shown = 0.0, [], []
    k, n = np.delete(np.array(events, float), 1), np.delete(np.array(trials, float), 1)

    def angle(k: float, n: float) -> float:
        return float(np.arcsin(np.sqrt((k + 0.375) / (n + 0.75))))

    for i in range(7):
        before_k, before_n = k[:i].sum(), n[:i].sum()
        if before_n < 20:
            z.append(None)
            shown.append(None)
            continue
        z.append(
            (angle(k[i], n[i]) - angle(before_k, before_n))
            / np.sqrt(0.25 / (n[i] + 0.5) + 0.25 / (before_n + 0.5))
        )
        level = 0.2 * z[-1] + 0.8 * level
        shown.append(level)
        if abs(level) > limit:
            break
    assert chart.points["limit"][0] == pytest.approx(limit)
    assert chart.points["share"].to_list() == pytest.approx((k / n).tolist())
    assert chart.points["z"].to_list()[: len(z)] == [None if v is None else pytest.approx(v) for v in z]
    assert chart.points["statistic"].to_list()[: len(z)] == [
        None if v is None else pytest.approx(v) for v in shown
    ]
    # seen in the seventh week worked, the sum stood above zero since the fifth
    assert chart.points["signal"].to_list() == [i == len(z) - 1 for i in range(7)]
    (change,) = chart.changes
    assert change.seen_on == weeks["week"][len(z)]
    assert change.since == weeks["week"][5]
    since = slice(4, len(z))
    counts = (int(k[since].sum()), int(n[since].sum()), int(k[:4].sum()), int(n[:4].sum()))
    assert change.difference.n == counts[1] + counts[3]
    assert change.difference.estimate == pytest.approx(counts[0] / counts[1] - counts[2] / counts[3])
    assert (change.difference.low, change.difference.high) == pytest.approx(newcombe_difference(*counts))
    assert (watch_weeks(weeks.head(0)).changes, watch_weeks(weeks.head(0)).points.height) == ((), 0)


def test_a_direction_in_words() -> None:
    gap = Estimate(90, -0.75, -0.9, -0.6)
    chart = WeekChart(pl.DataFrame(), (Change(date(2025, 1, 6), date(2025, 2, 3), gap),), 520.0)
    word, sentence = _direction(chart, date(2025, 3, 30))
    assert word == "falling"
    assert sentence == (
        "Falling since the week of 2025-01-06, seen in the week of 2025-02-03: -75 points (95 % interval -90 to -60, "
        "n = 90 orders; picked for its size, so rather too large). In a shop where nothing changes the chart says so "
        "about once in 10 years."
    )
    # eight weeks later it is the usual level
    assert _direction(chart, date(2025, 3, 31))[0] == ""


# -- costs and lists ----------------------------------------------------------------------------------------------


def test_what_comebacks_cost_and_which_parts_went_back() -> None:
    orders = [_order(f"{i}", i, parts_cost=10.0 * i, parts_returned=float(i % 3)) for i in range(12)]
    again = {"scope_eligible": False}
    orders += [
        _order(f"{i} again", i + 4, comeback_of=f"{i}", labour_h=h, parts_cost=100.0, **again)
        for i, h in ((0, 1.0), (1, 2.0), (2, 4.0), (6, 3.0))
    ]
    orders += [_order("0 third", 9, comeback_of="0", labour_h=50.0, **again)]
    orders += [_order("7 late", 7 + 1 + 31, comeback_of="7", labour_h=50.0, **again)]
    shop = _shop(orders, ("0", "1", "2", "3", "4"))
    rows = watched_orders(shop, MONDAY + 90 * DAY)
    cost = {row["group"]: row for row in _cost(rows, shop.orders, 30).iter_rows(named=True)}
    assert [cost[g]["comebacks"] for g in ("scoped", "not scoped", "all")] == [3, 1, 4]
    assert [cost[g]["labour_h"] for g in ("scoped", "not scoped", "all")] == [7.0, 3.0, 10.0]
    assert cost["all"]["parts_cost"] == 400.0
    each = mean_with_interval([1.0, 2.0, 4.0])
    assert (
        cost["scoped"]["labour_h_each"],
        cost["scoped"]["labour_low"],
        cost["scoped"]["labour_high"],
    ) == pytest.approx((each.estimate, each.low, each.high))
    assert [cost[g]["labour_h_per_100_orders"] for g in ("scoped", "not scoped", "all")] == pytest.approx(
        [140, 300 / 7, 1000 / 12]
    )
    parts = {row["group"]: row for row in _parts(rows, 6).iter_rows(named=True)}
    assert [parts[g]["orders_with_returns"] for g in ("scoped", "not scoped")] == [3, 5]
    assert [parts[g]["parts_returned"] for g in ("scoped", "not scoped")] == [4.0, 8.0]
    assert parts["scoped"]["returns_share"] is None
    assert parts["not scoped"]["returns_share"] == pytest.approx(5 / 7)
    assert parts["scoped"]["parts_cost_each"] == pytest.approx(20.0)
    found = comebacks(shop, as_of=MONDAY + 90 * DAY, window_days=3)
    # closed a day after it was opened, back on the fourth day: three days
    assert found.cost["comebacks"].to_list() == [3, 1, 4]
    assert found.watched_whole == 12
    assert comebacks(shop, as_of=MONDAY + 90 * DAY, window_days=2).cost["comebacks"].to_list() == [0, 0, 0]
    with pytest.raises(ValueError, match="at least 1 day"):
        comebacks(shop, as_of=MONDAY, window_days=0)
    listed = {
        row["repair_order"]: row
        for row in listed_jobs(shop, as_of=MONDAY + 90 * DAY, window_days=30).iter_rows(named=True)
    }
    assert (listed["0"]["came_back"], listed["0"]["came_back_as"], listed["0"]["days"]) == (
        True,
        "0 again",
        3.0,
    )
    assert (listed["7"]["came_back"], listed["7"]["days"], listed["7"]["came_back_as"]) == (
        False,
        None,
        "7 late",
    )
    assert (listed["0 again"]["counted"], listed["0 again"]["came_back"]) == (False, False)
    assert listed["3"]["week"] == MONDAY.date()


def test_adopted_shares_need_the_least_number() -> None:
    orders = [_order(f"{i}", i) for i in range(6)] + [_order(f"b{i}", i, technician="b") for i in range(5)]
    found = adoption(_shop(orders, ("0", "1", "2")), as_of=MONDAY + 90 * DAY)
    a, b = found.by_technician.iter_rows(named=True)
    assert (a["adjusted"] is None, b["adjusted"] is None) == (False, True)
    assert found.by_week.select("eligible", "scoped").sum().row(0) == (11, 3)
    low, high = wilson(3, 11)
    week = found.by_week.row(0, named=True)
    assert (week["eligible"], week["scoped"], week["share"]) == (11, 3, 3 / 11)
    assert (week["low"], week["high"]) == pytest.approx((low, high))


# -- words --------------------------------------------------------------------------------------------------------


def test_headlines() -> None:
    assert headline_of(Estimate(9, -0.034, -0.06, -0.001)) == ("yes", "Yes: 3 in 100 fewer among like jobs")
    assert headline_of(Estimate(9, 0.026, 0.001, 0.06)) == ("no", "No: 3 in 100 more among like jobs")
    for low, high in ((-0.01, 0.0), (0.0, 0.01), (-0.1, 0.1)):
        assert headline_of(Estimate(9, 0.0, low, high))[0] == "not clear"


def test_the_caution_says_what_is_shown() -> None:
    strength = EValue(2.34, 1.26)
    less = caution_sentence(Estimate(9, -0.04, -0.06, -0.02), strength, 0.9, ("one", "two", "three"))
    assert less == (
        "Among comparable orders, scoped ones came back 4.0 points less often (95 % interval -6.0 to -2.0 points), "
        "allowing for one, two and three. Nobody drew lots over which order is scoped, so this does not show what the "
        "scope alone does: something the log does not record could account for it if it went with both scoping and "
        "comebacks by a factor of about 2.3 (1.3 to move the interval to none)."
    )
    more = caution_sentence(Estimate(9, 0.04, 0.02, 0.06), None, 0.89, missing=("vehicle age", "mileage"))
    assert "came back 4.0 points more often" in more
    assert more.endswith(
        "alone does. Not recorded, so not allowed for: vehicle age and mileage. Only 89 % of the orders have "
        "comparable ones in the other group."
    )
    for low, high in ((-0.02, 0.0), (0.0, 0.02)):
        unclear = caution_sentence(Estimate(9, 0.001, low, high), strength, 0.95)
        assert unclear.startswith("Between comparable orders no clear difference shows (+0.1 points")
        assert "factor" not in unclear
    assert caution_sentence(Estimate.nothing(3, "few"), None, 1.0) == "No comparison is shown."
