"""Edges a drawn fault moved and no test noticed: the last day, the only one, the first beyond what counts."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.jobs.listing import listed_jobs
from models.people.drills import count_drills
from models.people.watch import observations
from models.records import schemas
from models.records.shop import Shop
from models.spread.fit import fit_groups, score_captures
from models.stats.pooling import pool_normal
from models.thresholds.curves import bootstrap_times, curves
from models.thresholds.evidence import SCHEMA, design
from tests.groups_shop import MEASURE, make_shop
from tests.simulated_shop import TEST, capture_row, captures_of, frame_of

MONDAY = datetime(2025, 3, 3, 9)
DAY = timedelta(days=1)


def _order(name: str, day: float, **other: object) -> dict[str, object]:
    opened = MONDAY + day * DAY
    given = {
        "repair_order": name, "opened_at": opened, "closed_at": opened, "technician": "a", "vehicle": name,
        "engine_family": "f", "complaint": "misfire", "scope_eligible": True,
    }  # fmt: skip
    return {**given, **other}


@pytest.mark.parametrize(("later", "back"), [(30, True), (30 + 1 / 86_400, False)])
def test_the_last_moment_of_the_window_is_inside(later: float, back: bool) -> None:
    orders = [_order("first", 0), _order("again", later, comeback_of="first", scope_eligible=False)]
    shop = Shop(captures=captures_of([]), orders=frame_of(schemas.ORDERS, orders))
    listed = listed_jobs(shop, as_of=MONDAY + 90 * DAY, window_days=30)
    assert listed.filter(repair_order="first")["came_back"].to_list() == [back]


def test_a_week_is_over_with_its_last_microsecond() -> None:
    shop = Shop(
        captures=captures_of([capture_row("a1", captured_at=MONDAY, technician="a", purpose="drill")]),
        drills=frame_of(
            schemas.DRILLS,
            [{"drill": "d", "technician": "a", "test": TEST, "week_of": MONDAY.date(), "target": 2}],
        ),
    )
    end = datetime(2025, 3, 9, 23, 59, 59, 999_999)
    done = [count_drills(shop, ["a"], end - timedelta(microseconds=less))["a"] for less in (0, 1)]
    assert [(one.target, one.done) for one in done] == [(2, 1), (0, 0)]


def test_one_piece_of_work_is_watched_and_none_is_none() -> None:
    alone = observations(
        Shop(captures=captures_of([capture_row("a1", captured_at=MONDAY, technician="a")])), MONDAY + DAY
    )
    assert alone.select("topic", "technician", "trouble").filter(topic="usable captures").rows() == [
        ("usable captures", "a", False)
    ]
    nothing = observations(Shop(captures=captures_of([])), MONDAY + DAY)
    assert (nothing.height, nothing.columns) == (0, alone.columns)


@pytest.mark.parametrize("scale", [0.0, -0.5, float("nan")])
def test_a_spread_prior_without_a_scale_is_refused(scale: float) -> None:
    with pytest.raises(ValueError, match="tau_scale"):
        pool_normal(np.zeros(3), np.ones(3), tau_scale=scale)


def test_a_bootstrap_of_one_vehicle_is_that_vehicle() -> None:
    assert (bootstrap_times(np.zeros(3, dtype=np.int64), 4, 1) == 1).all()
    assert bootstrap_times(np.zeros(0, dtype=np.int64), 4, 1).shape == (4, 0)


def _rows(odd_pct: list[float], **other: object) -> pl.DataFrame:
    given: dict[str, object] = {
        "group": "g", "vehicle": None, "captured_at": MONDAY, "purpose": "diagnosis", "call": None, "flagged": False,
        "confirmed": 0, "confirmed_elements": [], "named_right": None, "in_question": True, **other,
    }  # fmt: skip
    rows = [{**given, "capture_file": f"{i}", "odd_pct": odd} for i, odd in enumerate(odd_pct)]
    return pl.DataFrame(rows, schema=SCHEMA)


def test_beyond_sixty_per_cent_odd_is_odd() -> None:
    """Readings past 60 % are all as likely to be followed up; below, more odd is more."""
    assert design(_rows([1.0, 20.0, 60.0])) == pytest.approx(design(_rows([1.0, 20.0, 75.0])))
    assert design(_rows([1.0, 20.0, 60.0])) != pytest.approx(design(_rows([1.0, 20.0, 59.0])))


def test_known_good_captures_alone_draw_the_corrected_curve_of_false_alarms() -> None:
    good = _rows([0.0, 1.0, 2.0, 3.0], purpose="known_good", in_question=False)
    found = curves(good, draws=20, grid_pct=np.array([0.0, 1.5, 2.5])).curves
    assert found.select("what", "how", "share").rows() == [
        ("false_alarm", "corrected", 1.0), ("false_alarm", "corrected", 0.5), ("false_alarm", "corrected", 0.25),
    ]  # fmt: skip


def test_a_capture_is_judged_as_though_it_had_not_helped_to_shape_its_group() -> None:
    """Of K alike captures one lies K/(K - 1) as far from the mean of the others, K with one more for the prior."""
    shop = make_shop(7, [9], odd_share=0.0)
    fit = fit_groups(shop.records, MEASURE)
    table = score_captures(fit, shop.records).captures.join(fit.healthy, on="capture_file", how="left")
    assert table["p_basis"].str.contains("normal spread alone").all()
    k = float(fit.stats["healthy_captures"][0]) + 1.0
    weight, judged = table["healthy_probability"].to_numpy(), table["judged_pct"].to_numpy()
    null = fit.nulls[table["group"][0]]
    assert table["p_value"].to_numpy() == pytest.approx(
        np.maximum(null.survival(judged / (1.0 - weight / k)), table["p_floor"].to_numpy())
    )
    # left in, it would seem more ordinary than it is
    assert (table["p_value"].to_numpy() < null.survival(judged) - 0.005).sum() >= 5
