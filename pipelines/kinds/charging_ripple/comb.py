"""Which line of the ripple is which: the electrical cycle from the spacing of the lines.

Six diodes and three phases give six pulses in an electrical cycle (any power-electronics textbook). A sound machine
shows the ripple's line and its multiples, and between them, much smaller, every sixth of it: no three phases and no
six diodes are quite alike. What is wrong with a phase repeats every half cycle, what is wrong with one diode every
cycle, and so large that nothing stands between its lines. So the strong lines are one, two or six electrical cycles
apart. Four witnesses tell which, and their log odds are added: lines between the strong ones, or that there are none
where the noise would let them be seen; the mean course over a spacing; the size of the ripple; and the engine's firing,
which sets how fast such a machine can turn (`firing`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft

from pipelines.kinds.charging_ripple.firing import log_odds
from pipelines.kinds.charging_ripple.signals import Floats

Lines = npt.NDArray[np.complex128]
SOUND = 6
PARTS = (1, 2, SOUND)
BESIDE = 14
HALVES, SIXTHS = (3, 9), (1, 2, 4, 5, 7, 8, 10, 11)
"""Sixths of the spacing at which two cycles, and at which six, leave a line."""
CAP, PURE, SEEN = 7.0, 0.25, 2.0
FLOOR, FLOOR_HALVES = 0.004, 0.002
"""Share of the main line below which a line may be chance meeting chance: a clock that is nearly in step."""
LOWEST_HZ, HIGHEST_HZ = 95.0, 1500.0
STANDS = 250.0
QUIET, FAIR, POOR = 0.002, 0.004, 0.008
"""Noise over the main line: at the first all six's lines show, at the last hardly one."""
MANY, TWO, STRAY, NO_HALVES = 7.0, 4.0, -1.5, -0.7
PRIOR = {1: -1.0, 2: -1.0, 6: 0.0}
NEAR_LOW = 0.06
SURE, SURE_SOUND, SURE_FAULT = 2.5, 1.5, 3.5
TOO_FINE, NOT_THERE, DOUBLED = 15.0, 9.0, 8.0


@dataclass(frozen=True, slots=True)
class Comb:
    """How the lines are read: their spacing is `part` times the electrical frequency.

    `lead`: log odds of that over the next way to read them; `over_sound`: over that of a sound machine, nothing for
    that itself.
    """

    part: int
    lead: float
    over_sound: float

    @property
    def sure(self) -> bool:
        """Whether it is beyond doubt."""
        return self.lead >= SURE

    @property
    def told(self) -> bool:
        """Whether the phases may be compared. Nobody is to be sent after a fault on little: sound needs less."""
        if self.part == SOUND:
            return self.lead >= SURE_SOUND
        return self.lead >= SURE and self.over_sound >= SURE_FAULT


def odds(lines: Lines, places: npt.NDArray[np.int64]) -> Floats:
    """Log odds that there is a line just at each of `places` (bins), at most `CAP`; 0 where there is none.

    A line that is locked to the cycle falls on its bin exactly, and a Hann window then gives both neighbours minus
    half of it; what only comes near (a regulator's clock, injectors) does not.
    """
    at = _inside(lines, places)
    if not len(at):
        return np.zeros(0)
    ground = _ground(lines, at)
    below, middle, above = lines[at - 1], lines[at], lines[at + 1]
    size = (2.0 * middle - below - above) / 3.0
    gone = np.abs(below) ** 2 + np.abs(middle) ** 2 + np.abs(above) ** 2 - 1.5 * np.abs(size) ** 2
    pure = gone < PURE * 1.5 * np.abs(size) ** 2 + 3.0 * ground
    height = np.abs(size) ** 2 / ground
    found = height / 3.0 - np.log(np.maximum(height, 1.0)) - 1.5
    return np.asarray(np.where(pure, np.clip(found, 0.0, CAP), 0.0))


