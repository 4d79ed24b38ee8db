"""What the raw log says, put into words once: which order was scoped, which call was right.

Every function takes frames as the warehouse hands them over, and looks no further than `as_of`.
"""

from __future__ import annotations

from datetime import datetime

import polars as pl

LOGGED = ("read", "unusable")
ON_THE_JOB = ("diagnosis", "known_good")


def captures_until(captures: pl.DataFrame, moment: datetime) -> pl.DataFrame:
    """Captures that were really taken (read or unusable), with a technician and a time, up to `moment`.

    Files that wait or were refused say nothing of a person: a waiting file may be anybody's.
    """
    return captures.filter(
        pl.col("status").is_in(LOGGED)
        & pl.col("technician").is_not_null()
        & pl.col("captured_at").is_not_null()
        & (pl.col("captured_at") <= moment)
    )


def orders_until(orders: pl.DataFrame, moment: datetime) -> pl.DataFrame:
    """Orders opened up to `moment`; one closed later is still open, as it was seen then."""
    return orders.filter(pl.col("opened_at") <= moment).with_columns(
        closed_at=pl.when(pl.col("closed_at") <= moment).then(pl.col("closed_at"))
    )


def scoped_orders(captures: pl.DataFrame, orders: pl.DataFrame) -> pl.DataFrame:
    """Orders with the column `scoped` (bool), and how good the capture was.

    An order counts as *scoped* when at least one capture was logged on it for the job itself (purpose
    `diagnosis` or `known_good`), whether it could be read or not, no later than the day the order
    closed: a capture taken afterwards cannot have served the repair. Practice (`drill`) never counts.
    Added: `scoped`, `captures` (how many), `readable` (how many of them were read).
    """
    taken = (
        captures.filter(pl.col("purpose").is_in(ON_THE_JOB) & pl.col("repair_order").is_not_null())
        .join(orders.select("repair_order", "closed_at"), on="repair_order", how="inner")
        .filter(
            pl.col("closed_at").is_null() | (pl.col("captured_at").dt.date() <= pl.col("closed_at").dt.date())
        )
        .group_by("repair_order")
        .agg(
            captures=pl.len().cast(pl.Int64),
            readable=(pl.col("status") == "read").sum().cast(pl.Int64),
        )
    )
    return orders.join(taken, on="repair_order", how="left").with_columns(
        pl.col("captures").fill_null(0),
        pl.col("readable").fill_null(0),
        scoped=pl.col("captures").is_not_null(),
    )


def judged_calls(captures: pl.DataFrame, outcomes: pl.DataFrame, moment: datetime) -> pl.DataFrame:
    """Calls that a confirmed outcome can judge, one row a capture.

    Judged are captures that were read, with the call `even` or `odd`, on an order whose outcome
    (`even` or `odd`) was confirmed up to `moment` and no earlier than the day of the capture; captures
    for known-good after the repair are left out, since the finding speaks of the engine before it.
    Outcome `other` (the fault was elsewhere, compression not confirmed) judges nothing; `unsure` is
    no call.

    A call is `right` when it says even and the finding is even, or says odd, the finding is odd, and
    it names at least one confirmed cylinder (or either side names none).

    Columns added to the capture's own: `finding` (str), `right` (bool), `confirmed_at`.
    """
    found = outcomes.filter(
        pl.col("finding").is_in(("even", "odd")) & (pl.col("confirmed_at") <= moment)
    ).select("repair_order", "finding", "confirmed_cylinders", "confirmed_at")
    named, confirmed = pl.col("call_cylinders"), pl.col("confirmed_cylinders")
    meets = (
        (named.list.len().fill_null(0) == 0)
        | (confirmed.list.len().fill_null(0) == 0)
        | (named.list.set_intersection(confirmed).list.len().fill_null(0) > 0)
    )
    return (
        captures.filter(
            (pl.col("status") == "read")
            & pl.col("call").is_in(("even", "odd"))
            & pl.col("repair_order").is_not_null()
            & (pl.col("purpose") != "known_good")
        )
        .with_columns(pl.col("call_cylinders").cast(pl.List(pl.Int64)))
        .join(
            found.with_columns(pl.col("confirmed_cylinders").cast(pl.List(pl.Int64))),
            on="repair_order",
            how="inner",
        )
        .filter(pl.col("captured_at").dt.date() <= pl.col("confirmed_at").dt.date())
        .with_columns(
            right=(pl.col("call") == pl.col("finding")) & ((pl.col("finding") == "even") | meets),
        )
    )


def week_of(column: str) -> pl.Expr:
    """The Monday of a time's week, as a date."""
    return pl.col(column).dt.truncate("1w").dt.date()
