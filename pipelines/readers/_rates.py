"""Rows that say the same twice, and rows of one time that hold one channel each."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Column = npt.NDArray[np.floating]


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
