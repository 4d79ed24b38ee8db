"""Every event of an engine given its place in the firing order, and the places set beside each other.

An event is a spark or an injection: whatever each cylinder has once a turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds import turns
from pipelines.kinds.base import ElementReading, EngineFamily
from pipelines.kinds.trace import Floats

Whole = npt.NDArray[np.int64]

FEWEST = 2
FEWEST_ELEMENTS = 3
NOT_AS_MANY = 0.3
LEAST_SE_PCT = 0.05
WINSOR = 4.0


@dataclass(frozen=True, slots=True)
class Sequence:
    """The places of one turn of the sequence: a cycle, or one turn of the crank where a coil serves a pair.

    Attributes:
        places: where each lies, as a fraction of the turn, from the first place of the firing order.
        numbers: the element's number at each place.
        crank_deg: crank angle of the turn.
    """

    places: Floats
    numbers: tuple[int, ...]
    crank_deg: float

    @classmethod
    def of(cls, family: EngineFamily) -> Sequence:
        """A family's cylinders in firing order."""
        return cls(np.asarray(family.firing_angles_deg) / 720.0, family.firing_order, 720.0)

    @classmethod
    def of_coils(cls, family: EngineFamily) -> Sequence:
        """As `of`; where one coil serves two cylinders its pairs, numbered as they come in the firing order."""
        if family.sync_kind != "waste_spark" or family.cylinders % 2:
            return cls.of(family)
        half = family.cylinders // 2
        return cls(np.asarray(family.firing_angles_deg)[:half] / 360.0, tuple(range(1, half + 1)), 360.0)

    def place_of(self, cylinder: int, family: EngineFamily) -> int:
        """Place of a cylinder's event."""
        return family.firing_order.index(cylinder) % len(self.numbers)


@dataclass(frozen=True, slots=True)
class Placed:
    """Events with their place (0-based in the sequence, -1 unknown), and whether the places can be named."""

    place: Whole
    named: bool
    doubtful: bool


def by_sync(at_s: Floats, index_s: Floats, sequence: Sequence, sync_place: int) -> Placed:
    """Place of each event of a shared channel from the sync's pulses."""
    index = turns.regular(index_s)
    phase = turns.phases(at_s, index)
    place = turns.nearest(phase, np.sort((sequence.places - sequence.places[sync_place]) % 1.0))
    # nearest counts from the sync's own place
    found = np.where(place >= 0, (place + sync_place) % len(sequence.places), -1)
    between = np.diff(np.searchsorted(at_s, index - 1e-3))
    many = float(np.median(between[between > 0])) if np.any(between > 0) else 0.0
    doubtful = abs(many - len(sequence.places)) > NOT_AS_MANY * len(sequence.places)
    return Placed(found.astype(np.int64), True, bool(doubtful))


def by_turn(at_s: Floats, sequence: Sequence) -> Placed:
    """Place of each event of a shared channel without a sync: counted on from the first one."""
    return Placed(turns.in_turn(at_s, sequence.places), False, False)


def channels(trains: list[Floats], sequence: Sequence, sync_place: int) -> list[int] | None:
    """Place of every channel's coil, the first channel being at `sync_place`; None where they do not fit."""
    index = turns.regular(trains[0])
    offsets = np.sort((sequence.places - sequence.places[sync_place]) % 1.0)
    found = []
    for train in trains:
        phase = turns.phases(train, index)
        phase = phase[np.isfinite(phase)]
        if not len(phase):
            return None
        turn = np.exp(2j * np.pi * phase)
        # the median direction: a few events far off do not count
        middle = float(np.angle(np.median(turn.real) + 1j * np.median(turn.imag)) / (2 * np.pi) % 1.0)
        place = int(turns.nearest(np.array([middle]), offsets)[0])
        if place < 0 or abs(len(train) - len(trains[0])) > NOT_AS_MANY * len(trains[0]) + 1.5:
            return None
        found.append((place + sync_place) % len(offsets))
    return found if len(set(found)) == len(found) else None


def elements(
    at_s: Floats,
    values: Floats,
    place: Whole,
    sequence: Sequence,
    named: bool,
    measure: str,
    least_se_pct: float = LEAST_SE_PCT,
) -> tuple[ElementReading, ...]:
    """Per cent of the median place and standard error, from the events; empty where a place has too few.

    What all events do together (speed, supply) is taken off: each counts against the events around it.
    """
    n = len(sequence.places)
    use = np.isfinite(values) & (place >= 0)
    order = np.argsort(at_s[use], kind="stable")
    value, where = values[use][order], place[use][order]
    count = np.bincount(where, minlength=n)
    # of two that differ neither is the odd one
    if n < FEWEST_ELEMENTS or not len(value) or count.min() < FEWEST:
        return ()
    usual = _slow(value, where, n)
    level, error = np.empty(n), np.empty(n)
    for k in range(n):
        own = value[where == k] / usual[where == k]
        middle = float(np.median(own))
        reach = WINSOR * 1.4826 * float(np.median(np.abs(own - middle))) + 1e-3
        own = np.clip(own, middle - reach, middle + reach)
        level[k] = own.mean()
        error[k] = own.std(ddof=1) / np.sqrt(len(own))
    middle = float(np.median(level))
    if not middle > 0:
        return ()
    relative = 100.0 * level / middle
    stated = np.maximum(100.0 * error / middle, least_se_pct)
    return tuple(
        ElementReading(
            sequence.numbers[k] if named else None, k + 1, float(relative[k]), float(stated[k]),
            "sync" if named else "none", measure=measure,
        )
        for k in range(n)
    )  # fmt: skip


def _slow(value: Floats, where: Whole, n: int) -> Floats:
    """The course all places share: each value over its own place's median, smoothed over about three turns."""
    own = np.array([np.median(value[where == k]) for k in range(n)])
    flat = value / np.where(own[where] > 0, own[where], 1.0)
    width = min(3 * n, len(value)) | 1
    half = width // 2
    total = np.concatenate([[0.0], np.cumsum(np.clip(flat, 0.3, 3.0))])
    at = np.arange(len(value))
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, len(value))
    return np.asarray((total[high] - total[low]) / (high - low))
