"""How many commutator bars a turn has, from the lines of the ripple's spectrum by shaft angle.

What two brushes do (two-pole lap winding, brushes half a turn apart; worked out here, the count of ripples is the
textbook's: Fitzgerald, Kingsley & Umans, *Electric Machinery*, d.c. machines, from memory):

* Bar k of n passes one brush at k/n of a turn and the other half a turn later, so with brushes alike the current
  repeats after half a turn, whatever is wrong with a bar. Its lines are the harmonics of the half turn.
* Commutation makes the lines that are whole multiples of the ripples in half a turn: n/2 for an even n (both brushes
  change bars together), n for an odd one (they take turns). So the half turn holds 3, 4, 5 or 6 ripples for 6, 8, 10
  or 12 bars, and 5, 7, 9 or 11 for as many bars. Only 5 and 10 bars look alike.
* Bars that differ make all harmonics, and those fall off smoothly. Commutation's multiples stand above their
  neighbours: how far, in logarithms and over several multiples, tells the number.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import rfft
from scipy.ndimage import maximum_filter1d

from pipelines.kinds.fuel_pump_current.signals import Floats

RIPPLES = (3, 4, 5, 6, 7, 9, 11)
"""Ripples in half a turn that 5 to 12 bars can give."""
BARS = {3: (6,), 4: (8,), 5: (10, 5), 6: (12,), 7: (7,), 9: (9,), 11: (11,)}
"""Bars by ripples in half a turn."""
LOWEST_RPM, HIGHEST_RPM = 2400.0, 12_000.0
"""Speeds a petrol pump can have; from about 3,000 loaded to 10,000 dry is common practice, no source."""
MOST_ORDERS = 22
LINES = 36
MULTIPLES = 4
CAP = 3.0
CAP_ODDS = 6.0
LEAST_REACH_HZ = 1500.0
WHOLE_FROM, WHOLE_SURE = 0.4, 1.5
USUAL_RPM = 9800.0
SIMPLER = 0.75
COMB_LEAD, COMB_SHARE, CLEARER = 6.0, 0.55, 0.7
LEAD_ALONE, COMB_LEAD_ALONE = 3.0, 9.0
STANDING, STANDING_LEAD = 1.2, 0.7
STANDS = 200.0


@dataclass(frozen=True, slots=True)
class Count:
    """How the lines are read.

    Attributes:
        order: which harmonic of the half turn the followed line is (a half: a line of the whole turn).
        ripples: ripples in half a turn.
        comb: evidence that the lines are harmonics of this half turn (log odds over a line's cap), and its lead over
            the next way to read them.
        comb_lead: see there.
        standing: how far the multiples of `ripples` stand above their neighbours, in scatters.
        lead: by how much that is more than for the next number of ripples.
        odd_below: how far the odd harmonics of a whole turn lie below its even ones (log amplitude); NaN where the
            lines show no whole turn.
        whole: whether the finest comb was taken for the whole turn's.
        doubtful: whether the other way to take it is nearly as clear.
        agreed: what came of asking the second witness (`places`); None where it was not asked.
    """

    order: float
    ripples: int
    comb: float
    comb_lead: float
    standing: float
    lead: float
    odd_below: float
    whole: bool
    doubtful: bool = False
    agreed: bool | None = None

    @property
    def clear(self) -> float:
        """How clearly the ripples were counted."""
        return self.standing + self.lead

    @property
    def told(self) -> bool:
        """Whether half turn and ripples are both beyond doubt; without the ripples the speed is not to be trusted."""
        if self.agreed is not None:
            return self.agreed
        if self.doubtful or not self.counted:
            return False
        return bool(self.is_comb or (self.lead >= LEAD_ALONE and self.comb_lead >= COMB_LEAD_ALONE))

    @property
    def is_comb(self) -> bool:
        """Whether the lines are harmonics of something that turns as fast as a pump, whatever the count."""
        return bool(self.comb >= COMB_SHARE and self.comb_lead >= COMB_LEAD)

    @property
    def counted(self) -> bool:
        """Whether one number of ripples stands out from all the others."""
        return bool(self.standing >= STANDING and self.lead >= STANDING_LEAD)


def spectrum(rows: Floats) -> tuple[Floats, Floats]:
    """Power by line and its local background, both shape (lines,); `rows` has shape (cycles, points).

    The background is the median of the lines around, so that a slow wobble is no line.
    """
    flat = rows.ravel()
    lines = rfft((flat - flat.mean()) * np.hanning(len(flat) + 2)[1:-1])
    power = lines.real**2 + lines.imag**2
    block = max(16, len(rows) // 16)
    whole = len(power) // block
    if whole < 2:
        return power, np.full_like(power, float(np.median(power)) + 1e-30)
    middles = np.median(power[: whole * block].reshape(whole, block), axis=1) / np.log(2.0)
    place = (np.arange(whole) + 0.5) * block
    return power, np.exp(np.interp(np.arange(len(power)), place, np.log(middles + 1e-30)))


def stands(lines: tuple[Floats, Floats], cycles: int) -> bool:
    """Whether the followed line itself is one, and not noise that was followed. `lines` as `spectrum` gives them."""
    power, background = lines
    at = min(cycles, len(power) - 2)
    return bool(power[at - 1 : at + 2].max() > STANDS * background[at])


def count(lines: tuple[Floats, Floats], cycles: int, line_hz: float, highest_hz: float) -> Count | None:
    """How the lines are read; None where none fits.

    `lines` as `spectrum` gives them from `cycles` cycles of the followed line of `line_hz`; `highest_hz` is seen.
    """
    power, background = lines
    top = min(len(power) - 2, int(highest_hz / line_hz * cycles))
    # a comb is judged on the lines up to here, whatever its spacing: missing lines count against it
    reach = min(top, int(max(2.3 * line_hz, LEAST_REACH_HZ) / line_hz * cycles))
    odds = line_odds(power, background, reach)
    combs: list[tuple[float, int]] = []
    lowest = int(np.ceil(30.0 * line_hz / HIGHEST_RPM))
    for order in range(max(1, lowest), 2 * MOST_ORDERS + 1):
        if cycles / order < 3 or 30.0 * line_hz / order < 0.5 * LOWEST_RPM:
            break
        at = np.rint(np.arange(1, int(reach * order / cycles) + 1) * cycles / order).astype(np.int64)
        combs.append((float(odds[at].sum()), order))
    if not combs:
        return None
    combs.sort(reverse=True)
    best, order = combs[0]
    # lines that happen to lie half-way make the double comb a little better: the simpler one stands
    best, order = min(
        (c for c in combs if order % c[1] == 0 and c[0] >= best - (1.0 - SIMPLER) * abs(best)),
        key=lambda c: c[1],
    )
    rival = next((c for c, k in combs[1:] if k % order and order % k), -9.0)
    seen = best / (CAP_ODDS * max(1.0, reach * order / cycles))
    odd_below = _odd_below(_levels(power, background, cycles / order, top))
    choices = []
    for half, whole in ((float(order), False), (order / 2, True)):
        if not LOWEST_RPM <= 30.0 * line_hz / half <= HIGHEST_RPM:
            continue
        level = _levels(power, background, cycles / half, top)
        if len(level) < min(RIPPLES) + 2:
            continue
        heights = _ranked(level)
        lead = heights[0][0] - (heights[1][0] if len(heights) > 1 else 0.0)
        choices.append(Count(half, heights[0][1], seen, best - rival, heights[0][0], lead, odd_below, whole))
    found = _choose(choices)
    if found is not None and found.whole and 30.0 * line_hz / found.order > USUAL_RPM:
        # few pumps are that fast: likelier is half the speed, and bars that differ in an unlucky way
        found = replace(found, doubtful=True)
    if found is None or not _thirds(_levels(power, background, cycles / order, top)):
        return found
    faster = 30.0 * line_hz / found.order * (1.5 if found.whole else 3.0)
    return replace(found, doubtful=found.doubtful or faster <= HIGHEST_RPM)


def _choose(choices: list[Count]) -> Count | None:
    """The finest comb is the half turn's, or the whole turn's where its odd harmonics lie far below its even ones."""
    if len(choices) < 2:
        return choices[0] if choices else None
    half, whole = choices
    if half.odd_below < WHOLE_FROM:
        return half
    if half.odd_below > WHOLE_SURE:
        return whole
    better, other = sorted(choices, key=lambda one: -one.clear)
    # four or six ripples in half a turn make even harmonics high by themselves
    close = better.clear - other.clear < CLEARER or better.ripples == 3
    close = close or (not better.whole and better.ripples % 2 == 0)
    return replace(better, doubtful=close)


def line_odds(power: Floats, background: Floats, reach: int) -> Floats:
    """Log odds that there is a line at each bin (or between two) up to `reach`, held at `CAP_ODDS`."""
    above = maximum_filter1d(power[: reach + 2], 3)[: reach + 1] / background[: reach + 1]
    return np.asarray(np.minimum(above / 3.0 - np.log(np.maximum(above, 1.0)) - 1.5, CAP_ODDS))


def _levels(power: Floats, background: Floats, spacing: float, top: int) -> Floats:
    """Log amplitude of the harmonics of `spacing` (bins), the background added."""
    at = np.rint(np.arange(1, LINES + 1) * spacing).astype(np.int64)
    at = at[at <= top]
    if not len(at):
        return np.empty(0)
    near = power[at[:, None] + np.array([-1, 0, 1])].max(axis=1)
    return np.asarray(0.5 * np.log(near + 3.0 * background[at] + 1e-5 * near.max()))


def _odd_below(level: Floats) -> float:
    """How far odd harmonics lie below those that are even but no multiple of four (where ripples may lie)."""
    part = level[:16]
    return float(np.median(part[1::4]) - np.median(part[::2])) if len(part) >= 6 else 0.0


def _thirds(level: Floats) -> bool:
    """Whether every third line stands above all others: then the comb may be three times too fine."""
    part = level[:9]
    return len(part) == 9 and bool(part[2::3].min() > np.delete(part, [2, 5, 8]).max())


def _ranked(level: Floats) -> list[tuple[float, int]]:
    """Standing of every possible number of ripples, the highest first.

    Multiples of six are multiples of three: what tells them apart is whether the odd multiples of three stand.
    """
    found = {ripples: _standing(level, ripples) for ripples in RIPPLES if len(level) >= ripples + 2}
    if 6 in found:
        odd = _standing(level, 3, every=2)
        found[3] = min(found[3], 2.0 * odd)
    return sorted(((height, ripples) for ripples, height in found.items()), reverse=True)


def _standing(level: Floats, ripples: int, every: int = 1) -> float:
    """Mean height (log amplitude) of the multiples of `ripples` above their neighbours, times the root of their count.

    `every`: 2 looks at odd multiples only.
    """
    values = [0.0, *level.tolist()]
    heights: list[float] = []
    for at in range(ripples, len(values), ripples * every):
        low = [values[k] for k in (at - 1, at - 2) if k >= 1 and k % ripples]
        high = [values[k] for k in (at + 1, at + 2) if k < len(values) and k % ripples]
        if not high or len(heights) == MULTIPLES:
            break
        beside = (sum(low) / len(low) + sum(high) / len(high)) / 2.0
        heights.append(min(max(values[at] - beside, -2.0), CAP))
    return float(sum(heights) / len(heights) ** 0.5) if heights else 0.0
