"""Rows that say the same twice, and channels that have a sample in some of the rows only."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Column = npt.NDArray[np.floating]
SPARSE = 0.35  # share of empty rows from which a channel is one of a lower rate, not one with gaps
LONGEST = 256  # rows from sample to sample
REGULAR = 0.9  # share of its samples that come at the usual distance
FEWEST = 16


def repeated_rows(
    time_s: npt.NDArray[np.float64],
    columns: dict[int, Column],
    channels: tuple[int, ...],
    last_place_s: float,
) -> npt.NDArray[np.bool_] | None:
    """Which rows repeat the row before them in time and in every channel; None where none does.

    Where times are printed with too few digits, equal rows are samples in their own right and stay.
    """
    steps = np.diff(time_s)
    same = steps == 0
    if not same.any() or same.all():
        return None
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    if last_place_s > 0.1 * usual:
        return None
    for k in channels:
        column = columns[k]
        equal = column[1:] == column[:-1]
        same &= equal | (np.isnan(column[1:]) & np.isnan(column[:-1]))
    return np.concatenate(([False], same)) if same.any() else None


def merged_rows(
    time_s: npt.NDArray[np.float64], columns: dict[int, Column], channels: tuple[int, ...]
) -> npt.NDArray[np.bool_] | None:
    """Merge rows of one time that hold one channel each: the later row's samples are written into the first one's.

    Returns:
        Which rows are left over and go; None where no two rows fit together. `columns` are replaced in place.
    """
    same = np.flatnonzero(np.diff(time_s) == 0) + 1
    if not same.size:
        return None
    both = np.zeros(same.size, dtype=bool)
    for k in channels:
        both |= np.isfinite(columns[k][same]) & np.isfinite(columns[k][same - 1])
    if both.any() or (np.diff(same) == 1).any():
        return None
    for k in channels:
        column = columns[k].copy()
        take = same[np.isfinite(column[same])]
        column[take - 1] = column[take]
        columns[k] = column
    gone = np.zeros(time_s.size, dtype=np.bool_)
    gone[same] = True
    return gone


def filled_between(column: Column) -> tuple[Column, int]:
    """A channel with a sample in every n-th row only, filled in straight lines between its samples.

    Returns:
        The column and n; as it was and 1 where its empty rows follow no such pattern.
    """
    finite = np.isfinite(column)
    if finite.all() or float(np.mean(~finite)) < SPARSE:
        return column, 1
    at = np.flatnonzero(finite)
    if at.size < FEWEST:
        return column, 1
    apart = np.diff(at)
    usual = int(np.median(apart))
    if not 1 < usual <= LONGEST or float(np.mean(apart == usual)) < REGULAR:
        return column, 1
    filled = np.interp(np.arange(column.size), at, column[at]).astype(column.dtype)
    for gap in np.flatnonzero(apart > 2 * usual):  # what is missing beside the pattern stays missing
        filled[at[gap] + 1 : at[gap + 1]] = np.nan
    return filled, usual
