"""Thresholds as decisions: versions are only added, flags keep theirs, and two people cannot overwrite each other."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from models.records.measure import Measure
from models.spread.null import element_oddness
from models.thresholds.flags import flags
from pipelines.errors import ShopspreadError, ThresholdConflict
from pipelines.fit.standing_hookup import refresh
from pipelines.intake.entry import log_coaching
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import (
    Place,
    judge,
    propose_thresholds,
    read_settings,
    set_setting,
    set_threshold,
)
from pipelines.warehouse.settings import SETTINGS
from tests.groups_shop import MEASURE

PLACE = Place("relative_compression", "relative_compression", "plain-3")

DEVIATIONS = {"even": (0.0, 1.0, -1.0), "weak": (0.0, -20.0, 1.0)}


def proposal(threshold_pct: float, why: str) -> pl.DataFrame:
    place = {"test": PLACE.test, "measure": PLACE.measure, "group": PLACE.group}
    return pl.DataFrame([place | {"threshold_pct": threshold_pct, "why": why}])


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    """Two scored captures of one family, with a proposed threshold of 10 %."""
    house = Warehouse(tmp_path / "shop", create=True)
    family = ("plain-3", 3, "1-2-3", "", "coil_on_plug")
    with house.transaction() as connection:
        connection.execute("INSERT INTO engine_family VALUES (?, ?, ?, ?, ?, '')", list(family))
        connection.execute("INSERT INTO technician (technician, started_on) VALUES ('ada', NULL)")
        for name, deviations in DEVIATIONS.items():
            connection.execute(
                "INSERT INTO capture_log (capture_file, engine_family, test) VALUES (?, 'plain-3', ?)",
                [name, PLACE.test],
            )
            connection.execute("INSERT INTO capture_state (capture_file, status) VALUES (?, 'read')", [name])
            rows = {
                "capture_file": [name] * 3,
                "measure": [PLACE.measure] * 3,
                "position": [1, 2, 3],
                "element": [1, 2, 3],
                "rank": [0] * 3,
                "relative_pct": [100 + value for value in deviations],
                "se_pct": [0.5] * 3,
                "identified": ["sync"] * 3,
            }
            intake_log.append(connection, "element_reading", pl.DataFrame(rows))
            scores = {
                "capture_file": [name] * 3,
                "measure": [PLACE.measure] * 3,
                "position": [1, 2, 3],
                "group_pct": [100.0] * 3,
                "deviation_pct": list(deviations),
            }
            intake_log.append(connection, "element_score", pl.DataFrame(scores))
        propose_thresholds(
            connection,
            proposal(10.0, "normal spread"),
        )
        judge(connection)
    return house


def test_what_stands_in_for_a_proposal_that_needs_a_look_moves_no_group_that_has_a_limit(
    house: Warehouse,
) -> None:
    """`first`: only where there is no version yet; the group's 10 % stands, another group gets its first one."""
    rows = pl.concat([proposal(1.5, "x"), proposal(6.0, "y").with_columns(group=pl.lit("plain-6"))])
    with house.transaction() as connection:
        connection.execute(
            "INSERT INTO engine_family VALUES ('plain-6', 6, '1-2-3-4-5-6', '', 'coil_on_plug', '')"
        )
        assert propose_thresholds(connection, rows.with_columns(first=pl.lit(True))) == 1
    stands = house.frame("thresholds_in_force").select("group", "threshold_pct", "version").rows()
    assert sorted(stands) == [("plain-3", 10.0, 1), ("plain-6", 6.0, 1)]


def flag_history(house: Warehouse) -> list[tuple[str, int, bool, bool]]:
    with house.reading() as connection:
        rows: list[tuple[str, int, bool, bool]] = connection.execute(
            "SELECT capture_file, threshold_version, flagged, in_force FROM flag ORDER BY ALL"
        ).fetchall()
    return rows


def test_oddness_is_the_distance_below_the_median_of_the_others() -> None:
    rng = np.random.default_rng(3)
    deviation = rng.normal(0, 3, (50, 6))
    slow = [[np.median(np.delete(row, k)) - row[k] for k in range(6)] for row in deviation]
    np.testing.assert_allclose(element_oddness(deviation), slow)


def test_a_flag_reaches_from_the_threshold_on_and_names_both_of_a_pair() -> None:
    elements = pl.DataFrame(
        {
            "capture_file": ["a"] * 4,
            "group": ["f"] * 4,
            "position": [1, 2, 3, 4],
            "element": [1, 3, 4, 2],
            "companion": [4, 2, 1, 3],
            "deviation_pct": [0.0, -10.0, 0.0, 0.0],
        }
    )
    limits = pl.DataFrame({"group": ["f"], "threshold_pct": [10.0], "version": [4]})
    found = flags(elements, limits, MEASURE).to_dicts()[0]
    assert found["flagged"]
    assert found["flagged_elements"] == [2, 3]
    assert found["flagged_positions"] == [2]
    assert found["threshold_version"] == 4
    just_above = limits.with_columns(threshold_pct=pl.lit(10.0001))
    assert not flags(elements, just_above, MEASURE)["flagged"][0]
    assert flags(elements.clear(), limits, MEASURE).is_empty()


