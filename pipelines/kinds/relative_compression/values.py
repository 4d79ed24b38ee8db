"""Order statistics, block means and converter steps of plain arrays, without numpy's overhead on short ones."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

# where a record's rows repeat a sample is told from its beginning, by enough changes that chance does not put them all
# at every n-th row, and for no more rows a sample than a recorder would waste (choices)
MANY_ROWS, MANY_CHANGES, MOST_ROWS, FEWEST_CHANGES = 20_000, 500, 20, 40


def block_mean(x: npt.NDArray[np.floating], step: int) -> Array:
    """Mean of each `step` samples, the rest at the end left out; strided adds are the fastest way for few."""
    if step == 1:
        return x.astype(np.float64)
    whole = x[: x.size // step * step]
    if step <= 16:
        total = whole[::step].astype(np.float64)
        for k in range(1, step):
            total += whole[k::step]
        return total / step
    return np.asarray(whole.reshape(-1, step).mean(axis=1, dtype=np.float64))


def ranked(x: npt.NDArray[np.floating], *shares: float) -> list[float]:
    """Values at the given shares of the ordered samples (nearest rank): a quantile without numpy's overhead."""
    ranks = [round(share * (x.size - 1)) for share in shares]
    ordered = np.partition(x, sorted(set(ranks)))
    return [float(ordered[rank]) for rank in ranks]


def middle_of(x: npt.NDArray[np.floating]) -> float:
    """Median of a flat array; numpy's own spends ten times as long on a short one."""
    half = x.size // 2
    if x.size % 2:
        return float(np.partition(x, half)[half])
    ordered = np.partition(x, (half - 1, half))
    return 0.5 * (float(ordered[half - 1]) + float(ordered[half]))


def middle_of_rows(x: Array) -> Array:
    """Median over the first axis, as `np.median(x, axis=0)` of finite numbers."""
    half = x.shape[0] // 2
    ordered = np.sort(x, axis=0)
    return np.asarray(ordered[half] if x.shape[0] % 2 else 0.5 * (ordered[half - 1] + ordered[half]))


def spread_of(x: npt.NDArray[np.floating], high: float, low: float) -> float:
    """Distance between the values at two shares of the ordered samples."""
    top, bottom = ranked(x, high, low)
    return top - bottom


def smallest_gap(x: npt.NDArray[np.floating]) -> float:
    """Smallest step between two values of some samples, 0 where nearly every value is a new one."""
    values = np.unique(x[np.isfinite(x)]).astype(np.float64)
    if values.size < 2 or values.size > 0.5 * x.size:
        return 0.0
    gaps = np.diff(values)
    gaps = gaps[gaps > 1e-5 * max(abs(values[0]), abs(values[-1]), 1e-12)]
    if not gaps.size:
        return 0.0
    least = float(ranked(gaps, 0.1)[0])
    # the mean over the gaps of one step is steadier than any one of them
    return float(gaps[gaps < 1.5 * least].mean())


def rows_a_sample(x: npt.NDArray[np.floating]) -> int:
    """How many rows of a file hold one sample each: a recorder that writes faster than it samples says the same again.

    Told by where the value changes: only ever at every n-th row. 1 where it changes elsewhere too.
    """
    at = np.flatnonzero(np.diff(x[:MANY_ROWS]))[:MANY_CHANGES]
    if at.size < FEWEST_CHANGES:
        return 1
    rows = int(np.gcd.reduce(at - at[0]))
    return rows if rows <= MOST_ROWS else 1


def last_code(edge: float, step: float) -> bool:
    """Whether a value is the last a converter can give: a power of two of its steps (64 or more) below zero, one
    less above it (two's complement and plain binary alike)."""
    if step <= 0:
        return False
    codes = abs(edge) / step
    lasts = [2**power - less for power in range(6, 17) for less in ((1,) if edge > 0 else (0, 1))]
    return any(abs(codes - last) < 0.02 + 1e-4 * last for last in lasts)
