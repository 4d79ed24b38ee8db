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


FOUND_SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "test": pl.String(),
    "week": pl.Date(),
    "p_value": pl.Float64(),
    "q_value": pl.Float64(),
    "discovery": pl.Boolean(),
    "captures_in_week": pl.Int64(),
    "reachable": pl.Boolean(),
    "why": pl.String(),
}


def discoveries(captures: pl.DataFrame, scores: pl.DataFrame, rate_pct: float) -> pl.DataFrame:
    """The captures of each week that are further off than chance explains, test by test.

    The one place where this is decided: pages, digest and export all look at the `p_value` of the test's first
    measure. Tests are judged apart, so that captures of one never move what is found in another.

    Args:
        captures: capture_file, test, captured_at. Rows of one week (or of many) up to whatever day is asked.
        scores: capture_file, rank (0 = the test's first measure), p_value, p_floor (1 / (n + 1) for n calibration
            captures).
        rate_pct: of those found, at most this share may be healthy ones on average, in %.

    Returns:
        DataFrame(capture_file, test, week (its Monday), p_value, q_value, discovery, captures_in_week,
        reachable, why), one row a capture with a p-value and a day; see `weekly_discoveries`.

    Raises:
        ValueError: rate_pct is outside (0, 100).
    """
    rows = (
        captures.select("capture_file", "test", "captured_at")
        .join(
            scores.filter(pl.col("rank") == 0).select("capture_file", "p_value", "p_floor"),
            on="capture_file",
            how="inner",
            maintain_order="left",
        )
        .filter(pl.col("p_value").is_not_null() & pl.col("captured_at").is_not_null())
        .with_columns(
            week=pl.col("captured_at").dt.date().dt.truncate("1w"),
            calibration=(1.0 / pl.col("p_floor") - 1.0).round().fill_null(0).cast(pl.Int64),
        )
    )
    parts = [pl.DataFrame(schema=FOUND_SCHEMA)]
    for _, own in rows.group_by("test", maintain_order=True):
        found = weekly_discoveries(
            own["p_value"].to_list(),
            own["week"].to_list(),
            rate_pct / 100,
            calibration_n=own["calibration"].to_list(),
        )
        parts.append(
            pl.concat([own.select("capture_file", "test"), found.drop("index")], how="horizontal").select(
                list(FOUND_SCHEMA)
            )
        )
    return pl.concat(parts)
