"""The comebacks' headline: old cars, what was not recorded, and looking every month."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.jobs.comebacks import comebacks
from models.jobs.returns import recorded, watched_orders
from models.jobs.wording import headline_of
from models.people.watch import observations
from models.records import schemas
from models.records.logbook import eligible_orders
from models.records.people_settings import as_moment
from models.records.shop import Shop
from models.stats.results import Estimate
from models.stats.sequential import LOOKS_LEVEL, sequential_bound
from tests.simulated_shop import comeback_shop, frame_of

AS_OF = date(2026, 1, 5)


def test_a_bound_that_holds_at_every_look() -> None:
    """Means of noise looked at 50 times: a plain 95 % interval (97.5 % on a side) fails at some look far more often."""
    rng = np.random.default_rng(1)
    looks = np.unique(np.geomspace(40, 2000, 50).astype(int))
    plain = bound = 0
    for _ in range(800):
        x = rng.standard_normal(2000)
        sums, squares = np.cumsum(x), np.cumsum(x * x)
        mean = sums[looks - 1] / looks
        se = np.sqrt((squares[looks - 1] / looks - mean**2) / looks)
        plain += bool((mean + 1.96 * se < 0).any())
        bound += any(
            (sequential_bound(m, s, int(n)).high or 0.0) < 0 for m, s, n in zip(mean, se, looks, strict=True)
        )
    assert plain / 800 > 2 * LOOKS_LEVEL
    assert bound / 800 <= LOOKS_LEVEL


def test_the_bound_is_the_formula() -> None:
    found = sequential_bound(-0.05, 0.01, 1000)
    alpha = 0.10
    nr = -2 * np.log(alpha) + np.log(1 - 2 * np.log(alpha))
    half = 0.01 * np.sqrt(2 * (nr + 1) / nr * np.log(np.sqrt(nr + 1) / alpha))
    assert (found.low, found.high) == pytest.approx((-0.05 - half, -0.05 + half))
    assert 2.5 < half / 0.01 < 3.0
    wider = [sequential_bound(0.0, 0.01, n) for n in (60, 1000, 40_000)]
    assert (wider[0].high or 0) > (wider[1].high or 0) < (wider[2].high or 0)


def test_the_headline_rests_on_the_bound() -> None:
    assert headline_of(Estimate(9, -0.04, -0.07, -0.01)) == ("yes", "Yes: 4 in 100 fewer among like jobs")
    assert headline_of(Estimate(9, 0.04, 0.01, 0.07)) == ("no", "No: 4 in 100 more among like jobs")
    assert headline_of(Estimate(9, -0.04, -0.09, 0.01)) == ("not clear", "Not clear yet")
    made = comeback_shop(7, effect=-2.0, orders=3000)
    found = comebacks(made.shop, as_of=AS_OF).adjusted
    assert found.answer == "yes"
    assert found.over_looks.estimate == found.risk_difference.estimate
    assert (found.over_looks.low or 0) < (found.risk_difference.low or 0)
    assert (found.over_looks.high or 0) > (found.risk_difference.high or 0)
    nothing = comebacks(Shop(), as_of=AS_OF).adjusted
    assert (nothing.answer, nothing.headline) == ("not clear", "Too little to say")


def test_looking_every_month_at_a_shop_where_nothing_changes() -> None:
    """Four shops, nine looks each; more in tests/bench/bench_looks.py."""
    yes = 0
    for seed in range(4):
        shop = comeback_shop(8000 + seed, effect=0.0, orders=800).shop
        answers = [comebacks(shop, as_of=date(2025, month, 1)).adjusted.answer for month in range(4, 13)]
        yes += "yes" in answers
    assert yes <= 1


def test_old_cars_are_allowed_for_where_the_log_knows_them() -> None:
    errors, held = {True: [], False: []}, {True: 0, False: 0}
    for seed in range(5):
        for years in (True, False):
            made = comeback_shop(600 + seed, age_effect=1.2, model_years=years)
            found = comebacks(made.shop, as_of=AS_OF).adjusted
            gap = found.risk_difference
            errors[years].append((gap.estimate or 0.0) - made.truth)
            held[years] += (gap.low or 0.0) <= made.truth <= (gap.high or 0.0)
            assert ("vehicle age" in found.adjusted_for) is years
            assert ("vehicle age" in found.not_recorded) is not years
            assert "mileage" in found.not_recorded
            assert (
                f"Not recorded, so not allowed for: {'mileage' if years else 'vehicle age and mileage'}."
                in found.caution
            )
    assert abs(np.mean(errors[True])) < 0.03 < np.mean(errors[False])
    assert held[True] > held[False]


def test_classes_of_age() -> None:
    opened = datetime(2025, 6, 1)
    years = {"a": 2025, "b": 2021, "c": 2020, "d": 2011, "e": 2010, "f": None, "g": 2026}
    orders = [
        {
            "repair_order": name, "opened_at": opened, "closed_at": opened + timedelta(days=1), "technician": "t",
            "scope_eligible": True, "model_year": year, "complaint": "c", "engine_family": "f",
        }
        for name, year in years.items()
    ]  # fmt: skip
    shop = Shop(orders=frame_of(schemas.ORDERS, orders))
    found = dict(eligible_orders(shop, as_moment(AS_OF)).select("repair_order", "age").iter_rows())
    assert found == {
        "a": "0 to 4 years", "b": "0 to 4 years", "c": "5 to 9 years", "d": "10 to 14 years",
        "e": "15 years and more", "f": None, "g": "0 to 4 years",
    }  # fmt: skip
    assert recorded(watched_orders(shop, as_moment(AS_OF)))[1] == (
        "vehicle age",
        "mileage",
    )  # one in seven unknown


def test_who_gets_the_old_cars_is_not_marked_down_for_it() -> None:
    """One technician scopes old cars as all do, and has most of them; scope use is expected by age."""
    rng = np.random.default_rng(2)
    opened, orders = datetime(2025, 6, 1), []
    for i in range(600):
        name = "ab"[i % 2]
        old = rng.random() < (0.8 if name == "a" else 0.2)
        orders.append({
            "repair_order": f"{i}", "opened_at": opened, "closed_at": opened + timedelta(hours=i), "technician": name,
            "scope_eligible": True, "model_year": 2005 if old else 2024, "complaint": "c", "engine_family": "f",
        })  # fmt: skip
    work = observations(Shop(orders=frame_of(schemas.ORDERS, orders)), as_moment(AS_OF))
    assert work["trouble"].all()
    assert work["topic"].unique().to_list() == ["scope use"]
    taken = frame_of(
        schemas.CAPTURES,
        [
            {
                "capture_file": row["repair_order"], "technician": row["technician"], "status": "read", "test": "t",
                "repair_order": row["repair_order"], "captured_at": opened, "purpose": "diagnosis",
            }
            for row in orders
            if rng.random() < (0.2 if row["model_year"] == 2005 else 0.8)
        ],
    )  # fmt: skip
    shop = Shop(orders=frame_of(schemas.ORDERS, orders), captures=taken)
    found = observations(shop, as_moment(AS_OF)).filter(pl.col("topic") == "scope use")
    by_person = (
        found.group_by("technician")
        .agg(pl.col("trouble").mean(), pl.col("expected").mean())
        .sort("technician")
    )
    assert (by_person["trouble"] - by_person["expected"]).abs().max() < 0.06  # type: ignore[operator]
    assert by_person["expected"][0] - by_person["expected"][1] > 0.2
