"""Which of a week's captures to look at, at a known rate of false discoveries."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import numpy.typing as npt
import polars as pl

from models.stats.conformal import adjusted_p, benjamini_hochberg, smallest_calibration

Floats = npt.NDArray[np.float64]

SCHEMA: dict[str, pl.DataType] = {
    "index": pl.Int64(),
    "week": pl.Date(),
    "p_value": pl.Float64(),
    "q_value": pl.Float64(),
    "discovery": pl.Boolean(),
    "captures_in_week": pl.Int64(),
    "reachable": pl.Boolean(),
    "why": pl.String(),
}


def weekly_discoveries(
    p_values: Sequence[float | None] | Floats,
    weeks: Sequence[date | None],
    q: float = 0.1,
    *,
    calibration_n: Sequence[int] | None = None,
) -> pl.DataFrame:
    """Benjamini-Hochberg within each week.

    Args:
        p_values: conformal p-values, one a capture; NaN or None is left out.
        weeks: Monday of each capture's week, the same length.
        q: share of false discoveries allowed among those named.
        calibration_n: size of the calibration set behind each p-value; with it the answer says where one
            lone odd capture cannot be discovered, whatever it looks like: 1/(n + 1) > q/m.

    Returns:
        DataFrame(index, week, p_value, q_value, discovery, captures_in_week, reachable, why): rows in the
        order given; `q_value` is the smallest q at which the capture would be named.

    Raises:
        ValueError: lengths differ or q is outside (0, 1).
    """
    if not 0.0 < q < 1.0:
        raise ValueError(f"q is a share between 0 and 1, not {q!r}")
    values = np.array([np.nan if p is None else float(p) for p in p_values], dtype=np.float64)
    if len(weeks) != values.size or (calibration_n is not None and len(calibration_n) != values.size):
        raise ValueError("one week and one calibration size for each p-value")
    sizes = np.zeros(values.size, dtype=np.int64)
    if calibration_n is not None:
        sizes = np.asarray(calibration_n, dtype=np.int64)
    days = np.array(["" if week is None else week.isoformat() for week in weeks], dtype=object)
    discovery = np.zeros(values.size, dtype=bool)
    q_value = np.full(values.size, np.nan)
    in_week = np.zeros(values.size, dtype=np.int64)
    reachable = np.ones(values.size, dtype=bool)
    why: list[str | None] = [None] * values.size
    for day in np.unique(days.astype(str)):
        member = np.flatnonzero(days == day)
        discovery[member] = benjamini_hochberg(values[member], q)
        q_value[member] = adjusted_p(values[member])
        m = int(np.isfinite(values[member]).sum())
        in_week[member] = m
        if calibration_n is None:
            continue
        needed = smallest_calibration(m, q)
        short = member[sizes[member] < needed]
        reachable[short] = False
        for at in short:
            why[at] = (
                f"Cannot be reached with this calibration size: {sizes[at]} known healthy captures; for one odd "
                f"capture among {m} at a false discovery rate of {q:.0%} at least {needed} are needed."
            )
    return pl.DataFrame(
        {
            "index": np.arange(values.size),
            "week": list(weeks),
            "p_value": values,
            "q_value": q_value,
            "discovery": discovery,
            "captures_in_week": in_week,
            "reachable": reachable,
            "why": why,
        },
        schema=SCHEMA,
    ).with_columns(pl.col("p_value", "q_value").fill_nan(None))
