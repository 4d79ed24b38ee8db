"""Faults that once went unseen: each test here fails when its fault is put in by hand."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.jobs.comebacks import comebacks
from models.jobs.comparison import adjusted, has_begun
from models.jobs.crossfit import cross_fitted
from models.jobs.returns import ADJUSTED_FOR, covariates, watched_orders
from models.people.before_after import _allowing, before_after, coaching_effect
from models.people.counts import Count
from models.people.funnels import funnel
from models.people.repeatability import repeatability, repeats
from models.people.skill import TechnicianSkill
from models.records import schemas
from models.records.people_settings import PeopleSettings, as_moment
from models.records.shop import Shop
from models.stats.control import over_dispersion
from models.stats.intervals import mean_with_interval
from tests.simulated_shop import Trouble, capture_row, captures_of, comeback_shop, frame_of, skill_shop

AS_OF = date(2026, 1, 5)


@pytest.fixture(scope="module")
def watched() -> tuple[pl.DataFrame, np.ndarray]:  # type: ignore[type-arg]
    made = comeback_shop(11)
    rows = watched_orders(made.shop, as_moment(AS_OF))
    potential = rows.select(d=(pl.lit(as_moment(AS_OF)) - pl.col("closed_at")).dt.total_seconds() / 86400.0)[
        "d"
    ]
    return rows, potential.to_numpy()


def test_the_arms_are_not_swapped() -> None:
    made = comeback_shop(11, effect=-2.0)
    found = comebacks(made.shop, as_of=AS_OF).adjusted
    scoped, other = found.scoped_risk, found.not_scoped_risk
    assert scoped.estimate is not None
    assert other.estimate is not None
    assert scoped.estimate < other.estimate - 0.03
    assert scoped.estimate - other.estimate == pytest.approx(found.risk_difference.estimate)
    watched = watched_orders(made.shop, as_moment(AS_OF))
    begun = watched.filter(pl.Series(has_begun(watched)))
    assert (scoped.n, other.n) == (int(begun["scoped"].sum()), int((~begun["scoped"]).sum()))


def test_everything_the_log_knows_beforehand_is_adjusted_for(
    watched: tuple[pl.DataFrame, np.ndarray],  # type: ignore[type-arg]
) -> None:
    names = covariates(watched[0]).names
    for column, levels in (
        ("complaint", 4),
        ("engine_family", 8),
        ("history", 4),
        ("season", 4),
        ("technician", 8),
    ):
        assert len([name for name in names if name.startswith(f"{column}: ")]) == levels - 1, column
    again = watched[0].with_columns(is_return=pl.int_range(pl.len()) % 7 == 0)
    assert covariates(again).names[-1] == "is itself a comeback"
    assert {"complaint", "engine family", "vehicle history", "season", "technician"} <= set(ADJUSTED_FOR)


@pytest.mark.parametrize("column", ["technician", "history", "age"])
def test_what_goes_with_one_person_or_with_old_customers_alone_is_allowed_for(column: str) -> None:
    rng = np.random.default_rng(5)
    n = 3000
    hard = rng.integers(0, 4, n)
    scoped = rng.random(n) < np.array([0.2, 0.4, 0.6, 0.8])[hard]
    back = rng.random(n) < np.array([0.04, 0.10, 0.18, 0.26])[hard]  # scoping does nothing at all
    same = {name: ["x"] * n for name in ("complaint", "engine_family", "season", "history", "technician")}
    rows = pl.DataFrame(
        {
            **same,
            "age": pl.Series([None] * n, dtype=pl.String),
            column: [f"level {h}" for h in hard],
            "scoped": scoped,
            "returned": back,
            "days": np.where(back, 10.0, 400.0),
            "is_return": False,
            "vehicle": [str(i) for i in range(n)],
            "repair_order": [str(i) for i in range(n)],
            "opened_at": [datetime(2025, 1, 1) + timedelta(minutes=i) for i in range(n)],
        }
    )
    found = adjusted(rows, np.full(n, 400.0), window_days=30).risk_difference
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0 < found.high
    assert abs(found.estimate or 1.0) < 0.03
    assert back[scoped].mean() - back[~scoped].mean() > 0.05


def test_orders_of_one_vehicle_count_as_one(
    watched: tuple[pl.DataFrame, np.ndarray],  # type: ignore[type-arg]
) -> None:
    """Every order written down three times over is no more evidence than once."""
    rows, potential = watched
    tripled = pl.concat([rows.with_columns(repair_order=pl.col("repair_order") + f" {i}") for i in range(3)])
    once, thrice = (
        adjusted(frame, days, window_days=30).risk_difference
        for frame, days in ((rows, potential), (tripled, np.tile(potential, 3)))
    )
    width = [(e.high or 0.0) - (e.low or 0.0) for e in (once, thrice)]
    assert width[1] == pytest.approx(width[0], rel=0.08)  # sqrt(3) less where vehicles were forgotten
    assert once.estimate == pytest.approx(thrice.estimate, abs=0.01)


def test_an_order_never_helps_to_predict_itself(
    watched: tuple[pl.DataFrame, np.ndarray],  # type: ignore[type-arg]
) -> None:
    rows, _ = watched
    design = covariates(rows)
    scoped = rows["scoped"].to_numpy()
    outcome = (rows["returned"] & (rows["days"] <= 30)).to_numpy().astype(float)
    weights = np.ones(outcome.size)
    first = cross_fitted(design, scoped, outcome, weights, seed=3)
    mine = design.cluster == design.cluster[0]
    turned = np.where(mine, 1.0 - outcome, outcome)
    second = cross_fitted(design, scoped, turned, weights, seed=3)
    assert np.array_equal(first.if_scoped[mine], second.if_scoped[mine])
    assert np.array_equal(first.if_not[mine], second.if_not[mine])
    assert not np.array_equal(first.if_scoped[~mine], second.if_scoped[~mine])
    switched = cross_fitted(design, np.where(mine, ~scoped, scoped), outcome, weights, seed=3)
    assert np.array_equal(first.chance[mine], switched.chance[mine])


def test_the_weight_of_having_been_watched_counts() -> None:
    n = 4000
    rng = np.random.default_rng(8)
    scoped, back_on = rng.random(n) < 0.5, rng.uniform(0, 30, n)
    comes_back = rng.random(n) < 0.2
    potential = np.where(rng.random(n) < 0.7, rng.uniform(0, 30, n), 90.0)  # most orders are young
    seen = comes_back & (back_on <= potential)
    rows = pl.DataFrame(
        {
            **{name: ["x"] * n for name in ("complaint", "engine_family", "season", "history", "technician")},
            "age": pl.Series([None] * n, dtype=pl.String),
            "scoped": scoped,
            "returned": seen,
            "days": np.where(seen, back_on, potential),
            "is_return": False,
            "vehicle": [str(i) for i in range(n)],
            "repair_order": [str(i) for i in range(n)],
            "opened_at": [datetime(2025, 1, 1) + timedelta(minutes=i) for i in range(n)],
        }
    )
    found = adjusted(rows, potential, window_days=30)
    for risk in (found.scoped_risk, found.not_scoped_risk):
        assert risk.estimate == pytest.approx(0.2, abs=0.04)
    assert seen.mean() < 0.15


def test_a_session_that_helped_has_odds_below_one() -> None:
    planted = tuple(Trouble(f"tech {c}", "hookup", 40, 0.5, ends_day=200) for c in "bcd")
    made = skill_shop(
        21, planted, newcomer=False, coaching=tuple((t.technician, "hookup", 199) for t in planted)
    )
    rows = before_after(made.shop, as_of=made.as_of)
    effect = coaching_effect(rows).odds_ratio
    assert effect.high is not None
    assert effect.high < 0.6
    assert effect.n == sum(row.change_allowing.n for row in rows)


def test_a_share_before_is_drawn_towards_the_shops() -> None:
    others = pl.DataFrame(
        {
            "technician": [f"t{i % 20}" for i in range(2000)],
            "trouble": [i // 20 % 10 == 0 for i in range(2000)],
        }
    )
    gain = _allowing(others, (6, 10), (1, 10), PeopleSettings())
    assert gain.estimate is not None
    assert -0.5 + 0.2 < gain.estimate < 0.2  # the plain one says 50 points less
    alone = _allowing(others.head(0).with_columns(pl.col("trouble")), (6, 10), (1, 10), PeopleSettings())
    assert alone.estimate is not None
    assert alone.estimate < gain.estimate


def test_the_spell_that_led_to_a_session_does_not_count_as_before() -> None:
    """Twelve good months, ten bad captures in the three weeks before the session, good ones after it."""
    held = datetime(2025, 8, 1)
    rows = [
        capture_row(
            f"{name}{day}", technician=name, vehicle=f"{name}{day}", captured_at=held + timedelta(days=day)
        )
        for name in "abcdef"
        for day in range(-180, 180, 4)
    ]
    for i in range(10):
        bad = held - timedelta(days=2 * i + 1)
        rows.append(
            capture_row(f"bad {i}", technician="a", vehicle=f"bad {i}", captured_at=bad, status="unusable")
        )
    session = {"session": "s", "technician": "a", "held_on": held.date(), "topic": "usable captures"}
    shop = Shop(captures=captures_of(rows), coaching=frame_of(schemas.COACHING, [session]))
    (row,) = before_after(shop, as_of=date(2026, 6, 1))
    assert row.before.estimate is not None
    assert row.before.estimate > 0.15
    assert (row.calm.estimate, row.calm.n < row.before.n) == (0.0, True)
    assert row.change.high is not None
    assert row.change.high < 0  # the plain figure calls the session a success
    assert row.change_allowing.high is not None
    assert row.change_allowing.high > 0
    assert "no clear change" in row.sentence
    assert coaching_effect((row, row)).odds_ratio.high is not None
    assert (coaching_effect((row, row)).odds_ratio.estimate or 0.0) > 0.3


def _skill(name: str, events: int, trials: int) -> TechnicianSkill:
    counts = {"usable": Count(events, trials)}
    return cast(TechnicianSkill, SimpleNamespace(technician=name, counts=counts))


def test_who_stands_outside_the_funnel_is_beyond_999_in_1000() -> None:
    # five people at exactly 80 of 100, so that nothing widens the limits; the one in question hardly moves 0.8
    ordinary = [_skill(f"t{i}", 8000, 10_000) for i in range(5)]
    answers = {}
    for events in (72, 70, 68, 64, 95):
        points = funnel([*ordinary, _skill("x", events, 100)], "usable").points
        answers[events] = points.filter(pl.col("technician") == "x")["standing"].item()
    below = {k: stats.binom.cdf(k, 100, 0.8) for k in (72, 70, 68, 64)}
    assert below[72] < 0.05  # beyond 95 of 100 on the low side, and inside all the same
    assert below[70] < 0.025
    assert below[68] > 0.0005 > below[64]
    assert answers == {72: "inside", 70: "inside", 68: "inside", 64: "below", 95: "above"}
    limits = funnel([*ordinary, _skill("x", 80, 100)], "usable").limits.filter(pl.col("n") > 1000)
    assert (limits["low_999"] < limits["low_95"]).all()
    assert (limits["high_999"] > limits["high_95"]).all()
    assert over_dispersion([8000] * 5, [10_000] * 5, 0.8) == 1.0


def test_repeats_by_hand() -> None:
    at = datetime(2025, 3, 3, 9)
    shop = Shop(
        captures=captures_of(
            [capture_row(f, captured_at=at, vehicle="v") for f in "ab"]
            + [capture_row("c", captured_at=at, vehicle="w")]
        ),
        elements=frame_of(
            schemas.ELEMENTS,
            [
                {
                    "capture_file": f, "measure": "level", "position": i + 1, "element": i + 1, "relative_pct": v,
                    "se_pct": 0.5, "identified": "sync",
                }
                for f, values in (("a", (100.0, 102.0, 98.0)), ("b", (102.0, 102.0, 94.0)), ("c", (90.0, 90.0, 90.0)))
                for i, v in enumerate(values)
            ],
        ),
    )  # fmt: skip
    (row,) = repeats(shop, at).iter_rows(named=True)
    # differences 2, 0, 4: squares about the mean 2 + 0 + 8; (2 - 1)(3 - 1) degrees of freedom, not 2 x 3
    assert (row["squares"], row["freedom"], row["sets"], row["captures"]) == (10.0, 2, 1, 2)
    found = repeatability(50.0, 10, 5, 10)
    assert found.estimate == pytest.approx(np.sqrt(5.0))
    assert found.low == pytest.approx(np.sqrt(50.0 / stats.chi2.ppf(0.975, 10)))
    assert found.high == pytest.approx(np.sqrt(50.0 / stats.chi2.ppf(0.025, 10)))


def test_the_interval_of_a_mean_divides_by_n_minus_one() -> None:
    values = [3.0, 5.0, 8.0, 12.0]
    theirs = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    ours = mean_with_interval(values)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high))


def test_the_simulated_shop_takes_no_unknown_column() -> None:
    with pytest.raises(KeyError, match="colour"):
        frame_of(schemas.ORDERS, [cast(dict[str, Any], {"repair_order": "1", "colour": "red"})])