EITHER = Measure("on_time", "On-time", "the median injector", "either")


def _named(deviation: list[float], limit: float, measure: Measure = EITHER) -> list[int]:
    elements = pl.DataFrame(
        {
            "capture_file": ["a"] * len(deviation), "group": ["f"] * len(deviation),
            "position": range(1, len(deviation) + 1), "element": range(1, len(deviation) + 1),
            "companion": pl.Series([None] * len(deviation), dtype=pl.Int64), "deviation_pct": deviation,
        }
    )  # fmt: skip
    limits = pl.DataFrame({"group": ["f"], "threshold_pct": [limit], "version": [1]})
    found = flags(elements, limits, measure).to_dicts()[0]
    assert found["flagged"] == bool(found["flagged_elements"])
    named: list[int] = found["flagged_elements"]
    return named


@pytest.mark.parametrize("odd", [1, 2, 3])
@pytest.mark.parametrize("off", [20.0, -20.0])
def test_of_three_only_the_odd_one_is_named_on_either_side(odd: int, off: float) -> None:
    deviation = [0.4, -0.3, 0.1]
    deviation[odd - 1] += off
    assert _named(deviation, 5.0) == [odd]
    assert _named(deviation, 25.0) == []


def test_two_odd_ones_of_five_do_not_drag_the_sound_ones_along() -> None:
    assert _named([0.0, 20.0, 0.5, 19.0, -0.5], 5.0) == [2, 4]
    assert _named([0.0, 20.0, 0.5, -19.0, -0.5], 5.0) == [2, 4]


def test_where_halves_stand_apart_nothing_tells_which_is_odd() -> None:
    assert _named([0.0, 20.0], 5.0) == [1, 2]
    assert _named([0.0, 20.0, 0.5, 19.5], 5.0) == [1, 2, 3, 4]
    # three that all differ: the outer two are named, as before
    assert _named([0.0, 10.0, 20.5], 6.0) == [1, 3]


@pytest.mark.parametrize("elements", [4, 6, 8, 35])
def test_one_odd_element_among_more_is_named_as_the_plain_comparison_names_it(elements: int) -> None:
    rng = np.random.default_rng(elements)
    for _ in range(40):
        deviation = rng.normal(0, 1, elements)
        deviation[rng.integers(elements)] += rng.choice([-15.0, 15.0])
        plain = np.flatnonzero(element_oddness(deviation[None, :], "either")[0] >= 8.0) + 1
        assert _named(deviation.tolist(), 8.0) == plain.tolist()


def test_setting_a_threshold_adds_a_version_and_keeps_the_flags_of_the_old_one(house: Warehouse) -> None:
    assert flag_history(house) == [("even", 1, False, True), ("weak", 1, True, True)]
    assert set_threshold(house, PLACE, 30, set_by="mira", reason="too many gauge tests", seen_version=1) == 2
    assert flag_history(house) == [
        ("even", 1, False, False),
        ("even", 2, False, True),
        ("weak", 1, True, False),
        ("weak", 2, False, True),
    ]
    rows = house.frame("thresholds").to_dicts()
    assert [(row["version"], row["threshold_pct"], row["source"]) for row in rows] == [
        (1, 10.0, "proposed"),
        (2, 30.0, "set"),
    ]
    # Going back is a new version with the old value.
    set_threshold(house, PLACE, 10, set_by="mira", reason="back to version 1", seen_version=2)
    assert house.frame("thresholds_in_force")["version"][0] == 3


def test_a_proposal_never_overrides_what_somebody_set(house: Warehouse) -> None:
    set_threshold(house, PLACE, 30, set_by="mira", reason="why not", seen_version=1)
    moved = proposal(5.0, "new captures")
    with house.transaction() as connection:
        assert propose_thresholds(connection, moved) == 1
        assert propose_thresholds(connection, moved) == 0
    in_force = house.frame("thresholds_in_force").to_dicts()[0]
    assert (in_force["version"], in_force["threshold_pct"]) == (2, 30.0)


