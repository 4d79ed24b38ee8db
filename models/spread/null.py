"""How far an element stands from the others, and how odd healthy captures look when nothing is wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.records.measure import Direction
from models.stats.arrays import Bools, Floats, Ints
from models.stats.robust import nanmedian


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


# -- the same gap for every element, for flags --------------------------------------------------------------------


def element_oddness(deviation_pct: Floats, direction: Direction = "low", *, whole: bool = False) -> Floats:
    """How far each element sits from the median of the others, on the side where a fault stands.

    Of one thing (`whole`) it is how far it sits from what is usual, 0 deviation.

    The median of the *others*, because an element must not pull its own yardstick down.

    Args:
        deviation_pct: shape (captures, elements), relative reading minus the group's usual
            value, in percent; no NaN.

    Returns:
        Same shape, in percent; larger is odder, negative on the sound side. A single element has no
        others: 0.
    """
    captures, elements = deviation_pct.shape
    if whole:
        return _on_the_bad_side(-deviation_pct, direction)
    if elements < 2:
        return np.zeros((captures, elements))
    others = ~np.eye(elements, dtype=bool)
    tiled = np.broadcast_to(deviation_pct[:, None, :], (captures, elements, elements))
    medians = np.median(tiled[:, others].reshape(captures, elements, elements - 1), axis=2)
    return _on_the_bad_side(medians - deviation_pct, direction)


def stand_apart(oddness: Floats, deviation_pct: Floats, limit: Floats, direction: Direction) -> Bools:
    """Which elements reach the limit, one taken out after another.

    Where a fault may stand on either side, one odd element moves the median of the others for everybody else: of
    three, both sound ones then seem half as far off as the odd one. So the oddest is taken out first and the rest is
    judged by what remains, until nobody reaches the limit. That holds as long as those taken out are fewer than half;
    where they are not, nothing tells which half is the odd one, and every element that reached the limit stays named.

    Args:
        oddness: `element_oddness` of `deviation_pct`; both shape (captures, elements), on the scale of `limit`.
        limit: shape (captures,), in %.
    """
    odd = oddness >= limit[:, None]
    elements = oddness.shape[1]
    if direction != "either" or elements < 3:
        return odd
    rows = np.flatnonzero(odd.any(axis=1))
    left = np.array(deviation_pct[rows], dtype=np.float64)
    others = ~np.eye(elements, dtype=bool)
    for _ in range((elements - 1) // 2):
        at = np.nanargmax(_off_the_rest(left, others), axis=1)
        left[np.arange(rows.size), at] = np.nan
        open_still = _off_the_rest(left, others) >= limit[rows, None]
        settled = ~open_still.any(axis=1)
        odd[rows[settled]] &= np.isnan(left[settled])
        rows, left = rows[~settled], left[~settled]
        if not rows.size:
            break
    return odd


def _off_the_rest(left_pct: Floats, others: Bools) -> Floats:
    """Distance of each element left (not NaN) from the median of the others left; NaN for those taken out."""
    rest = np.where(others, left_pct[:, None, :], np.nan)
    return np.abs(nanmedian(rest, axis=2) - left_pct)


def _on_the_bad_side(below_pct: Floats, direction: Direction) -> Floats:
    if direction == "either":
        return np.abs(below_pct)
    return below_pct if direction == "low" else -below_pct


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
