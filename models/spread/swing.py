"""Healthy engines of some groups swing: every second element in sequence reads high, the others low.

How much, and which way, differs from capture to capture with speed, temperature and load; it
is strong where the steps are uneven, or where two halves of a turn are driven differently
(common practice, no source; the models look for it in every group with an even number of elements and
find next to none in most). Left in, it widens the normal spread of a group severalfold. So it is a
separate part of what is usual:

    healthy reading = pattern + b * (+1, -1, +1, ...) + scatter,   b ~ N(0, swing^2),  scatter ~ N(0, spread^2)

For each capture b is estimated with a bounded loss, so that one weak element does not pass for a swing,
and it may take off no more than twice the group's usual swing, so that two weak ones do not either.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from models.records.matrix import Layout

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_SWINGS = 2.0
CAP = 4.5
"""Loss beyond which an element counts as apart: three standard deviations, as (3^2)/2."""

SHARED_WORTH = 5.0
"""Healthy captures' worth of trust in the swing of like groups against the group's own (a choice)."""


def alternation(layout: Layout) -> Floats:
    """+1 and -1 by element number, alternating in sequence; zeros for an odd number of elements."""
    sign = np.zeros(layout.elements)
    if layout.elements % 2 == 0:
        sign[np.array(layout.sequence) - 1] = np.where(np.arange(layout.elements) % 2 == 0, 1.0, -1.0)
    return sign


def own_swing_variance(residual_pct: Floats, sign: Floats, healthy: Floats) -> float:
    """Variance of b over one group's healthy captures, in %^2, at least 0.

    The alternating contrast of a healthy capture has variance swing^2 + spread^2/N; the other contrasts
    say what spread^2 is.

    Args:
        residual_pct: shape (captures, N), reading minus pattern; healthy: probabilities, shape (captures,).
    """
    n = sign.size
    weight = float(healthy.sum())
    if weight < 2.0 or n < 4 or not sign.any():
        return 0.0
    centred = residual_pct - residual_pct.mean(axis=1, keepdims=True)
    b = centred @ sign / n
    rest = np.sum((centred - b[:, None] * sign) ** 2, axis=1)
    spread_variance = float(healthy @ rest) / (weight * (n - 2))
    centre = float(healthy @ b) / weight
    variance = float(healthy @ (b - centre) ** 2) / max(weight - 1.0, 1.0)
    return max(variance - spread_variance / n, 0.0)


def shared_swings(own: list[float], weight: list[float], strata: Ints, even: list[bool]) -> list[float]:
    """Swing of each group in %, its own variance held towards that of groups of like layout.

    Args:
        own: variances; weight: healthy captures; strata: codes of like layouts; even: whether the
            number of elements is even.
    """
    variance, count = np.array(own), np.array(weight)
    usable = np.array(even, dtype=bool)
    found = []
    for at in range(variance.size):
        if not usable[at]:
            found.append(0.0)
            continue
        others = usable & (np.arange(variance.size) != at)
        like = others & (strata == strata[at])
        pool = like if count[like].sum() >= 5.0 else others
        total = float(count[pool].sum())
        shared = float(count[pool] @ variance[pool]) / total if total > 0 else 0.0
        mixed = (count[at] * variance[at] + SHARED_WORTH * shared) / (count[at] + SHARED_WORTH)
        found.append(float(np.sqrt(mixed)))
    return found


def swing_of(residual_pct: Floats, sign: Floats, swing_pct: float, spread_pct: float) -> Floats:
    """b of each capture, in %.

    The most probable b under the bounded loss, on a grid of 41 steps, each with the best level of its own.

    Args:
        residual_pct: shape (captures, N), reading minus pattern, finite; sign: shape (N,).

    Returns:
        shape (captures,); all 0 where the group has no swing to speak of.
    """
    if not sign.any() or swing_pct < 0.02 * spread_pct or residual_pct.shape[0] == 0:
        return np.zeros(residual_pct.shape[0])
    grid = np.linspace(-MOST_SWINGS, MOST_SWINGS, 41) * swing_pct
    n = sign.size
    # In single precision and in units of the spread: a fortieth of a swing is all that is asked for.
    steps = (grid[:, None] * sign / spread_pct).astype(np.float32)
    prior = (grid / swing_pct) ** 2 / 2.0
    found = np.empty(residual_pct.shape[0])
    for start in range(0, found.size, 2048):
        part = (residual_pct[start : start + 2048] / spread_pct).astype(np.float32)[:, None, :] - steps
        ordered = np.sort(part, axis=2)
        part -= 0.5 * (ordered[:, :, n // 2 - 1] + ordered[:, :, n // 2])[:, :, None]
        loss = np.minimum(part * part * np.float32(0.5), np.float32(CAP)).sum(axis=2) + prior
        found[start : start + 2048] = grid[np.argmin(loss, axis=1)]
    return found


def contrasts_lost(swing_pct: float, spread_pct: float, elements: int) -> float:
    """Share of the alternating contrast that taking off b removes from the scatter, 0 to 1."""
    if swing_pct <= 0.0:
        return 0.0
    return swing_pct**2 / (swing_pct**2 + spread_pct**2 / elements)
