"""Each bar's current against the others, with a standard error from the turns; the ripple's and the current's size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.fuel_pump_current.bars import by_angle
from pipelines.kinds.fuel_pump_current.signals import Floats, Trace, moving_mean
from pipelines.kinds.fuel_pump_current.turning import Turning

POINTS = 16
FEWEST_TURNS = 6
MOST_BLOCKS = 24


@dataclass(frozen=True, slots=True)
class Levels:
    """The current while each place of the commutator passes.

    Attributes:
        amps: mean current by place, A, shape (places,); measured from the level of no current.
        relative_pct: in % of the median place.
        se_pct: standard error of `relative_pct`, from blocks of turns.
        per_bar: places that belong to one bar (2 for the humps of an odd number of bars before they are joined; 1).
        turns: turns (repetitions where the turn cannot be told) used.
        mean_turn: mean ripple over a turn, A, shape (humps * POINTS,), beginning at the trough of place 1.
        begins: phase in repetitions (of `Turning.repeats`) where the first place's trough lies.
    """

    amps: Floats
    relative_pct: Floats
    se_pct: Floats
    turns: int
    mean_turn: Floats
    begins: float


def bar_levels(trace: Trace, turning: Turning, no_current_a: float) -> Levels | None:
    """Level of every bar; None where no humps stand out, there are too few turns, or the current's level is unknown.

    The window of a place is centred on the ripple's trough: there one bar (each of two opposite ones, for an even
    number) lies fully under a brush and no coil is shorted, so the circuit's resistance is that bar's.
    """
    humps = turning.turn.humps if turning.per_turn else turning.humps
    whole = turning.per_turn or 1.0
    if humps < 3:
        return None
    turns_at = turning.repeats / whole
    amps = trace.amps[turning.first : turning.last] - no_current_a
    points = humps * POINTS
    shape = by_angle(turning.flat[turning.first : turning.last], turns_at, points)
    if len(shape) < FEWEST_TURNS + 1:
        return None
    # each place begins half a hump before its trough, to a fraction of a point
    line = np.fft.rfft(shape.mean(axis=0))[humps]
    shift = ((np.pi - np.angle(line)) / (2 * np.pi) - 0.5) / humps
    rows = by_angle(amps, turns_at - shift, points)
    flat = rows.ravel()
    count = len(rows)
    cut = (flat - moving_mean(flat, points | 1)).reshape(count, humps, POINTS)
    if count > FEWEST_TURNS + 2:
        cut = cut[1:-1]  # the moving mean is one-sided there
    window = np.hanning(POINTS + 2)[1:-1]
    level = float(np.mean(rows))
    places = cut @ (window / window.sum())
    if turning.per_turn and turning.turn.bars % 2:
        places = _join(places, turning.turn.bars)
    relative, se = _relative(places + level)
    mean_turn = np.roll(cut.mean(axis=0).ravel(), -(POINTS // 2))
    first = np.ceil(turns_at[0] - shift) + shift + 0.5 / humps
    return Levels((places + level).mean(axis=0), relative, se, len(cut), mean_turn, float(first * whole))


def _join(places: Floats, bars: int) -> Floats:
    """The two passages of each bar of an odd commutator as one: humps 2k and 2k + n (half a turn apart)."""
    humps = 2 * bars
    k = np.arange(bars)
    return (places[:, (2 * k) % humps] + places[:, (2 * k + bars) % humps]) / 2


def _relative(levels: Floats) -> tuple[Floats, Floats]:
    """Per cent of the median place and its standard error. `levels` has shape (turns, places)."""
    mean = levels.mean(axis=0)
    middle = float(np.median(mean))
    relative = 100.0 * mean / middle
    blocks = min(MOST_BLOCKS, len(levels))
    edges = np.linspace(0, len(levels), blocks + 1).astype(int)
    parts = np.add.reduceat(levels, edges[:-1], axis=0) / np.diff(edges)[:, None]
    apart = parts - np.median(parts, axis=1, keepdims=True)
    scatter = apart.std(axis=0, ddof=1) / np.sqrt(blocks)
    return relative, 100.0 * scatter / abs(middle)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes of the running current: mean and its turn-to-turn unsteadiness, ripple peak to peak, speed."""

    mean_a: float
    ripple_a: float
    wobble_pct: float
    rpm: float
    rpm_spread_pct: float
    hump_hz: float


def sizes(trace: Trace, turning: Turning, no_current_a: float) -> Sizes:
    """Sizes of the steady stretch; NaN where the turn cannot be told."""
    amps = trace.amps[turning.first : turning.last] - no_current_a
    humps = max(turning.humps, 1)
    rows = by_angle(amps, turning.repeats * humps, POINTS)
    mean = float(amps.mean())
    if len(rows) < 4:
        return Sizes(mean, float("nan"), float("nan"), float("nan"), float("nan"), float("nan"))
    drift = moving_mean(rows.ravel(), POINTS | 1)
    hump = (rows.ravel() - drift).reshape(rows.shape)[1:-1].mean(axis=0)
    by_repeat = by_angle(amps, turning.repeats, POINTS * humps).mean(axis=1)
    slow = np.diff(by_repeat)
    wobble = float(np.sqrt(np.mean(slow**2) / 2)) / abs(mean) * 100 if len(slow) and mean else float("nan")
    seconds = (len(turning.repeats) - 1) / trace.rate_hz
    rate = float(turning.repeats[-1] - turning.repeats[0]) / seconds
    per = turning.per_turn
    whole = np.flatnonzero(np.diff(np.floor(turning.repeats)) > 0)
    spread = float("nan")
    if len(whole) > 8:
        lengths = np.diff(whole[:: max(1, len(whole) // 100)])
        spread = float(np.std(lengths) / np.mean(lengths) * 100)
    return Sizes(
        mean, float(np.ptp(hump)), wobble, 60 * rate / per if per else float("nan"), spread, rate * humps
    )
