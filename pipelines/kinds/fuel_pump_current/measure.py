"""Each place of the commutator against the others, with a standard error from the turns.

The winding answers late: with voltage and resistance of the moment, the current runs after its goal by the time
constant L/R, i + (L/R) di/dt = goal (the RL circuit of any textbook; Hayt & Kemmerly, *Engineering Circuit Analysis*,
from memory). The reader goes back to the goal. L/R is found from the ripple itself: bars and brushes are alike to
both sides of their middle, so the goal by angle is mirror-symmetrical, and only the right L/R makes it so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from pipelines.kinds.fuel_pump_current.angle import by_angle
from pipelines.kinds.fuel_pump_current.signals import Floats, Trace, moving_mean
from pipelines.kinds.fuel_pump_current.turning import Turning

FEWEST_TURNS = 8
MOST_BLOCKS, TURNS_A_BLOCK = 8, 4
POINTS = 12
LEAST_TURNS_PCT = 0.3
LAG_ERROR_S, CHOICE = 5e-5, 0.5
OFFSETS, SLACK = 12, 3
LAGS_S = np.linspace(0.0, 8e-4, 17)


@dataclass(frozen=True, slots=True)
class Levels:
    """The current's goal while each place of the commutator passes.

    Attributes:
        relative_pct: in % of the median place, shape (places,).
        se_pct: standard error of `relative_pct`, from blocks of turns.
        lag_s: L/R.
        place_turns: angle of the middle of each place, in turns from a whole number of `Turning.turns`.
        turns: turns used.
        bars: what the number of bars can be, the likelier first.
        mean_turn: mean current over a turn in parts of its mean, beginning at the middle of place 1.
    """

    relative_pct: Floats
    se_pct: Floats
    lag_s: float
    place_turns: Floats
    turns: int
    bars: tuple[int, ...]
    mean_turn: Floats


def bar_levels(trace: Trace, turning: Turning, no_current_a: float) -> Levels | None:
    """Level of every place; None where the ripples were not counted or there are too few turns.

    An even number of bars shows as many places in a turn. Of an odd number each bar passes one brush in the middle of
    the time between two passages at the other: the two halves of the turn are read as one, a place a bar.
    """
    ripples = turning.ripples
    if not ripples or len(turning.turns) < 2:
        return None
    found = _levels(trace, turning, no_current_a, odd=ripples > 6)
    if ripples != 5 or found is None:
        return found
    if _takes_turns(found):
        return _levels(trace, turning, no_current_a, odd=True)
    return _over_both_brushes(found)


def _over_both_brushes(ten: Levels) -> Levels:
    """Each of ten places with the one half a turn away: of ten bars both see the same two bars, brushes exchanged.

    So what sets them apart is no bar's: it is brushes that differ, or five bars that take turns at them.
    """
    other = np.roll(ten.relative_pct, 5)
    error = np.sqrt(ten.se_pct**2 + np.roll(ten.se_pct, 5) ** 2) / 2.0
    middle = (ten.relative_pct + other) / 2.0
    apart = (ten.relative_pct - other) / 4.0
    level = float(np.median(middle)) / 100.0
    return replace(ten, relative_pct=middle / level, se_pct=np.hypot(error, apart) / level)


def _takes_turns(ten: Levels) -> bool:
    """Whether every other of ten places is low, as brushes that differ make it for five bars; a bad bar does not."""
    lines = np.abs(np.fft.rfft(ten.relative_pct)) / 10.0
    error = float(np.sqrt(np.mean(ten.se_pct**2) / 10.0))
    return bool(lines[5] > max(1.5 * lines[1], 1.5 * lines[3], 5.0 * error, LEAST_TURNS_PCT))


def _levels(trace: Trace, turning: Turning, no_current_a: float, *, odd: bool) -> Levels | None:
    """Level of every place of half a turn (`odd`) or of a whole one."""
    ripples = turning.ripples
    places = ripples if odd else 2 * ripples
    cycles = turning.turns * (2.0 if odd else 1.0)
    points = POINTS * places
    amps = trace.amps[turning.first : turning.last] - no_current_a
    rows = by_angle(amps, cycles, points)
    if len(rows) < FEWEST_TURNS * (2 if odd else 1):
        return None
    level = float(rows.mean())
    rows = (rows.ravel() - moving_mean(rows.ravel(), points | 1)).reshape(rows.shape)[1:-1]
    cycle_s = len(amps) / trace.rate_hz / float(cycles[-1] - cycles[0])
    mean = rows.mean(axis=0)
    half = mean if odd else mean.reshape(2, -1).mean(axis=0)
    half_s = cycle_s if odd else cycle_s / 2.0
    # a bar reaches over two places of an odd commutator, one of an even one
    windows = _windows(points, POINTS * (2 if odd else 1), places)
    levels, lag_s, best = _at_places(mean, half, ripples, half_s, windows, range(OFFSETS))
    relative, se = _relative(levels + level, rows, ripples, half_s, windows, best)
    open_pct = 100.0 * _choice(mean, odd, lag_s, half_s, windows, best) / abs(level)
    se = np.hypot(se, CHOICE * open_pct)
    place = (np.arange(places) + best / OFFSETS) / places
    first = int(np.ceil(cycles[0])) + 1
    turn = np.roll(mean, -round(best * POINTS / OFFSETS)) / level + 1.0
    bars = (5,) if odd and ripples == 5 else turning.bars
    turns = len(rows) // (2 if odd else 1)
    return Levels(relative, se, lag_s, (first + place) / (2.0 if odd else 1.0), turns, bars, turn)


def _at_places(
    mean: Floats, half: Floats, ripples: int, half_s: float, windows: Floats, offsets: range
) -> tuple[Floats, float, int]:
    """Goal at each place of a mean turn, L/R, and the offset among `offsets` that shows the deepest place."""
    lag_s = _lag(half, ripples, half_s)
    goal = _goal(mean, len(mean) == len(half), lag_s, half_s)
    levels = goal @ windows[offsets.start + SLACK : offsets.stop + SLACK]
    best = int(np.argmax(np.median(levels, axis=1) - levels.min(axis=1)))
    return levels[best], lag_s, offsets[best]


def _goal(mean: Floats, is_half: bool, lag_s: float, half_s: float) -> Floats:
    """What the current of a mean turn (or half turn) runs after, shape as `mean`."""
    lines = np.fft.rfft(mean)
    order = np.arange(len(lines)) * (1.0 if is_half else 0.5)
    return np.asarray(np.fft.irfft(lines * (1.0 + 2j * np.pi * order * lag_s / half_s), len(mean)))


def _choice(mean: Floats, is_half: bool, lag_s: float, half_s: float, windows: Floats, best: int) -> Floats:
    """What the choice of L/R and of the offset leaves open at each place, as a standard deviation."""
    apart = []
    for shift in (-SLACK, SLACK):
        apart.append(_goal(mean, is_half, lag_s, half_s) @ windows[best + shift + SLACK])
        late_s = lag_s + shift / SLACK * LAG_ERROR_S
        apart.append(_goal(mean, is_half, late_s, half_s) @ windows[best + SLACK])
    usual = _goal(mean, is_half, lag_s, half_s) @ windows[best + SLACK]
    gone = np.array([one - one.mean() - usual + usual.mean() for one in apart])
    return np.asarray(np.sqrt(np.mean(gone**2, axis=0)))


def _lag(half: Floats, ripples: int, half_s: float) -> float:
    """L/R in s that makes the mean half turn, shape (points,), most mirror-symmetrical."""
    most = min(2 * ripples + 2, len(half) // 2 - 1)
    order = np.arange(1, most + 1)
    lines = np.fft.rfft(half)[1 : most + 1]
    goal = lines[None, :] * (1.0 + 2j * np.pi * order[None, :] * LAGS_S[:, None] / half_s)
    # Re(z)^2 is half of |z|^2 + Re(z^2): the even part of all turns at once
    size = np.sum(goal.real**2 + goal.imag**2, axis=1)
    share = 0.5 + 0.5 * (goal**2 @ _turned_twice(most)).real.max(axis=1) / (size + 1e-30)
    top = int(np.argmax(share))
    if not 0 < top < len(LAGS_S) - 1:
        return float(LAGS_S[top])
    low, middle, high = share[top - 1 : top + 2]
    bend = low - 2.0 * middle + high
    shift = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(LAGS_S[top] + shift * (LAGS_S[1] - LAGS_S[0]))


@lru_cache(maxsize=32)
def _turned_twice(most: int) -> npt.NDArray[np.complex128]:
    """Squares of what turns each of the lines 1 to `most` by 96 parts of half a turn, shape (most, 96)."""
    order = np.arange(1, most + 1)
    return np.asarray(np.exp(2j * np.pi * order[:, None] * np.arange(96)[None, :] / 96.0))


@lru_cache(maxsize=32)
def _windows(points: int, width: int, places: int) -> Floats:
    """For each offset the weights, shape (offsets, points, places), that give every place's mean over its passage.

    Offsets run from `-SLACK` to `OFFSETS + SLACK`, in parts of a place.
    """
    at = np.arange(points)
    made: list[Floats] = []
    for offset in range(-SLACK, OFFSETS + SLACK):
        middle = (np.arange(places) + offset / OFFSETS) * points / places
        apart = (at[:, None] - middle[None, :] + points / 2) % points - points / 2
        weight = np.where(np.abs(apart) < width, 1.0 + np.cos(np.pi * apart / width), 0.0)
        made.append(weight / weight.sum(axis=0))
    return np.stack(made)


def _relative(
    levels: Floats, rows: Floats, ripples: int, half_s: float, windows: Floats, best: int
) -> tuple[Floats, Floats]:
    """Per cent of the median place and its standard error, from blocks of turns that are each read on their own.

    Every block finds its own L/R and its own offset (near `best`), so that what choosing them costs is in the error.
    """
    middle = float(np.median(levels))
    odd = windows[0].shape[1] == ripples
    blocks = max(3, min(MOST_BLOCKS, len(rows) // TURNS_A_BLOCK))
    near = range(best - SLACK, best + SLACK + 1)
    found = []
    for part in np.array_split(rows, blocks):
        mean = part.mean(axis=0)
        half = mean if odd else mean.reshape(2, -1).mean(axis=0)
        at, _, _ = _at_places(mean, half, ripples, half_s, windows, near)
        # against the mean: the median place would show no scatter at all
        found.append(at - at.mean())
    scatter = np.std(found, axis=0, ddof=1) / np.sqrt(blocks)
    return 100.0 * levels / middle, 100.0 * scatter / abs(middle)


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes of the running current: mean, ripple peak to peak, turn-to-turn unsteadiness, speed and its scatter."""

    mean_a: float
    ripple_a: float
    wobble_pct: float
    rpm: float
    rpm_spread_pct: float


