"""What outcomes say about captures, and how likely each capture was to be followed up at all.

Outcomes exist mostly for captures that looked odd. Counting confirmed captures alone (the naive way)
then gives too many false alarms and too high a detection. Each confirmed capture is therefore weighted
by one over its chance of being confirmed (Begg C.B. & Greenes R.A. 1983, Biometrics 39:207-215, for the
bias; Horvitz & Thompson 1952, J. Amer. Statist. Assoc. 47:663-685, for the weights). This repairs the
figures as far as that chance depends on what the model sees: how odd the capture read, whether it was
flagged, and what the technician called it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records.matrix import confirmed_labels
from models.records.shop import Shop
from models.spread.scoring import Scores
from models.stats.logistic import NotConverged, fit_logistic

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

EVEN, ODD, UNKNOWN = 1, -1, 0
"""Codes of `confirmed`."""

MAX_WEIGHT = 20.0
"""No capture speaks for more than this many: a chance below 1/20 is taken as 1/20 (a choice)."""

RIDGE = 0.5
"""Penalty on the standardised coefficients of the chance of being confirmed."""

SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "group": pl.String(),
    "vehicle": pl.String(),
    "captured_at": pl.Datetime("us"),
    "purpose": pl.String(),
    "call": pl.String(),
    "odd_pct": pl.Float64(),
    "flagged": pl.Boolean(),
    "confirmed": pl.Int64(),
    "confirmed_elements": pl.List(pl.Int64()),
    "named_right": pl.Boolean(),
    "in_question": pl.Boolean(),
}


@dataclass(frozen=True, slots=True)
class Weights:
    """Inverse chances of being confirmed.

    Attributes:
        weight: shape (captures,); 0 for captures without a confirmation.
        chance: modelled chance of being confirmed, shape (captures,); NaN outside the question.
        truncated: confirmed captures whose weight was cut at `MAX_WEIGHT`.
        largest: largest weight in use.
        effective_n: (sum w)^2 / sum w^2, the number of equally weighted captures worth as much (Kish 1965).
        why: where the weights are all 1, the reason.
    """

    weight: Floats
    chance: Floats
    truncated: int
    largest: float
    effective_n: float
    why: str | None


def score_frame(scores: Scores | pl.DataFrame) -> pl.DataFrame:
    """The capture scores, from `score_captures` or from the warehouse."""
    return scores if isinstance(scores, pl.DataFrame) else scores.captures


def evidence(scores: Scores | pl.DataFrame, shop: Shop) -> pl.DataFrame:
    """One row a scored capture, with what its outcome says.

    `confirmed` is 1 for even, -1 for odd, 0 for no such outcome; `named_right` says whether the lowest
    element is among the confirmed ones (null where nothing was confirmed odd or nothing is named; either
    of a waste-spark pair counts as named); `in_question` is true for captures made to find something out,
    which is what detection and false alarms are about: practice and known-good captures are not.

    Args:
        scores: with capture_file, odd_pct and, where there are any, odd_element, odd_companion, flagged.
        shop: of one test.
    """
    captures, outcomes = shop.captures, shop.outcomes
    table = score_frame(scores)
    if "judged_pct" in table.columns:
        # What a threshold looks at: the gap, less what this capture's own error explains.
        table = table.with_columns(odd_pct=pl.coalesce("judged_pct", "odd_pct"))
    wanted = ["capture_file", "odd_pct"] + [
        name for name in ("odd_element", "odd_companion", "flagged") if name in table.columns
    ]
    rows = captures.join(table.select(wanted), on="capture_file", how="inner", maintain_order="left").filter(
        pl.col("odd_pct").is_finite()
    )
    labels = confirmed_labels(rows, outcomes)
    rows = rows.join(labels, on="capture_file", how="left", maintain_order="left")
    for name, dtype in (("odd_element", pl.Int64), ("odd_companion", pl.Int64), ("flagged", pl.Boolean)):
        if name not in rows.columns:
            rows = rows.with_columns(pl.lit(None, dtype=dtype).alias(name))
    hit = pl.col("confirmed_elements").list.contains(pl.col("odd_element").cast(pl.Int64))
    near = pl.col("confirmed_elements").list.contains(pl.col("odd_companion").cast(pl.Int64)).fill_null(False)
    decided = (pl.col("confirmed") == ODD) & (pl.col("confirmed_elements").list.len() > 0)
    repaired = pl.col("repair_order").is_in(
        outcomes.filter(pl.col("finding") == "odd")["repair_order"].implode()
    ).fill_null(False) & (pl.col("confirmed") != ODD)
    return rows.select(
        "capture_file",
        "group",
        pl.col("vehicle").cast(pl.String),
        pl.col("captured_at").cast(pl.Datetime("us")),
        "purpose",
        "call",
        "odd_pct",
        "flagged",
        "confirmed",
        "confirmed_elements",
        pl.when(decided & pl.col("odd_element").is_not_null()).then(hit | near).alias("named_right"),
        # After an odd finding was dealt with, the engine is no longer the one the outcome is about.
        ((pl.col("purpose").fill_null("diagnosis") == "diagnosis") & ~repaired).alias("in_question"),
    ).cast(pl.Schema(SCHEMA))


def design(rows: pl.DataFrame) -> Floats:
    """Columns the chance of being confirmed may depend on, standardised, intercept first."""
    odd = np.clip(rows["odd_pct"].to_numpy(), 0.0, 60.0)
    columns = [np.log1p(odd), np.clip(odd, 0.0, 8.0), np.clip(odd - 8.0, 0.0, 30.0)]
    flagged = rows["flagged"].fill_null(False).to_numpy().astype(np.float64)
    columns.append(flagged)
    call = rows["call"].fill_null("")
    columns += [(call == word).to_numpy().astype(np.float64) for word in ("odd", "even", "unsure")]
    table = np.stack(columns, axis=1)
    scale = table.std(axis=0)
    table = (table - table.mean(axis=0)) / np.where(scale > 0, scale, 1.0)
    return np.concatenate([np.ones((table.shape[0], 1)), table], axis=1)


def confirmation_weights(
    rows: pl.DataFrame, *, times: Floats | None = None, max_weight: float = MAX_WEIGHT
) -> Weights:
    """Weight each confirmed capture by one over its chance of being confirmed.

    Args:
        rows: from `evidence`.
        times: how often each row counts, shape (captures,), for a bootstrap; default once.
        max_weight: where weights are cut.
    """
    count = rows.height
    times = np.ones(count) if times is None else times
    asked = rows["in_question"].to_numpy()
    confirmed = rows["confirmed"].to_numpy() != UNKNOWN
    use = asked & (times > 0)
    seen = confirmed & asked
    chance = np.full(count, np.nan)
    plain = seen.astype(np.float64)
    total = float((times * seen).sum())
    missing = float((times * (use & ~confirmed)).sum())
    if total < 10 or missing < 1:
        reason = (
            "every capture in question was confirmed" if missing < 1 else "fewer than 10 confirmed captures"
        )
        return _weights(plain, chance, 0, times, f"Not weighted: {reason}.")
    x = design(rows)
    penalty = np.full(x.shape[1], RIDGE)
    penalty[0] = 0.0
    try:
        fitted = fit_logistic(x[use], times[use] * confirmed[use], trials=times[use], penalty=penalty)
    except NotConverged:
        return _weights(
            plain, chance, 0, times, "Not weighted: the chance of being confirmed could not be fitted."
        )
    chance[asked] = fitted.chance(x[asked])
    low = chance < 1.0 / max_weight
    weight = np.where(seen, 1.0 / np.maximum(chance, 1.0 / max_weight), 0.0)
    return _weights(np.nan_to_num(weight), chance, int((low & seen).sum()), times, None)


def _weights(weight: Floats, chance: Floats, truncated: int, times: Floats, why: str | None) -> Weights:
    used = weight * times
    square = float(np.sum(weight**2 * times))
    effective = float(used.sum()) ** 2 / square if square > 0 else 0.0
    return Weights(weight, chance, truncated, float(weight.max(initial=0.0)), effective, why)
