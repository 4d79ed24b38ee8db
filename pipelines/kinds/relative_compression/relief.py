"""When the engine takes the load off the starter while the key is still at start: it begins to run."""

from __future__ import annotations

import numpy as np

from pipelines.kinds.relative_compression.stretch import Cranking, moving_mean
from pipelines.kinds.relative_compression.values import Array, block_mean, middle_of

BLOCK_S = 0.02
SETTLES_S = 0.3  # inrush
BEHIND_S = 3.0
STILL_LOADED = 0.8  # of the usual load
RELEASED, RELEASED_V = 0.08, 0.3  # a battery comes back slowly when its load goes
RELIEVED_S = 0.4
MUCH_RELIEVED = (
    0.6  # lights and fans going off take up to a third of a crank's load (common practice, no source)
)
SPED_UP = 1.25
BACK, INRUSH = 0.7, 1.5
FIRST_S = 0.8
SHAKES, ROUGH_STEPS = 0.03, 0.6
CLEARLY_ABOVE = 0.1
OVERRUN_BLOCKS, OVERRUN, STANDS_STILL = 8, (0.15, 0.6), 0.03  # of the usual load


def relieved_at(cranking: Cranking, rate_hz: float, firing_s: float, step: float) -> int | None:
    """Sample of the last stretch from which on the engine takes a good part of the load off the starter, long before
    the key is let go: more than what else may be switched off meanwhile, or the firings come faster from then on.

    `firing_s`: usual time from firing to firing; `step`: the scope's, in V or A. None where it does not, or the level
    is not known.
    """
    c = cranking
    level = c.rest if np.isfinite(c.rest) else c.after
    if c.ac_coupled or not np.isfinite(c.drop) or not c.spans or c.drop <= 0 or not np.isfinite(level):
        return None
    current = c.nature == "current"
    level = -level if current else level
    width = max(1, int(BLOCK_S * rate_hz))
    begin, end = c.spans[-1]
    begin += int(SETTLES_S * rate_hz)
    load = c.load_down[begin : end + int(BEHIND_S * rate_hz)]
    share = (level - block_mean(load.astype(np.float32), width)) / c.drop
    wide = max(3, round(max(2.0 * firing_s, 0.2) / BLOCK_S))
    if share.size < 4 * wide:
        return None
    slow = moving_mean(share, wide)
    # a battery that dies lets the share of it grow; an engine that starts at once leaves little of the first load
    usual = max(middle_of(slow[: int(FIRST_S / BLOCK_S)]), middle_of(slow[: slow.size // 2]))
    if usual < 0.5:
        return None
    share, slow = share / usual, slow / usual
    gone = RELEASED if current else RELEASED_V
    wheels = _freewheels(share[: max(end - begin, 0) // width], firing_s, max(gone, OVERRUN[0]))
    if wheels is not None:
        return begin + wheels * width
    full = np.flatnonzero(slow > STILL_LOADED)
    last = int(full[-1])
    tail = share[last + wide // 2 + 1 :]
    there = np.flatnonzero(moving_mean(tail, wide) > gone) if tail.size > wide else np.empty(0)
    if there.size * BLOCK_S < RELIEVED_S:
        return None
    tail = tail[: int(there[-1]) + 1]
    at = begin + (last + wide // 2 + 1) * width
    # a battery comes back from a key let go smoothly; an engine at work shakes what is left of the load
    shaken = _roughness(tail) > max(SHAKES, ROUGH_STEPS * step / (c.drop * usual))
    if not shaken and not current:
        return None
    much = float(tail.mean()) < MUCH_RELIEVED and there.size > 0.5 * tail.size
    if much or (
        shaken
        and _firing_hz(c.load_down[at : at + tail.size * width], rate_hz, firing_s) * firing_s > SPED_UP
    ):
        return begin + max(last - wide // 4, 0) * width
    return None


def _freewheels(share: Array, firing_s: float, least: float) -> int | None:
    """First block from which the starter's load stands still at a part of the usual one for longer than from firing to
    firing and comes back without an inrush: its clutch overran, and the engine fell back to it. None where it does
    not."""
    long = max(OVERRUN_BLOCKS, int(1.2 * firing_s / BLOCK_S))
    if share.size < 4 * long:
        return None
    piece = np.lib.stride_tricks.sliding_window_view(share, long)
    level = piece.mean(axis=1)
    still = (np.ptp(piece, axis=1) < STANDS_STILL) & (level > least) & (level < OVERRUN[1])
    at = np.flatnonzero(still[:-long])
    # a few cylinders on a heavy flywheel overrun the starter at every expansion, from the first one on
    if not at.size or float(share[: int(FIRST_S / BLOCK_S)].min()) < level[at[0]] + CLEARLY_ABOVE:
        return None
    behind = share[at[0] + long :]
    back = np.flatnonzero(behind > BACK)
    return int(at[0]) if back.size and float(behind[back[0] : back[0] + 8].max()) < INRUSH else None


def _roughness(share: Array) -> float:
    """Standard deviation of what is left of a course of the load when its slow part is taken off."""
    at = np.linspace(-1.0, 1.0, share.size)
    return float(np.std(share - np.polyval(np.polyfit(at, share, 3), at)))


def _firing_hz(load: Array, rate_hz: float, firing_s: float) -> float:
    """Strongest rate of a piece's ripple from 0.7 to four times the firings', in Hz; 0 where it is too short."""
    step = max(1, int(rate_hz / 400.0))
    x = block_mean(load.astype(np.float32), step)
    if x.size < 16:
        return 0.0
    at = np.arange(x.size)
    x = (x - np.polyval(np.polyfit(at, x, 2), at)) * np.hanning(x.size)
    power = np.abs(np.fft.rfft(x, 8 * x.size)) ** 2
    hz = np.fft.rfftfreq(8 * x.size, step / rate_hz)
    inside = (hz > 0.7 / firing_s) & (hz < 4.0 / firing_s)
    return float(hz[inside][np.argmax(power[inside])]) if inside.any() else 0.0
