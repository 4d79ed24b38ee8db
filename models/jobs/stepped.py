"""Before and after each technician began to scope.

Technicians start at different times, so those who have not begun yet show what the season and the shop
did meanwhile. The figure of the shop is the coefficient of 'has begun' in a linear model of the comeback
with a level for every technician and every quarter (a stepped comparison; Hussey & Hughes, Contemp.
Clin. Trials 28:182-191, 2007), with errors robust to unequal variance (HC1; MacKinnon & White, J. Econometrics
29:305-325, 1985). Only orders watched for the whole window count, so that before and after are watched alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from models.stats.arrays import Floats
from models.stats.casemix import codes_of
from models.stats.intervals import share, share_difference
from models.stats.results import Estimate

_LEAST_EACH_SIDE = 20


@dataclass(frozen=True, slots=True)
class Stepped:
    """Before and after.

    Attributes:
        difference: after minus before, allowing for technician and quarter, in parts of one.
        by_technician: technician, began_at, before_orders, before_comebacks, before_risk,
            after_orders, after_comebacks, after_risk, difference, low, high (null where too little).
    """

    difference: Estimate
    by_technician: pl.DataFrame


_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "technician": pl.String,
    "began_at": pl.Datetime("us"),
    "before_orders": pl.Int64,
    "before_comebacks": pl.Int64,
    "before_risk": pl.Float64,
    "after_orders": pl.Int64,
    "after_comebacks": pl.Int64,
    "after_risk": pl.Float64,
    "difference": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}


def stepped_adoption(
    watched: pl.DataFrame, potential_days: Floats, *, window_days: int, least_n: int
) -> Stepped:
    """Compare each technician's eligible orders before and after the first one that was scoped.

    Args:
        watched: `returns.watched_orders`. potential_days: days each could have been watched.
    """
    began = (
        watched.filter(pl.col("scoped") & pl.col("technician").is_not_null())
        .group_by("technician")
        .agg(began_at=pl.col("opened_at").min().cast(pl.Datetime("us")))
    )
    whole = (
        watched.with_columns(potential=pl.Series(potential_days, dtype=pl.Float64))
        .filter((pl.col("potential") >= window_days) & pl.col("technician").is_not_null())
        .join(began, on="technician", how="left", maintain_order="left")
        .with_columns(
            came_back=pl.col("returned") & (pl.col("days") <= window_days),
            after=(pl.col("opened_at") >= pl.col("began_at")).fill_null(False),
        )
    )
    rows = []
    for name, begun in began.sort("technician").iter_rows():
        own = whole.filter(pl.col("technician") == name)
        before, after = own.filter(~pl.col("after")), own.filter("after")
        k0, n0 = int(before["came_back"].sum()), before.height
        k1, n1 = int(after["came_back"].sum()), after.height
        gap = share_difference(k1, n1, k0, n0, least=least_n, what="orders before and after")
        risk0, risk1 = share(k0, n0, least=least_n), share(k1, n1, least=least_n)
        rows.append(
            (name, begun, n0, k0, risk0.estimate, n1, k1, risk1.estimate, gap.estimate, gap.low, gap.high)
        )
    return Stepped(pooled_step(whole), pl.DataFrame(rows, schema=_SCHEMA, orient="row"))


def pooled_step(whole: pl.DataFrame) -> Estimate:
    """After minus before over all technicians; `whole`: after, came_back (bool), technician, opened_at."""
    n = whole.height
    after = whole["after"].to_numpy()
    if min(int(after.sum()), n - int(after.sum())) < _LEAST_EACH_SIDE:
        return Estimate.nothing(
            n,
            f"Too little to say: {n - int(after.sum())} orders before and {int(after.sum())} after a technician "
            f"began to scope, at least {_LEAST_EACH_SIDE} of each needed.",
        )
    person, people = codes_of(whole["technician"])
    quarter, quarters = codes_of(whole.select(q=pl.col("opened_at").dt.truncate("1q").cast(pl.String))["q"])
    left = without_levels(after.astype(float), person, quarter)
    size = float(left @ left)
    if size < 1e-6 * n:
        return Estimate.nothing(
            n, "All technicians began in the same quarter, so the season cannot be told apart."
        )
    outcome = without_levels(whole["came_back"].to_numpy().astype(float), person, quarter)
    slope = float(left @ outcome) / size
    residual = outcome - slope * left
    fitted = 1 + len(people) + len(quarters) - 1
    se = float(np.sqrt(np.sum((left * residual) ** 2) * n / (n - fitted))) / size
    half = float(stats.t.ppf(0.975, n - fitted)) * se
    return Estimate(n=n, estimate=slope, low=slope - half, high=slope + half)


def without_levels(values: Floats, first: npt.NDArray[np.int64], second: npt.NDArray[np.int64]) -> Floats:
    """Residual of `values` (shape (n,)) after a level for each code of `first` and of `second`.

    By the normal equations of the two sets of indicator columns, which are counts: no column is built
    (Frisch & Waugh, Econometrica 1:387-401, 1933: the coefficient of the rest is the same).
    """
    a, b = int(first.max()) + 1, int(second.max()) + 1
    cross = np.bincount(first * b + second, minlength=a * b).reshape(a, b).astype(float)
    normal = np.block([[np.diag(cross.sum(axis=1)), cross], [cross.T, np.diag(cross.sum(axis=0))]])
    right = np.concatenate(
        [np.bincount(first, weights=values, minlength=a), np.bincount(second, weights=values, minlength=b)]
    )
    # the two sets share the overall level, so the system has one direction too many
    level = np.linalg.lstsq(normal, right, rcond=None)[0]
    return np.asarray(values - level[:a][first] - level[a:][second])
