"""How many commutator bars a turn has, from the ripple's own repetition.

What the two brushes do (two-pole lap winding, brushes half a turn apart; worked out here, the count of ripples is
the textbook's: Fitzgerald, Kingsley & Umans, *Electric Machinery*, d.c. machines, from memory):

* Bar k of n passes one brush at k/n of a turn and the other half a turn later.
* n even: both brushes change bars at the same moments, so a turn has n humps. Hump k and hump k + n/2 hold the
  same two bars: with brushes alike the ripple repeats after half a turn, n/2 humps.
* n odd: one brush changes while the other sits in the middle of a bar, so a turn has 2n humps. Bar k shows in humps
  2k and 2k + n: with brushes alike the ripple repeats after n humps, half a turn.

So the smallest repetition, counted in humps, tells n: 3 -> 6, 4 -> 8, 7 and 14 -> 7, 8 -> 8, 9 and 18 -> 9,
11 and 22 -> 11, 12 -> 12. Two counts leave two answers: 5 and 10 (5 bars or 10; the speed is the same) and 6 (6 bars
with brushes that differ, or 12 with brushes alike; the speed differs). What cannot be told is said, not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

import numpy as np
import numpy.typing as npt

from pipelines.kinds.fuel_pump_current.signals import Floats

FEWEST_BARS, MOST_BARS = 5, 12
POINTS = 16
HUMPS = (3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 18, 22)
COVER = 0.4  # of a repetition's lines that must stand out
LOWEST_RPM, HIGHEST_RPM = 1200.0, 13_500.0
UNUSUAL_RPM = 9500.0


@dataclass(frozen=True, slots=True)
class Fold:
    """The smallest repetition of the ripple.

    Attributes:
        cycles: cycles of the followed line in one repetition.
        rival: another length, neither multiple nor part of it, that explains as much; 0 for none.
        excess: power of the lines between whole cycles over that of the whole ones.
    """

    cycles: int
    rival: int
    excess: float


@dataclass(frozen=True, slots=True)
class Turn:
    """What the ripple says about the turn.

    Attributes:
        bars: commutator bars; 0 where it cannot be told.
        candidates: every number of bars that explains the ripple as well, (bars, humps a turn).
        humps: humps in a turn.
        per_turn: cycles of the followed line in one turn; 0 where it cannot be told.
    """

    bars: int
    candidates: tuple[tuple[int, int], ...]
    humps: int
    per_turn: float


def points_for(line_hz: float) -> int:
    """Points a cycle of the followed line needs, so that the humps between its beats are seen too."""
    return int(np.clip(2 ** np.ceil(np.log2(12_000.0 / line_hz)), POINTS, 128))


def by_angle(values: Floats, cycles: Floats, points: int) -> Floats:
    """`values` at `points` places of every whole cycle, shape (whole cycles, points), by straight lines between."""
    first, last = int(np.ceil(cycles[0])), int(np.floor(cycles[-1]))
    if last - first < 1:
        return np.empty((0, points))
    places = first + np.arange((last - first) * points) / points
    return np.interp(places, np.maximum.accumulate(cycles), values).reshape(-1, points)


def fold(rows: Floats, most: int = 24) -> Fold | None:
    """The smallest repetition in `rows` (shape: cycles of the followed line by points); None with too few cycles.

    Lines between whole orders are compared with the background around them, so that a slow wobble is no line.
    """
    count, points = rows.shape
    if count < 24:
        return None
    window = np.hanning(count * points + 2)[1:-1]
    lines = np.abs(np.fft.rfft((rows - rows.mean()).ravel() * window)) ** 2
    whole = float(lines[count - 1 : count + 2].max())
    reach = max(4, count // 50)
    found: dict[tuple[int, int], float] = {}
    gain: dict[int, float] = {}
    for length in range(2, min(most, count // 4) + 1):
        powers = []
        for j in range(1, length):
            common = gcd(j, length)
            key = (j // common, length // common)
            if key not in found:
                found[key] = _line(lines, count * j / length, reach)
            powers.append(found[key])
        # one line alone is the supply's, or another load's, that happens to fall here
        if np.count_nonzero(powers) >= COVER * (length - 1):
            gain[length] = float(sum(powers))
    top = max(gain.values(), default=0.0)
    if top <= 1e-5 * whole:
        return Fold(1, 0, 0.0)
    chosen = next(k for k, v in gain.items() if v >= 0.88 * top)
    rival = next((k for k in gain if _rivals(gain, chosen, k)), 0)
    return Fold(chosen, rival, gain[chosen] / (whole + 1e-30))


def _rivals(gain: dict[int, float], chosen: int, other: int) -> bool:
    """Whether `other` explains what `chosen` does beyond what they share."""
    if other % chosen == 0 or chosen % other == 0:
        return False
    shared = gain.get(gcd(chosen, other), 0.0)
    return gain[other] - shared >= 0.7 * (gain[chosen] - shared)


def _line(lines: Floats, place: float, reach: int) -> float:
    """Power of the line at `place` (in lines) above its background; 0 where it does not stand out."""
    at = round(place)
    low, high = max(at - reach, 2), min(at + reach + 1, len(lines))
    if at < 3 or high - low < 5:
        return 0.0
    top = float(lines[at - 1 : at + 2].max())
    around = np.concatenate([lines[low : at - 2], lines[at + 3 : high]])
    background = float(np.median(around)) if len(around) else top
    return top - background if top > 16.0 * background else 0.0


def harmonics(rows: Floats, cycles: int) -> tuple[npt.NDArray[np.complex128], float]:
    """Harmonics 1, 2, ... of the mean repetition of `cycles` cycles, and the noise of one of them (amplitude)."""
    repeats = len(rows) // cycles
    part = rows[: repeats * cycles].reshape(repeats, -1)
    lines = np.fft.rfft(part.mean(axis=0))[1:] * 2 / part.shape[1]
    noise = 2 * np.sqrt(float(part.var(axis=0).mean()) / repeats / part.shape[1])
    return lines, noise


def humps_in(lines: npt.NDArray[np.complex128], noise: float) -> int:
    """Humps in one repetition: the harmonic that stands out of its neighbours most, as commutation does; 0 for none.

    Faults make many harmonics that fall off smoothly; only commutation makes one that stands alone, with its own
    multiples.
    """
    size = np.concatenate([[0.0], np.abs(lines), np.zeros(4)])
    best, humps = 0.0, 0
    for m in (1, 2, *HUMPS):
        if m >= len(size) - 4:
            break
        near = [size[m - 1], size[m + 1]] + ([size[m - 2], size[m + 2]] if m >= 2 else [])
        beside = max(*near, 3 * noise)
        score = m * max(0.0, size[m] - 1.5 * beside)
        if score > best:
            best, humps = score, m
    return humps


def turn_of(found: Fold, lines: npt.NDArray[np.complex128], noise: float, line_hz: float) -> Turn:
    """Bars and turn from the repetition. `line_hz` is the followed line's mean frequency in Hz."""
    humps = humps_in(lines, noise)
    choices = _choices(humps, lines, noise)
    speed = {n: 60 * line_hz / found.cycles * humps / per for n, per in choices}
    kept = tuple((n, per) for n, per in choices if LOWEST_RPM <= speed[n] <= HIGHEST_RPM)
    if len(kept) == 1 and kept[0] == (6, 6) and speed[6] > UNUSUAL_RPM:
        kept = ((6, 6), (12, 12))
    if not kept:
        return Turn(0, (), humps, 0.0)
    n, per = kept[0]
    per_turn = found.cycles * per / humps
    same = len({p for _, p in kept}) == 1
    if found.rival:
        return Turn(0, kept, per, 0.0)
    return Turn(n if len(kept) == 1 else 0, kept, per if same else 0, per_turn if same else 0.0)


def _choices(humps: int, lines: npt.NDArray[np.complex128], noise: float) -> tuple[tuple[int, int], ...]:
    """Every (bars, humps a turn) that a repetition of `humps` humps allows, the likelier first."""
    if humps in (3, 4):
        return ((2 * humps, 2 * humps),)
    if humps in (8, 12):
        return ((humps, humps),)
    if humps in (7, 9, 11):
        return ((humps, 2 * humps),)
    if humps in (14, 18, 22):
        return ((humps // 2, humps),)
    if humps in (5, 10):
        # ten humps a turn either way; a brush that bridges bars narrows the notch so that its width does not tell
        return ((10, 10), (5, 10))
    size = np.abs(lines)
    if humps == 6:
        # brushes nearly alike: 6 bars show mostly pairs; 12 bars, six humps to the half turn, show all orders
        share = size[2] ** 2 / (size[1] * size[3] + 1e-30)
        if share < 0.06 and min(size[1], size[3]) > 10 * noise:
            return ((6, 6),)
        return ((12, 12),) if share > 0.35 else ((6, 6), (12, 12))
    return ()
