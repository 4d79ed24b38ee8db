"""Do scoped jobs come back less? Comebacks by scope use, by call quality, what they cost, and step by step."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from models.jobs.comparison import Adjusted, Crude, adjusted, crude, difference_in_group, group_of, has_begun
from models.jobs.returns import watched_orders
from models.jobs.stepped import Stepped, stepped_adoption
from models.records.logbook import judged_calls, orders_until
from models.records.people_settings import PeopleSettings, as_moment
from models.records.shop import Shop
from models.stats.arrays import Floats
from models.stats.intervals import mean_with_interval, share
from models.stats.results import Estimate
from models.stats.survival import cumulative_incidence

QUALITIES: tuple[str, ...] = (
    "right call",
    "wrong call",
    "call not confirmed",
    "unusable capture",
    "no capture",
)
LEAST_TO_COMPARE = 30
QUALITY_CAUTION = (
    "An outcome is often confirmed just when a vehicle comes back, so right and wrong calls hold more comebacks "
    "than calls nobody checked; compare them with each other rather than with the rest, and read none of them as "
    "what a call does to the repair."
)
_INTERVAL = {"low": pl.Float64, "high": pl.Float64}


@dataclass(frozen=True, slots=True)
class Comebacks:
    """Everything the manager's page says of comebacks.

    All orders are eligible and closed by `as_of`; 'scoped' is defined in `logbook.eligible_orders`.

    Attributes:
        window_days: an order that returns within so many days of closing is a comeback.
        watched_whole: orders that have been watched for the whole window (or came back in it).
        crude: the groups as they are. adjusted: between comparable orders.
        curves: group (`scoped`, `not scoped`), day, at_risk, events, risk, low, high.
        by_call_quality: quality (one of `QUALITIES`), orders, comebacks, risk, low, high, why; then
            difference, difference_low, difference_high: against comparable orders without a capture
            (`comparison.difference_in_group`), null below `LEAST_TO_COMPARE` orders.
        quality_caution: what the call qualities do not show, a sentence.
        parts: group, orders, parts_cost_each, low, high (mean of an order), orders_with_returns,
            returns_share, returns_low, returns_high, parts_returned (sum).
        cost: group, comebacks, labour_h, parts_cost (sums over the returning orders), labour_h_each,
            labour_low, labour_high, parts_cost_each, parts_low, parts_high, labour_h_per_100_orders.
        stepped: before and after each technician began to scope.
    """

    window_days: int
    watched_whole: int
    crude: Crude
    adjusted: Adjusted
    curves: pl.DataFrame
    by_call_quality: pl.DataFrame
    quality_caution: str
    parts: pl.DataFrame
    cost: pl.DataFrame
    stepped: Stepped


def comebacks(
    shop: Shop,
    *,
    as_of: date | datetime,
    window_days: int | None = None,
    settings: PeopleSettings | None = None,
) -> Comebacks:
    """Comebacks up to `as_of`.

    Args:
        window_days: the setting for this call; default from `settings`.

    Raises:
        ValueError: for a window shorter than a day.
    """
    chosen = settings or PeopleSettings()
    window = chosen.window_days if window_days is None else window_days
    if window < 1:
        raise ValueError(f"window_days is {window}; a comeback window lasts at least 1 day")
    moment = as_moment(as_of)
    watched = watched_orders(shop, moment)
    potential = ((pl.lit(moment) - pl.col("closed_at")).dt.total_seconds() / 86400.0).clip(lower_bound=0.0)
    potential_days = watched.select(days=potential)["days"].to_numpy()
    inside = watched["returned"].to_numpy() & (watched["days"].to_numpy() <= window)
    return Comebacks(
        window_days=window,
        watched_whole=int((inside | (potential_days >= window)).sum()),
        crude=crude(watched, window_days=window),
        adjusted=adjusted(watched, potential_days, window_days=window, seed=chosen.seed),
        curves=_curves(watched, window),
        by_call_quality=_by_call_quality(
            order_quality(watched, shop, moment), potential_days, window, chosen
        ),
        quality_caution=QUALITY_CAUTION,
        parts=_parts(watched, chosen.least_n),
        cost=_cost(watched, orders_until(shop, moment), window),
        stepped=stepped_adoption(watched, potential_days, window_days=window, least_n=chosen.least_n),
    )


def _curves(watched: pl.DataFrame, window: int) -> pl.DataFrame:
    parts = []
    for name, part in (
        ("scoped", watched.filter("scoped")),
        ("not scoped", watched.filter(~pl.col("scoped"))),
    ):
        curve = cumulative_incidence(
            part["days"].to_numpy(), part["returned"].to_numpy(), window=float(window)
        )
        parts.append(curve.select(pl.lit(name).alias("group"), pl.all()) if part.height else None)
    shown = [part for part in parts if part is not None]
    if shown:
        return pl.concat(shown)
    counts = {"day": pl.Float64, "at_risk": pl.Int64, "events": pl.Int64, "risk": pl.Float64}
    return pl.DataFrame(schema={"group": pl.String, **counts, **_INTERVAL})


def order_quality(watched: pl.DataFrame, shop: Shop, moment: datetime) -> pl.DataFrame:
    """The orders with the column `quality`, one of `QUALITIES`.

    The last judged call on the order counts. 'Call not confirmed' is a readable capture without a
    call that an outcome can judge: it is kept apart, since orders are often confirmed just when they
    come back.
    """
    judged = (
        judged_calls(shop, moment)
        .sort("captured_at", "capture_file")
        .group_by("repair_order", maintain_order=True)
        .agg(right=pl.col("right").last())
    )
    return watched.join(judged, on="repair_order", how="left", maintain_order="left").with_columns(
        quality=pl.when(~pl.col("scoped"))
        .then(pl.lit("no capture"))
        .when(pl.col("readable") == 0)
        .then(pl.lit("unusable capture"))
        .when(pl.col("right").is_null())
        .then(pl.lit("call not confirmed"))
        .when(pl.col("right"))
        .then(pl.lit("right call"))
        .otherwise(pl.lit("wrong call"))
    )


def _by_call_quality(
    graded: pl.DataFrame, potential_days: Floats, window: int, chosen: PeopleSettings
) -> pl.DataFrame:
    begun = has_begun(graded)
    rows = []
    for quality in QUALITIES:
        group = group_of(
            graded.filter(pl.col("quality") == quality), window_days=window, least_n=chosen.least_n
        )
        risk, gap = group.risk, None
        if quality != "no capture":
            both = begun & graded["quality"].is_in((quality, "no capture")).to_numpy()
            pair = graded.filter(both).with_columns(scoped=pl.col("quality") == quality)
            if pair["scoped"].sum() >= LEAST_TO_COMPARE:
                gap = difference_in_group(pair, potential_days[both], window_days=window, seed=chosen.seed)
        rows.append(
            (
                *(quality, group.orders, group.comebacks, risk.estimate, risk.low, risk.high, risk.why),
                *((gap.estimate, gap.low, gap.high) if gap else (None, None, None)),
            )
        )
    counts = {"quality": pl.String, "orders": pl.Int64, "comebacks": pl.Int64, "risk": pl.Float64}
    gaps = dict.fromkeys(("difference", "difference_low", "difference_high"), pl.Float64)
    return pl.DataFrame(rows, schema={**counts, **_INTERVAL, "why": pl.String, **gaps}, orient="row")


def _groups(watched: pl.DataFrame) -> tuple[tuple[str, pl.DataFrame], ...]:
    return (("scoped", watched.filter("scoped")), ("not scoped", watched.filter(~pl.col("scoped"))))


def _parts(watched: pl.DataFrame, least: int) -> pl.DataFrame:
    rows = []
    for name, part in _groups(watched):
        cost = mean_with_interval(part["parts_cost"].cast(pl.Float64).drop_nulls().to_numpy(), what="orders")
        known = part["parts_returned"].cast(pl.Float64).drop_nulls()
        with_returns = int((known > 0).sum())
        returns = share(with_returns, known.len(), least=least, what="orders")
        rows.append(
            (
                name,
                part.height,
                cost.estimate,
                cost.low,
                cost.high,
                with_returns,
                returns.estimate,
                returns.low,
                returns.high,
                float(known.sum()),
            )
        )
    schema = {
        "group": pl.String,
        "orders": pl.Int64,
        "parts_cost_each": pl.Float64,
        **_INTERVAL,
        "orders_with_returns": pl.Int64,
        "returns_share": pl.Float64,
        "returns_low": pl.Float64,
        "returns_high": pl.Float64,
        "parts_returned": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def _cost(watched: pl.DataFrame, orders: pl.DataFrame, window: int) -> pl.DataFrame:
    """Labour and parts of the orders that returned within the window, by the group of the first order."""
    back = orders.filter(pl.col("comeback_of").is_not_null()).sort("opened_at", "repair_order")
    first = back.unique("comeback_of", keep="first", maintain_order=True).select(
        repair_order="comeback_of", again_labour_h="labour_h", again_parts_cost="parts_cost"
    )
    returned = watched.filter(pl.col("returned") & (pl.col("days") <= window)).join(
        first, on="repair_order", how="left", maintain_order="left"
    )
    rows = []
    totals = {
        "scoped": watched.filter("scoped").height,
        "not scoped": watched.filter(~pl.col("scoped")).height,
    }
    for name, part in (*_groups(returned), ("all", returned)):
        labour = part["again_labour_h"].cast(pl.Float64).drop_nulls()
        parts = part["again_parts_cost"].cast(pl.Float64).drop_nulls()
        hours: Estimate = mean_with_interval(labour.to_numpy(), what="comebacks")
        money: Estimate = mean_with_interval(parts.to_numpy(), what="comebacks")
        of = totals.get(name, watched.height)
        rows.append(
            (
                name,
                part.height,
                float(labour.sum()),
                float(parts.sum()),
                hours.estimate,
                hours.low,
                hours.high,
                money.estimate,
                money.low,
                money.high,
                100 * float(labour.sum()) / of if of else None,
            )
        )
    schema = {
        "group": pl.String,
        "comebacks": pl.Int64,
        "labour_h": pl.Float64,
        "parts_cost": pl.Float64,
        "labour_h_each": pl.Float64,
        "labour_low": pl.Float64,
        "labour_high": pl.Float64,
        "parts_cost_each": pl.Float64,
        "parts_low": pl.Float64,
        "parts_high": pl.Float64,
        "labour_h_per_100_orders": pl.Float64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")