def sizes(trace: Trace, turning: Turning, no_current_a: float) -> Sizes:
    """Sizes of the stretch that was followed; NaN where they need a turn and none is known."""
    amps = trace.amps[turning.first : turning.last] - no_current_a
    mean, unknown = float(amps.mean()), float("nan")
    halves = turning.turns * 2.0
    rows = by_angle(amps, halves, 96) if len(halves) > 1 else np.empty((0, 96))
    if len(rows) < 4:
        return Sizes(mean, unknown, unknown, unknown, unknown)
    drift = moving_mean(rows.ravel(), 97).reshape(rows.shape)
    ripple = float(np.ptp((rows - drift)[1:-1].mean(axis=0)))
    slow = np.diff(rows.mean(axis=1))
    wobble = float(np.sqrt(np.mean(slow**2) / 2)) / abs(mean) * 100 if mean else unknown
    rate = float(halves[-1] - halves[0]) / 2.0 / (len(halves) - 1) * trace.rate_hz
    whole = np.searchsorted(turning.turns, np.arange(np.ceil(turning.turns[0]), turning.turns[-1]))
    lengths = np.diff(whole[:: max(1, len(whole) // 100)])
    spread = float(np.std(lengths) / np.mean(lengths) * 100) if len(lengths) > 8 else unknown
    return Sizes(mean, ripple, wobble, 60 * rate, spread)
