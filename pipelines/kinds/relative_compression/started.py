"""Whether the engine began to run during the record: told by its battery, its pulses and the starter's load."""

from __future__ import annotations

import numpy as np

from pipelines.kinds.relative_compression.front import Front
from pipelines.kinds.relative_compression.values import block_mean, middle_of

STARTED_V = 0.35
LEFT_FLAT_V = (7.0, 11.9)  # no battery that is charged stands there (common practice, no source)
SETTLED_S = 0.2
CHARGED_BY = 0.15  # of the cranking current; what was switched on before the crank may go off after it
RUNS_ON = 4  # pulses, from the last one under the starter's load on
MUCH_FASTER, FASTER = 0.6, 0.85  # of the cycle while cranking
BLOCK_S = 0.02
FULL_LOAD = 0.7  # of the usual cranking load
PLATEAU_S, PLATEAU = 0.24, (0.08, 0.65)  # an overrunning starter draws a part of what it drew
PLATEAU_V = (
    0.15  # a battery's voltage lags behind by about as much when its load goes (common practice, no source)
)


def engine_started(front: Front) -> bool:
    """Whether the engine began to run during the record."""
    return _charging(front) or _runs_on(front) or _overruns(front) or front.runs


def _charging(front: Front) -> bool:
    """The level after cranking lies above the level before, or at a charging voltage; with a clamp, the battery takes a
    good part of what cranking drew."""
    c = front.cranking
    if (
        c.nature == "current"
        and not c.ac_coupled
        and c.drop > 0
        and np.isfinite(c.rest)
        and np.isfinite(c.after)
    ):
        # the levels are as the clamp has them: discharge counts positive
        rate = front.channels.supply.rate_hz
        stop = max(c.spans[0][0] - int(SETTLED_S * rate), 0) if c.spans else 0
        before = block_mean(c.load_down[:stop].astype(np.float32), max(1, int(0.05 * rate)))
        least = -float(before.max()) if before.size else c.rest  # what was on for a while may be off again
        return (min(c.rest, least) - c.after) > CHARGED_BY * c.drop
    if c.nature != "voltage" or c.ac_coupled or c.shifted or not np.isfinite(c.after):
        return False
    if LEFT_FLAT_V[0] < c.after < LEFT_FLAT_V[1]:
        return False
    if np.isfinite(c.rest):
        return c.after > c.rest + STARTED_V * max(1.0, c.rest / 12.6)
    return 13.2 < c.after < 15.5


def _runs_on(front: Front) -> bool:
    """Pulses go on after the starter's load is gone, and no slower than before: an engine left to itself would stop
    within about a turn."""
    after, sync = front.after_pulses_s, front.sync
    if sync is None or after.size < RUNS_ON - 1:
        return False
    after = np.concatenate((*(times[-1:] for times, _ in sync.spans[-1:]), after))
    if after.size < RUNS_ON:
        return False
    gaps = np.diff(after) * sync.per_cycle
    if middle_of(gaps) < MUCH_FASTER * front.cycle_s:
        return True
    gaps = gaps[: RUNS_ON + 4]
    return middle_of(gaps) < FASTER * front.cycle_s and float(gaps[: RUNS_ON - 1].max()) < 1.1 * front.cycle_s


def _overruns(front: Front) -> bool:
    """The starter's load goes in two steps: first to a part of it without the engine's ripple (its clutch overruns, the
    engine is faster than the starter drives it), then to nothing when the key is let go. A key let go under load takes
    all of it at once; what a battery recovers by afterwards comes slowly, without a second step."""
    c = front.cranking
    if c.ac_coupled or not np.isfinite(c.drop) or not c.spans or c.drop <= 0:
        return False
    current = c.nature == "current"
    level = c.rest if np.isfinite(c.rest) else c.after
    # an alternator that begins to charge lifts the plateau towards rest, or above: it falls to the level behind
    charged = not current and c.after > c.rest
    return _in_two_steps(front, -level if current else level) or (charged and _in_two_steps(front, c.after))


def _in_two_steps(front: Front, level: float) -> bool:
    """See `_overruns`; `level`: without the starter's load, in the turned signal's units."""
    c = front.cranking
    current = c.nature == "current"
    if not np.isfinite(level):
        return False
    rate = front.channels.supply.rate_hz
    width = max(1, int(BLOCK_S * rate))
    begin, end = c.spans[-1]
    load = c.load_down[begin : end + int(3.0 * rate)]
    if load.size < 8 * width:
        return False
    share = (level - block_mean(load.astype(np.float32), width)) / c.drop
    full = np.flatnonzero(share > FULL_LOAD)
    if not full.size or full[-1] + 2 >= share.size:
        return False
    # the last firings carry the load down to the plateau
    tail = share[full[-1] + 1 :]
    low = PLATEAU[0] if current else PLATEAU_V
    inside = (tail > low) & (tail < PLATEAU[1])
    first = int(np.argmax(inside)) if inside.any() else tail.size
    if first * BLOCK_S > 0.3:
        return False
    tail = tail[first:]
    fall = tail[:-3] - tail[3:] if tail.size > 3 else np.empty(0)
    # a coarse scope's step from one code to the next is none
    steps = np.flatnonzero(fall > np.maximum(0.5 * low + 0.25 * tail[: fall.size], 1.5 * front.step / c.drop))
    long = int(PLATEAU_S / BLOCK_S)
    later = steps[steps >= long - 2]
    if not later.size:
        return False
    flat = tail[: int(later[0]) + 1]
    behind = tail[int(later[0]) + 3 :]
    return bool(((flat > low) & (flat < PLATEAU[1])).all() and behind.max(initial=-np.inf) < 0.5 * flat.min())
