"""The whole fit is stored: what comes back from the warehouse is what the models said, to the last digit."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.outliers.forest import SCORE_SCHEMA, ForestFit
from models.spread.fit import GroupFit
from models.thresholds.proposal import Costs, Proposal
from pipelines.fit import landing
from pipelines.fit.landing import STORED, stored_fit, stored_proposals, stored_scores
from pipelines.fit.run import TestFit, fit_warehouse
from pipelines.kinds import Kind, kind
from pipelines.threads import one_thread
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import read_settings
from pipelines.warehouse.shop import read_shop
from tests.groups_shop import MEASURE, TEST
from tests.shop_in_warehouse import write_shop
from tests.whole_fit import fit_test


@pytest.fixture(scope="module")
def known() -> Kind:
    found = kind(TEST)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Warehouse:
    house = Warehouse(tmp_path_factory.mktemp("stored") / "shop", create=True)
    write_shop(house)
    fit_warehouse(house)
    return house


@pytest.fixture(scope="module")
def said(house: Warehouse, known: Kind) -> TestFit:
    settings = read_settings(house)
    with one_thread():
        return fit_test(known, read_shop(house), Costs(settings["cost_miss"], settings["cost_false_alarm"]))


@pytest.fixture(scope="module")
def frames(house: Warehouse) -> dict[str, pl.DataFrame]:
    return house.frames(
        [*STORED, "comparison_groups", "scores", "element_scores", "captures", "outliers"],
        {"test": TEST, "measure": MEASURE.name},
    )


def same(stored: pl.DataFrame, made: pl.DataFrame, *key: str) -> None:
    """Equal to the last digit, types, names and nulls too; rows in the order of the key."""
    assert_frame_equal(stored.sort(key), made.sort(key), check_exact=True)


def test_the_shop_has_what_makes_storing_hard(said: TestFit) -> None:
    one = said.measures[MEASURE.name]
    assert {"outcomes", "outcomes of all groups"} <= {proposal.basis for proposal in one.proposals}
    assert any(proposal.detection.estimate is None for proposal in one.proposals)
    assert one.fit.stats["reading_se_pct"].null_count() > 0
    assert one.scores.captures["odd_element"].null_count() > 0


def test_the_fit_comes_back(known: Kind, said: TestFit, frames: dict[str, pl.DataFrame]) -> None:
    made = said.measures[MEASURE.name].fit
    stored = stored_fit(known, MEASURE.name, frames)
    assert {entry.name for entry in fields(GroupFit)} == {
        *("measure", "stats", "pattern", "healthy", "nulls", "layouts", "settings")
    }
    same(stored.stats, made.stats, "group")
    same(stored.pattern, made.pattern, "group", "element")
    same(stored.healthy, made.healthy, "capture_file")
    assert (stored.measure, stored.settings, stored.layouts) == (made.measure, made.settings, made.layouts)
    assert set(stored.nulls) == set(made.nulls)
    for group, null in made.nulls.items():
        back = stored.nulls[group]
        np.testing.assert_array_equal(back.odd_pct, null.odd_pct)
        assert (back.tail_from, back.tail_sd_pct) == (null.tail_from, null.tail_sd_pct)
        at = np.linspace(0.0, 40.0, 400)
        np.testing.assert_array_equal(back.survival(at), null.survival(at))


def test_the_scores_come_back(said: TestFit, frames: dict[str, pl.DataFrame]) -> None:
    made = said.measures[MEASURE.name].scores
    own = frames["captures"].filter(pl.col("test") == TEST)
    stored = stored_scores(MEASURE.name, frames["scores"], frames["element_scores"], own)
    same(stored.captures, made.captures, "capture_file")
    same(stored.elements, made.elements, "capture_file", "position")


def test_the_proposals_come_back(said: TestFit, frames: dict[str, pl.DataFrame]) -> None:
    made = {one.group: one for one in said.measures[MEASURE.name].proposals}
    stored = {one.group: one for one in stored_proposals(frames["proposals"])}
    assert set(stored) == set(made)
    for group, one in made.items():
        for entry in fields(Proposal):
            if entry.name == "cost":
                same(stored[group].cost, one.cost, "threshold_pct")
            else:
                assert getattr(stored[group], entry.name) == getattr(one, entry.name), (group, entry.name)


def test_the_outliers_come_back(said: TestFit, frames: dict[str, pl.DataFrame]) -> None:
    made: ForestFit = said.outliers
    figures = [name for name in SCORE_SCHEMA if name not in ("reasons", "model")]
    stored = frames["outliers"].select(pl.col(name).cast(SCORE_SCHEMA[name]) for name in figures)
    same(stored, made.scores.select(figures), "capture_file")
    models = frames["outliers"].select("capture_file", pl.col("outlier_model").alias("model"))
    same(models, made.scores.select("capture_file", "model"), "capture_file")


def test_a_column_without_a_place_is_an_error_and_nothing_is_lost(
    house: Warehouse, said: TestFit, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = house.frame("proposals", {"test": TEST, "measure": MEASURE.name})
    rows = landing._proposal_rows
    monkeypatch.setattr(landing, "_proposal_rows", lambda made: rows(made).with_columns(shoe_size=pl.lit(43)))

    def land() -> None:
        with house.transaction() as connection:
            landing.land(connection, house_groups, [said])

    house_groups = house.frame("comparison_groups")
    with pytest.raises(ValueError, match="proposal has no column shoe_size"):
        land()
    assert_frame_equal(house.frame("proposals", {"test": TEST, "measure": MEASURE.name}), before)