def test_of_two_people_saving_at_once_one_wins_and_the_other_is_told(house: Warehouse) -> None:
    outcomes: list[int | ThresholdConflict] = []

    def save(name: str, value: float) -> None:
        try:
            outcomes.append(
                set_threshold(house, PLACE, value, set_by=name, reason=f"{name} says so", seen_version=1)
            )
        except ThresholdConflict as conflict:
            outcomes.append(conflict)

    people = [threading.Thread(target=save, args=pair) for pair in (("mira", 12.0), ("jon", 14.0))]
    for person in people:
        person.start()
    for person in people:
        person.join()
    assert [outcome for outcome in outcomes if isinstance(outcome, int)] == [2]
    (told,) = [outcome for outcome in outcomes if isinstance(outcome, ThresholdConflict)]
    winner = house.frame("thresholds_in_force")["set_by"][0]
    assert winner in str(told)
    assert house.frame("thresholds").height == 2


@pytest.mark.parametrize(
    ("value", "who", "why"),
    [(12, "", "because"), (12, "mira", " "), (0, "mira", "because"), (100, "mira", "because")],
)
def test_a_decision_without_name_reason_or_sense_is_refused(
    house: Warehouse, value: float, who: str, why: str
) -> None:
    with pytest.raises(ShopspreadError):
        set_threshold(house, PLACE, value, set_by=who, reason=why, seen_version=1)
    assert house.frame("thresholds").height == 1


def test_a_threshold_needs_a_family_there_is(house: Warehouse) -> None:
    with pytest.raises(ShopspreadError, match="no group 'nobody'"):
        set_threshold(
            house, replace(PLACE, group="nobody"), 12, set_by="mira", reason="because", seen_version=0
        )


def test_settings_have_defaults_and_keep_their_history(house: Warehouse) -> None:
    assert read_settings(house) == {name: setting.default for name, setting in SETTINGS.items()}
    set_setting(house, "comeback_window_days", 45, set_by="mira")
    assert read_settings(house)["comeback_window_days"] == 45
    row = house.frame("intake_log", {"rows": 1}).to_dicts()[0]
    assert (row["subject"], row["before"], row["after"]) == ("setting", "30", "45")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("comeback_window_days", 0),
        ("comeback_window_days", 1.5),
        ("cost_miss", "much"),
        ("cost_miss", True),
        ("house_setup", {"relative_compression": {"colour": "red"}}),
        ("house_setup", ["relative_compression"]),
        ("house_setup", {"relative_compression": {"signals": ["battery_voltage", "bananas"]}}),
        ("house_setup", {"bananas": {"rate_hz": 5000}}),
    ],
)
def test_a_senseless_setting_is_refused(house: Warehouse, name: str, value: object) -> None:
    with pytest.raises(ShopspreadError, match=name):
        set_setting(house, name, value, set_by="mira")
    assert read_settings(house)[name] == SETTINGS[name].default


def test_coaching_is_logged_for_people_and_topics_there_are(house: Warehouse) -> None:
    import datetime as dt

    log_coaching(house, technician="ada", held_on=dt.date(2026, 3, 2), topic="calls", by="mira")
    assert house.frame("coaching")["technician"].to_list() == ["ada"]
    with pytest.raises(ShopspreadError, match="no technician"):
        log_coaching(house, technician="nobody", held_on=dt.date(2026, 3, 2), topic="calls", by="mira")
    with pytest.raises(ShopspreadError, match="topic"):
        log_coaching(house, technician="ada", held_on=dt.date(2026, 3, 2), topic="tidiness", by="mira")


@pytest.mark.parametrize(("second", "named"), [(-12.0, [2]), (-40.0, [2, 3])])
def test_the_residue_of_a_very_weak_cylinder_is_not_named_beside_it(second: float, named: list[int]) -> None:
    deviations = [0.0, -60.0, second, 0.0, 1.0]
    elements = pl.DataFrame(
        {
            "capture_file": ["a"] * 5,
            "group": ["f"] * 5,
            "position": [1, 2, 3, 4, 5],
            "element": [1, 2, 3, 4, 5],
            "companion": pl.Series([None] * 5, dtype=pl.Int64),
            "deviation_pct": deviations,
        }
    )
    limits = pl.DataFrame({"group": ["f"], "threshold_pct": [8.0], "version": [1]})
    assert flags(elements, limits, MEASURE)["flagged_elements"][0].to_list() == named


def test_the_house_setup_is_checked_anew_and_leaves_the_readers_own_finding_alone(house: Warehouse) -> None:
    wanted = {"relative_compression": {"sync_cylinder": 1}}
    with house.transaction() as connection:
        connection.execute("UPDATE capture_log SET test = 'relative_compression', sync_cylinder = 2")
        connection.execute(
            "INSERT INTO setup_check VALUES ('even', 'off_house_setup', 'warning', 'Check the scale.')"
        )
        refresh(connection, wanted)
    found = {row["capture_file"]: row["detail"] for row in house.frame("checks").to_dicts()}
    assert found["even"] == "Check the scale."
    assert "cylinder 1" in found["weak"]
    with house.transaction() as connection:
        assert refresh(connection, {}) == 0
    assert house.frame("checks")["capture_file"].to_list() == ["even"]
