"""Every tooth's place against the others, after the speed's own swing is taken off.

Over one engine cycle (two turns) the teeth's times are a smooth course in the wheel's angle plus each tooth's error.
The speed swings with a few of the engine's orders, so the course is a trend and a Fourier series of the cycle of which
few terms are large; a bent tooth is one tooth wide and comes at the same place in both turns, and few teeth are bent.
Both sets of few large numbers are found together by re-weighted least squares (FOCUSS: Gorodnitsky & Rao 1997, IEEE
Trans. Signal Process. 45:600-616; from memory). The result is linear in the times, so that the same sum over each
cycle's own times gives the repeats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.crank_cam_sensor.signals import Floats, Ints
from pipelines.kinds.crank_cam_sensor.wheel import Wheel

MOST_ORDERS = 20
"""Orders of the crank up to which the course may bend."""
TURNS = 2
WEIGHTINGS = 10
FALL = 1.75
"""How fast the course's terms fall with their order, to begin with."""
PITCH_HALF_ORDERS = 14
LEAST = 0.002
"""Of a pitch: no wheel is made better, as far as this matters."""
DOUBT, FLOOR = 0.3, 0.3
"""Noise, and the least size of an error that is thought possible, in parts of the usual error."""
RESOLVED_PCT = 100 * FLOOR * LEAST
"""Of a pitch: smaller errors are not told from a bend of the course, however often they repeat."""
SIZE_RESOLVED_PCT = 0.3
"""What the speed's swing within a turn leaves in a tooth's size, however often it repeats."""
MUCH_SLOWER = 1.6
OUTLIER = 5.0


@dataclass(frozen=True, slots=True)
class Cycles:
    """Every tooth in every window of two turns.

    Attributes:
        first: index of each window's first tooth.
        error_pct: shape (windows, teeth): how far each is off its place, in % of a pitch.
        pitch: shape (windows, 2 x teeth): samples from place to place where it passes.
        overlap: windows share a turn with the next.
        apart_pct: shape (teeth,): first half of the windows less the second, each solved on its own; None where there
            are too few.
    """

    first: Ints
    error_pct: Floats
    pitch: Floats
    overlap: bool
    apart_pct: Floats | None


def by_cycle(times: Floats, wheel: Wheel) -> Cycles | None:
    """Every tooth's error by window; None where no two whole turns follow each other."""
    teeth = wheel.teeth
    pairs = wheel.first[:-1][np.diff(wheel.first) == teeth]
    if not len(pairs):
        return None
    overlap = len(pairs) < 6
    first = pairs if overlap else _apart(pairs, TURNS * teeth)
    table = times[first[:, None] + np.arange(TURNS * teeth)]
    table = table - table[:, :1]
    lasts = table[:, -1]
    keep = (lasts < MUCH_SLOWER * np.median(lasts)) & (lasts > np.median(lasts) / MUCH_SLOWER)
    first, table = first[keep], table[keep]
    error, pitch = _solved(table, wheel)
    half = len(table) // 2
    apart = None
    if half >= 1:
        one, two = (_solved(part, wheel)[0].mean(axis=0) for part in (table[:half], table[half:]))
        apart = one - two
    return Cycles(first, error, pitch, overlap, apart)


def _apart(pairs: Ints, length: int) -> Ints:
    """Windows that do not overlap, as many as there are."""
    kept, end = [], -1
    for begin in pairs.tolist():
        if begin >= end:
            kept.append(begin)
            end = begin + length
    return np.array(kept, dtype=np.int64)


def _solved(table: Floats, wheel: Wheel) -> tuple[Floats, Floats]:
    """Errors in % of a pitch, shape (windows, teeth), and pitches, shape (windows, 2 x teeth)."""
    teeth = wheel.teeth
    usual = np.median(np.diff(table, axis=1), axis=1, keepdims=True)
    # per window in its own usual pitch, so that all windows weigh alike
    scaled = table / usual
    typical, to_pitch = np.median(scaled, axis=0), _to_pitch(wheel)
    # the mean of two turns: what differs between them, the cycle's half orders, is gone from it
    mean = 0.5 * (scaled[:, :teeth] + scaled[:, teeth:])
    middle = np.median(mean, axis=0)
    along = (wheel.slot - 1.0) / wheel.places
    order = np.arange(1, min(MOST_ORDERS, int(0.45 * teeth)) + 1)
    angle = 2 * np.pi * along[:, None] * order
    smooth = np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
    # the trend is free: it is taken off everything first
    free = np.linalg.qr(np.vander(2 * along - 1, 4, increasing=True))[0]
    course = smooth - free @ (free.T @ smooth)
    pitch = to_pitch @ typical
    for _ in range(2):
        pitch = np.clip(pitch, 0.25 * np.median(pitch), 4.0 * np.median(pitch))
        own = np.diag(0.5 * (pitch[:teeth] + pitch[teeth:]))
        both = np.concatenate([course, own - free @ (free.T @ own)], axis=1)
        solved = _sparse(both, middle - free @ (free.T @ middle), order)[2 * len(order) :]
        pitch = to_pitch @ (typical - pitch * np.tile(solved @ middle, TURNS))
    return 100.0 * mean @ solved.T, usual * pitch[None, :]


