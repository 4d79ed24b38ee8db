"""Whose a name is, where several shops share a warehouse: a named shop's names begin with the shop's.

Two shops may both have an order `R-1` and a technician `Ada`. Inside, the order of the shop `North` is called
`North▸R-1`, so that every key, every join and every model keeps the shops apart without knowing of them; the one
shop without a name (all there is, for most) keeps its names as they were written.
"""

from __future__ import annotations

import polars as pl

MARK = "▸"
"""Between a shop and what it calls something. No name may hold it otherwise (see `pipelines.intake.table_specs`)."""


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


def own_name_column(column: str) -> pl.Expr:
    """`own_name` of a column of names; null stays null."""
    return pl.col(column).str.splitn(MARK, 2).struct.field("field_1").fill_null(pl.col(column)).alias(column)
