"""What the pulses allow: whether ripple and sync together leave one cylinder, two, or more for each position."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tests.composed.engine import tops_deg
from tests.composed.parameters import Drawn

Array = npt.NDArray[np.float64]
SAME_DEG = 8.0
OTHER_DEG = 24.0


def _pulse_angles(drawn: Drawn) -> Array:
    tops = tops_deg(drawn.engine)
    if drawn.ignition.style == "distributor":
        return tops
    own = tops[drawn.ignition.sync_cylinder - 1]
    return np.array([own]) if drawn.ignition.style == "coil_on_plug" else np.array([own, own + 360.0])


def _distance(a: Array, b: Array) -> float:
    """Largest angle by which the pattern a misses its nearest in b, over a cycle."""
    return float(np.abs((a[:, None] - b[None, :] + 360.0) % 720.0 - 360.0).min(axis=1).max())


def look_alikes(drawn: Drawn) -> tuple[list[float], list[float]]:
    """Turns of the cycle, in deg, that bring pulses and firings onto themselves: surely, and perhaps."""
    tops = tops_deg(drawn.engine)
    pulses = _pulse_angles(drawn)
    sure, perhaps = [], []
    for turn in {round(float(a - pulses[0]) % 720.0, 3) for a in pulses[1:]}:
        if not 1.0 < turn < 719.0:
            continue
        apart = max(_distance(pulses + turn, pulses), _distance(tops + turn, tops))
        if apart <= SAME_DEG:
            sure.append(turn)
        elif apart < OTHER_DEG:
            perhaps.append(turn)
    return sure, perhaps


def naming(drawn: Drawn, no_sync: bool | None) -> str:
    """`sync`, `pair`, `none` or `grey`."""
    if no_sync is True:
        return "none"
    if no_sync is None or drawn.ignition.neighbours > 0.45:
        return "grey"
    sure, perhaps = look_alikes(drawn)
    if perhaps:
        return "grey"
    if not sure:
        return "sync"
    return "pair" if sure == [360.0] else "none"
