"""What is read, scored, drawn or landed in pieces says to the last digit what it says as a whole."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from models.outliers import forest
from models.outliers.forest import isolation_scores
from models.thresholds.proposal import Costs
from pipelines.fit import landing
from pipelines.fit.run import TestFit, _read_and_fit, fit_warehouse
from pipelines.kinds import kind
from pipelines.warehouse import decisions
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.shop import comparison_groups, read_shop
from tests.whole_fit import fit_test

TEST = "relative_compression"
LANDED = ("all_group_stats", "all_group_patterns", "scores", "elements", "outliers", "thresholds_in_force")


@pytest.fixture
def house(small_warehouse: Path, tmp_path: Path) -> Warehouse:
    shutil.copy(small_warehouse / "shopspread.duckdb", tmp_path / "shopspread.duckdb")
    return Warehouse(tmp_path)


def landed(house: Warehouse) -> dict[str, pl.DataFrame]:
    frames = house.frames(LANDED)
    return frames | {"thresholds_in_force": frames["thresholds_in_force"].drop("set_at")}


def test_a_test_read_by_itself_is_fitted_as_out_of_the_whole_shop(house: Warehouse) -> None:
    known = kind(TEST)
    assert known is not None
    frames = house.frames(("families", "logged_groups", "element_counts"))
    groups = comparison_groups(frames["families"], frames["logged_groups"], frames["element_counts"])
    alone = _read_and_fit(house, known, groups, Costs(600.0, 90.0))
    whole = fit_test(known, read_shop(house), Costs(600.0, 90.0))
    assert alone.outliers.scores.height > 20
    for left, right in zip(_figures(alone), _figures(whole), strict=True):
        assert left.equals(right)


def _figures(fit: TestFit) -> list[pl.DataFrame]:
    one = fit.measures[TEST]
    rows = [(p.group, p.threshold_pct, p.low, p.high) for p in one.proposals]
    limits = pl.DataFrame(rows, schema=["group", "threshold_pct", "low", "high"], orient="row")
    stats = one.fit.stats.sort("group")
    return [stats, one.fit.pattern, one.scores.captures, one.scores.elements, fit.outliers.scores, limits]


def test_landing_and_judging_in_pieces_change_nothing(
    house: Warehouse, small_warehouse: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = tmp_path / "other.duckdb"
    shutil.copy(small_warehouse / "shopspread.duckdb", other)
    fit_warehouse(house)
    whole = landed(house)
    assert whole["scores"]["flagged"].is_not_null().sum() > 20
    monkeypatch.setattr(landing, "_PIECE", 37)
    monkeypatch.setattr(decisions, "_PIECE", 61)
    twin = Warehouse(other)
    fit_warehouse(twin)
    for name, frame in landed(twin).items():
        assert frame.equals(whole[name]), name


def test_a_forest_scores_in_pieces_what_it_scores_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = np.random.default_rng(4).normal(0, 1, (101, 5))
    whole, _ = isolation_scores(rows, rows, trees=20, subsample=64, seed=1)
    monkeypatch.setattr(forest, "_PIECE", 10)
    pieces, _ = isolation_scores(rows, rows, trees=20, subsample=64, seed=1)
    np.testing.assert_array_equal(pieces, whole)
    assert isolation_scores(rows, rows[:0], trees=20, subsample=64, seed=1)[0].shape == (0,)
