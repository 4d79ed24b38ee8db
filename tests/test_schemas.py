"""One typed schema a frame: what is not what it says is refused by name, at the door."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import polars as pl
import pytest

from models.records import schemas
from models.records.schemas import FrameSchema, WrongFrame
from models.records.shop import Shop
from pipelines.intake.ingest import ingest
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.shop import read_shop
from tests.groups_shop import make_shop
from tests.small_shop import small_drop

every_frame = pytest.mark.parametrize("schema", schemas.ALL, ids=lambda schema: schema.name)


def other_type(dtype: pl.DataType) -> pl.DataType:
    """A type that is not this one, near enough to pass for it."""
    near: dict[pl.DataType, pl.DataType] = {
        schemas.F: pl.Float32(),
        schemas.I32: pl.Int64(),
        schemas.INTS: pl.List(pl.Int64()),
        schemas.WHEN: pl.Datetime("ms"),
    }
    return near.get(dtype, pl.Int8())


def test_the_bundle_has_a_schema_for_each_of_its_frames() -> None:
    assert [schema.name for schema in schemas.ALL] == [entry.name for entry in fields(Shop)]
    for schema in schemas.ALL:
        assert all(meaning for _, meaning in schema.columns.values()), schema.name


@every_frame
def test_a_missing_column_is_refused_by_name(schema: FrameSchema) -> None:
    for column in schema.types:
        with pytest.raises(WrongFrame, match=f"frame '{schema.name}': column '{column}' is missing$"):
            Shop(**{schema.name: schema.empty().drop(column)})


@every_frame
def test_an_unknown_column_is_refused_by_name(schema: FrameSchema) -> None:
    wider = schema.empty().with_columns(pl.lit(1).alias("shoe_size"))
    with pytest.raises(WrongFrame, match=f"frame '{schema.name}': column 'shoe_size' is unknown"):
        Shop(**{schema.name: wider})


@every_frame
def test_a_column_of_another_type_is_refused_by_name_with_both_types(schema: FrameSchema) -> None:
    for column, dtype in schema.types.items():
        wrong = schema.empty().cast({column: other_type(dtype)})
        with pytest.raises(WrongFrame) as caught:
            Shop(**{schema.name: wrong})
        said = f"frame {schema.name!r}: column {column!r} is {other_type(dtype)}, not {dtype}"
        assert str(caught.value) == said


def test_everything_wrong_is_named_at_once() -> None:
    wrong = schemas.FEATURES.empty().rename({"feature": "name"}).cast({"value": pl.Float32})
    with pytest.raises(WrongFrame) as caught:
        Shop(features=wrong)
    for part in ("'feature' is missing", "'name' is unknown", "'value' is Float32, not Float64"):
        assert part in str(caught.value)


def test_a_frame_replaced_later_is_checked_too() -> None:
    shop = make_shop(1, [3]).records
    with pytest.raises(WrongFrame, match=r"'elements'.*'se_pct' is missing"):
        shop.with_frames(elements=shop.elements.drop("se_pct"))
    with pytest.raises(TypeError, match="no frame cylinders"):
        Shop.made(cylinders=shop.elements)


def test_columns_come_in_the_schemas_order() -> None:
    shop = make_shop(1, [3]).records
    turned = shop.captures.select(reversed(shop.captures.columns))
    assert Shop(captures=turned).captures.columns == list(schemas.CAPTURES.types)


def test_what_the_warehouse_gives_passes_as_it_comes(tmp_path: Path) -> None:
    """An empty warehouse and a small one: `Shop` casts nothing, so this fails on any other type."""
    assert read_shop(Warehouse(tmp_path / "empty", create=True)).captures.is_empty()
    small_drop(tmp_path / "drop")
    (tmp_path / "drop" / "outcomes.csv").write_text(
        "repair_order,finding,confirmed_cylinders,gauge_kpa\nR,odd,4,1180;1190;1185;720\nS,other,,\n"
    )
    (tmp_path / "drop" / "repair_orders.csv").write_text(
        "repair_order,opened_at\nR,2026-03-01\nS,2026-03-01\n"
    )
    (tmp_path / "drop" / "drills.csv").write_text(
        "drill,technician,test,week_of,target\nD,,relative_compression,2026-03-02,3\n"
    )
    (tmp_path / "drop" / "coaching.csv").write_text(
        "session,technician,held_on,topic\nC,ada,2026-03-04,calls\n"
    )
    house = Warehouse(tmp_path / "house", create=True)
    ingest(tmp_path / "drop", house, jobs=1)
    shop = read_shop(house)
    for name in ("captures", "elements", "features", "groups", "outcomes", "orders", "drills", "coaching"):
        assert getattr(shop, name).height > 0, name
