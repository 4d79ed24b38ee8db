"""Which orders came back, when, and what is known of the order beforehand (for the adjustment)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records.logbook import eligible_orders, orders_until
from models.records.shop import Shop
from models.stats.arrays import Floats
from models.stats.casemix import codes_of
from models.stats.logistic import dummies

ADJUSTED_FOR = ("complaint", "engine family", "vehicle history", "season", "technician", "vehicle age")
MOST_UNKNOWN_AGES = 0.1
"""Where more orders than this have no model year, the vehicle's age counts as not recorded (a choice)."""
_HISTORY = ("first_visit", "one_earlier", "two_earlier", "three_or_more")


def watched_orders(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Eligible orders closed up to `moment` with their follow-up.

    An order's comeback is another order whose `comeback_of` names it; the earliest one counts, from the
    day the first was closed to the day the second was opened (0 where the log has them overlap).

    Added to the order's columns: `scoped`, `captures`, `readable` (see `logbook.eligible_orders`), `days`
    (follow-up: to the comeback, else to `moment`), `returned` (bool), `history` (earlier orders of the
    vehicle, in four steps), `is_return` (whether the order itself is a comeback), `season` (quarter
    opened).
    """
    known = orders_until(shop, moment)
    first_return = (
        known.filter(pl.col("comeback_of").is_not_null())
        .group_by(pl.col("comeback_of").alias("repair_order"))
        .agg(returned_at=pl.col("opened_at").min())
    )
    earlier = known.sort("opened_at", "repair_order").with_columns(
        earlier=pl.when(pl.col("vehicle").is_not_null())
        .then(pl.int_range(pl.len()).over("vehicle"))
        .otherwise(0)
        .cast(pl.Int64)
    )
    history = earlier.select(
        "repair_order",
        history=pl.when(pl.col("earlier") >= 3)
        .then(pl.lit(_HISTORY[3]))
        .otherwise(pl.col("earlier").replace_strict(dict(enumerate(_HISTORY[:3])), default=_HISTORY[3])),
    )
    end = pl.coalesce("returned_at", pl.lit(moment, dtype=pl.Datetime("us")))
    return (
        eligible_orders(shop, moment)
        .join(first_return, on="repair_order", how="left", maintain_order="left")
        .join(history, on="repair_order", how="left", maintain_order="left")
        .with_columns(
            returned=pl.col("returned_at").is_not_null(),
            days=((end - pl.col("closed_at")).dt.total_seconds() / 86400.0).clip(lower_bound=0.0),
            is_return=pl.col("comeback_of").is_not_null(),
            season=pl.format("Q{}", pl.col("opened_at").dt.quarter()),
        )
        .sort("opened_at", "repair_order")
    )


def recorded(watched: pl.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What the comparison allows for, and what it cannot because the log does not hold it."""
    unknown = watched["age"].null_count() > MOST_UNKNOWN_AGES * watched.height
    known = tuple(name for name in ADJUSTED_FOR if name != "vehicle age" or not unknown)
    return known, (("vehicle age", "mileage") if unknown else ("mileage",))


@dataclass(frozen=True, slots=True)
class Covariates:
    """Design of the adjustment, one row for each different combination of the covariates.

    Attributes:
        x: shape (combinations, p), intercept first. names: of the columns. penalty: ridge by column.
        cell: which row of `x` each order has, shape (orders,).
        cluster: code of the vehicle of each order, shape (orders,).
    """

    x: Floats
    names: tuple[str, ...]
    penalty: Floats
    cell: npt.NDArray[np.int64]
    cluster: npt.NDArray[np.int64]


_CATEGORIES = ("complaint", "engine_family", "history", "season", "technician", "age")


def covariates(watched: pl.DataFrame, *, ridge: float = 0.05) -> Covariates:
    """Complaint, engine family, vehicle history, season, technician and vehicle age as indicator columns.

    An age nobody wrote down is a class of its own.

    The small ridge penalty (a normal prior with SD 1/sqrt(ridge) on the logit scale) keeps a category
    that always or never came back from breaking the fit, and hardly moves the others.
    """
    known = [*_CATEGORIES, "is_return"]
    rows = watched.select(known).unique(maintain_order=True).with_row_index("cell")
    cell = watched.join(rows, on=known, how="left", nulls_equal=True, maintain_order="left")["cell"]
    parts, names = [np.ones((rows.height, 1))], ["intercept"]
    for column in _CATEGORIES:
        code, levels = codes_of(rows[column])
        parts.append(dummies(code, len(levels)))
        names += [f"{column}: {level}" for level in levels[1:]]
    again = rows["is_return"].to_numpy().astype(float)
    if 0 < again.sum() < again.size:
        parts.append(again[:, None])
        names.append("is itself a comeback")
    x = np.hstack(parts)
    penalty = np.full(x.shape[1], ridge)
    penalty[0] = 0.0
    # an order without a vehicle belongs to nobody else's
    vehicle = watched.select(pl.coalesce("vehicle", pl.format("order {}", "repair_order")).alias("v"))["v"]
    return Covariates(x, tuple(names), penalty, cell.to_numpy().astype(np.int64), codes_of(vehicle)[0])
