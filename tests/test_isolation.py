"""Nothing of one test touches a figure of another: every capture of one kind may come or go."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.people.skill import technicians
from models.records.people_settings import PeopleSettings
from pipelines import kinds
from pipelines.fit.run import fit_warehouse
from pipelines.kinds.base import Element, Measure
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.shop import read_shop
from tests.groups_shop import TEST, make_shop
from tests.shop_in_warehouse import drawn, write_rows
from tests.wheel_kind import WHEEL

pytestmark = pytest.mark.xdist_group("isolation")

BARS = replace(
    WHEEL,
    name="pump_bars",
    title="Bars of a pump",
    element=Element("bar", "bars", "worn"),
    measures=(Measure("bar_height", "Height of each bar", "the median bar", "low", 2.0),),
)
FIGURES = {
    "group_stat": 'test, measure, "group"',
    "group_pattern": 'test, measure, "group", element',
    "group_null": 'test, measure, "group"',
    "proposal": 'test, measure, "group"',
    "threshold": 'test, measure, "group", version',
    "measure_score": "capture_file, measure",
    "element_score": "capture_file, measure, position",
    "capture_health": "capture_file, measure",
    "outlier": "capture_file",
    "flag": "capture_file, measure, threshold_version",
}
CLOCK = ("set_at", "made_at")
"""When something was written is no figure."""


@pytest.fixture(scope="module", autouse=True)
def registered() -> Iterator[None]:
    kinds.register(BARS)
    yield
    kinds.forget(BARS.name)


def write_bars(connection: duckdb.DuckDBPyConnection) -> None:
    """Captures of two components of eight bars, by the same people, on orders of the same names."""
    records = make_shop(
        41, [45, 25], odd_share=0.3, confirm=(0.7, 0.3), known_good_share=0.3, sizes=[8, 8]
    ).records
    name = (pl.lit("bars/") + pl.col("capture_file")).alias("capture_file")
    captures = records.captures.with_columns(
        name, component=pl.lit("pump-") + pl.col("group"), test=pl.lit(BARS.name)
    )
    intake_log.append(
        connection,
        "capture_log",
        captures.select(
            "capture_file", "captured_at", "technician", "repair_order", "vehicle", "test", "component", "purpose",
            call=pl.lit("even"),
        ),
    )  # fmt: skip
    intake_log.append(
        connection,
        "capture_state",
        captures.select("capture_file", status=pl.lit("read"), noun=pl.lit("bar")),
    )
    elements = records.elements.with_columns(name, measure=pl.lit("bar_height"), rank=pl.lit(0))
    intake_log.append(connection, "element_reading", elements)
    feature = captures.select("capture_file", feature=pl.lit("pulse_v"), value=pl.lit(2.0))
    intake_log.append(connection, "feature", feature)
    intake_log.append(connection, "outcome", records.outcomes.with_columns(test=pl.lit(BARS.name)))


def cylinders_called(connection: duckdb.DuckDBPyConnection) -> None:
    write_rows(connection, drawn())
    connection.execute("UPDATE capture_log SET call = 'even' WHERE test = ?", [TEST])


@pytest.fixture(scope="module")
def houses(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Warehouse]:
    folder = tmp_path_factory.mktemp("isolation")
    wanted = {TEST: (cylinders_called,), BARS.name: (write_bars,), "both": (cylinders_called, write_bars)}
    found = {}
    for name, writers in wanted.items():
        found[name] = Warehouse(folder / name, create=True)
        with found[name].transaction() as connection:
            for write in writers:
                write(connection)
        fit_warehouse(found[name])
    return found


def figures(house: Warehouse, test: str) -> dict[str, pl.DataFrame]:
    """Every stored figure of one test, without the clock."""
    found = {}
    with house.reading() as connection:
        for table, key in FIGURES.items():
            mine = "test = ?" if key.startswith("test") else (
                "capture_file IN (SELECT capture_file FROM capture_log WHERE test = ?)"
            )  # fmt: skip
            rows = connection.sql(f"SELECT * FROM {table} WHERE {mine} ORDER BY {key}", params=[test]).pl()
            found[table] = rows.drop([name for name in CLOCK if name in rows.columns])
    return found


@pytest.mark.parametrize("test", [TEST, BARS.name])
def test_every_figure_is_the_same_with_and_without_the_other_kind(
    houses: dict[str, Warehouse], test: str
) -> None:
    alone, both = figures(houses[test], test), figures(houses["both"], test)
    for table, rows in alone.items():
        assert rows.height > 0, table
        assert_frame_equal(both[table], rows, check_exact=True)


@pytest.mark.parametrize("test", [TEST, BARS.name])
def test_peoples_figures_of_a_test_are_the_same_too(houses: dict[str, Warehouse], test: str) -> None:
    found = [
        technicians(
            read_shop(houses[name]).of_test(test),
            as_of=dt.datetime(2026, 12, 31),
            settings=PeopleSettings(draws=200),
        )
        for name in (test, "both")
    ]
    assert [one.technician for one in found[0]] == ["t"]
    assert found[0][0].calls.n > 20
    assert repr(found[0]) == repr(found[1])


def test_taking_a_kind_away_again_leaves_the_other_as_it_was(
    houses: dict[str, Warehouse], tmp_path: Path
) -> None:
    house = Warehouse(tmp_path / "shop", create=True)
    with house.transaction() as connection:
        cylinders_called(connection)
        write_bars(connection)
    fit_warehouse(house)
    with house.transaction() as connection:
        for table in ("element_reading", "feature", "capture_state", "flag", "capture_log"):
            connection.execute(f"DELETE FROM {table} WHERE starts_with(capture_file, 'bars/')")
        connection.execute("DELETE FROM outcome WHERE test = ?", [BARS.name])
    fit_warehouse(house)
    alone = figures(houses[TEST], TEST)
    for table, rows in figures(house, TEST).items():
        assert_frame_equal(rows, alone[table], check_exact=True)
    assert figures(house, BARS.name)["group_stat"].is_empty()
