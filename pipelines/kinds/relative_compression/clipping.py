"""Whether the screen cut the supply channel off, and how much of it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipelines.kinds.relative_compression.front import Front, raw_while_cranking
from pipelines.kinds.relative_compression.signals import Supply
from pipelines.kinds.relative_compression.stretch import PLAUSIBLE_REST_V
from pipelines.kinds.relative_compression.values import last_code, middle_of, smallest_gap, spread_of
from pipelines.waveform import Samples

CLIPPED_SHARE = 0.015
STILL = 10.0  # so many times the samples of the step beside it
NOISY_STEPS = 3.0  # noise of one standard deviation a step makes 1.65
NOISY_REST_STEPS = 1.5
NOTHING_FLOWS = 0.1  # of what the starter draws
MANY_STEPS = 40.0
REST_V = (11.0, 13.5)  # of a 12 V battery (common practice, no source)


class CutOff(NamedTuple):
    """On which edge of the screen the supply channel sits (empty: on none), and for which share: of the record or of
    its cranking, as the sign that tells it was looked for, and of the cranking. `other`: it is not the channel that was
    read but the second of two supply channels, which harms nothing. `loaded`: the edge lies where the starter pulls."""

    edge: str
    share: float
    of_cranking: float
    other: bool = False
    loaded: bool = False


NOT_CUT = CutOff("", 0.0, 0.0)


def cut_off(front: Front) -> CutOff:
    """Whether the screen cut the supply channel off, or the other one of two.

    Signs: values pile up at the extreme in a swing of many steps; they reach the last code of a converter (a power of
    two of its steps, or one less); or the extreme stands dead still where an uncut signal would not: its noise spans
    several steps, or a battery stands after the crank exactly where it stood before.
    """
    supply = front.channels.supply
    if supply.off_screen:
        share = float(np.mean(~np.isfinite(supply.raw)))
        return CutOff("edge (the file holds nothing there)", share, share)
    cut = _on_screen(front, supply)
    pulls_up = (front.cranking.nature == "current") != front.cranking.upside_down
    cut = cut._replace(loaded=(cut.edge == "top") == pulls_up)
    if cut.edge or front.channels.other is None or not front.cranking.spans:
        return cut
    other = _on_screen(front, front.channels.other)
    return other._replace(of_cranking=0.0, other=True) if other.edge else NOT_CUT


def _on_screen(front: Front, supply: Supply) -> CutOff:
    """The same of one channel that has all its samples."""
    whole = supply.raw[:: max(1, supply.raw.size // 6_000)]
    whole = _without_dropouts(whole, supply.missing is not None)
    if whole.size < 64:
        return NOT_CUT
    if float(np.ptp(whole)) == 0.0:
        level = abs(float(whole[0]) * supply.scale)
        # a battery at rest may fill one step of a coarse scope
        return CutOff("edge", 1.0, 1.0) if level > PLAUSIBLE_REST_V[1] else NOT_CUT
    spans = raw_while_cranking(supply, front.cranking) if front.cranking.spans else whole
    spans = _without_dropouts(spans, supply.missing is not None)
    if spans.size < 64:
        return NOT_CUT
    step = smallest_gap(spans[:4000]) or smallest_gap(whole)
    for sign, name in ((1.0, "top"), (-1.0, "bottom")):
        edge = float(whole.max() if sign > 0 else whole.min())
        tolerance = max(0.3 * step, 1e-6 * abs(edge))
        share = float(np.mean(np.abs(whole - edge) <= tolerance))
        at_edge = float(np.mean(np.abs(spans - edge) <= tolerance))
        if max(share, at_edge) <= CLIPPED_SHARE:
            continue
        if share > CLIPPED_SHARE and _stands_still(front, supply, whole, edge, step):
            return CutOff(name, share, at_edge)
        if at_edge > CLIPPED_SHARE and _piles_up(front, supply, spans, edge, step):
            return CutOff(name, at_edge, at_edge)
    return NOT_CUT


def _piles_up(front: Front, supply: Supply, spans: Samples, edge: float, step: float) -> bool:
    """Whether far more of the cranking lies at its extreme than beside it, in a swing of many steps."""
    swing = spread_of(spans, 0.98, 0.02)
    tolerance = max(0.3 * step, 1e-6 * abs(edge))
    apart = np.abs(spans - edge)
    beside = float(np.mean((apart > tolerance) & (apart <= max(step, 0.01 * swing) + tolerance)))
    draws = abs(front.cranking.drop) if np.isfinite(front.cranking.drop) else abs(swing * supply.scale)
    if supply.named == "starter_current" and abs(edge * supply.scale) < NOTHING_FLOWS * draws:
        return False  # nothing flows while the key is let go between two tries
    return float(np.mean(apart <= tolerance)) > 6.0 * beside and swing > 12.0 * step


def _stands_still(front: Front, supply: Supply, whole: Samples, edge: float, step: float) -> bool:
    """Whether a share of the record lies at its extreme that an uncut signal would not keep so still."""
    tolerance = max(0.3 * step, 1e-6 * abs(edge))
    apart = np.abs(whole - edge)
    share = float(np.mean(apart <= tolerance))
    if step <= 0:  # nearly every value is a new one: noise of many steps, and the same value again and again
        near = 0.005 * float(np.ptp(whole))
        return share > STILL * float(np.mean((apart > tolerance) & (apart <= near)))
    outermost = abs(edge) >= float(np.abs(whole).max()) - tolerance
    volts = supply.named == "battery_voltage"
    level = abs(edge * supply.scale)
    # no screen ends at a battery's rest by its last code, but many a rest lies there by chance
    if outermost and last_code(edge, step) and not (volts and REST_V[0] < level < REST_V[1]):
        return True
    if share <= STILL * float(np.mean(np.abs(apart - step) <= tolerance)):
        return False
    noise = _noise_steps(supply, front, edge, step)
    if volts and _back_where_it_was(front, supply, edge, step):
        return True
    if not volts and not outermost:
        # a clamp's rest below zero: it was shifted, and stands too still for its noise
        return edge * supply.scale < -NOTHING_FLOWS * abs(front.cranking.drop) and noise > NOISY_REST_STEPS
    return outermost and noise > NOISY_STEPS


def _back_where_it_was(front: Front, supply: Supply, edge: float, step: float) -> bool:
    """Whether volts stand at the edge before and after the crank alike: a battery's come back slowly and not at once,
    by some tenths of what the crank took (common practice, no source)."""
    c = front.cranking
    if not c.spans or not abs(c.drop) > MANY_STEPS * step * abs(supply.scale):
        return False
    at_edge = np.abs(supply.raw - edge) <= max(0.3 * step, 1e-6 * abs(edge))
    factor = supply.raw_rate_hz / supply.rate_hz
    before = at_edge[: int(c.spans[0][0] * factor)]
    behind = at_edge[int(c.spans[-1][1] * factor) :]
    long = int(0.2 * supply.raw_rate_hz)
    return bool(before.size > long and behind.size > long and before.mean() > 0.5 and behind.mean() > 0.5)


def _noise_steps(supply: Supply, front: Front, edge: float, step: float) -> float:
    """Usual second difference of neighbouring samples while cranking (noise, no ripple) off the edge, in steps of the
    scope."""
    if step <= 0 or not front.cranking.spans:
        return 0.0
    begin = int(front.cranking.spans[0][0] * supply.raw_rate_hz / supply.rate_hz)
    piece = supply.raw[begin : begin + 4000]
    bend = np.abs(np.diff(piece, 2))
    bend = bend[np.isfinite(bend) & (np.abs(piece[1:-1] - edge) > 0.3 * step)]
    return middle_of(bend) / step if bend.size > 20 else 0.0


def _without_dropouts(x: Samples, some: bool) -> Samples:
    """Gaps and lost samples written as zero are no edge."""
    x = x[np.isfinite(x)]
    return x[np.abs(x) > 0.02 * abs(middle_of(x))] if some and x.size else x


def sentence(cut: CutOff) -> str:
    """What the technician is told, empty where nothing is cut off."""
    if not cut.edge:
        return ""
    if cut.other:
        return (
            f"The second supply channel is cut off at the screen's {cut.edge} for {100.0 * cut.share:.0f} % of the "
            "record, which does no harm to this reading: choose a larger range or shift the offset."
        )
    return (
        f"The supply channel is cut off at the screen's {cut.edge} for {100.0 * cut.share:.0f} % of the record: choose "
        "a larger range (20 V for a 12 V battery) or shift the offset."
    )
