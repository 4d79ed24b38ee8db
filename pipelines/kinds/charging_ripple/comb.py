"""Which line of the ripple is which: the electrical cycle from the spacing of the lines.

Six diodes and three phases give six pulses in an electrical cycle (any power-electronics textbook). A sound machine
shows the ripple's line and its multiples, and between them, much smaller, every third of it: no three phases are quite
alike. What is wrong with a phase repeats every half cycle (thirds of the ripple), what is wrong with one diode every
cycle (sixths). The lines stand at multiples of the electrical cycle whatever the fault, so that the spacing of the
lines is the cycle. Where no line stands between the strongest one and its multiples, its frequency and its shape say
what is likeliest, and the reading says that it is no more than that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft

from pipelines.kinds.charging_ripple.signals import Floats

HALVES, THIRDS, SIXTHS = (1, 3, 5), (2, 4, 8, 10), (1, 5, 7, 11)
"""Orders in halves and in sixths of the spacing at which a line says that the spacing is no single cycle."""
CAP, SEEN, SEEN_TWICE, PURE = 7.0, 3.0, 8.5, 0.25
LOWEST_HZ, HIGHEST_HZ = 95.0, 1500.0
SLOW_HZ = 80.0
FLAT, FLAT_FAST, NARROW, NEAR_LOW = 0.14, 0.22, 0.38, 0.06
STANDS, SQUARE = 250.0, 0.18
SECOND, THIRD, THIRD_OF_TWO = 0.32, 0.22, 0.45
USUAL_HZ, USUAL_LOG, RARE = 300.0, 0.5, -2.8


@dataclass(frozen=True, slots=True)
class Comb:
    """How the lines are read: their spacing is `part` times the electrical frequency.

    `sure`: whether the lines say so themselves; else it is the likeliest.
    """

    part: int
    sure: bool


def odds(lines: npt.NDArray[np.complex128], places: npt.NDArray[np.int64]) -> Floats:
    """Log odds that there is a line just at each of `places` (bins), at most `CAP`; 0 where there is none.

    A line that is locked to the cycle falls on its bin exactly, and a Hann window then gives both neighbours minus
    half of it; what only comes near (a regulator's clock, injectors) does not.
    """
    at = places[(places >= 14) & (places < len(lines) - 14)]
    if not len(at):
        return np.zeros(0)
    beside = np.concatenate([np.arange(-13, -3), np.arange(4, 14)])
    power = np.abs(lines[at[:, None] + beside]) ** 2
    ground = np.median(power, axis=1) / np.log(2.0) + 1e-30
    below, middle, above = lines[at - 1], lines[at], lines[at + 1]
    size = (2.0 * middle - below - above) / 3.0
    gone = np.abs(below) ** 2 + np.abs(middle) ** 2 + np.abs(above) ** 2 - 1.5 * np.abs(size) ** 2
    pure = gone < PURE * 1.5 * np.abs(size) ** 2 + 3.0 * ground
    height = np.abs(size) ** 2 / ground
    found = height / 3.0 - np.log(np.maximum(height, 1.0)) - 1.5
    return np.asarray(np.where(pure, np.clip(found, 0.0, CAP), 0.0))


def _stands(lines: npt.NDArray[np.complex128], cycles: int) -> bool:
    """Whether one of the first lines of the spacing is one, and not noise that was followed."""
    at = cycles * np.arange(1, 7)
    at = at[at < len(lines) - 14]
    if not len(at):
        return False
    beside = np.concatenate([np.arange(-13, -3), np.arange(4, 14)])
    ground = np.median(np.abs(lines[at[:, None] + beside]) ** 2, axis=1) / np.log(2.0) + 1e-30
    return bool((np.abs(lines[at]) ** 2 / ground).max() > STANDS)


def find(rows: Floats, spacing_hz: float, large: float) -> Comb | None:
    """How many electrical cycles the lines' spacing is; None where no electrical frequency is possible.

    `rows`: shape (cycles, points), a multiple of six cycles: the signal by cycles of the spacing. `large`: log odds
    that the ripple is too large for a sound machine, from what the channel shows of its size.
    """
    cycles = len(rows)
    flat = rows.ravel()
    lines = rfft((flat - flat.mean()) * np.hanning(len(flat) + 1)[:-1])

    def seen(orders: tuple[int, ...], of: int) -> Floats:
        places = np.array([n * cycles // of for n in orders if n * spacing_hz / of > SLOW_HZ], dtype=np.int64)
        found = odds(lines, places)
        return np.sort(found)[::-1]

    if not _stands(lines, cycles):
        return None
    possible = [part for part in (1, 2, 6) if LOWEST_HZ <= spacing_hz / part <= HIGHEST_HZ]
    if not possible:
        return None
    halves, thirds, sixths = seen(HALVES, 2), seen(THIRDS, 6), seen(SIXTHS, 6)
    six = float(thirds[:2].sum() + sixths[:2].sum())
    two = float(halves[:2].sum())
    shape, lost = _shape(rows, spacing_hz, large, two)
    # three pulses of which one stands out are not taken for single ones because of a stray line
    asked = (
        SEEN_TWICE + 3.0 * max(0.0, lost) + (SEEN_TWICE if shape == 2 and spacing_hz < HIGHEST_HZ else 0.0)
    )
    if 6 in possible and six >= asked and six > 0.7 * two:
        return Comb(6, True)
    if (
        shape == 1
        and 1 in possible
        and (six < 2 * SEEN or 6 not in possible)
        and (two < 2 * SEEN or lost < 0.0)
    ):
        return Comb(1, six + two < SEEN)
    if 2 in possible and (shape == 2 or two >= SEEN_TWICE or (lost > 0 and six < 2 * SEEN)):
        return Comb(2, two >= SEEN)
    wanted = 6 if 6 in possible else possible[-1]
    return Comb(wanted, len(possible) == 1)


def _shape(rows: Floats, spacing_hz: float, large: float, two: float) -> tuple[int, float]:
    """One, two or six cycles where the mean course over a spacing shows it (0: it does not), and log odds of two.

    One diode at fault gives a strong second or third line; three pulses of which one stands out a third line stronger
    still; one pulse alone, of a sound machine or of a lost phase, neither. `two`: evidence of lines at halves.
    """
    mean = rows.mean(axis=0)
    lines = np.abs(rfft(mean))[1:5] + 1e-30
    span = float(np.ptp(mean)) + 1e-30
    flat = float(np.mean(mean < mean.min() + NEAR_LOW * span))
    second, third = lines[1] / lines[0], (lines[2] / lines[0] if len(lines) > 2 else 0.0)
    single = spacing_hz < HIGHEST_HZ
    if third > THIRD_OF_TWO and third > second:
        return 2, 0.0
    if single and ((second > SECOND and flat < NARROW) or third > THIRD):
        # a strong second line leaves no doubt; a third one may be a weak phase's
        return 1, -1.0 if second > SECOND else 0.0
    if single and flat > FLAT and two < SEEN and third > max(SQUARE, 0.9 * second):
        return 1, 0.0
    # a lost phase is rare: what speaks for it is a gap in the current, a ripple too large for a sound machine, and an
    # electrical frequency that is usual with two pulses and not with six (common practice, no source)
    apart = [np.log(spacing_hz / part / USUAL_HZ) / USUAL_LOG for part in (2, 6)]
    lost = RARE + (apart[1] ** 2 - apart[0] ** 2) / 2.0 + large
    return 0, float(lost + 3.0 * (flat > (FLAT if single else FLAT_FAST)) + 3.0 * (flat > NARROW))
