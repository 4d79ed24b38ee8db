"""A test that looks at one thing: its level and spread are recovered, faults found, healthy captures left alone."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.records.measure import Direction, Measure
from models.records.shop import Shop
from models.spread.fit import fit_groups, score_captures
from models.spread.null import element_oddness, widest_gap
from models.thresholds.flags import flags

LEVELS = {"a": (100.0, 2.0, 60), "b": (131.0, 3.0, 60), "c": (90.0, 1.5, 60), "d": (104.0, 2.2, 25)}


def one_thing(direction: Direction = "low") -> Measure:
    return Measure("level", "Level", "nominal", direction, usual_spread_pct=2.0, whole=True)


def drawn(seed: int, *, odd_share: float = 0.25, side: float = -1.0) -> tuple[Shop, dict[str, bool]]:
    """Captures of one thing in four groups; a fault moves a value by 12 to 40 % to one side."""
    rng = np.random.default_rng(seed)
    captures, elements, odd = [], [], {}
    for group, (level, spread, count) in LEVELS.items():
        for at in range(count):
            name = f"{group}/{at}.csv"
            odd[name] = bool(rng.random() < odd_share)
            value = level + rng.normal(0.0, spread) + side * (rng.uniform(12, 40) if odd[name] else 0.0)
            when = dt.datetime(2026, 1, 1) + dt.timedelta(days=at)
            captures.append(
                {"capture_file": name, "test": "t", "group": group, "vehicle": name, "captured_at": when,
                 "purpose": "diagnosis", "status": "read"}
            )  # fmt: skip
            elements.append(
                {"capture_file": name, "measure": "level", "position": 1, "element": 1, "relative_pct": value,
                 "se_pct": 0.5, "identified": "sync"}
            )  # fmt: skip
    # The thing has five alike parts that another measure of the test may compare; this one looks at the whole.
    groups = [
        {"test": "t", "group": group, "elements": 5, "sequence": [1, 2, 3, 4, 5], "uneven": False}
        for group in [*LEVELS, "empty"]
    ]
    frames = {"captures": captures, "elements": elements, "groups": groups}
    return Shop.made(**{name: pl.DataFrame(rows) for name, rows in frames.items()}), odd


@pytest.mark.parametrize(
    ("direction", "side"), [("low", -1.0), ("high", 1.0), ("either", -1.0), ("either", 1.0)]
)
def test_faults_are_found_and_healthy_captures_left_alone(direction: Direction, side: float) -> None:
    false, found, healthy, faulty = 0, 0, 0, 0
    for seed in range(4):
        shop, odd = drawn(seed, side=side)
        fit = fit_groups(shop, one_thing(direction))
        scores = score_captures(fit, shop).captures.join(
            fit.stats.select("group", "odd_limit_pct"), on="group"
        )
        for name, value, limit in scores.select("capture_file", "odd_pct", "odd_limit_pct").iter_rows():
            flagged = value >= limit
            healthy, faulty = healthy + (not odd[name]), faulty + odd[name]
            false, found = false + (flagged and not odd[name]), found + (flagged and odd[name])
    # The limit is meant for 1 in 100; one-sided at the 1/1000 level of a binomial with 1.5 in 100.
    assert false <= stats.binom.ppf(0.999, healthy, 0.015)
    assert found >= 0.98 * faulty


def test_level_and_spread_are_recovered_with_honest_intervals() -> None:
    covered, of, errors = 0, 0, []
    for seed in range(10, 20):
        shop, _ = drawn(seed)
        fit = fit_groups(shop, one_thing())
        for group, (level, spread, count) in LEVELS.items():
            row = fit.stats.filter(pl.col("group") == group).row(0, named=True)
            covered += row["spread_low"] <= spread <= row["spread_high"]
            of += 1
            sound = 0.75 * count
            errors.append((fit.pattern_of(group)[0] - level) / (spread / np.sqrt(sound)))
    assert covered >= stats.binom.ppf(0.001, of, 0.93)
    assert 0.6 < np.std(errors) < 1.6
    assert abs(np.mean(errors)) < 0.5


def test_a_group_nobody_captured_borrows_its_spread_and_names_it() -> None:
    shop, _ = drawn(3)
    row = fit_groups(shop, one_thing()).stats.filter(pl.col("group") == "empty").row(0, named=True)
    assert row["basis"] == "borrowed"
    assert row["captures"] == 0
    assert 1.0 < row["spread_pct"] < 4.0


def test_mirrored_readings_give_mirrored_levels_and_the_same_oddness() -> None:
    shop, _ = drawn(5)
    turned = shop.with_frames(
        elements=shop.elements.with_columns(relative_pct=200.0 - pl.col("relative_pct"))
    )
    low, high = fit_groups(shop, one_thing("low")), fit_groups(turned, one_thing("high"))
    np.testing.assert_allclose(high.pattern["pattern_pct"], 200.0 - low.pattern["pattern_pct"].to_numpy())
    one, two = score_captures(low, shop).captures, score_captures(high, turned).captures
    for name in ("odd_pct", "p_value"):
        np.testing.assert_allclose(two[name], one[name], rtol=1e-9)


def test_flags_of_one_thing_go_by_its_distance_from_what_is_usual() -> None:
    deviation = np.array([[-7.0], [7.0], [0.0]])
    assert element_oddness(deviation, "low", whole=True).ravel().tolist() == [7.0, -7.0, 0.0]
    assert element_oddness(deviation, "either", whole=True).ravel().tolist() == [7.0, 7.0, 0.0]
    cells = pl.DataFrame(
        {
            "capture_file": ["x", "y", "z"],
            "group": ["a"] * 3,
            "position": [1] * 3,
            "element": [1] * 3,
            "companion": pl.Series([None] * 3, dtype=pl.Int64),
            "deviation_pct": deviation.ravel(),
        }
    )
    limits = pl.DataFrame({"group": ["a"], "threshold_pct": [5.0], "version": [1]})
    assert flags(cells, limits, one_thing("high"))["flagged"].to_list() == [False, True, False]


@pytest.mark.parametrize("elements", [1, 3, 4, 8])
@pytest.mark.parametrize("direction", ["low", "high", "either"])
def test_the_worst_of_all_gaps_is_the_gap_of_the_capture(elements: int, direction: Direction) -> None:
    """What is scored and what is flagged is the same gap, found in two ways."""
    deviation = np.random.default_rng(elements).normal(0, 3, (300, elements))
    every = element_oddness(deviation, direction, whole=elements == 1)
    mirrored = -deviation if direction == "high" else deviation
    gap, at = widest_gap(mirrored, either=direction == "either")
    np.testing.assert_allclose(every.max(axis=1), gap)
    np.testing.assert_array_equal(every.argmax(axis=1), at)


def test_an_angle_near_the_end_of_its_cycle_is_no_two_levels() -> None:
    """The same shop turned on by any angle, values folded into one cycle, is judged alike."""
    shop, odd = drawn(5)
    plain = score_captures(fit_groups(shop, one_thing("either")), shop).captures["odd_pct"]
    angle = Measure("level", "Level", "nominal", "either", 2.0, whole=True, cycle_pct=400.0)
    for by in (0.0, 100.0, 196.5, 291.0):
        folded = 100.0 + (pl.col("relative_pct") - 100.0 + by) % 400.0
        turned = replace(shop, elements=shop.elements.with_columns(relative_pct=folded))
        fit = fit_groups(turned, angle)
        scores = score_captures(fit, turned).captures
        np.testing.assert_allclose(scores["odd_pct"].to_numpy(), plain.to_numpy(), atol=0.02)
        # one capture scored alone may fold elsewhere than its group, and is judged as before
        for at in (0, 70, 190):
            name = turned.captures["capture_file"][at]
            one = pl.col("capture_file") == name
            alone = replace(
                turned, captures=turned.captures.filter(one), elements=turned.elements.filter(one)
            )
            found = score_captures(fit, alone).captures["odd_pct"][0]
            assert found == pytest.approx(scores.filter(one)["odd_pct"][0], abs=0.02)
    assert any(odd.values())


def test_only_one_thing_can_be_an_angle() -> None:
    with pytest.raises(ValueError, match="cycle_pct"):
        Measure("level", "Level", "nominal", cycle_pct=100.0)
