"""What the page about the shops of a group says."""

from __future__ import annotations

import polars as pl

from dashboard.shared import words
from models.records.shops import NO_NAME
from models.shops.beside import CHANCE, HOOKUP_CHECKS, WEEKS, ShopsBeside
from models.stats.results import Estimate
from pipelines.kinds import kind

JUDGED = (
    f"'Clearly another' is said where the difference to the other shops together is clear at {CHANCE:.0%} divided by "
    "the number of shops: with many shops some differ by chance."
)


def name(shop: str) -> str:
    """A shop as the page calls it."""
    return shop or NO_NAME


def use_rows(found: ShopsBeside) -> pl.DataFrame:
    """Captures a week, shop by shop, against the others' mean."""
    return pl.DataFrame(
        [
            {
                "shop": name(row["shop"]),
                "captures a week": words.brief(
                    Estimate(row["captures"], row["per_week"], row["low"], row["high"]),
                    scale=1.0,
                    unit="",
                    digits=1,
                ),
                "the other shops, each": words.number(row["others_per_week"], 1),
            }
            for row in found.use.to_dicts()
        ]
    )


def use_caption() -> str:
    """What the table of captures a week holds."""
    return (
        f"Of the last {WEEKS} weeks; in brackets the 95 % interval of a count and n, the captures. A shop's week "
        "depends on its people and its jobs: this says how much is captured, not how well."
    )


def share_rows(frame: pl.DataFrame, what: str) -> pl.DataFrame:
    """A share, shop by shop, against the other shops together."""
    return pl.DataFrame(
        [
            {
                "shop": name(row["shop"]),
                what: words.brief(_share(row)),
                "the other shops": f"{words.percent(row['others_share'])} (n = {row['others_n']})",
                "clearly another": {None: "too little to say", True: "yes", False: "no"}[row["differs"]],
            }
            for row in frame.to_dicts()
        ]
    )


def _share(row: dict[str, float]) -> Estimate:
    if row["share"] is None:
        return Estimate.nothing(int(row["n"]), "Too little to say.")
    return Estimate(int(row["n"]), row["share"], row["low"], row["high"])


def share_points(frame: pl.DataFrame) -> pl.DataFrame:
    """The same for a chart: name, share_pct, low, high."""
    percent = [(100.0 * pl.col(column)).alias(title) for column, title in _PERCENT]
    return frame.select(
        pl.format("{} (n = {})", pl.col("shop").replace("", NO_NAME), "n").alias("name"), *percent
    )


_PERCENT = (("share", "share_pct"), ("low", "low"), ("high", "high"))


def drift_rows(found: ShopsBeside) -> pl.DataFrame:
    """Groups that clearly drift."""
    return pl.DataFrame(
        [
            {
                "shop": name(row["shop"]),
                "test": title(row["test"]),
                "group": row["group"],
                "which": "" if row["drift_element"] is None else str(row["drift_element"]),
                "% a month": words.brief(
                    Estimate(row["captures"], row["drift_pct_per_month"], row["drift_low"], row["drift_high"]),
                    scale=1.0, unit="", digits=2,
                ),
            }
            for row in found.drift.to_dicts()
        ]
    )  # fmt: skip


def drift_sentence(found: ShopsBeside) -> str:
    """How many groups were looked at, and how many of them would drift by chance."""
    looked = {row["shop"]: row["groups"] for row in found.drift_looked.to_dicts()}
    if not looked:
        return "No group has captures over enough months to say whether it drifts."
    counts = found.drift.group_by("shop").len()
    drifting = dict(counts.iter_rows())
    said = ", ".join(f"{name(shop)} {drifting.get(shop, 0)} of {groups}" for shop, groups in looked.items())
    return (
        f"Groups whose drift is clear (95 %), of those looked at: {said}. One in twenty is clear by chance."
    )


def families(found: ShopsBeside) -> list[str]:
    """The families several shops have, those that differ first."""
    order = found.spread.group_by("family", maintain_order=True).agg(pl.col("differs").any())
    return order.sort("differs", descending=True, maintain_order=True)["family"].to_list()


def spread_rows(found: ShopsBeside, family: str) -> pl.DataFrame:
    """One family's spread, shop by shop."""
    return pl.DataFrame(
        [
            {
                "test": title(row["test"], row["measure"]),
                "shop": name(row["shop"]),
                "spread of healthy ones": words.brief(
                    Estimate(row["captures"], row["spread_pct"], row["spread_low"], row["spread_high"]),
                    scale=1.0, unit=" %", digits=1,
                ),
                "times the other shops'": words.number(row["ratio"], 2)
                + f" ({words.number(row['ratio_low'], 2)} to {words.number(row['ratio_high'], 2)})",
                "clearly another": "yes" if row["differs"] else "no",
                "own evidence": words.percent(row["own_weight"]),
                "borrowed from the other shops": words.percent(row["shop_weight"]),
            }
            for row in found.spread.filter(pl.col("family") == family).to_dicts()
        ]
    )  # fmt: skip


def setup_rows(found: ShopsBeside, family: str) -> pl.DataFrame:
    """How each shop hooks that family up."""
    return pl.DataFrame(
        [
            {
                "test": title(row["test"]),
                "shop": name(row["shop"]),
                "captures": row["captures"],
                "usual signals": (row["signals"] or "").replace(";", ", "),
                "usual scales": (row["scales"] or "").replace(";", ", "),
                "samples a second": "unknown" if row["rate_hz"] is None else words.number(row["rate_hz"]),
                **{check.replace("_", " "): words.percent(row[check]) for check in HOOKUP_CHECKS},
            }
            for row in found.setup.filter(pl.col("family") == family).to_dicts()
        ]
    )


def limit_rows(found: ShopsBeside) -> pl.DataFrame:
    """Thresholds that are others in other shops, and why."""
    return pl.DataFrame(
        [
            {
                "family": row["family"],
                "test": title(row["test"], row["measure"]),
                "shop": name(row["shop"]),
                "odd from": f"{words.number(row['threshold_pct'], 1)} % ({row['source']})",
                "why it is another": row["why"],
            }
            for row in found.limits.to_dicts()
            if row["why"]
        ]
    )


def apart_sentences(found: ShopsBeside) -> list[str]:
    """What bears one name in two shops and is not the same."""
    return [
        f"{row['group']} ({title(row['test'])}) is defined otherwise {row['apart']}: nothing is borrowed between them."
        for row in found.apart.to_dicts()
    ]


def title(test: str, measure: str | None = None) -> str:
    """A test's title, with its measure where it has more than one."""
    known = kind(test)
    if known is None:
        return test
    if measure is None or len(known.measures) == 1:
        return known.title
    return f"{known.title}: {known.measure(measure).title}"
