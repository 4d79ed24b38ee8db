"""Order tracking: the record re-sampled to crank angle, cycle by cycle, and averaged in step with the engine.

Time-synchronous averaging: McFadden P. D. (1987), Mech. Syst. Signal Process. 1:83-95 (reference from memory);
Hochmann D. & Sadok M. (2004), "Theory of synchronous averaging", IEEE Aerospace Conference.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipelines.kinds.relative_compression.values import Array, Bools, middle_of, middle_of_rows

BINS = 144  # 5 degrees: finer than any cranking event, and a multiple of 3, 4, 6, 8, 9, 12
OUTLIER = 4.5


@dataclass(frozen=True)
class Cycles:
    """Engine cycles in crank angle.

    Attributes:
        starts_s, lengths_s: of each cycle that is used, in s, shape (cycles,).
        ripple: mean of the signal in each bin of 720/BINS deg, the slow part taken off, shape (cycles, BINS);
            bin 0 begins at the cycle's start.
        level: mean of each cycle in V or A, shape (cycles,).
        lowest: lowest bin of each cycle in V or A, shape (cycles,).
        seen: cycles found before the odd ones were left out.
        unlike: left out for their shape alone, neither first nor last of a stretch: a cylinder that kicks now and then
            does that too.
    """

    starts_s: Array
    lengths_s: Array
    ripple: Array
    level: Array
    lowest: Array
    seen: int
    unlike: Cycles | None = None

    @cached_property
    def typical(self) -> Array:
        """Median over the cycles of each bin's ripple, shape (BINS,)."""
        return middle_of_rows(self.ripple)

    @property
    def count(self) -> int:
        """Number of cycles used."""
        return int(self.starts_s.size)

    @cached_property
    def coherence(self) -> float:
        """Share of the ripple's power that repeats from cycle to cycle, 0 (noise) to 1; few cycles do not flatter."""
        count = self.count
        if count < 2:
            return 1.0 if count else 0.0
        power = float((self.ripple**2).mean())
        kept = float((self.ripple.mean(axis=0) ** 2).mean())
        return (kept / power - 1.0 / count) / (1.0 - 1.0 / count) if power > 0 else 0.0


def bin_means(x: Array, rate_hz: float, edges_s: Array) -> Array:
    """Mean of `x` (sample k held from k / rate to (k + 1) / rate) between consecutive edges in s.

    Averaging over the bin is the anti-aliasing filter and the best use of the samples in white noise.
    """
    total = np.empty(x.size + 1)
    total[0] = 0.0
    np.cumsum(x, out=total[1:])
    at = np.clip(edges_s * rate_hz, 0.0, x.size)
    whole = np.minimum(at.astype(np.int64), x.size - 1)
    integral = total[whole] + (at - whole) * x[whole]
    width = np.diff(at)
    return np.asarray(np.diff(integral) / np.maximum(width, 1e-9))


def take_cycles(load_down: Array, missing: Bools | None, rate_hz: float, boundaries_s: list[Array]) -> Cycles:
    """Re-sample each whole cycle to crank angle and leave out those unlike the others.

    Args:
        boundaries_s: for each stretch the times in s (from sample 0) at which cycles begin, the last one ends.

    Left out: cycles much longer or shorter than their neighbours, with gaps, or of quite another shape (the
    starter's inrush, a dropout, the engine's first firing).
    """
    parts: list[tuple[Array, ...]] = []
    for edges in boundaries_s:
        if edges.size < 2:
            continue
        lo, hi = max(0, int(edges[0] * rate_hz) - 2), int(edges[-1] * rate_hz) + 3
        grid = (edges[:-1, None] + np.diff(edges)[:, None] * np.arange(BINS) / BINS).ravel()
        grid = np.append(grid, edges[-1]) - lo / rate_hz
        values = bin_means(load_down[lo:hi], rate_hz, grid)
        ripple = _without_slow(values).reshape(-1, BINS)
        gaps = np.zeros(edges.size - 1)
        if missing is not None and missing[lo:hi].any():
            lost = bin_means(missing[lo:hi].astype(np.float64), rate_hz, grid) > 0.3
            gaps = lost.reshape(-1, BINS).mean(axis=1)
            ripple = _bridged(values, lost)
        table = values.reshape(-1, BINS)
        inner = np.ones(edges.size - 1)
        inner[0] = inner[-1] = 0.0
        parts.append((edges[:-1], np.diff(edges), ripple, table.mean(axis=1), table.min(axis=1), gaps, inner))
    if not parts:
        empty = np.empty(0)
        return Cycles(empty, empty, np.empty((0, BINS)), empty, empty, 0)
    starts, lengths, ripple, level, lowest, gaps, inner = (
        np.concatenate(p) for p in zip(*parts, strict=True)
    )
    whole, keep = _alike(lengths, ripple, gaps)
    every = Cycles(starts, lengths, ripple, level, lowest, int(starts.size))
    out = np.asarray(whole & ~keep & (inner > 0))
    return replace(chosen(every, keep), seen=every.seen, unlike=chosen(every, out) if out.any() else None)


