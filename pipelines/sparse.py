"""Channels that have a sample in every n-th row of the record only."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

Column = TypeVar("Column", npt.NDArray[np.float32], npt.NDArray[np.floating])
SPARSE = 0.35  # share of empty rows from which a channel is one of a lower rate, not one with gaps
LONGEST = 256  # rows from sample to sample
REGULAR = 0.85  # share of its samples that come at the usual distance
FEWEST = 16


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
