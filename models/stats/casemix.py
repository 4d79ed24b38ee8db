"""What an ordinary person would have got on the same work: the allowance for case mix.

logit(chance) = intercept + terms for each category of the work + a term for the person, all terms
ridge-penalised (a normal prior with SD 1 on the logit scale), fitted on counts. The chance expected of
*the usual person* puts the median of the persons' terms in place of the person's own: one person
with much trouble must not raise what is expected of the others, nor of himself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from models.stats.logistic import dummies, fit_logistic

Floats = npt.NDArray[np.float64]

_LEAST_FOR_MEDIAN = 5


@dataclass(frozen=True, slots=True)
class CaseMix:
    """Per row of the frame given: `logit` of the chance of the usual person, shape (rows,)."""

    logit: Floats

    @property
    def chance(self) -> Floats:
        """Chance of the event for the usual person, shape (rows,)."""
        return np.asarray(1 / (1 + np.exp(-self.logit)))


def codes_of(values: pl.Series) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Category codes of a column and its categories in sorted order; null is a category of its own."""
    text = values.cast(pl.String).fill_null("(unknown)")
    levels = sorted(text.unique().to_list())
    index = {level: i for i, level in enumerate(levels)}
    return np.array([index[v] for v in text.to_list()], dtype=np.int64), levels


def usual_person(frame: pl.DataFrame, *, event: str, columns: Sequence[str], who: str) -> CaseMix:
    """Fit the case mix of `event` (bool column) over `columns`, allowing for `who`.

    Raises:
        models.stats.logistic.NotConverged: where the fit does not settle.
    """
    if frame.height == 0:
        return CaseMix(np.zeros(0))
    cells = frame.group_by([who, *columns], maintain_order=True).agg(
        k=pl.col(event).cast(pl.Float64).sum(), n=pl.len().cast(pl.Float64)
    )
    parts, penalties = [np.ones((cells.height, 1))], [np.zeros(1)]
    for column in columns:
        code, levels = codes_of(cells[column])
        if len(levels) > 1:
            parts.append(dummies(code, len(levels), drop_first=False))
            penalties.append(np.ones(len(levels)))
    mix = np.hstack(parts)
    person, people = codes_of(cells[who])
    penalties.append(np.ones(len(people)))
    fit = fit_logistic(
        np.hstack([mix, dummies(person, len(people), drop_first=False)]),
        cells["k"].to_numpy(),
        trials=cells["n"].to_numpy(),
        # a very weak pull on the intercept keeps a shop without a single event finite
        penalty=np.concatenate([[0.01], *penalties[1:]]),
    )
    own = fit.coefficients[mix.shape[1] :]
    trials = np.bincount(person, weights=cells["n"].to_numpy(), minlength=len(people))
    known = own[trials >= _LEAST_FOR_MEDIAN]
    usual = float(np.median(known if known.size else own))
    cells = cells.with_columns(logit=pl.Series(mix @ fit.coefficients[: mix.shape[1]] + usual))
    joined = frame.join(
        cells.select(who, *columns, "logit"),
        on=[who, *columns],
        how="left",
        nulls_equal=True,
        maintain_order="left",
    )
    return CaseMix(joined["logit"].to_numpy())
