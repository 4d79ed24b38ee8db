"""How odd healthy captures look: the distribution of `odd_pct` when nothing is wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def lowest_gap(deviation_pct: Floats) -> tuple[Floats, Ints]:
    """How far the lowest element sits below the median of the others.

    Args:
        deviation_pct: shape (captures, elements), reading minus the group's usual value; NaN is left out.

    Returns:
        gap in %, shape (captures,) (NaN with fewer than three elements), and the 0-based column of the
        lowest element (the first one on a tie, -1 where there is none).
    """
    deviation_pct = np.asarray(deviation_pct, dtype=np.float64)
    rows, width = deviation_pct.shape
    if rows == 0 or width < 3:
        return np.full(rows, np.nan), np.full(rows, -1, dtype=np.int64)
    filled = np.where(np.isfinite(deviation_pct), deviation_pct, np.inf)
    count = np.isfinite(deviation_pct).sum(axis=1)
    at = np.argmin(filled, axis=1)
    ordered = np.sort(filled, axis=1)
    # The others, sorted, are columns 1 ... count-1; their median is the mean of the middle one or two.
    others = np.maximum(count - 1, 1)
    row = np.arange(rows)
    first = ordered[row, np.minimum(1 + (others - 1) // 2, width - 1)]
    second = ordered[row, np.minimum(1 + others // 2, width - 1)]
    enough = count >= 3
    with np.errstate(invalid="ignore"):
        gap = np.where(enough, 0.5 * (first + second) - ordered[:, 0], np.nan)
    return gap, np.where(enough, at, -1)


def widest_gap(deviation_pct: Floats, *, either: bool) -> tuple[Floats, Ints]:
    """Gap of the oddest element and its column: of the lowest one, or with `either` of whichever stands off more.

    One thing alone (one column) has no others: its gap is how far it sits below what is usual.
    """
    if np.shape(deviation_pct)[1] == 1:
        alone = -np.asarray(deviation_pct, dtype=np.float64)[:, 0]
        gap = np.abs(alone) if either else alone
        return gap, np.where(np.isfinite(gap), 0, -1)
    low, at_low = lowest_gap(deviation_pct)
    if not either:
        return low, at_low
    high, at_high = lowest_gap(-np.asarray(deviation_pct))
    return np.fmax(low, high), np.where(np.nan_to_num(high) > np.nan_to_num(low), at_high, at_low)


@dataclass(frozen=True, slots=True)
class Null:
    """`odd_pct` of new healthy captures of one group, as sorted draws with a normal tail.

    Attributes:
        odd_pct: sorted, shape (draws,).
        tail_from: share of healthy captures beyond which the tail formula takes over.
        tail_sd_pct: the tail falls like exp(-odd^2 / (2 tail_sd^2)).
    """

    odd_pct: Floats
    tail_from: float
    tail_sd_pct: float

    @classmethod
    def from_draws(cls, odd_pct: Floats) -> Null:
        """Classify the draws and fit the tail between the shares 1/100 and 1/1000."""
        ordered = np.sort(odd_pct)
        near, far = np.quantile(ordered, [0.99, 0.999])
        sd = float(np.sqrt(max(far**2 - near**2, 1e-12) / (2.0 * np.log(10.0))))
        return cls(ordered, 0.001, sd)

    def survival(self, odd_pct: Floats) -> Floats:
        """Share of new healthy captures at least this odd, shape as given; NaN stays NaN."""
        odd_pct = np.asarray(odd_pct, dtype=np.float64)
        size = self.odd_pct.size
        beyond = (size - np.searchsorted(self.odd_pct, odd_pct, side="left") + 1.0) / (size + 1.0)
        edge = float(np.quantile(self.odd_pct, 1.0 - self.tail_from))
        with np.errstate(over="ignore", under="ignore"):
            tail = self.tail_from * np.exp(-(odd_pct**2 - edge**2) / (2.0 * self.tail_sd_pct**2))
        p = np.where(odd_pct > edge, np.maximum(tail, 1e-300), beyond)
        return np.where(np.isfinite(odd_pct), p, np.nan)

    def quantile(self, share: float) -> float:
        """The `odd_pct` that this share of new healthy captures stays below."""
        return float(np.quantile(self.odd_pct, share))
