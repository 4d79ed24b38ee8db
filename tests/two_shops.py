"""Two invented shops in one warehouse, made of the small shop's rows: North has all of them, South some, under the same
names."""

from __future__ import annotations

from models.records.shops import qualified
from pipelines.intake.table_specs import OF_A_SHOP
from pipelines.warehouse.database import Warehouse

TABLES = (
    "engine_family", "technician", "repair_order", "capture_log", "outcome", "drill", "coaching", "capture_state",
    "element_reading", "feature", "setup_check", "capture_drawing",
)  # fmt: skip
SOUTH_HAS = "hash(capture_file) % 3 > 0"
"""Which captures South has: about two thirds."""


def two_shops(house: Warehouse) -> None:
    """Give every row of a warehouse with one shop to North, and many of them once more to South."""
    with house.transaction() as connection:
        for table in TABLES:
            columns = [name for name, *_ in connection.execute(f"DESCRIBE {table}").fetchall()]
            where = f"WHERE {SOUTH_HAS}" if "capture_file" in columns else ""
            for shop, rows in (("South", where), ("North", "")):
                named = ", ".join(
                    f"'{shop}' AS shop" if name == "shop"
                    else f"'{qualified(shop, '')}' || \"{name}\" AS \"{name}\"" if name in OF_A_SHOP
                    else f'"{name}"'
                    for name in columns
                )  # fmt: skip
                connection.execute(f"CREATE TEMP TABLE taken_{shop} AS SELECT {named} FROM {table} {rows}")
            connection.execute(f"DELETE FROM {table}")
            for shop in ("North", "South"):
                connection.execute(f"INSERT INTO {table} BY NAME SELECT * FROM taken_{shop}")
                connection.execute(f"DROP TABLE taken_{shop}")
        for table in (
            "flag",
            "threshold",
            "figure",
            "capture_health",
            "measure_score",
            "element_score",
            "outlier",
        ):
            connection.execute(f"DELETE FROM {table}")
