"""Whose a name is, where several shops share a warehouse: a named shop's names begin with the shop's.

Two shops may both have an order `R-1` and a technician `Ada`. Inside, the order of the shop `North` is called
`North▸R-1`, so that every key, every join and every model keeps the shops apart without knowing of them; the one
shop without a name (all there is, for most) keeps its names as they were written.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import polars as pl

MARK = "▸"
"""Between a shop and what it calls something. No name may hold it otherwise (see `pipelines.intake.table_specs`)."""

NO_NAME = "the shop without a name"
"""What people call it, beside shops that have one."""


def qualified(shop: str, name: str) -> str:
    """What something is called inside: with its shop, where that has a name."""
    return f"{shop}{MARK}{name}" if shop else name


def shop_of(name: str) -> str:
    """The shop a name belongs to; empty for the shop without a name."""
    shop, mark, _ = name.partition(MARK)
    return shop if mark else ""


def own_name(name: str) -> str:
    """What its own shop calls it."""
    return name.partition(MARK)[2] if MARK in name else name


def shop_column(column: str) -> pl.Expr:
    """`shop_of` of a column of names; null stays null."""
    name = pl.col(column)
    marked = name.str.contains(MARK, literal=True)
    return pl.when(marked).then(name.str.split(MARK).list.first()).when(name.is_not_null()).then(pl.lit(""))


_MENTIONED = rf"([^\s|;{MARK}]+){MARK}"


def shop_in(text: str) -> str:
    """The shop of the first name in a key or a remark; empty where no named shop's name is in it."""
    found = re.search(_MENTIONED, text)
    return found.group(1) if found else ""


def mentioned_shop(column: str) -> pl.Expr:
    """`shop_in` of a column."""
    return pl.col(column).str.extract(_MENTIONED).fill_null("")


NAMED_BY = (
    "shop", "capture_file", "repair_order", "group", "session", "drill", "technician", "vehicle", "engine_family",
    "key", "item",
)  # fmt: skip
"""Columns that say whose a row is, the surest first; a frame without any of them is about no shop's things."""


def narrowed(frame: pl.DataFrame, shops: Sequence[str]) -> pl.DataFrame:
    """The rows of these shops, in their order; a row that does not say whose it is belongs to none of them."""
    column = next((name for name in NAMED_BY if name in frame.columns), None)
    if column is None:
        return frame
    whose = pl.col(column) if column == "shop" else mentioned_shop(column)
    return frame.filter(pl.col(column).is_not_null() & whose.is_in(list(shops)))


def own_name_column(column: str) -> pl.Expr:
    """`own_name` of a column of names; null stays null."""
    return pl.col(column).str.splitn(MARK, 2).struct.field("field_1").fill_null(pl.col(column)).alias(column)
