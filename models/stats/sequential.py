"""An interval for figures that are looked at again and again."""

from __future__ import annotations

import numpy as np

from models.stats.results import Estimate

LOOKS_LEVEL = 0.05
"""Chance that a shop where scoping changes nothing is ever told that it helps, however often it looks."""
LOOKS_ORDERS = 1000.0
"""Orders at which the bound over all looks is narrowest: about a year of a shop (a choice, made beforehand)."""


def sequential_bound(value: float, se: float, n: int, *, level: float = LOOKS_LEVEL) -> Estimate:
    """An interval that holds at every look together: chance at most `level` that it ever fails on one side.

    The asymptotic confidence sequence of Waudby-Smith, Arbour, Sinha, Kennedy & Ramdas (Time-uniform central
    limit theory and asymptotic confidence sequences, Ann. Statist. 52:2613-2640, 2024, theorem 2.2; reference
    from memory): value +- se sqrt(2 (n r + 1) / (n r) log(sqrt(n r + 1) / (2 level))), where r makes it narrowest at
    `LOOKS_ORDERS` orders. About 2.8 standard errors instead of 1.96: figures are looked at every month, and a
    plain 95 % interval then misleads one shop in seven within a year.

    Args:
        value, se: the estimate and its standard error. n: orders it rests on.
    """
    alpha = 2.0 * level
    wish = -2.0 * np.log(alpha)
    nr = n * (wish + np.log1p(wish)) / LOOKS_ORDERS
    half = se * float(np.sqrt(2.0 * (nr + 1.0) / nr * np.log(np.sqrt(nr + 1.0) / alpha)))
    return Estimate(n=n, estimate=value, low=value - half, high=value + half)
