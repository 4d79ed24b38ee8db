"""Comebacks on constructed orders, and on simulated shops whose harder jobs are scoped more often."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import count

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm

from models.jobs.comebacks import QUALITIES, Comebacks, comebacks
from models.jobs.comparison import has_begun, watched_weights
from models.jobs.stepped import pooled_step
from models.records import schemas
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from tests.simulated_shop import TEST, capture_row, captures_of, comeback_shop, frame_of

AS_OF = date(2025, 12, 31)
_ids = count()


def _order(order: str, closed: str | None, **other: object) -> dict[str, object]:
    end = None if closed is None else datetime.fromisoformat(closed)
    start = (end or datetime(2025, 12, 1)) - timedelta(days=1)
    given = {
        "repair_order": order, "opened_at": start, "closed_at": end, "technician": "t", "vehicle": f"car {next(_ids)}",
        "engine_family": "f", "complaint": "misfire", "scope_eligible": True, "comeback_of": None, "labour_h": 2.0,
        "parts_cost": 80.0, "parts_returned": 0.0,
    }  # fmt: skip
    return {**given, **other}


def _capture(order: str, at: str, **other: object) -> dict[str, object]:
    given = {"repair_order": order, "captured_at": datetime.fromisoformat(at), "purpose": "diagnosis"}
    return capture_row(f"{order}-{next(_ids)}.csv", **{**given, "call_elements": [], **other})


def _run(
    orders: list[dict[str, object]],
    captures: list[dict[str, object]] | None = None,
    outcomes: list[dict[str, object]] | None = None,
    **settings: int,
) -> Comebacks:
    shop = Shop(
        captures=captures_of(captures or []),
        orders=frame_of(schemas.ORDERS, orders),
        outcomes=frame_of(schemas.OUTCOMES, outcomes or []),
    )
    return comebacks(shop, as_of=AS_OF, **settings)


def test_what_counts_as_scoped() -> None:
    orders = [
        _order(name, "2025-06-10")
        for name in ("paid", "practice", "after", "unusable", "waiting", "same day")
    ]
    orders += [_order("not eligible", "2025-06-10", scope_eligible=False), _order("open", None)]
    captures = [
        _capture("paid", "2025-06-09T10:00"),
        _capture("practice", "2025-06-09T10:00", purpose="drill"),
        _capture("after", "2025-06-20T10:00"),
        _capture("unusable", "2025-06-09T10:00", status="unusable"),
        _capture("waiting", "2025-06-09T10:00", status="waiting"),
        _capture("same day", "2025-06-10T17:00"),
        _capture("not eligible", "2025-06-09T10:00"),
        _capture("open", "2025-12-01T10:00"),
    ]
    crude = _run(orders, captures).crude
    assert (crude.scoped.orders, crude.not_scoped.orders) == (3, 3)


def test_what_counts_as_a_comeback() -> None:
    orders = [_order(f"ro {i}", "2025-06-10") for i in range(10)]
    orders += [
        _order(
            "in time", "2025-07-20", opened_at=datetime(2025, 7, 9), comeback_of="ro 0", scope_eligible=False
        ),
        _order(
            "again", "2025-08-20", opened_at=datetime(2025, 8, 9), comeback_of="ro 0", scope_eligible=False
        ),
        _order(
            "late", "2025-07-20", opened_at=datetime(2025, 7, 11), comeback_of="ro 1", scope_eligible=False
        ),
        _order(
            "early", "2025-06-12", opened_at=datetime(2025, 6, 9), comeback_of="ro 2", scope_eligible=False
        ),
        _order(
            "not named", "2025-06-20", opened_at=datetime(2025, 6, 15), vehicle="car 3", scope_eligible=False
        ),
    ]
    result = _run(orders)
    assert result.crude.not_scoped.comebacks == 2  # ro 0 once, and ro 2, opened before the first was closed
    assert result.crude.not_scoped.risk.estimate == pytest.approx(0.2)
    assert _run(orders, window_days=31).crude.not_scoped.comebacks == 3
    assert _run(orders, window_days=20).crude.not_scoped.comebacks == 1
    everything = result.cost.filter(pl.col("group") == "all").row(0, named=True)
    assert (everything["comebacks"], everything["labour_h"], everything["parts_cost"]) == (2, 4.0, 160.0)
    assert everything["labour_h_per_100_orders"] == pytest.approx(40.0)
    with pytest.raises(ValueError, match="at least 1 day"):
        _run(orders, window_days=0)


def test_young_orders_are_censored_and_the_future_is_not_looked_at() -> None:
    orders = [_order(f"old {i}", "2025-06-10") for i in range(20)]
    orders += [
        _order(
            f"back {i}",
            "2025-07-01",
            opened_at=datetime(2025, 6, 30),
            comeback_of=f"old {i}",
            scope_eligible=False,
        )
        for i in range(5)
    ]
    orders += [_order(f"young {i}", "2025-12-21") for i in range(100)]
    result = _run(orders)
    assert result.crude.not_scoped.orders == 120
    assert result.crude.not_scoped.risk.estimate == pytest.approx(0.25)
    assert result.watched_whole == 20
    later = [
        *orders,
        _order("next year", "2026-01-20", opened_at=datetime(2026, 1, 5), comeback_of="young 0"),
    ]
    assert _run(later).crude.not_scoped == result.crude.not_scoped


def test_call_quality() -> None:
    def judged(order: str, call: str, named: list[int]) -> dict[str, object]:
        return _capture(order, "2025-06-09T10:00", call=call, call_elements=named)

    orders = [_order(f"{kind} {i}", "2025-06-10") for kind in ("r", "w", "u", "n", "x") for i in range(8)]
    orders += [
        _order(
            f"back {i}",
            "2025-07-01",
            opened_at=datetime(2025, 6, 20),
            comeback_of=f"w {i}",
            scope_eligible=False,
        )
        for i in range(4)
    ]
    captures = [judged(f"r {i}", "odd", [3]) for i in range(8)]
    captures += [judged(f"w {i}", "even", []) for i in range(8)]
    captures += [_capture(f"u {i}", "2025-06-09T10:00", status="unusable") for i in range(8)]
    captures += [judged(f"x {i}", "odd", [3]) for i in range(8)]
    outcomes = [
        {
            "repair_order": f"{k} {i}", "test": TEST, "confirmed_at": datetime(2025, 6, 10), "finding": "odd",
            "confirmed_elements": [3], "method": "gauge", "gauge_kpa": [],
        }
        for k in ("r", "w") for i in range(8)
    ]  # fmt: skip
    table = _run(orders, captures, outcomes).by_call_quality
    assert table["quality"].to_list() == list(QUALITIES)
    assert table["orders"].to_list() == [8, 8, 8, 8, 8]
    assert table["comebacks"].to_list() == [0, 4, 0, 0, 0]
    assert table["risk"].to_list() == [0, 0.5, 0, 0, 0]
    assert (table["high"] > 0.2).all()
    assert _run([], []).by_call_quality["why"].null_count() == 0


def test_parts_returned() -> None:
    orders = [_order(f"s {i}", "2025-06-10", parts_returned=0.0, parts_cost=100.0 + i) for i in range(10)]
    orders += [_order(f"n {i}", "2025-06-10", parts_returned=float(i < 4)) for i in range(10)]
    captures = [_capture(f"s {i}", "2025-06-09T10:00") for i in range(10)]
    scoped, other = _run(orders, captures).parts.iter_rows(named=True)
    assert (scoped["orders_with_returns"], scoped["returns_share"]) == (0, 0.0)
    assert scoped["returns_high"] == pytest.approx(0.2775, abs=1e-4)  # Wilson, 0 of 10
    assert scoped["parts_cost_each"] == pytest.approx(104.5)
    assert (other["orders_with_returns"], other["returns_share"], other["parts_returned"]) == (4, 0.4, 4.0)


def test_too_little_shows_no_comparison() -> None:
    result = _run([_order(f"ro {i}", "2025-06-10") for i in range(30)])
    assert result.adjusted.risk_difference.estimate is None
    assert "at least 20 of each" in (result.adjusted.risk_difference.why or "")
    assert result.adjusted.caution.startswith("No comparison is shown")
    assert result.crude.risk_difference.estimate is None
    empty = _run([])
    assert (empty.crude.scoped.orders, empty.curves.height, empty.stepped.by_technician.height) == (0, 0, 0)


def test_confounded_shops() -> None:
    """Twelve shops here; a hundred and more in the benchmark."""
    held, crude_held, errors, crude_errors = 0, 0, [], []
    for seed in range(12):
        shop = comeback_shop(400 + seed)
        result = comebacks(shop.shop, as_of=date(2026, 1, 5))
        adjusted, crude = result.adjusted.risk_difference, result.crude.risk_difference
        assert adjusted.estimate is not None
        assert crude.estimate is not None
        held += (adjusted.low or 0) <= shop.truth <= (adjusted.high or 0)
        crude_held += (crude.low or 0) <= shop.truth <= (crude.high or 0)
        errors.append(adjusted.estimate - shop.truth)
        crude_errors.append(crude.estimate - shop.truth)
    assert held >= 10
    assert crude_held <= 4
    assert abs(np.mean(errors)) < 0.02
    assert np.mean(crude_errors) > 0.035


def test_the_page_of_a_confounded_shop() -> None:
    shop = comeback_shop(7).shop
    result = comebacks(shop, as_of=date(2026, 1, 5))
    adjusted = result.adjusted
    assert "cause" not in adjusted.caution.lower()
    assert "does not show what the scope alone does" in adjusted.caution
    assert adjusted.e_value is not None
    assert adjusted.e_value.estimate > adjusted.e_value.limit >= 1
    # both groups are there at every chance of being scoped, and weighting brings them together
    begun = int(adjusted.overlap["scoped"].sum() + adjusted.overlap["not_scoped"].sum())
    assert begun == adjusted.risk_difference.n
    assert adjusted.comparable is not None
    assert adjusted.comparable > 0.9
    gap = adjusted.balance.select(pl.col("gap_before").abs().max(), pl.col("gap_after").abs().max()).row(0)
    assert gap[0] > 0.3
    assert gap[1] < 0.15
    roads = adjusted.by_method["risk_difference"].to_list()
    assert max(roads) - min(roads) < 0.03
    again = comebacks(shop, as_of=date(2026, 1, 5))
    assert again.adjusted.risk_difference == adjusted.risk_difference


def test_stepped_adoption() -> None:
    shop = comeback_shop(3, orders=4000, begin_scoping=True, effect=-2.5).shop
    result = comebacks(shop, as_of=date(2026, 1, 5))
    stepped = result.stepped
    assert stepped.by_technician["technician"].to_list() == [f"tech {c}" for c in "abcdefgh"]
    assert stepped.by_technician["before_orders"].is_sorted()
    assert stepped.difference.estimate is not None
    assert stepped.difference.low is not None
    assert stepped.difference.low < stepped.difference.estimate < 0
    # orders that could not have been scoped are not compared with those that could
    assert result.adjusted.risk_difference.n < result.crude.risk_difference.n - 500


def test_levels_are_taken_out_as_by_ordinary_least_squares() -> None:
    rng = np.random.default_rng(6)
    person, quarter = rng.integers(0, 5, 300), rng.integers(0, 4, 300)
    after = (rng.random(300) < 0.2 + 0.15 * quarter).astype(float)
    back = (rng.random(300) < 0.1 + 0.05 * person - 0.03 * after).astype(float)
    x = np.column_stack([after, np.eye(5)[person], np.eye(4)[quarter][:, 1:]])
    theirs = sm.OLS(back, x).fit(cov_type="HC1", use_t=True)
    whole = pl.DataFrame(
        {
            "after": after > 0,
            "came_back": back > 0,
            "technician": [f"t{p}" for p in person],
            "opened_at": [datetime(2025, 1 + 3 * int(q), 15) for q in quarter],
        }
    )
    ours = pooled_step(whole)
    assert ours.estimate == pytest.approx(theirs.params[0], abs=1e-10)
    assert (ours.low, ours.high) == pytest.approx(tuple(theirs.conf_int()[0]), abs=1e-6)


def test_nobody_is_compared_before_beginning() -> None:
    day = [datetime(2025, 1, d) for d in range(1, 7)]
    watched = pl.DataFrame(
        {
            "technician": ["a", "a", "a", "b", "b", "a"],
            "opened_at": day,
            "scoped": [False, True, False, False, False, True],
        }
    )
    assert has_begun(watched).tolist() == [False, False, True, False, False, True]


def test_weights_of_being_watched_restore_the_group() -> None:
    rng = np.random.default_rng(1)
    potential = rng.uniform(0, 300, 3000)
    back = rng.random(3000) < 0.3
    at = rng.uniform(0, 30, 3000)
    inside = back & (at <= potential)
    seen = inside | (potential >= 30)
    weights = watched_weights(potential, np.where(inside, at, 30.0), seen, rng.random(3000) < 0.5)
    assert weights[~seen].tolist() == [0.0] * int((~seen).sum())
    assert np.average(inside, weights=weights) == pytest.approx(0.3, abs=0.02)
    assert weights.sum() / 3000 == pytest.approx(1.0, abs=0.02)


def test_the_window_is_a_setting() -> None:
    assert PeopleSettings().window_days == 30
    with pytest.raises(ValueError, match="window_days"):
        PeopleSettings(window_days=0)
