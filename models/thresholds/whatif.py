"""What would another limit have done? The whole history, re-scored at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Captures that change side when the limits move.

    Attributes:
        flagged: after the move, shape (captures,).
        newly_flagged, no_longer_flagged: indices of the captures that change side.
        flagged_before, flagged_after: captures flagged, by group, shape (groups,).
        newly_by_outcome, no_longer_by_outcome: how many of them were confirmed odd, not confirmed, and
            confirmed even, in this order.
    """

    flagged: Bools
    newly_flagged: Ints
    no_longer_flagged: Ints
    flagged_before: Ints
    flagged_after: Ints
    newly_by_outcome: tuple[int, int, int]
    no_longer_by_outcome: tuple[int, int, int]


def what_if(
    odd_pct: Floats, groups: Ints, x_pct: Floats, x_before_pct: Floats, confirmed: Ints | None = None
) -> WhatIf:
    """Re-score every capture at new limits; a capture at the limit is flagged.

    Args:
        odd_pct: shape (captures,); NaN is never flagged.
        groups: code of each capture's group, shape (captures,).
        x_pct, x_before_pct: new and old limit by group code, shape (groups,), in %.
        confirmed: 1 even, -1 odd, 0 not confirmed, shape (captures,); default nothing confirmed.
    """
    after = odd_pct >= x_pct[groups]
    before = odd_pct >= x_before_pct[groups]
    count = x_pct.size
    newly = np.flatnonzero(after & ~before)
    gone = np.flatnonzero(before & ~after)

    def by_outcome(rows: Ints) -> tuple[int, int, int]:
        if confirmed is None:
            return 0, int(rows.size), 0
        odd, unknown, even = np.bincount(confirmed[rows] + 1, minlength=3)
        return int(odd), int(unknown), int(even)

    return WhatIf(
        flagged=after,
        newly_flagged=newly,
        no_longer_flagged=gone,
        flagged_before=np.bincount(groups[before], minlength=count),
        flagged_after=np.bincount(groups[after], minlength=count),
        newly_by_outcome=by_outcome(newly),
        no_longer_by_outcome=by_outcome(gone),
    )
