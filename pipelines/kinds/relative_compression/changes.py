"""A fault that comes and goes: cycles in which one cylinder kicks are taken back in, and what changed is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from pipelines.kinds.relative_compression.angle import Cycles, chosen, joined
from pipelines.kinds.relative_compression.inversion import Inversion
from pipelines.kinds.relative_compression.values import Array, Bools, middle_of, middle_of_rows

EXPLAINED = 3.0  # times the usual misfit of a cycle: beyond, it is a disturbance and no cylinder
LEAST_MISFIT = 0.06  # of the ripple
STEADY_PCT = 12.0  # how far the other cylinders may be off in a cycle one of them kicks in
DEAD_PCT, SHAKEN_PCT, SHAKEN = -50.0, 40.0, 4.0  # tried on drawn captures, no source
FEWEST = 6  # cycles for a change over the crank
KICK_PCT, KICK_SPREADS = 15.0, 5.0
CHANGE_PCT, CHANGE_ERRORS = 12.0, 4.0


@dataclass(frozen=True, slots=True)
class Change:
    """How a firing position (from 0) changed.

    Attributes:
        position: whose figure changed most from the first third of the crank to the last.
        change_pct, error_pct: by how much (last less first), and its standard error.
        kicks: number of cycles in which one position fell far below its own usual figure.
        kicker: which position that was most often; None where there was none.
        depth_pct: median depth of the kicks below its usual figure.
    """

    position: int
    change_pct: float
    error_pct: float
    kicks: int
    kicker: int | None
    depth_pct: float

    @property
    def lasting(self) -> bool:
        """Whether the change over the crank stands out of the cycles' scatter."""
        return abs(self.change_pct) > max(CHANGE_PCT, CHANGE_ERRORS * self.error_pct)


def by_cycle_pct(found: Inversion) -> Array:
    """Each cycle's figures in % of that cycle's median position, shape (cycles, positions)."""
    middle = np.median(found.by_cycle, axis=1)
    usual = middle_of(middle)
    return np.asarray(100.0 * found.by_cycle / np.maximum(middle, 0.3 * usual)[:, None])


def take_back(
    cycles: Cycles, found: Inversion, fit: Callable[[Array], Inversion]
) -> tuple[Cycles, Inversion]:
    """Cycles left out as unlike the others are taken in again where cylinders explain them as well as the rest.

    In such a cycle some cylinders are weaker than usual and at least half of them as usual; firing strokes, bursts and
    dropouts are not like that.
    """
    if cycles.unlike is None:
        return cycles, found
    everything = joined(cycles, cycles.unlike)
    trial = fit(everything.ripple)
    new = np.isin(everything.starts_s, cycles.unlike.starts_s)
    usual = max(middle_of(trial.left_by_cycle[~new]), LEAST_MISFIT)
    figures = by_cycle_pct(trial)
    off = figures - middle_of_rows(figures[~new])
    quiet = np.sort(np.abs(off), axis=1)[:, : (off.shape[1] + 1) // 2].max(axis=1)
    fits = (
        (trial.left_by_cycle < EXPLAINED * usual)
        & (quiet < STEADY_PCT)
        & (off.max(axis=1) < -off.min(axis=1))
    )
    fits |= _one_dead(off, trial.left_by_cycle, usual)
    keep: Bools = ~new | fits
    if not fits[new].any():
        return cycles, found
    taken = replace(chosen(everything, keep), seen=cycles.seen, unlike=cycles.unlike)
    return taken, trial if keep.all() else fit(taken.ripple)


def _one_dead(off: Array, left: Array, usual: float) -> Bools:
    """Cycles in which one and the same cylinder hardly compresses, shape (cycles,): that shakes an engine of few
    cylinders so much that the others look stronger than they are, but none weaker."""
    lowest = np.argmin(off, axis=1)
    others = np.sort(off, axis=1)[:, 1:]
    dead = (off.min(axis=1) < DEAD_PCT) & (others[:, 0] > -STEADY_PCT) & (others[:, -1] < SHAKEN_PCT)
    dead &= left < SHAKEN * usual
    if dead.sum() < 2:
        return np.zeros_like(dead)
    return np.asarray(dead & (lowest == np.bincount(lowest[dead]).argmax()))


def change_of(found: Inversion) -> Change | None:
    """What changed from cycle to cycle; None with too few cycles to say."""
    figures = by_cycle_pct(found)
    count = figures.shape[0]
    if count < FEWEST:
        return None
    third = count // 3
    first, last = figures[:third], figures[-third:]
    change = np.median(last, axis=0) - np.median(first, axis=0)
    scatter = np.median(np.abs(np.diff(figures, axis=0)), axis=0) * (1.4826 / np.sqrt(2.0))
    # a median of n has pi / 2 times the variance of their mean
    error = np.sqrt(np.pi / third) * np.maximum(scatter, 0.1)
    most = int(np.argmax(np.abs(change) / np.maximum(error, 0.02 * np.abs(change) + 0.5)))
    usual = middle_of_rows(figures)
    below = usual - figures
    spread = np.median(np.abs(below), axis=0) * 1.4826
    kicked = below > np.maximum(KICK_PCT, KICK_SPREADS * spread)
    times = kicked.sum(axis=0)
    kicker = int(np.argmax(times)) if times.any() else None
    depth = middle_of(below[kicked[:, kicker], kicker]) if kicker is not None else 0.0
    return Change(
        most,
        float(change[most]),
        float(error[most]),
        int(kicked.any(axis=1).sum()),
        kicker,
        float(depth),
    )
