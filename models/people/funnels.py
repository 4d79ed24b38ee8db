"""Funnel in place of a ranking: each technician's share against what chance alone would give at that n.

Exact binomial limits around the share of all together, widened where ordinary technicians differ by more than
chance (Spiegelhalter, Stat. Med. 24:1185-1202, 2005). Inside the funnel nobody differs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from models.people.counts import MEASURES
from models.people.skill import TechnicianSkill
from models.stats.control import funnel_limit, over_dispersion

Floats = npt.NDArray[np.float64]

_ALARM_Z = 3.290526731491896  # two-sided 99.9 %


@dataclass(frozen=True, slots=True)
class Funnel:
    """A funnel of one measure.

    Attributes:
        measure: one of `counts.MEASURES`. overall: the share all together, None where there is nothing.
        dispersion: how much wider than chance the points scatter (1 = chance alone).
        points: technician, n, events, share, standing (`inside`, `below`, `above` the 99.9 % limits
            widened for dispersion, or `too little to say`).
        limits: n, low_95, high_95, low_999, high_999 for n from 1 to the largest, in parts of one.
    """

    measure: str
    overall: float | None
    dispersion: float
    points: pl.DataFrame
    limits: pl.DataFrame


def funnel(skills: Sequence[TechnicianSkill], measure: str, *, least_n: int = 6) -> Funnel:
    """Funnel of `measure` over the technicians.

    Raises:
        ValueError: for a measure that does not exist.
    """
    if measure not in MEASURES:
        raise ValueError(f"no funnel for {measure!r}; there is one for {', '.join(MEASURES)}")
    counted = [(s.technician, s.counts[measure]) for s in skills if s.counts[measure].trials > 0]
    n = np.array([c.trials for _, c in counted], dtype=float)
    k = np.array([c.events for _, c in counted], dtype=float)
    points = pl.DataFrame(
        {
            "technician": [name for name, _ in counted],
            "n": n.astype(np.int64),
            "events": k.astype(np.int64),
            "share": k / n,
        },
        schema={"technician": pl.String, "n": pl.Int64, "events": pl.Int64, "share": pl.Float64},
    )
    overall = float(k.sum() / n.sum()) if n.size else None
    names = ("low_95", "high_95", "low_999", "high_999")
    if overall is None or not 0 < overall < 1:
        # all or none: there is no spread to draw a funnel from
        return Funnel(
            measure,
            overall,
            1.0,
            points.with_columns(
                standing=pl.when(pl.col("n") < least_n)
                .then(pl.lit("too little to say"))
                .otherwise(pl.lit("inside"))
            ),
            pl.DataFrame(schema={"n": pl.Int64, **dict.fromkeys(names, pl.Float64)}),
        )
    enough = n >= least_n
    dispersion = over_dispersion(k[enough], n[enough], overall)
    at = np.unique(np.geomspace(1, max(n.max(), 2), 120).round())
    limits = {
        name: _widened(overall, at, level, dispersion)
        for name, level in zip(names, (0.025, 0.975, 0.0005, 0.9995), strict=True)
    }
    # the drawn limits are interpolated between counts; who stands outside is decided by the exact tails, so
    # that 7 of 7 is not 'above' for a hair
    stretch = np.sqrt(dispersion)
    below = stats.norm.isf(stats.binom.cdf(k, n, overall)) / stretch > _ALARM_Z
    above = stats.norm.isf(stats.binom.sf(k - 1, n, overall)) / stretch > _ALARM_Z
    standing = np.where(
        n < least_n, "too little to say", np.where(below, "below", np.where(above, "above", "inside"))
    )
    return Funnel(
        measure,
        overall,
        dispersion,
        points.with_columns(standing=pl.Series(standing, dtype=pl.String)),
        pl.DataFrame({"n": at.astype(np.int64), **limits}),
    )


def _widened(overall: float, n: Floats, level: float, dispersion: float) -> Floats:
    """Exact limit, its distance from the overall share stretched by sqrt(dispersion) on the arcsine scale.

    There the spread hardly depends on the share, so that a stretched limit stays inside 0 and 1 and a
    share near 0 can still lie below it.
    """
    centre = np.arcsin(np.sqrt(overall))
    reach = (np.arcsin(np.sqrt(funnel_limit(overall, n, level))) - centre) * np.sqrt(dispersion)
    # where the exact limit is 0 or 1 itself, nothing can lie beyond it
    return np.asarray(np.sin(np.clip(centre + reach, 0.0, np.pi / 2)) ** 2)
