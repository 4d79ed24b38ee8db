"""A second witness for bars and speed: every pair of both held against the sizes of all lines at once.

`comb` asks which multiples stand above their neighbours. Here the whole turn is laid out: n alike bars, each with a
weight of its own, make lines G(h) = A(h mod n) W(h) of the shaft's turn, with A the discrete Fourier transform of the
weights and W what one bar does alone, a smooth function (the shift theorem; Oppenheim & Schafer, *Discrete-Time Signal
Processing*, from memory). A of a real sequence has |A(r)| = |A(n - r)|; A(0) is commutation and stands high. Brushes
nearly alike leave little in odd lines. So the logarithm of a line's size is a smooth course, plus one number a class
r, plus one for odd lines: a linear model with normal priors, whose evidence follows in closed form (Bishop, *Pattern
Recognition and Machine Learning*, section 3.5, from memory). Six bars at one speed and twelve at half of it, or an odd
number at twice the speed, differ by the priors alone; such a record stays undecided.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipelines.kinds.fuel_pump_current.comb import Count, line_odds
from pipelines.kinds.fuel_pump_current.signals import Floats

BARS = (5, 6, 7, 8, 9, 10, 11, 12)
LOWEST_RPM, HIGHEST_RPM = 2000.0, 12_000.0
USUAL_RPM, RPM_SPREAD = 6000.0, 0.33
"""Centre and spread (of the logarithm) of a pump's speed: common practice, no source."""
MOST_LINES, FEWEST_LINES, MOST_COMBS = 44, 5, 6
LEAST_REACH_HZ = 1500.0
COMB_WEIGHT, BEHIND = 0.5, 16.0
SEEN = 8.0
"""A line's power over its background from which its size is used."""
SCATTER, NOTHING = 0.6, 1.0
"""Standard deviation of a line's log size about the model, and about a smooth course alone."""
COURSE_SD = (2.0, 1.0, 1.0)
CLASS_SD = 0.9
COMMUTATION, COMMUTATION_SD = 1.3, 0.9
ODD, ODD_SD = -2.5, 0.8
SURE, DENIED = 4.0, 2.0
"""Lead that tells an untold count of the same opinion, and that takes back a told one of another."""


@dataclass(frozen=True, slots=True)
class Placing:
    """The likeliest pair of speed and bars.

    Attributes:
        order: which harmonic of the half turn the followed line is.
        bars: of the commutator; 10 may be 5.
        evidence: log evidence. lead: that over the next pair that says something else.
    """

    order: float
    bars: int
    evidence: float
    lead: float

    @property
    def ripples(self) -> int:
        """Ripples in half a turn."""
        return 5 if self.bars == 5 else self.bars if self.bars % 2 else self.bars // 2


def likeliest(lines: tuple[Floats, Floats], cycles: int, line_hz: float, highest_hz: float) -> Placing | None:
    """Hold every pair against the lines; arguments as `comb.count` takes them. None where too few lines are seen."""
    power, background = lines
    top = min(len(power) - 2, int(highest_hz / line_hz * cycles))
    found: list[tuple[float, int, int]] = []
    combs = _combs(power, background, cycles, line_hz, top)
    for comb, order in combs[:MOST_COMBS]:
        if comb < combs[0][0] - BEHIND:
            break
        number = np.arange(1, MOST_LINES + 1)
        at = np.rint(number * cycles / order).astype(np.int64)
        number, at = number[at <= top], at[at <= top]
        size = power[at[:, None] + np.array([-1, 0, 1])].max(axis=1)
        seen = size > SEEN * background[at]
        if np.count_nonzero(seen) < FEWEST_LINES:
            continue
        usual = COMB_WEIGHT * comb - 0.5 * (np.log(60.0 * line_hz / order / USUAL_RPM) / RPM_SPREAD) ** 2
        fits = _evidence(number[seen], 0.5 * np.log(size[seen]), line_hz / order)
        found += [(usual + fit, order, bars) for bars, fit in zip(BARS, fits, strict=True)]
    if not found:
        return None
    found.sort(reverse=True)
    evidence, order, bars = found[0]
    same = {(order, bars)} | ({(order, 5), (order, 10)} if bars in (5, 10) else set())
    rival = next((one[0] for one in found if one[1:] not in same), evidence - 99.0)
    return Placing(order / 2.0, bars, float(evidence), float(evidence - rival))


def agreed(
    read: Count | None, lines: tuple[Floats, Floats], cycles: int, line_hz: float, highest_hz: float
) -> Count | None:
    """The count with the second witness heard; other arguments as `comb.count` takes them.

    Two ways to look that fail for different reasons: what one plainly denies is not named.
    """
    second = likeliest(lines, cycles, line_hz, highest_hz) if read is not None else None
    if read is None or second is None:
        return read
    if (second.order, second.ripples) == (read.order, read.ripples):
        return replace(read, agreed=read.told or second.lead >= SURE)
    return replace(read, agreed=read.told and second.lead < DENIED)


def _combs(
    power: Floats, background: Floats, cycles: int, line_hz: float, top: int
) -> list[tuple[float, int]]:
    """Log odds that lines lie at the harmonics of a whole turn, with that turn's order; the best first.

    Odd harmonics may all be missing: brushes that are alike make none.
    """
    reach = min(top, int(max(2.3 * line_hz, LEAST_REACH_HZ) / line_hz * cycles))
    all_odds, half = line_odds(power, background, reach), float(np.log(0.5))
    found = []
    first = max(1, int(np.ceil(60.0 * line_hz / HIGHEST_RPM)))
    last = min(int(60.0 * line_hz / LOWEST_RPM), int(cycles / 2.5))
    for order in range(first, last + 1):
        at = np.rint(np.arange(1, int(reach * order / cycles) + 1) * cycles / order).astype(np.int64)
        odds = all_odds[at]
        found.append((float(odds[1::2].sum() + np.logaddexp(half, half + odds[::2].sum())), order))
    return sorted(found, reverse=True)


def _evidence(number: npt.NDArray[np.int64], size: Floats, turn_hz: float) -> list[float]:
    """Log evidence of each of `BARS` against a smooth course alone; `size` is the log amplitude of line `number`."""
    size = size - size.mean()
    course = np.stack([np.ones(len(number)), number * turn_hz / 1000.0, np.log(number)], axis=1)
    nothing = _log_density(size, course, np.array(COURSE_SD), NOTHING)
    odd = (number % 2 == 1).astype(np.float64)
    found = []
    for bars in BARS:
        rest = number % bars
        rest = np.minimum(rest, bars - rest)
        classes = (rest[:, None] == np.arange(bars // 2 + 1)[None, :]).astype(np.float64)
        design = np.concatenate([course, odd[:, None], classes], axis=1)
        spread = np.array([*COURSE_SD, ODD_SD, COMMUTATION_SD, *[CLASS_SD] * (bars // 2)])
        expected = ODD * odd + COMMUTATION * classes[:, 0]
        found.append(_log_density(size - expected, design, spread, SCATTER) - nothing)
    return found


def _log_density(rest: Floats, design: Floats, spread: Floats, scatter: float) -> float:
    """Log density of N(0, scatter^2 + design spread^2 design'), constants left out."""
    scaled = design * (spread / scatter)
    inner = np.eye(scaled.shape[1]) + scaled.T @ scaled
    lower = np.linalg.cholesky(inner)
    whitened = np.linalg.solve(lower, scaled.T @ rest) / scatter
    square = float(rest @ rest) / scatter**2 - float(whitened @ whitened)
    return -0.5 * square - float(np.log(np.diag(lower)).sum()) - len(rest) * float(np.log(scatter))
