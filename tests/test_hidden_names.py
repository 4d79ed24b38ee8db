"""A hidden name in a drop folder: named where it looks like a capture or a table, else counted in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.intake.ingest import ingest
from pipelines.intake.watch import look as seen_by_watch
from pipelines.warehouse.database import Warehouse
from tests.constructed_text import HEAD, lines, numbered
from tests.small_shop import small_drop


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    small_drop(tmp_path / "drop")
    return tmp_path / "drop"


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    return Warehouse(tmp_path / "warehouse", create=True)


def test_a_hidden_name_is_named_where_it_looks_meant_and_counted_elsewhere(
    drop: Path, house: Warehouse
) -> None:
    meant = ("..x.csv", ".x.CSV", "week1/.late.parquet", ".outcomes.xlsx", ".text_format.json")
    leftovers = (
        ".DS_Store", "._x.csv", ".~lock.captures.csv#", ".captures.csv.swp", ".x.csv.Ab12Cd", ".nfs0001.csv",
        ".#x.csv", "week1/.directory",
    )  # fmt: skip
    for name in (*meant, *leftovers, ".week2/mon/a.csv", ".Trash-1000/files/a.csv", ".cfg/notes.ini"):
        path = drop / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(lines(HEAD, numbered(50)))
    summary = ingest(drop, house, jobs=1)
    named = {trouble.what: trouble.reason for trouble in summary.troubles}
    assert set(named) == {*meant, ".week2"}
    assert all("begins with a dot" in reason and "rename it" in reason for reason in named.values())
    assert any(f"{len(leftovers) + 2} such files or folders" in note for note in summary.notes), summary.notes
    assert summary.statuses == {"read": 4}
    assert set(named) <= set(house.frame("intake_log", {"rows": 1000})["key"].to_list())
    # A watch looks again when one of them comes, and leaves the others.
    assert set(meant) <= set(seen_by_watch(drop, house))
    assert not {"._x.csv", ".#x.csv", ".nfs0001.csv"} & set(seen_by_watch(drop, house))


def test_a_warehouse_in_a_hidden_folder_is_left_alone(drop: Path) -> None:
    inner = Warehouse(drop / ".shop/warehouse", create=True)
    for _ in range(2):
        assert ingest(drop, inner, jobs=1).clean
