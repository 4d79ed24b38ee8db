"""Rows of some shops alone, of a warehouse that several share; see `models.records.shops`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import polars as pl

from models.records.shops import MARK, narrowed
from pipelines.errors import ShopspreadError
from pipelines.warehouse.database import Warehouse, query


def frames_of(
    warehouse: Warehouse, names: Sequence[str], shop: str | None, parameters: Mapping[str, Any] | None = None
) -> dict[str, pl.DataFrame]:
    """Named queries, of one shop's rows where it is named.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    found = warehouse.frames(names, parameters)
    return found if shop is None else {name: narrowed(frame, [shop]) for name, frame in found.items()}


def figure_name(name: str, shop: str | None) -> str:
    """The name a shop's figure is stored under; None is the only shop of a warehouse."""
    return name if shop is None else f"{shop}{MARK}{name}"


def shops_in(connection: duckdb.DuckDBPyConnection) -> list[str | None]:
    """Every shop whose figures stand by themselves: its name, or None alone where there is but one."""
    names = query(connection, "shops")["shop"].to_list()
    return [None] if len(names) < 2 else list(names)


def wanted_shop(warehouse: Warehouse, told: str, *, what: str) -> str | None:
    """The shop that is asked for; None where there is but one.

    Args:
        told: its name, empty where none was named.
        what: what is asked for, in the error's words.

    Raises:
        ShopspreadError: there is no such shop, or there are several and none was named.
    """
    known = warehouse.frame("shops")["shop"].to_list()
    named = ", ".join(name or "(one without a name)" for name in known)
    if told and told not in known:
        raise ShopspreadError(f"There is no shop {told!r} in this warehouse; there are: {named or 'none'}.")
    if len(known) < 2:
        return None
    if not told and "" not in known:
        raise ShopspreadError(f"{what} is one shop's; name it with --shop. There are: {named}.")
    return told
