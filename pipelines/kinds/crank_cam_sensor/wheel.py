"""Any toothed wheel found from the times of its teeth alone: places on a turn, gaps, and which turns are whole.

Each wait from tooth to tooth is counted in pitches of its neighbourhood, so that the speed's swing does not matter.
Waits of more than one pitch are gaps. The turn is the least number of teeth after which the gaps come again. A longer
wait than the one before is how engine controllers find the gap too (Motorola programming note TPUPN15B, 'period
measurement with missing transition detection').
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from pipelines.kinds.crank_cam_sensor.signals import Bools, Floats, Ints

SAME_GAPS, SAME_PATTERN = 0.35, 0.5
AS_GOOD = 0.6
FEWEST_REPEATS = 2
SEEN_SHARE = 0.35
FEWEST_TEETH = 3
MOST_GAPS = 8
WHOLE_WITHIN = 0.34
MOST_PITCHES = 7


@dataclass(frozen=True, slots=True)
class Wheel:
    """A wheel and the turns of it that were seen whole.

    Attributes:
        places: places for teeth on a turn, gaps counted.
        slot: shape (teeth,): place of each tooth, 1 for the first after the gap.
        missing: numbers of teeth that are not there, though the wheel's kind has them (not in `slot`).
        first: index of each whole turn's first tooth among all teeth's times, ascending.
        lost: share of the turns, between the first whole one and the last, that are not whole.
    """

    places: int
    slot: Ints
    missing: tuple[int, ...]
    first: Ints
    lost: float

    @property
    def teeth(self) -> int:
        """Teeth that are there."""
        return len(self.slot)

    @property
    def numbers(self) -> Ints:
        """Number of each tooth that is there, from 1 after the gap; one that broke off keeps its number."""
        every = np.sort(np.concatenate([self.slot, np.array(self.missing, dtype=np.int64)]))
        return np.searchsorted(every, self.slot) + 1

    @property
    def either(self) -> int:
        """Number of the missing tooth if the other of two like gaps is the wheel's own; 0 where there is no doubt."""
        if len(self.missing) != 1 or self.places - len(self.slot) != 2:
            return 0
        return self.places - self.missing[0]

    @property
    def name(self) -> str:
        """As the trade writes it: `60-2`, `36-2-2-2`."""
        turn = np.sort(np.concatenate([self.slot, np.array(self.missing, dtype=np.int64)]))
        gaps = np.diff(np.append(turn, turn[0] + self.places)) - 1
        return "-".join(map(str, [self.places, *sorted(gaps[gaps > 0].tolist(), reverse=True)]))


def pitches(times: Floats) -> tuple[Ints, Bools]:
    """Each wait between teeth in whole pitches of its neighbourhood, and whether it is near a whole number.

    The pitch is smooth in the logarithm even where the speed swings by half, so it is taken from both sides: first the
    shorter of two waits on either side (one of them may be a gap), then a parabola in the wheel's angle through the
    pitches of three waits on either side, the nearer ones counting more.
    """
    logs = np.log(np.maximum(np.diff(times), 1e-12))
    left = np.minimum(_moved(logs, -1), _moved(logs, -2))
    right = np.minimum(_moved(logs, 1), _moved(logs, 2))
    usual = 0.5 * (left + right)
    count = _counted(logs - usual)
    for _ in range(2):
        usual = _parabola(np.cumsum(count) - 0.5 * count, logs, count == 1)
        count = _counted(logs - usual)
    return count, np.abs(np.exp(logs - usual) / count - 1.0) < WHOLE_WITHIN


def _parabola(place: Floats, logs: Floats, known: Bools) -> Floats:
    """At each place what a parabola through the known ones of three neighbours on either side gives."""
    offset = np.array([-3, -2, -1, 1, 2, 3])
    at = np.arange(len(logs))[:, None] + offset
    inside = (at >= 0) & (at < len(logs))
    at = np.clip(at, 0, len(logs) - 1)
    away = place[at] - place[:, None]
    weight = np.where(inside & known[at], 1.0 / np.maximum(np.abs(away), 0.5), 0.0)
    moments = np.stack([(weight * away**power).sum(axis=1) for power in range(5)])
    sums = np.stack([(weight * away**power * logs[at]).sum(axis=1) for power in range(3)])
    normal = np.moveaxis(moments[np.arange(3)[:, None] + np.arange(3)[None, :]], 2, 0)
    # too few on one side: there the plain mean does
    normal[:, [0, 1, 2], [0, 1, 2]] += 1e-9
    solved = np.linalg.solve(normal, sums.T[:, :, None])[:, 0, 0]
    plain = sums[0] / np.maximum(moments[0], 1e-12)
    both = ((weight > 0) & (offset > 0)).any(axis=1) & ((weight > 0) & (offset < 0)).any(axis=1)
    return np.where(both & ((weight > 0).sum(axis=1) > 3), solved, plain)


