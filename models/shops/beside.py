"""What sets the shops of a group apart: how much they capture, what drifts, whose spread and whose limits differ.

Each shop is held against the others together, never ranked. Of several comparisons of one sort some differ by chance:
each is judged at 5 % divided by how many there are (Bonferroni; Dunn O.J. 1961, J. Am. Stat. Assoc. 56:52-64, from
memory), and shown with its plain 95 % interval.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
import polars as pl
from scipy import stats as laws

from models.records.shops import shop_column
from models.stats.intervals import newcombe_difference, rate, share

WEEKS = 13
"""Captures a week are counted over the last quarter of a year."""
CHANCE = 0.05
READ = ("read", "unusable")
HOOKUP_CHECKS = ("ac_coupled", "coarse_resolution", "low_sample_rate", "clipped")
USE = {
    "shop": pl.String(), "captures": pl.Int64(), "per_week": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(),
    "others_per_week": pl.Float64(),
}  # fmt: skip
SHARES = {
    "shop": pl.String(), "n": pl.Int64(), "share": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(),
    "others_n": pl.Int64(), "others_share": pl.Float64(), "differs": pl.Boolean(),
}  # fmt: skip
DRIFT = (
    "shop", "test", "measure", "group", "captures", "drift_element", "drift_pct_per_month", "drift_low", "drift_high",
)  # fmt: skip
SPREAD = (
    "test", "measure", "family", "shop", "group", "captures", "spread_pct", "spread_low", "spread_high", "own_weight",
    "shop_weight", "ratio", "ratio_low", "ratio_high", "differs",
)  # fmt: skip
LIMITS = (
    "test", "measure", "family", "shop", "group", "threshold_pct", "source", "spread_pct",
    "false_alarm_n", "detection_n", "cost_miss", "cost_false_alarm", "why",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ShopsBeside:
    """The shops of a group beside each other.

    Attributes:
        use: captures of the last `WEEKS` weeks a week, with the exact Poisson interval, and the others' mean a shop.
        readable: share of captures that could be read, against the other shops together (`SHARES`).
        scoped: share of eligible jobs that were scoped, likewise.
        drift: groups with a clear drift (`DRIFT`); drift_looked: shop, groups: how many were looked at.
        spread: every family that several shops have, shop by shop: the normal spread and its ratio to that of the
            other shops (their geometric mean, weighted by precision), in parts of one (`SPREAD`).
        setup: how each of those groups is hooked up: shop, group, captures, signals and scales (the usual ones),
            rate_hz (median), and the share of captures that failed each of `HOOKUP_CHECKS`.
        limits: the thresholds in force of those families and what they rest on (`LIMITS`).
        apart: shop, test, group, apart: what bears a name that is another thing elsewhere.
    """

    use: pl.DataFrame
    readable: pl.DataFrame
    scoped: pl.DataFrame
    drift: pl.DataFrame
    drift_looked: pl.DataFrame
    spread: pl.DataFrame
    setup: pl.DataFrame
    limits: pl.DataFrame
    apart: pl.DataFrame


def shops_beside(
    frames: Mapping[str, pl.DataFrame], used: Mapping[str, tuple[int, int]], as_of: date
) -> ShopsBeside:
    """Set the shops beside each other.

    Args:
        frames: `captures`, `checks`, `comparison_groups`, `all_group_stats`, `thresholds_in_force`, `all_proposals`
            as the warehouse's queries of those names give them, of all shops concerned.
        used: eligible and scoped jobs by shop.
        as_of: the newest day on record.
    """
    captures = frames["captures"].with_columns(shop=shop_column("capture_file"))
    shops = sorted({*captures["shop"].unique(), *used})
    taken = (
        captures.filter(pl.col("status").is_in(READ))
        .group_by("shop")
        .agg(n=pl.len(), events=(pl.col("status") == "read").sum())
    )
    readable = {shop: (n, events) for shop, n, events in taken.iter_rows()}
    groups = frames["comparison_groups"].with_columns(shop=shop_column("group"))
    about = groups.select("test", "group", "shop", "family", "apart")
    stats = frames["all_group_stats"].join(about, on=["test", "group"], how="inner", maintain_order="left")
    drift = stats.filter(pl.col("drift_pct_per_month").is_not_null())
    spread = _spread(stats.filter(pl.col("family").is_not_null()))
    return ShopsBeside(
        use=_use(captures, shops, as_of),
        readable=_shares({shop: readable.get(shop, (0, 0)) for shop in shops}),
        scoped=_shares({shop: used.get(shop, (0, 0)) for shop in shops}),
        drift=drift.filter(pl.col("drift_low") * pl.col("drift_high") > 0.0).select(DRIFT),
        drift_looked=drift.group_by("shop").agg(groups=pl.len()).sort("shop"),
        spread=spread,
        setup=_setup(captures, frames["checks"], spread),
        limits=_limits(spread, frames["thresholds_in_force"], frames["all_proposals"]),
        apart=about.filter(pl.col("apart").is_not_null()).select("shop", "test", "group", "apart"),
    )


def _use(captures: pl.DataFrame, shops: list[str], as_of: date) -> pl.DataFrame:
    end = datetime.combine(as_of, time.max)
    recent = captures.filter(pl.col("captured_at").is_between(end - timedelta(weeks=WEEKS), end))
    counts = dict(recent.group_by("shop").agg(pl.len()).iter_rows())
    total = sum(counts.values())
    rows = []
    for shop in shops:
        found = rate(counts.get(shop, 0), WEEKS, what="weeks")
        others = (total - counts.get(shop, 0)) / max(len(shops) - 1, 1) / WEEKS
        rows.append((shop, found.n, found.estimate, found.low, found.high, others))
    return pl.DataFrame(rows, schema=USE, orient="row")


def _shares(counts: Mapping[str, tuple[int, int]]) -> pl.DataFrame:
    """Each shop's share against that of the other shops together.

    Args:
        counts: trials and events by shop.
    """
    trials, events = (sum(one[at] for one in counts.values()) for at in (0, 1))
    level = 1.0 - CHANCE / max(len(counts), 1)
    rows = []
    for shop, (n, k) in counts.items():
        others_n, others_k = trials - n, events - k
        own = share(k, n)
        differs = None
        if n and others_n:
            low, high = newcombe_difference(k, n, others_k, others_n, level=level)
            differs = low > 0.0 or high < 0.0
        rows.append(
            (
                shop,
                n,
                own.estimate,
                own.low,
                own.high,
                others_n,
                others_k / others_n if others_n else None,
                differs,
            )
        )
    return pl.DataFrame(rows, schema=SHARES, orient="row")


def _spread(stats: pl.DataFrame) -> pl.DataFrame:
    """Each family's spread shop by shop, and its ratio to the other shops'.

    On the log scale a shop's spread is taken as normal with the standard deviation its 95 % interval implies. Shops
    that borrow from each other are drawn together, so a difference that is shown is rather too small than too large.
    """
    z = float(laws.norm.ppf(0.975))
    of = ["test", "measure", "family"]
    known = stats.filter(pl.col("spread_pct") > 0.0, pl.col("spread_low") > 0.0).with_columns(
        log=pl.col("spread_pct").log(),
        weight=(2.0 * z / (pl.col("spread_high").log() - pl.col("spread_low").log())) ** 2,
    )
    known = known.with_columns(
        others_weight=pl.col("weight").sum().over(of) - pl.col("weight"),
        others_sum=(pl.col("weight") * pl.col("log")).sum().over(of) - pl.col("weight") * pl.col("log"),
    ).filter(pl.len().over(of) > 1)
    known = known.with_columns(
        off=pl.col("log") - pl.col("others_sum") / pl.col("others_weight"),
        sd=(1.0 / pl.col("weight") + 1.0 / pl.col("others_weight")).sqrt(),
    )
    judged = float(laws.norm.ppf(1.0 - CHANCE / 2.0 / max(known.height, 1)))
    return (
        known.with_columns(
            ratio=pl.col("off").exp(),
            ratio_low=(pl.col("off") - z * pl.col("sd")).exp(),
            ratio_high=(pl.col("off") + z * pl.col("sd")).exp(),
            differs=pl.col("off").abs() > judged * pl.col("sd"),
        )
        .select(SPREAD)
        .sort("test", "measure", "family", "shop")
    )


def _setup(captures: pl.DataFrame, checks: pl.DataFrame, spread: pl.DataFrame) -> pl.DataFrame:
    own = captures.filter(pl.col("status").is_in(READ)).join(
        spread.select("test", "group", "family").unique(), on=["test", "group"], how="inner"
    )
    failed = checks.filter(pl.col("check").is_in(HOOKUP_CHECKS)).select("capture_file", "check")
    for check in HOOKUP_CHECKS:
        names = failed.filter(pl.col("check") == check)["capture_file"]
        own = own.with_columns(pl.col("capture_file").is_in(names.implode()).alias(check))
    usual = [
        pl.col(name).drop_nulls().mode().sort().first().alias(word)
        for name, word in (("ch_signals", "signals"), ("ch_scales", "scales"))
    ]
    return (
        own.group_by("test", "family", "shop", "group")
        .agg(
            pl.len().cast(pl.Int64).alias("captures"), *usual, pl.col("rate_hz").median(),
            *(pl.col(check).mean() for check in HOOKUP_CHECKS),
        )
        .sort("test", "family", "shop")
    )  # fmt: skip


def _limits(spread: pl.DataFrame, thresholds: pl.DataFrame, proposals: pl.DataFrame) -> pl.DataFrame:
    key = ["test", "measure", "group"]
    rests = proposals.select(*key, "false_alarm_n", "detection_n", "cost_miss", "cost_false_alarm")
    found = (
        spread.join(
            thresholds.select(*key, "threshold_pct", "source"), on=key, how="inner", maintain_order="left"
        )
        .join(rests, on=key, how="left", maintain_order="left")
        .filter(pl.len().over("test", "measure", "family") > 1)
    )
    return found.with_columns(why=pl.Series(_reasons(found), dtype=pl.String)).select(LIMITS)


def _reasons(limits: pl.DataFrame) -> list[str]:
    """Why each threshold is another than the other shops', in words; empty where it is the same."""
    rows = limits.to_dicts()
    said = []
    for row in rows:
        others = [
            one for one in rows
            if one["shop"] != row["shop"] and all(one[name] == row[name] for name in ("test", "measure", "family"))
        ]  # fmt: skip
        if all(np.isclose(one["threshold_pct"], row["threshold_pct"]) for one in others):
            said.append("")
            continue
        reasons = []
        if row["source"] == "set" or any(one["source"] == "set" for one in others):
            reasons.append("somebody set it" if row["source"] == "set" else "somebody set another elsewhere")
        if row["differs"]:
            reasons.append(f"healthy ones scatter {row['ratio']:.2f} times as much as in the other shops")
        if any(
            (one["cost_miss"], one["cost_false_alarm"]) != (row["cost_miss"], row["cost_false_alarm"])
            for one in others
        ):
            reasons.append("it was proposed for other costs")
        healthy, odd = (row["false_alarm_n"] or 0), (row["detection_n"] or 0)
        reasons.append(f"it rests on {healthy} healthy and {odd} odd captures of its own")
        said.append("; ".join(reasons))
    return said
