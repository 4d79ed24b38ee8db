"""What the raw log says, put into words once: which order was scoped, which call was right.

Every function takes the shop as the warehouse hands it over, and looks no further than `moment`.
"""

from __future__ import annotations

from datetime import datetime

import polars as pl

from models.records.shop import Shop

LOGGED = ("read", "unusable")
ON_THE_JOB = ("diagnosis", "known_good")


def captures_until(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Captures that were really taken (read or unusable), with a technician and a time, up to `moment`.

    Files that wait or were refused say nothing of a person: a waiting file may be anybody's.
    """
    return shop.captures.filter(
        pl.col("status").is_in(LOGGED)
        & pl.col("technician").is_not_null()
        & pl.col("captured_at").is_not_null()
        & (pl.col("captured_at") <= moment)
    )


def orders_until(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Orders opened up to `moment`; one closed later is still open, as it was seen then."""
    return shop.orders.filter(pl.col("opened_at") <= moment).with_columns(
        closed_at=pl.when(pl.col("closed_at") <= moment).then(pl.col("closed_at"))
    )


def eligible_orders(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Eligible orders closed up to `moment`, with the column `scoped` (bool), and how good the capture was.

    An order counts as *scoped* when at least one capture was logged on it for the job itself (purpose
    `diagnosis` or `known_good`), whether it could be read or not, no later than the day the order
    closed: a capture taken afterwards cannot have served the repair. Practice (`drill`) never counts.
    Added: `scoped`, `captures` (how many), `readable` (how many of them were read), `age` (of the vehicle when the
    order was opened, in classes; null where the log does not say).
    """
    closed = orders_until(shop, moment).filter(pl.col("scope_eligible") & pl.col("closed_at").is_not_null())
    taken = (
        captures_until(shop, moment)
        .filter(pl.col("purpose").is_in(ON_THE_JOB) & pl.col("repair_order").is_not_null())
        .join(closed.select("repair_order", "closed_at"), on="repair_order", how="inner")
        .filter(pl.col("captured_at").dt.date() <= pl.col("closed_at").dt.date())
        .group_by("repair_order")
        .agg(
            captures=pl.len().cast(pl.Int64),
            readable=(pl.col("status") == "read").sum().cast(pl.Int64),
        )
    )
    return closed.join(taken, on="repair_order", how="left", maintain_order="left").with_columns(
        pl.col("captures").fill_null(0),
        pl.col("readable").fill_null(0),
        scoped=pl.col("captures").is_not_null(),
        age=vehicle_age(),
    )


def vehicle_age() -> pl.Expr:
    """Age of an order's vehicle by its model year, in classes of five years; null where there is none."""
    years = (pl.col("opened_at").dt.year() - pl.col("model_year")).clip(lower_bound=0)
    classes = pl.when(years < 5).then(pl.lit("0 to 4 years")).when(years < 10).then(pl.lit("5 to 9 years"))
    classes = classes.when(years < 15).then(pl.lit("10 to 14 years"))
    return pl.when(years.is_not_null()).then(classes.otherwise(pl.lit("15 years and more")))


def can_be_judged() -> pl.Expr:
    """Captures whose call an outcome could judge: read, called even or odd, and not made after the repair."""
    return (
        (pl.col("status") == "read")
        & pl.col("call").is_in(("even", "odd"))
        & (pl.col("purpose") != "known_good")
    )


def judged_calls(shop: Shop, moment: datetime) -> pl.DataFrame:
    """Calls that a confirmed outcome of the same order and the same test can judge, one row a capture.

    Judged are captures that were read, with the call `even` or `odd`, on an order whose outcome
    (`even` or `odd`) for that test was confirmed up to `moment` and no earlier than the day of the capture;
    captures for known-good after the repair are left out, since the finding speaks of the vehicle before
    it. Outcome `other` (the fault was elsewhere) judges nothing; `unsure` is no call.

    A call is `right` when it says even and the finding is even, or says odd, the finding is odd, and
    it names at least one confirmed element (or either side names none).

    Columns added to the capture's own: `finding` (str), `right` (bool), `confirmed_elements`, `confirmed_at`.
    """
    found = shop.outcomes.filter(
        pl.col("finding").is_in(("even", "odd")) & (pl.col("confirmed_at") <= moment)
    ).select("repair_order", "test", "finding", "confirmed_elements", "confirmed_at")
    named, confirmed = pl.col("call_elements"), pl.col("confirmed_elements")
    meets = (
        (named.list.len().fill_null(0) == 0)
        | (confirmed.list.len().fill_null(0) == 0)
        | (named.list.set_intersection(confirmed).list.len().fill_null(0) > 0)
    )
    return (
        captures_until(shop, moment)
        .filter(can_be_judged() & pl.col("repair_order").is_not_null())
        .join(found, on=["repair_order", "test"], how="inner", maintain_order="left")
        .filter(pl.col("captured_at").dt.date() <= pl.col("confirmed_at").dt.date())
        .with_columns(
            right=(pl.col("call") == pl.col("finding")) & ((pl.col("finding") == "even") | meets),
        )
    )


def week_of(column: str) -> pl.Expr:
    """The Monday of a time's week, as a date."""
    return pl.col(column).dt.truncate("1w").dt.date()
