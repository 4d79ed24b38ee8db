"""Are known-good captures made like paid ones? What a rate of false discoveries rests on, tested where it can be.

'At most 10 in 100' holds for conformal p-values as long as a healthy paid capture could as well be one of the
known-good ones. People take more care with those: longer records, less noise, surer readings. Where that shows
in what was recorded, each known-good capture is weighted by how much more common such a capture is among the
paid ones (conformal p-values under covariate shift: Tibshirani R.J., Barber R.F., Candes E.J. & Ramdas A. 2019,
Conformal prediction under covariate shift, NeurIPS 32). What is not recorded cannot be tested, and is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import stats

from models.records.shop import Shop
from models.spread.scoring import Scores
from models.stats.arrays import Bools, Floats
from models.stats.conformal import p_floor, weighted_conformal_p
from models.stats.logistic import NotConverged, fit_logistic

LEAST = 20
"""Known-good and paid captures each that are needed to compare them (a choice)."""

LEVEL = 0.05
"""Family-wise level at which known goods are called made differently."""

MOST_WEIGHT = 10.0
"""No known-good capture counts for more than this many times its share (a choice)."""

_RIDGE = 1.0
_MOST_FITTED = 50_000  # captures the weights are fitted on; more of them tell nothing more
_KNOWN_SHARE = 0.9

CONDITION = (
    "The rate of false discoveries holds if known-good captures are made like paid ones, in all that is not "
    "recorded too: same people, same care, same kind of vehicle."
)
SCHEMA: dict[str, pl.DataType] = {
    "quality": pl.String(),
    "known_good": pl.Float64(),
    "paid": pl.Float64(),
    "p_value": pl.Float64(),
    "differs": pl.Boolean(),
}


@dataclass(frozen=True, slots=True)
class Exchangeability:
    """Known-good against paid captures of one test.

    Attributes:
        compared: one row a recorded quality: its median in both sorts, the p-value of the two-sample test of
            Kolmogorov and Smirnov on what is left after each group's median, and whether it differs (Holm at
            `LEVEL`).
        alike: True, False, or None where there is too little to test it.
        p_value: capture_file, p_value: conformal p-values weighted where the two are not alike, as they
            are where they are; empty where it cannot be tested.
        effective_n: known-good captures worth as much as the weighted ones (Kish 1965).
        sentence: for the page; it always states the condition.
    """

    compared: pl.DataFrame
    alike: bool | None
    p_value: pl.DataFrame
    effective_n: float
    sentence: str


def exchangeability(scores: pl.DataFrame, shop: Shop, *, wide: pl.DataFrame | None = None) -> Exchangeability:
    """Compare known-good with paid captures by everything that was recorded of how they were made.

    Args:
        scores: capture scores with capture_file, group, model_p and, where there is one, odd_se_pct.
        shop: of one test; its features are compared as far as nearly every capture has them.
        wide: the features already one row a capture, in place of the shop's.
    """
    table, names = _qualities(scores, shop, wide)
    good = (table["purpose"] == "known_good").fill_null(False).to_numpy()
    paid = (table["purpose"] == "diagnosis").fill_null(False).to_numpy()
    empty = pl.DataFrame(schema={"capture_file": pl.String, "p_value": pl.Float64})
    if min(int(good.sum()), int(paid.sum())) < LEAST or not names:
        why = f"{int(good.sum())} known-good and {int(paid.sum())} paid captures: too few to compare how they are made."
        return Exchangeability(pl.DataFrame(schema=SCHEMA), None, empty, 0.0, f"{why} {CONDITION}")
    x = _standardised(table, names)
    compared = _compared(table, x, names, good, paid)
    alike = not bool(compared["differs"].any())
    weight = np.ones(table.height) if alike else _paid_to_good(x, good, paid)
    score = -np.log(np.maximum(table["model_p"].fill_null(1.0).to_numpy(), 1e-300))
    used = weight[good]
    effective = float(used.sum() ** 2 / np.sum(used**2))
    p = weighted_conformal_p(score, weight, good)
    found = table.select("capture_file", p_value=pl.Series(p, dtype=pl.Float64))
    return Exchangeability(
        compared, alike, found, effective, _sentence(compared, alike, effective, int(good.sum()))
    )


def reweighted(scores: Scores, shop: Shop, *, wide: pl.DataFrame | None = None) -> Scores:
    """The scores with p-values a rate of false discoveries may rest on: those of weighted known-good captures where
    these are made differently from paid ones, and as they are everywhere else. Arguments as `exchangeability`."""
    found = exchangeability(scores.captures, shop, wide=wide)
    if found.alike is not False:
        return scores
    basis = f"known-good captures of all groups, weighted to be made like paid ones, worth {found.effective_n:.0f}"
    captures = scores.captures.drop("p_value").join(
        found.p_value, on="capture_file", how="left", maintain_order="left"
    )
    captures = captures.with_columns(
        p_basis=pl.lit(basis), p_floor=pl.lit(p_floor(round(found.effective_n)), dtype=pl.Float64)
    ).select(scores.captures.columns)
    return Scores(captures, scores.elements)


def _qualities(scores: pl.DataFrame, shop: Shop, wide: pl.DataFrame | None) -> tuple[pl.DataFrame, list[str]]:
    """One row a scored capture with what was recorded of how it was made; columns nearly all captures have."""
    wanted = [name for name in ("odd_se_pct",) if name in scores.columns]
    table = scores.select("capture_file", "group", "model_p", *wanted).join(
        shop.captures.select("capture_file", "purpose", "duration_s", "rate_hz"), on="capture_file", how="inner",
        maintain_order="left",
    )  # fmt: skip
    if wide is None and shop.features.height:
        wide = shop.features.pivot(
            "feature", index="capture_file", values="value", aggregate_function="first"
        )
    if wide is not None:
        table = table.join(wide, on="capture_file", how="left", maintain_order="left")
    fixed = {"capture_file", "group", "model_p", "purpose"}
    names = [
        name
        for name in table.columns
        if table.height
        and name not in fixed
        and table[name].is_not_null().mean() >= _KNOWN_SHARE  # type: ignore[operator]
        and table[name].n_unique() > 2
    ]
    return table, names


def _standardised(table: pl.DataFrame, names: list[str]) -> Floats:
    """Ranks of each quality within its group, as normal scores, shape (captures, qualities); unknown = middle."""
    ranked = table.select(
        ((pl.col(name).rank("average") - 0.5) / pl.col(name).count()).over("group").fill_null(0.5).alias(name)
        for name in names
    )
    return np.asarray(stats.norm.ppf(np.clip(ranked.to_numpy(), 1e-4, 1 - 1e-4)))


def _compared(table: pl.DataFrame, x: Floats, names: list[str], good: Bools, paid: Bools) -> pl.DataFrame:
    p = np.array([stats.ks_2samp(x[good, at], x[paid, at]).pvalue for at in range(len(names))])
    order = np.argsort(p)
    passed = np.logical_and.accumulate(p[order] <= LEVEL / (p.size - np.arange(p.size)))
    differs = np.zeros(p.size, dtype=bool)
    differs[order] = passed
    return pl.DataFrame(
        {
            "quality": names,
            "known_good": [table.filter(pl.Series(good))[name].median() for name in names],
            "paid": [table.filter(pl.Series(paid))[name].median() for name in names],
            "p_value": p,
            "differs": differs,
        },
        schema=SCHEMA,
    ).sort("p_value", "quality")


def _paid_to_good(x: Floats, good: Bools, paid: Bools) -> Floats:
    """How much more common captures made like this are among the paid ones, by a logistic model, shape (captures,)."""
    both = np.flatnonzero(good | paid)
    both = both[:: max(1, both.size // _MOST_FITTED)]
    design = np.column_stack([np.ones(x.shape[0]), x, x**2])
    penalty = np.full(design.shape[1], _RIDGE)
    penalty[0] = 0.0
    try:
        fit = fit_logistic(design[both], paid[both].astype(np.float64), penalty=penalty)
    except NotConverged:
        return np.ones(x.shape[0])
    chance = np.clip(fit.chance(design), 1e-6, 1 - 1e-6)
    ratio = chance / (1 - chance) * good.sum() / paid.sum()
    return np.asarray(np.clip(ratio, 1 / MOST_WEIGHT, MOST_WEIGHT))


def _sentence(compared: pl.DataFrame, alike: bool, effective: float, count: int) -> str:
    if alike:
        return f"In all that was recorded {count} known-good captures are made like paid ones. {CONDITION}"
    names = ", ".join(name.replace("_", " ") for name in compared.filter("differs")["quality"])
    return (
        f"Known-good captures are made differently from paid ones ({names}): they are weighted, and the {count} are "
        f"worth {effective:.0f}. {CONDITION}"
    )