def joined(cycles: Cycles, more: Cycles) -> Cycles:
    """Both in order of time."""
    order = np.argsort(np.concatenate((cycles.starts_s, more.starts_s)))
    return Cycles(
        np.concatenate((cycles.starts_s, more.starts_s))[order],
        np.concatenate((cycles.lengths_s, more.lengths_s))[order],
        np.concatenate((cycles.ripple, more.ripple))[order],
        np.concatenate((cycles.level, more.level))[order],
        np.concatenate((cycles.lowest, more.lowest))[order],
        cycles.seen,
    )


def chosen(cycles: Cycles, which: Bools) -> Cycles:
    """Some of the cycles."""
    return Cycles(
        cycles.starts_s[which],
        cycles.lengths_s[which],
        cycles.ripple[which],
        cycles.level[which],
        cycles.lowest[which],
        int(which.sum()),
    )


def _without_slow(values: Array) -> Array:
    """Take off the moving mean over one cycle, carried on in a straight line at the ends.

    A mean over exactly one cycle holds nothing of any order of the cycle, so only what is slower than a
    cycle (the battery's sag and recovery) is taken off.
    """
    total = np.concatenate(([0.0], np.cumsum(values)))
    means = (total[BINS:] - total[:-BINS]) / BINS
    centre = np.arange(means.size) + 0.5 * (BINS - 1)
    at = np.arange(values.size, dtype=np.float64)
    slow = np.interp(at, centre, means)
    if means.size > BINS:
        first = (means[BINS] - means[0]) / BINS
        last = (means[-1] - means[-1 - BINS]) / BINS
        head, tail = at < centre[0], at > centre[-1]
        slow[head] += first * (at[head] - centre[0])
        slow[tail] += last * (at[tail] - centre[-1])
    return np.asarray(values - slow)


def _bridged(values: Array, lost: Bools) -> Array:
    """Ripple with each lost bin filled by what the other cycles hold there, shape (cycles, BINS)."""
    gone = lost.reshape(-1, BINS)
    seen = np.maximum((~gone).sum(axis=0), 1)
    filled = values
    ripple = _without_slow(values).reshape(-1, BINS)
    for _ in range(3):
        usual = np.where(gone, 0.0, ripple).sum(axis=0) / seen
        slow = filled - ripple.ravel()
        # the slow part is carried across a gap in a straight line
        at = np.arange(values.size)
        bridged = np.interp(at[lost], at[~lost], slow[~lost]) if not lost.all() else slow[lost]
        filled = values.copy()
        filled[lost] = bridged + np.broadcast_to(usual, gone.shape)[gone]
        ripple = _without_slow(filled).reshape(-1, BINS)
    return ripple


def _alike(lengths: Array, ripple: Array, gaps: Array) -> tuple[Bools, Bools]:
    """Which cycles are whole and about as long as most of the others, and which of these are of their shape too."""
    usual = middle_of(lengths)
    keep = np.abs(lengths / usual - 1.0) < 0.2
    for most in (
        0.06,
        0.15,
        0.3,
    ):  # bridged gaps bend a cycle: take those with few, and more only for want of others
        if (keep & (gaps < most)).sum() >= 4 or most == 0.5:
            keep &= gaps < most
            break
    whole = keep.copy()
    if keep.sum() < 2:
        return np.asarray(whole), np.asarray(keep)
    for _ in range(2):
        typical = middle_of_rows(ripple[keep])
        apart = np.sqrt(((ripple - typical) ** 2).mean(axis=1))
        usual_apart = middle_of(apart[keep])
        floor = 0.04 * float(np.sqrt((typical**2).mean()))
        keep &= apart <= OUTLIER * max(usual_apart, floor) if keep.sum() >= 4 else True
    return np.asarray(whole), np.asarray(keep)
