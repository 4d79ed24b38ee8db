"""The cam's edges at the crank's angle: their pattern over two turns, and one reference edge against the gap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.crank_cam_sensor.angle import CrankAngle
from pipelines.kinds.crank_cam_sensor.find import Found
from pipelines.kinds.crank_cam_sensor.signals import Floats

FEWEST_CYCLES = 2.5
APART_TURNS = 0.014
OFTEN = 0.6
ALIKE_TURNS = 4.0 / 360.0
MOST_EDGES = 100
WANDER_TURNS = 3.0 / 360.0


@dataclass(frozen=True, slots=True)
class Cam:
    """Where the cam stands.

    Attributes:
        edges: edges in two turns of the crank.
        turns: the reference edge after the crank's gap (from the gap's middle on), in turns of the crank.
        se_turns: its standard error from the cycles.
        wander_turns: scatter of single cycles.
        cycles: cycles it rests on.
    """

    edges: int
    turns: float
    se_turns: float
    wander_turns: float
    cycles: int


def read_cam(found: Found, angle: CrankAngle, start_s: float, half_gap: float) -> Cam | None:
    """The cam against the crank; None where no pattern comes again every two turns.

    Args:
        found: the cam's channel. half_gap: half of the crank's gap in turns, where counting begins anew.
    """
    crossed = found.crossed
    at = crossed.at if found.trace.switched else crossed.at[crossed.rising == found.teeth.rising]
    turned = angle.at(found.trace.time_s(at, start_s))
    turned = turned[np.isfinite(turned)]
    cycles = float(angle.turns[-1] - angle.turns[0]) / 2.0
    if cycles < FEWEST_CYCLES or not 0 < len(turned) < MOST_EDGES * (cycles + 1):
        return None
    grouped = _clusters(turned, cycles)
    if grouped is None:
        return None
    place = np.array([one.mean() % 2.0 for one in grouped])
    order = np.argsort(place)
    place, grouped = place[order], [grouped[int(k)] for k in order]
    chosen, fold = _reference(place)
    own = grouped[chosen]
    # from turn to turn nothing but the cam tells which of two turns it is; an even cam repeats even sooner
    span = min(1.0, 2.0 / fold)
    value = float((own.mean() + half_gap) % span - half_gap)
    scatter = float(np.std(own, ddof=1)) if len(own) > 1 else float("nan")
    return Cam(len(place), value, scatter / np.sqrt(len(own)), scatter, len(own))


def _clusters(turned: Floats, cycles: float) -> list[Floats] | None:
    """The edges of every cycle by edge, each unwound about its own middle; None where they do not come again."""
    folded = turned % 2.0
    order = np.argsort(folded)
    ranked = folded[order]
    waits = np.diff(np.append(ranked, ranked[0] + 2.0))
    cuts = np.flatnonzero(waits > APART_TURNS)
    if not len(cuts):
        return None
    # begin behind a cut, so that no edge is torn apart where the circle closes
    ranked = np.concatenate([ranked[cuts[0] + 1 :], ranked[: cuts[0] + 1] + 2.0])
    parts = np.split(ranked, np.flatnonzero(np.diff(ranked) > APART_TURNS) + 1)
    often = [part for part in parts if len(part) > OFTEN * (cycles - 1)]
    told = sum(len(part) for part in often)
    narrow = all(np.std(part) < WANDER_TURNS for part in often)
    return often if often and narrow and told > 0.7 * len(turned) else None


def _reference(place: Floats) -> tuple[int, int]:
    """The edge after the longest wait (of like ones, the one with the longer wait before that), and the fold.

    Waits are alike within `ALIKE_TURNS`. The fold says how often the pattern comes again within two turns.
    """
    count = len(place)
    waits = (place - np.roll(place, 1)) % 2.0 if count > 1 else np.array([2.0])
    if count == 1:
        return 0, 1
    best = 0
    for other in range(1, count):
        for back in range(count):
            apart = waits[(other - back) % count] - waits[(best - back) % count]
            if abs(apart) > ALIKE_TURNS:
                best = other if apart > 0 else best
                break
    fold = next(
        k
        for k in range(count, 0, -1)
        if count % k == 0 and np.all(np.abs(waits - np.roll(waits, count // k)) < ALIKE_TURNS)
    )
    return best, fold
