"""One channel's strikes gathered into sparks: strikes that follow each other within one spark belong together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.ignition_primary.primary import Strikes
from pipelines.kinds.ignition_primary.ramps import Ramps
from pipelines.kinds.trace import Floats

AGAIN_SHARE, AGAIN_S = 0.4, 6.5e-3


@dataclass(frozen=True, slots=True)
class Sparks:
    """Sparks of one channel, arrays of shape (sparks,); NaN where a strike did not show it.

    Attributes:
        at_s: time of the first cut. dwell_s, burn_s, burn_v, peak_v, slope, cut_a, held_s: see `Strikes`, `Ramps`.
        strikes: cuts of each spark.
    """

    at_s: Floats
    dwell_s: Floats
    burn_s: Floats
    burn_v: Floats
    peak_v: Floats
    slope: Floats
    cut_a: Floats
    held_s: Floats
    strikes: Floats


def _firsts(cut_s: Floats) -> npt.NDArray[np.int64]:
    """Index of the first strike of every spark."""
    if len(cut_s) < 3:
        return np.arange(len(cut_s))
    gaps = np.diff(cut_s)
    usual = float(np.quantile(gaps, 0.8))
    again = (gaps < AGAIN_SHARE * usual) & (gaps < AGAIN_S)
    # a stray strike or two is no system that strikes again
    if again.mean() < 0.2:
        return np.flatnonzero(np.concatenate([[True], gaps > 0.15 * usual]))
    return np.flatnonzero(np.concatenate([[True], ~again]))


def of_strikes(found: Strikes) -> Sparks:
    """Sparks of a primary's voltage; the burn is the last strike's, the only one that burns out."""
    first = _firsts(found.cut_s)
    last = np.append(first[1:], len(found.cut_s)) - 1
    none = np.full(len(first), np.nan)
    return Sparks(
        found.cut_s[first], (found.cut_s - found.begin_s)[first], found.burn_s[last], found.burn_v[last],
        found.peak_v[first], none, none, none, (last - first + 1).astype(np.float64),
    )  # fmt: skip


def of_ramps(found: Ramps) -> Sparks:
    """Sparks of a current; its rise is the first strike's, the only one that begins at nothing."""
    first = _firsts(found.cut_s)
    last = np.append(first[1:], len(found.cut_s)) - 1
    none = np.full(len(first), np.nan)
    return Sparks(
        found.cut_s[first], (found.cut_s - found.begin_s)[first], none, none, none, found.slope[first],
        found.cut_a[first], found.held_s[first], (last - first + 1).astype(np.float64),
    )  # fmt: skip
