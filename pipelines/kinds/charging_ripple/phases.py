"""Each phase against the others, with a standard error from the cycles.

An electrical cycle holds six pulses; in each of them one upper and one lower diode conduct, and each diode conducts in
two neighbouring pulses (any power-electronics textbook). What a diode gives is the mean of its two pulses, and a phase
is as good as the worse of its two diodes. The level of no current is not on a voltage (and on no channel that blocks
direct current), so pulses are measured from the deepest point of the mean cycle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, rfft

from pipelines.kinds.charging_ripple.signals import Floats

PULSES = 6
POINTS = 72
MOST_BLOCKS, CYCLES_A_BLOCK = 8, 8
FEWEST_CYCLES = 12
LEAST = 0.15
LEAST_SE_PCT = 0.05
"""What a slow wander of field and temperature leaves, which blocks of one short record do not show."""
FAULT, SLOW = 1.0, 3
"""Power of the slower harmonics over the sixth's from which on the fault, and not the ripple, shows the pulses."""


@dataclass(frozen=True, slots=True)
class Phases:
    """What each of the three phases gives.

    Attributes:
        relative_pct, se_pct: in % of the median phase, shape (3,); phase k + 1 is at its highest or lowest k sixths
            of a cycle after `place`; standard errors from blocks of cycles.
        pulse_pct: height of the six pulses in % of the highest, shape (6,); phase k lies between pulses k and k + 1
            with one diode and three pulses later with the other.
        place: where phase 1 is at its highest, in parts of a cycle.
        mean_cycle: shape (points,), mean course over a cycle from `place`.
        cycles: electrical cycles used.
        ripple_pp: peak to peak of the mean cycle.
    """

    relative_pct: Floats
    se_pct: Floats
    pulse_pct: Floats
    place: float
    mean_cycle: Floats
    cycles: int
    ripple_pp: float


def phases_of(rows: Floats) -> Phases | None:
    """Read the phases of `rows`, shape (cycles, points); None where there are too few cycles."""
    if len(rows) < FEWEST_CYCLES:
        return None
    mean = rows.mean(axis=0)
    points = rows.shape[1]
    sixth = points // PULSES
    shift = _pulse_phase(mean)
    windows = _windows(points, shift)
    base = float(np.sort(mean)[: max(1, points // 24)].mean())
    pulses = mean @ windows - base
    diodes = (pulses + np.roll(pulses, -1)) / 2.0
    worse = np.where(diodes[:3] <= diodes[3:], np.arange(3), np.arange(3) + 3)
    given = diodes[worse]
    middle, top = float(np.median(given)), float(pulses.max()) + 1e-30
    scale = max(middle, LEAST * top)
    relative = 100.0 + 100.0 * (given - middle) / scale
    blocks = max(3, min(MOST_BLOCKS, len(rows) // CYCLES_A_BLOCK))
    parts = np.array([part.mean(axis=0) @ windows for part in np.array_split(rows, blocks)])
    found = ((parts + np.roll(parts, -1, axis=1)) / 2.0)[:, worse]
    apart = found - found.mean(axis=1, keepdims=True)
    # about the mean of three only two thirds of a phase's own variance are left; few blocks tell little of it, and
    # the noise is the same for all three
    variance = 1.5 * np.var(apart, axis=0, ddof=1)
    variance = (variance + variance.mean()) / 2.0
    se = np.hypot(np.sqrt(variance / blocks) * 100.0 / scale, LEAST_SE_PCT)
    place = ((shift + 0.5 * sixth) / points) % 1.0
    turned = np.roll(mean, -round(place * points))
    return Phases(relative, se, 100.0 * pulses / top, place, turned, len(rows), float(np.ptp(mean)))


def _pulse_phase(mean: Floats) -> float:
    """Where the middle of pulse 1 lies, in points.

    A sound machine's pulses are the tops of the sixth harmonic. Where what is wrong is larger than the ripple, the
    lowest point of the slower harmonics is the axis of the diode or phase that gives too little, half way between two
    pulses.
    """
    lines = rfft(mean)
    slow = lines[1 : SLOW + 1]
    sixth = len(mean) / PULSES
    if float(np.sum(np.abs(slow) ** 2)) <= FAULT * float(np.abs(lines[PULSES]) ** 2):
        return float(-np.angle(lines[PULSES]) / (2 * np.pi) * sixth)
    fine = 16 * len(mean)
    kept = np.zeros(fine // 2 + 1, dtype=complex)
    kept[1 : SLOW + 1] = slow
    return float(np.argmin(irfft(kept, fine)) / 16.0 + 0.5 * sixth)


def _windows(points: int, shift: float) -> Floats:
    """Weights, shape (points, 6), that give each pulse's mean over the middle of its passage."""
    at = np.arange(points)
    sixth = points / PULSES
    middle = shift + sixth * np.arange(PULSES)
    apart = np.abs((at[:, None] - middle[None, :] + points / 2) % points - points / 2)
    weight = np.clip(0.4 * sixth - apart + 0.5, 0.0, 1.0)
    return np.asarray(weight / weight.sum(axis=0))