def _to_pitch(wheel: Wheel) -> Floats:
    """Shape (2 x teeth, 2 x teeth): from the times of a window to the pitch where each tooth passes."""
    span = float(TURNS * wheel.places)
    along = np.concatenate([(wheel.slot - 1.0 + turn * wheel.places) / span for turn in range(TURNS)])
    order = np.arange(1, min(PITCH_HALF_ORDERS, wheel.teeth // 2) + 1)
    angle, rate = 2 * np.pi * along[:, None] * order, 2 * np.pi / span * order
    trend = np.vander(2 * along - 1, 4, increasing=True)
    rising = np.stack([k * (2 * along - 1) ** max(k - 1, 0) * 2 / span for k in range(4)], axis=1)
    plain = np.concatenate([trend, np.cos(angle), np.sin(angle)], axis=1)
    sloped = np.concatenate([rising, -rate * np.sin(angle), rate * np.cos(angle)], axis=1)
    return np.asarray(sloped @ np.linalg.solve(plain.T @ plain, plain.T))


def _sparse(both: Floats, times: Floats, order: Ints) -> Floats:
    """Shape (terms + teeth, rows): the linear sum of the times that gives each term and each error."""
    count = 2 * len(order)
    fall = np.tile(order.astype(np.float64) ** -FALL, 2)
    size = np.concatenate([(float(np.std(times)) * fall) ** 2, np.full(both.shape[1] - count, 0.01**2)])
    usual, unit = 0.01, np.eye(len(both))
    for _ in range(WEIGHTINGS):
        spread = both * size
        found = spread.T @ np.linalg.solve(spread @ both.T + (DOUBT * usual) ** 2 * unit, times)
        usual = 1.4826 * float(np.median(np.abs(found[count:])))
        usual = max(usual, LEAST)
        waves = found[:count].reshape(2, -1)
        energy = np.tile(np.mean(waves**2, axis=0), 2) + (FLOOR * usual) ** 2 / len(order)
        size = np.concatenate([energy, found[count:] ** 2 + (FLOOR * usual) ** 2])
    spread = both * size
    return np.asarray(np.linalg.solve(spread @ both.T + (DOUBT * usual) ** 2 * unit, spread).T)


@dataclass(frozen=True, slots=True)
class Levels:
    """Per tooth: value and standard error in %, shape (teeth,)."""

    relative_pct: Floats
    se_pct: Floats


def over_repeats(table: Floats, *, ratio: bool, overlap: bool, apart: Floats | None = None) -> Levels:
    """Mean over the repeats and its standard error; single odd cells are left out.

    Args:
        table: shape (repeats, teeth), in %. ratio: relative to the median tooth by division; else by difference.
        overlap: repeats share half of what they rest on with the next.
        apart: shape (teeth,): first half of the repeats less the second, where that is not their plain difference.

    Repeats of one record are not free of each other: speed, and what is taken off for it, drift. Where the halves of
    the record lie further apart than their scatter says, all standard errors are larger by that factor.
    """
    usual = np.median(table, axis=0)
    apart = np.abs(table - usual)
    scale = 1.4826 * np.median(apart, axis=0) + 1e-9
    kept = np.where(apart <= OUTLIER * scale, table, np.nan)
    repeats = np.isfinite(kept).sum(axis=0)
    mean = np.nanmean(kept, axis=0)
    variance = np.nansum((kept - mean) ** 2, axis=0) / np.maximum(repeats - 1, 1)
    # few repeats tell little of their own scatter: the teeth of a wheel share it
    trust = (repeats - 1) / (repeats + 3.0)
    variance = trust * variance + (1 - trust) * float(np.mean(variance))
    error = np.sqrt(variance / np.maximum(repeats, 1)) * (np.sqrt(1.5) if overlap else 1.0)
    half = len(table) // 2
    if half >= 1:
        if apart is None:
            apart = np.asarray(np.nanmean(kept[:half], axis=0) - np.nanmean(kept[half:], axis=0))
        apart = apart - np.nanmedian(apart)
        drift = float(np.sqrt(np.nanmean(apart**2) / 4 / np.mean(error**2))) if np.any(error > 0) else 1.0
        error = error * max(1.0, drift)
    middle = float(np.median(mean))
    if ratio:
        return Levels(100.0 * mean / middle, np.hypot(100.0 * error / abs(middle), SIZE_RESOLVED_PCT))
    return Levels(100.0 + mean - middle, np.hypot(error, RESOLVED_PCT))


def run_out(height: Floats, slot: Ints, places: int) -> tuple[float, float]:
    """Once-per-turn swing of the heights in % (peak to peak), and the place where they are highest (1 to places).

    Args:
        height: shape (teeth,), one tooth's height for a given speed. slot: their places.

    A wheel that runs out of true comes nearer to the sensor once a turn.
    """
    logs = np.log(np.maximum(height, 1e-12))
    angle = 2 * np.pi * slot / places
    basis = np.stack([np.ones(len(slot)), np.cos(angle), np.sin(angle)], axis=1)
    keep = np.ones(len(slot), dtype=bool)
    solved = np.zeros(3)
    for _ in range(4):
        solved = np.linalg.lstsq(basis[keep], logs[keep], rcond=None)[0]
        left = logs - basis @ solved
        keep = (
            np.abs(left - np.median(left)) <= 3.5 * 1.4826 * np.median(np.abs(left - np.median(left))) + 1e-9
        )
        if keep.sum() < 5:
            break
    swing = float(np.hypot(solved[1], solved[2]))
    top = float(np.arctan2(solved[2], solved[1]) / (2 * np.pi) * places) % places
    return 200.0 * float(np.sinh(swing)), top


def without_run_out(height: Floats, slot: Ints, places: int) -> Floats:
    """Heights with the once-per-turn swing taken off, shape (turns, teeth)."""
    mean = np.median(height, axis=0)
    swing, top = run_out(mean, slot, places)
    share = np.arcsinh(swing / 200.0) * np.cos(2 * np.pi * (slot - top) / places)
    return np.asarray(height / np.exp(share)[None, :])
