"""Whether the screen cut the supply channel off, and how much of it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipelines.kinds.relative_compression.front import Front, raw_while_cranking
from pipelines.kinds.relative_compression.stretch import PLAUSIBLE_REST_V
from pipelines.kinds.relative_compression.values import last_code, middle_of, spread_of
from pipelines.waveform import Samples

CLIPPED_SHARE = 0.015
STILL = 10.0  # so many times the samples of the step beside it
NOISY_STEPS = 3.0  # noise of one standard deviation a step makes 1.65


class CutOff(NamedTuple):
    """On which edge of the screen the supply channel sits (empty: on none), and for which share: of the record or of
    its cranking, as the sign that tells it was looked for, and of the cranking."""

    edge: str
    share: float
    of_cranking: float


NOT_CUT = CutOff("", 0.0, 0.0)


def cut_off(front: Front) -> CutOff:
    """Whether the screen cut the supply channel off.

    Three signs: values pile up at the extreme in a swing of many steps; they reach the last code of a converter (a
    power of two of its steps, or one less); or the extreme stands dead still in a signal whose noise spans several
    steps.
    """
    supply = front.channels.supply
    if supply.off_screen:
        share = float(np.mean(~np.isfinite(supply.raw)))
        return CutOff("edge (the file holds nothing there)", share, share)
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
    step = front.step / abs(supply.scale)
    swing = spread_of(spans, 0.98, 0.02)
    for sign, name in ((1.0, "top"), (-1.0, "bottom")):
        edge = float(whole.max() if sign > 0 else whole.min())
        tolerance = max(0.3 * step, 1e-6 * abs(edge))
        apart, inside = np.abs(whole - edge), np.abs(spans - edge)
        share, at_edge = float(np.mean(apart <= tolerance)), float(np.mean(inside <= tolerance))
        if max(share, at_edge) <= CLIPPED_SHARE:
            continue
        outermost = abs(edge) >= float(np.abs(whole).max()) - tolerance
        if share > CLIPPED_SHARE and outermost:
            still = share > STILL * float(np.mean(np.abs(apart - step) <= tolerance))
            if last_code(edge, step) or (still and _noise_steps(front, step) > NOISY_STEPS):
                return CutOff(name, share, at_edge)
        width = max(step, 0.01 * swing)
        beside = float(np.mean((inside > tolerance) & (inside <= width + tolerance)))
        if at_edge > CLIPPED_SHARE and at_edge > 6.0 * beside and swing > 12.0 * step:
            return CutOff(name, at_edge, at_edge)
    return NOT_CUT


def _noise_steps(front: Front, step: float) -> float:
    """Usual second difference of neighbouring samples while cranking (noise, no ripple), in steps of the scope."""
    if step <= 0 or not front.cranking.spans:
        return 0.0
    supply = front.channels.supply
    begin = int(front.cranking.spans[0][0] * supply.raw_rate_hz / supply.rate_hz)
    bend = np.abs(np.diff(supply.raw[begin : begin + 2000], 2))
    bend = bend[np.isfinite(bend)]
    return middle_of(bend) / step if bend.size else 0.0


def _without_dropouts(x: Samples, some: bool) -> Samples:
    """Gaps and lost samples written as zero are no edge."""
    x = x[np.isfinite(x)]
    return x[np.abs(x) > 0.02 * abs(middle_of(x))] if some and x.size else x


def sentence(cut: CutOff) -> str:
    """What the technician is told, empty where nothing is cut off."""
    if not cut.edge:
        return ""
    return (
        f"The supply channel is cut off at the screen's {cut.edge} for {100.0 * cut.share:.0f} % of the record: choose "
        "a larger range (20 V for a 12 V battery) or shift the offset."
    )
