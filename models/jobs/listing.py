"""The jobs behind the figures: one row a job, marked with all that the figures about use and comebacks count by.

Every figure counts rows of this listing: `comebacks` the jobs that came back within the window, `by_call_quality`
those of one quality, `parts` those from which parts went back.
"""

from __future__ import annotations

from datetime import date, datetime

import polars as pl

from models.jobs.comebacks import order_quality
from models.jobs.returns import watched_orders
from models.records.logbook import orders_until, week_of
from models.records.people_settings import as_moment
from models.records.shop import Shop


def listed_jobs(shop: Shop, *, as_of: date | datetime, window_days: int) -> pl.DataFrame:
    """All orders opened up to `as_of`, the newest first.

    Args:
        window_days: an order that returns within so many days of closing is a comeback.

    Returns:
        the order's own columns; `counted` (eligible and closed: it stands behind the shares); for counted ones
        `scoped`, `quality` (see `comebacks.QUALITIES`), `came_back` (within the window), `days` (until then) and
        `week` (the Monday of the week it was closed in); `came_back_as` (the first order that names it as what it
        returns for, whenever that was).
    """
    moment = as_moment(as_of)
    orders = orders_until(shop, moment)
    first = (
        orders.filter(pl.col("comeback_of").is_not_null())
        .sort("opened_at", "repair_order")
        .unique("comeback_of", keep="first", maintain_order=True)
        .select(repair_order="comeback_of", came_back_as="repair_order")
    )
    back = pl.col("returned") & (pl.col("days") <= window_days)
    counted = order_quality(watched_orders(shop, moment), shop, moment).select(
        "repair_order",
        "scoped",
        "quality",
        counted=pl.lit(True),
        came_back=back,
        days=pl.when(back).then(pl.col("days")),
        week=week_of("closed_at"),
    )
    return (
        orders.join(counted, on="repair_order", how="left", maintain_order="left")
        .join(first, on="repair_order", how="left", maintain_order="left")
        .with_columns(pl.col("counted", "came_back").fill_null(False))
        .sort("opened_at", "repair_order", descending=True)
    )