def _inside(lines: Lines, places: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return places[(places >= BESIDE) & (places < len(lines) - BESIDE)]


def _ground(lines: Lines, at: npt.NDArray[np.int64]) -> Floats:
    """Power of the noise beside each of the bins `at`."""
    beside = np.concatenate([np.arange(1 - BESIDE, -3), np.arange(4, BESIDE)])
    return np.asarray(np.median(np.abs(lines[at[:, None] + beside]) ** 2, axis=1) / np.log(2.0) + 1e-30)


def _stands(lines: Lines, cycles: int) -> bool:
    """Whether one of the first lines of the spacing is one, and not noise that was followed."""
    at = _inside(lines, cycles * np.arange(1, 7))
    return bool(len(at)) and bool((np.abs(lines[at]) ** 2 / _ground(lines, at)).max() > STANDS)


def lines_of(rows: Floats) -> Lines:
    """Lines of the signal by cycles of a spacing, shape (cycles, points): bin k x cycles is the k-th of the spacing."""
    flat = rows.ravel()
    return np.asarray(rfft((flat - flat.mean()) * np.hanning(len(flat) + 1)[:-1]))


def too_fine(lines: Lines, cycles: int) -> int:
    """How many times too fine the spacing is: 2 or 3 where only every second or third of its lines is there, else 1."""
    at = _inside(lines, cycles * np.arange(1, 4))
    if len(at) < 3:
        return 1
    power = np.abs(lines[at]) ** 2
    there = power > NOT_THERE * _ground(lines, at)
    first, second, third = np.sqrt(power).tolist()
    if not there[0] and not there[1] and third > TOO_FINE * max(first, second):
        return 3
    return 2 if not there[0] and second > TOO_FINE * max(first, third) else 1


def find(
    lines: Lines, cycles: int, shape: Shape, spacing_hz: float, large: float, fires_hz: float
) -> Comb | None:
    """How many electrical cycles the lines' spacing is; None where no electrical frequency is possible.

    `lines` as `lines_of` gives them of `cycles` cycles (a multiple of six) of the spacing, `shape` of their mean.
    `large`: log odds that the ripple is too large for a sound machine, from what the channel shows of its size.
    `fires_hz`: the engine's firing as the speed shows it, NaN where it does not.
    """
    possible = [part for part in PARTS if LOWEST_HZ <= spacing_hz / part <= HIGHEST_HZ]
    if not possible or not _stands(lines, cycles):
        return None
    sixths, _ = _between(lines, cycles, SIXTHS, FLOOR)
    halves = min(TWO, max(NO_HALVES, 2.0 * _between(lines, cycles, HALVES, FLOOR_HALVES)[1]))
    shaped = shape_odds(shape)
    worth = {part: PRIOR[part] + shaped[part] + log_odds(spacing_hz / part, fires_hz) for part in possible}
    if 2 in worth:
        worth[2] += halves if halves > 0 else NO_HALVES
    if 6 in worth:
        worth[6] += sixths + max(0.0, min(halves, 3.0)) - large
    best, *rest = sorted(worth, key=lambda part: -worth[part])
    lead = worth[best] - worth[rest[0]] if rest else SURE
    return Comb(best, lead, worth[best] - worth[SOUND] if SOUND in worth else SURE_FAULT)


def _between(lines: Lines, cycles: int, orders: tuple[int, ...], floor: float) -> tuple[float, int]:
    """Log odds of six cycles from the lines at `orders` sixths of the spacing, and how many of them are there."""
    at = _inside(lines, np.array([order * cycles // 6 for order in orders], dtype=np.int64))
    if not len(at):
        return 0.0, 0
    main = float(np.abs(lines[cycles])) + 1e-30
    count = int(np.count_nonzero((odds(lines, at) > SEEN) & (np.abs(lines[at]) > floor * main)))
    noise = float(np.sqrt(np.median(_ground(lines, at)))) / main
    if count >= 2:
        return (MANY if count > 2 else TWO), count
    if count == 1:
        return (STRAY if noise < QUIET else 0.0), count
    unseen = ((QUIET, -5.0), (FAIR, -2.2), (POOR, -1.5))
    return next((log for below, log in unseen if noise < below), -0.7), 0


@dataclass(frozen=True, slots=True)
class Shape:
    """The mean course over a spacing: its second and third line over the first, with sign, and how long it rests.

    A line is positive where it is highest at the first line's top: a peaked course; negative where it cuts that off.
    `rest`: share of the course near its lowest. `sixth`: whether six pulses are stronger than any fewer.
    """

    second: float
    third: float
    second_step: float
    third_step: float
    rest: float
    sixth: bool


def shape_of(mean: Floats) -> Shape:
    """`mean` has shape (points,)."""
    lines = rfft(mean)
    size = np.abs(lines) + 1e-30
    step = np.cos(np.angle(lines[:4]) - np.arange(4) * np.angle(lines[1]))
    rest = float(np.mean(mean < mean.min() + NEAR_LOW * float(np.ptp(mean))))
    sixth = len(size) > 7 and bool(size[6] > size[1:6].max())
    return Shape(
        float(size[2] / size[1]), float(size[3] / size[1]), float(step[2]), float(step[3]), rest, sixth
    )


def shape_odds(shape: Shape) -> dict[int, float]:
    """Log density of the shape if the spacing holds one, two or six cycles.

    One diode that does not conduct leaves four pulses and a gap: a strong second line against the first, no long rest.
    One that conducts both ways leaves a hump of half a cycle: a third line against the first, and a rest. Three pulses
    of which one stands out (a weak phase) make a third line in step with the first, or stronger than it, and no rest.
    One pulse alone is a sound machine's or a lost phase's. Held against a rectifier without inductance and the kind's
    own with it; upside down the second line changes sides, the third does not.
    """
    second, third, rest = shape.second, shape.third, shape.rest
    if shape.sixth:
        return {1: 0.0, 2: -4.0, 6: -4.0}
    if second > DOUBLED:
        return {1: 0.0, 2: -3.0, 6: -1.0}
    if _is_open(shape, 0.45, 1.2) and rest < 0.38:
        return {1: 0.0, 2: -5.0, 6: -4.0}
    if _is_open(shape, 0.31, 0.45) and rest < 0.15:
        return {1: 0.0, 2: -4.0, 6: -1.5}
    if third > (0.19 if shape.third_step > 0.0 else 0.46) and third > 0.8 * second and rest < 0.2:
        return {1: -5.0, 2: 0.0, 6: -4.0}
    cut_off = shape.third_step < 0.0
    if cut_off and third > max(0.19, 0.8 * second) and rest >= 0.07:
        return {1: 0.0, 2: -2.5 if rest < 0.2 else -4.0 if rest < 0.44 else -1.0, 6: -4.0}
    if cut_off and third > 0.1 and second > 0.2 and shape.second_step < -0.5 and rest > 0.2:
        return {1: 0.0, 2: -4.0, 6: -3.0}
    if third > 0.14 and rest > 0.4:
        return {1: -1.5, 2: 0.0, 6: -1.0}
    return {1: -5.0, 2: -0.7, 6: 0.0} if rest < 0.07 else {1: -4.5, 2: 0.0, 6: 0.0}


def _is_open(shape: Shape, low: float, high: float, way: float = -1.0) -> bool:
    """Whether the second line is as strong as a diode that does not conduct makes it, and on its side."""
    return low < shape.second < high and shape.third < 0.46 and way * shape.second_step > 0.5


def upside_down(shape: Shape) -> bool:
    """Whether the shape is that of one diode that does not conduct, seen upside down.

    For channels that block direct current, whose level tells nothing. A second line in step with the first belongs to
    pulses with long rests between them, else.
    """
    return _is_open(shape, 0.45, 1.2, 1.0) and shape.rest < 0.3
