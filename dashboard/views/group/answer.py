"""What the page about the shops of a group says."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard.shared import beside, words
from models.records.shops import NO_NAME
from models.shops.beside import CHANCE, HOOKUP_CHECKS, WEEKS, ShopsBeside
from models.shops.hookups import hookup_apart
from models.stats.results import Estimate
from pipelines.kinds import kind

JUDGED = (
    f"'Clearly another' is said where the difference to the other shops together is clear at {CHANCE:.0%} divided by "
    "the number of shops: with many shops some differ by chance."
)


def name(shop: str) -> str:
    """A shop as the page calls it."""
    return shop or NO_NAME


def stands_out(found: ShopsBeside, *, jobs: bool) -> list[str]:
    """What sets a shop apart from the others, a sentence each; one that says so where nothing does.

    Args:
        jobs: whether whoever looks sees the use of the scope on jobs.
    """
    shares = [("of its captures could be read", found.readable)]
    if jobs:
        shares.append(("of the jobs it would have served were scoped", found.scoped))
    said = [
        f"**{name(row['shop'])}**: {words.brief(_share(row))} {what}; {words.percent(row['others_share'])} "
        "in the other shops."
        for what, frame in shares
        for row in _furthest(frame, (pl.col("share") - pl.col("others_share")).abs())
    ]
    said += [
        f"**{name(row['shop'])}**: healthy ones of {row['family']} ({title(row['test'], row['measure'])}) scatter "
        f"{_times(row)} times as much as in the other shops. {_hookup_said(found, row)}"
        for row in _furthest(found.spread, pl.col("ratio").log().abs())
    ]
    if not said:
        said = ["No shop clearly differs from the others in what is compared here."]
    drifting = [
        (name(shop), count) for shop, count in found.drift.group_by("shop").len().sort("shop").iter_rows()
    ]
    if drifting:
        counts = ", ".join(f"{shop} {count}" for shop, count in drifting)
        said.append(f"Groups that drift, by shop: {counts}; one in twenty of those looked at does by chance.")
    return said


def _rest(own: float | None, shops: float | None) -> float | None:
    return None if own is None or shops is None else 1.0 - own - shops


def _furthest(frame: pl.DataFrame, away: pl.Expr) -> list[dict[str, Any]]:
    """The rows that differ clearly, the furthest off first: one shop far off makes others differ from the rest, too.

    Of two shops each differs from the other alike, and one of the two says it.
    """
    of = [name for name in ("test", "measure", "family") if name in frame.columns]
    clear = frame.filter(pl.col("differs")).sort(away, descending=True, maintain_order=True)
    if frame["shop"].n_unique() > 2:
        return clear.to_dicts()
    return (clear.unique(of, keep="first", maintain_order=True) if of else clear.head(1)).to_dicts()


def _times(row: dict[str, float]) -> str:
    low, high = words.number(row["ratio_low"], 2), words.number(row["ratio_high"], 2)
    return f"{words.number(row['ratio'], 2)} ({low} to {high}, n = {row['captures']})"


def _hookup_said(found: ShopsBeside, row: dict[str, str]) -> str:
    """How that shop hooks the family up, where it is otherwise than in the others."""
    apart = hookup_apart(found.setup, test=row["test"], family=row["family"], shop=row["shop"])
    if apart is None:
        return ""
    if apart.nothing:
        return "It is hooked up there as elsewhere: look at the scope, its probes and its clamps."
    said = [
        f"{word} {value.replace(';', ', ') or 'unknown'}"
        for word, value in (("signals", apart.signals), ("scales", apart.scales))
        if value is not None
    ]
    if apart.rates_hz is not None:
        own, usual = map(words.number, apart.rates_hz)
        said.append(f"{own} samples a second against {usual}")
    said += [
        f"{check.replace('_', ' ')} in {words.percent(mine)} against {words.percent(others)}"
        for check, mine, others in apart.checks
    ]
    return f"It is hooked up otherwise there: {'; '.join(said)}."


def together() -> str:
    """What is learnt from all shops at once, and what never is."""
    return (
        "Normal spread: as much as stands in the table above. Thresholds: "
        f"{beside.LIMITS_POOLED} What else is unusual: {beside.FOREST_POOLED[0].lower()}{beside.FOREST_POOLED[1:]} "
        "Never together: jobs, comebacks and people."
    )


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
                "from other families": words.percent(_rest(row["own_weight"], row["shop_weight"])),
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
