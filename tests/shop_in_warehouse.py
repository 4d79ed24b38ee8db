"""A drawn shop written into a warehouse's tables, as an ingest would have left it before its fit."""

from __future__ import annotations

import duckdb
import polars as pl

from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from tests.groups_shop import MEASURE, ORDERS, TEST, DrawnShop, make_shop


def drawn() -> DrawnShop:
    """Six families: rich ones with outcomes, pairs, unnamed ones, one of a single capture and an empty one."""
    return make_shop(
        77,
        [70, 60, 30, 30, 1, 0],
        odd_share=0.3,
        loss_pct=(4.0, 30.0),
        confirm=(0.8, 0.2),
        known_good_share=0.2,
        identified=["sync", "sync", "pair", "none", "sync", "sync"],
        sizes=[4, 6, 4, 4, 3, 8],
    )


def write_rows(connection: duckdb.DuckDBPyConnection, shop: DrawnShop) -> None:
    """The shop's own rows of the test on cylinders."""
    records = shop.records
    captures = records.captures.rename({"group": "group_key"}).with_columns(engine_family=pl.col("group_key"))
    families = [
        (one.name, one.elements, ORDERS[one.elements], "", "coil_on_plug") for one in shop.truth.values()
    ]
    connection.executemany("INSERT INTO engine_family VALUES (?, ?, ?, ?, ?, '')", families)
    log = captures.select(
        "capture_file", "captured_at", "technician", "repair_order", "vehicle", "engine_family", "test", "purpose",
        "call", "call_elements",
    ).with_columns(
        ch_signals=pl.lit(["battery_voltage", "ignition_primary"]), ch_scales=pl.lit([1.0, 10.0]),
        sync_cylinder=pl.lit(1, dtype=pl.Int32),
    )  # fmt: skip
    intake_log.append(connection, "capture_log", log)
    state = captures.select(
        "capture_file", status=pl.lit("read"), noun=pl.lit("cylinder"), rate_hz=pl.lit(5000.0),
        duration_s=pl.lit(10.0),
    )  # fmt: skip
    intake_log.append(connection, "capture_state", state)
    intake_log.append(connection, "element_reading", records.elements.with_columns(rank=pl.lit(0)))
    rpm = captures.select(
        "capture_file", feature=pl.lit("crank_rpm"), value=190.0 + pl.col("captured_at").dt.day().cast(pl.Float64)
    )  # fmt: skip
    intake_log.append(connection, "feature", rpm)
    intake_log.append(connection, "outcome", records.outcomes.with_columns(test=pl.lit("")))


def write_shop(house: Warehouse, shop: DrawnShop | None = None) -> DrawnShop:
    """Write a drawn shop into an empty warehouse."""
    shop = shop or drawn()
    assert {MEASURE.name} == set(shop.records.elements["measure"])
    assert {TEST} == set(shop.records.captures["test"])
    with house.transaction() as connection:
        write_rows(connection, shop)
    return shop