def _moved(values: Floats, by: int) -> Floats:
    """The value `by` places later, the last known one beyond the ends."""
    at = np.clip(np.arange(len(values)) + by, 0, len(values) - 1)
    return values[at]


def _counted(log_ratio: Floats) -> Ints:
    return np.clip(np.rint(np.exp(np.clip(log_ratio, -5.0, 5.0))), 1, MOST_PITCHES).astype(np.int64)


def find_wheel(times: Floats, turns: int = 1) -> Wheel | None:
    """The wheel whose teeth passed at `times`, or None where no pattern of gaps comes again.

    Args:
        turns: whole turns that are asked for at least.
    """
    if len(times) < 2 * FEWEST_TEETH:
        return None
    count, whole = pitches(times)
    gaps = np.flatnonzero(count > 1)
    if len(gaps) < 2:
        return None
    found = _period(count, gaps)
    if found is None:
        return None
    pattern = _canonical(found)
    size = len(pattern)
    if size > len(count):
        return None
    start = gaps[gaps <= len(count) - size]
    table = sliding_window_view(count, size)[start]
    match = (table == pattern).all(axis=1)
    fine = sliding_window_view(whole, size)[start].mean(axis=1) > 0.9
    begins = start[match & fine]
    if len(begins) < turns or len(begins) * size < SEEN_SHARE * len(count):
        return None
    # a turn begins with the wait over the gap, so its first tooth is the one that ends that wait
    slots = np.concatenate([[1], 1 + np.cumsum(pattern[1:])])
    places = int(pattern.sum())
    slots, missing = _broken(slots, places)
    lasted = times[begins + size] - times[begins]
    span = times[begins[-1] + size] - times[begins[0]]
    seen = max(len(begins), round(float(span / np.median(lasted))))
    lost = 1.0 - len(begins) / seen if _steady(lasted) else _lost(begins, size)
    return Wheel(places, slots, missing, begins + 1, max(0.0, lost))


def _steady(lasted: Floats) -> bool:
    return bool(np.ptp(lasted) < 0.2 * np.median(lasted))


def _lost(begins: Ints, size: int) -> float:
    """Share of turns that are not whole, counted in teeth."""
    apart = np.diff(begins)
    return float(np.sum(np.maximum(np.rint(apart / size) - 1, (apart != size).astype(float)))) / max(
        1.0, float(apart.sum() / size)
    )


def _period(count: Ints, gaps: Ints) -> Ints | None:
    """The gaps' pattern over one turn, beginning with any tooth: the shortest that comes again about best of all."""
    found: list[tuple[float, int, Ints]] = []
    for step in range(1, min(MOST_GAPS, len(gaps) - 1) + 1):
        apart = gaps[step:] - gaps[:-step]
        same = count[gaps[step:]] == count[gaps[:-step]]
        values, often = np.unique(apart[same], return_counts=True)
        if not len(values):
            continue
        size = int(values[np.argmax(often)])
        starts = gaps[:-step][same & (apart == size)]
        share = len(starts) / len(apart)
        if share >= SAME_GAPS and size >= FEWEST_TEETH:
            found.append((share, size, starts))
    best = max((share for share, _, _ in found), default=0.0)
    for share, size, starts in found:
        if share < AS_GOOD * best or len(starts) < min(FEWEST_REPEATS, len(gaps) - 1):
            continue
        rows = sliding_window_view(count, size)[starts[starts + size <= len(count)][:400]]
        # the most frequent pattern among the turns of that length
        patterns, times = np.unique([_canonical(row) for row in rows], axis=0, return_counts=True)
        if times.max() >= SAME_PATTERN * len(rows):
            return np.asarray(patterns[np.argmax(times)])
    return None


def _canonical(pattern: Ints) -> Ints:
    """The same turn beginning at its widest gap; of equal ones, the one soonest followed by the next gap."""
    size = len(pattern)
    widest = np.flatnonzero(pattern == pattern.max())
    turned = [np.roll(pattern, -int(at)) for at in widest]
    return max(turned, key=lambda one: tuple(one.tolist())) if size else pattern


def _broken(slots: Ints, places: int) -> tuple[Ints, tuple[int, ...]]:
    """Teeth broken off: a wheel's gaps are alike, so a single narrower one beside them is no gap of its design.

    A wheel of one missing tooth that shows two such gaps has lost a tooth too, unless they lie opposite each other.
    """
    widths = np.diff(np.append(slots, slots[0] + places)) - 1
    gaps = widths[widths > 0]
    narrow = np.flatnonzero((widths > 0) & (widths < gaps.max()))
    if len(gaps) == 2 and gaps.max() == 1 and 2 * int(slots[np.argmax(widths > 0)]) != places:
        # of two gaps of one tooth either may be the wheel's own: the second is taken for the damage
        narrow = np.flatnonzero(widths > 0)[:1]
    if len(narrow) != 1:
        return slots, ()
    at = int(narrow[0])
    return slots, tuple(range(int(slots[at]) + 1, int(slots[at]) + 1 + int(widths[at])))
