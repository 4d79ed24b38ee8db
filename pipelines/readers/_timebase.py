"""From a printed time column to a sample rate and an even grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.errors import UnreadableFile
from pipelines.waveform import MAX_DURATION_S

Times = npt.NDArray[np.float64]
# More grid points than this and the "gap" is no gap but a wrong time column.
MAX_STRETCH = 20
# A sample may sit so far from its place on the even grid, in steps, before the axis counts as uneven.
PLACE_STEPS = 0.4
# Stamps may stray so far from an even grid, in steps, and still be the jitter of a clock.
JITTER_STEPS = 0.35
FIRST_FIT = 64
# Printed digits coarser than this, in steps, and the rate comes from all samples instead of the ends.
COARSE_STEPS = 0.05
# Steps over which the usual step is taken where digits are few.
BLOCK = 64


@dataclass(frozen=True, slots=True)
class Timebase:
    """An even grid for the samples.

    Attributes:
        rate_hz: samples a second.
        start_s: time of the first sample.
        index: grid place of each sample, shape (samples,); None where that is 0, 1, 2, …
        notes: what had to be decided, in sentences.
    """

    rate_hz: float
    start_s: float
    index: npt.NDArray[np.int64] | None = None
    notes: tuple[str, ...] = ()


def timebase(time_s: Times, last_place_s: float, first_line: int) -> Timebase:
    """The even grid behind a printed time column.

    The rate is (samples - 1) / (last - first) where every sample lies within its rounding and
    0.4 steps of that grid; else the usual step is found and longer steps count as gaps.

    Args:
        time_s: finite times in s, shape (samples,), at least 2.
        last_place_s: one unit in the last printed place, in s.
        first_line: line number of the first sample, for messages.

    Raises:
        UnreadableFile: when time stands still, runs backwards, or is not evenly sampled.
    """
    count = time_s.size
    span_s = float(time_s[-1] - time_s[0])
    step_s = span_s / (count - 1)
    steps_s = np.diff(time_s)
    if span_s > 0 and _is_even(time_s, steps_s, step_s, last_place_s):
        if last_place_s > COARSE_STEPS * step_s:
            step_s, start_s = _line(time_s)
            return Timebase(1.0 / step_s, start_s)
        return Timebase((count - 1) / span_s, float(time_s[0]))
    back = np.flatnonzero(steps_s < -1.01 * last_place_s)
    if back.size:
        line = first_line + int(back[0]) + 1
        raise UnreadableFile(
            f"Time runs backwards at line {line}; two records seem to be pasted together. "
            "Save each record as a file of its own."
        )
    if span_s <= 0 or step_s <= 0.02 * last_place_s:
        raise UnreadableFile(
            "The time column hardly moves: it is printed with too few digits. Export it with more digits, "
            "or with the sample interval above the table."
        )
    jittered = _jittered(time_s, steps_s, last_place_s)
    return jittered or _with_gaps(time_s, steps_s, last_place_s)


def _is_even(time_s: Times, steps_s: Times, step_s: float, last_place_s: float) -> bool:
    """Whether every sample lies where an even grid from first to last puts it, and none is missing."""
    if step_s < 0.02 * last_place_s:
        return False
    if last_place_s < 0.25 * step_s and (steps_s.max() > 1.5 * step_s or steps_s.min() < 0.5 * step_s):
        return False  # one missing row alone would hide within the tolerance below
    off_s = time_s - time_s[0]
    off_s -= np.arange(time_s.size, dtype=np.float64) * step_s
    return bool(max(off_s.max(), -off_s.min()) <= last_place_s + PLACE_STEPS * step_s)


def _line(time_s: Times) -> tuple[float, float]:
    """Step and start of the least-squares line through (sample number, time).

    Two rounded ends would leave the rate uncertain by a digit over the whole span; all samples together
    do better, by about the square root of their number.
    """
    return _line_through(np.arange(time_s.size, dtype=np.float64), time_s)


def _line_through(place: Times, time_s: Times) -> tuple[float, float]:
    """Step and start of the least-squares line through (place, time), summed up without linear algebra's threads.

    Their number would change the last digit, and with it the name of the stored copy (see `waveforms.digest`).
    """
    middle = float(place.mean())
    away = place - middle
    step_s = float((away * (time_s - time_s[0])).sum()) / float((away * away).sum())
    return step_s, float(time_s.mean()) - step_s * middle


def _jittered(time_s: Times, steps_s: Times, last_place_s: float) -> Timebase | None:
    """The grid behind stamps that stray from it by up to 0.35 steps, rows missing or not; None where there is none.

    Two stamps that stray apart make a step look like one and a half, so single steps say little: a line through the
    stamps (least squares on their places) is grown from the first few to all of them, and tells each one's place.
    """
    count = time_s.size
    inner = steps_s[steps_s > 0]
    if count < FIRST_FIT or inner.size < count - 1 or last_place_s > 0.25 * float(np.median(inner)):
        return None
    # the median over a few steps at once: a missing row hits few of them, jitter averages out
    step_s = float(np.median(time_s[8:] - time_s[:-8])) / 8.0
    if np.median(np.abs(steps_s - step_s)) < 0.05 * step_s:
        return None  # even but for gaps
    start_s, taken = float(time_s[0]), FIRST_FIT
    while True:
        for _ in range(2):
            place = np.rint((time_s[:taken] - start_s) / step_s)
            step_s, start_s = _line_through(place, time_s[:taken])
        if taken == count:
            break
        taken = min(2 * taken, count)
    place = np.rint((time_s - start_s) / step_s)
    strays = np.abs(time_s - start_s - place * step_s) / step_s
    index = (place - place[0]).astype(np.int64)
    length = int(index[-1]) + 1
    if (
        strays.max() > JITTER_STEPS + last_place_s / step_s
        or np.diff(index).min() < 1
        or length > 1.5 * count
    ):
        return None
    missing = length - count
    note = (
        f"The time stamps stray by up to {100.0 * strays.max():.0f} % of a step from an even grid, as from a clock "
        "that jitters; each sample was put at its place on the grid."
        + (f" {missing} missing samples were left empty." if missing else "")
    )
    return Timebase(1.0 / step_s, start_s + float(place[0]) * step_s, index if missing else None, (note,))


def _with_gaps(time_s: Times, steps_s: Times, last_place_s: float) -> Timebase:
    count = time_s.size
    step_s = float(np.median(steps_s))
    if step_s < 4 * last_place_s and count > 4 * BLOCK:
        step_s = float(np.median(time_s[BLOCK:] - time_s[:-BLOCK])) / BLOCK
    if step_s <= 0:
        raise UnreadableFile(
            "Many samples carry the same time; export the time column with more digits, "
            "or with the sample interval above the table."
        )
    gaps = np.flatnonzero(steps_s > 1.5 * step_s + last_place_s)
    inside = np.ones(count - 1, dtype=bool)
    inside[gaps] = False
    if last_place_s > COARSE_STEPS * step_s:
        edges = np.concatenate([[0], gaps + 1, [count]])
        longest = int(np.argmax(np.diff(edges)))
        step_s = _line(time_s[edges[longest] : edges[longest + 1]])[0]
    else:
        step_s = float(steps_s[inside].sum() / max(1, inside.sum()))  # from all the even stretches together
    grid_steps = np.ones(count - 1, dtype=np.int64)
    grid_steps[gaps] = np.maximum(1, np.rint(steps_s[gaps] / step_s)).astype(np.int64)
    length = int(grid_steps.sum()) + 1
    uneven = np.abs(steps_s[inside] - step_s) > 0.5 * step_s + 1.01 * last_place_s
    if not gaps.size or uneven.mean() > 0.001 or gaps.size > 0.2 * count:
        shortest, longest = np.percentile(steps_s, [1, 99])
        raise UnreadableFile(
            f"The samples are not evenly spaced (steps from {shortest:.3g} s to {longest:.3g} s); "
            "save the capture with a fixed sample interval."
        )
    if length > MAX_STRETCH * count or length * step_s > MAX_DURATION_S:
        raise UnreadableFile(
            f"The time column leaps: {length * step_s:.3g} s from first to last sample, but only "
            f"{count * step_s:.3g} s of samples. Save the stretch that matters as one record."
        )
    index = np.concatenate([[0], np.cumsum(grid_steps)]).astype(np.int64)
    largest = int(grid_steps.max()) - 1
    note = (
        f"The time column has {gaps.size} gap{'s' if gaps.size > 1 else ''} (the longest of {largest} samples, "
        f"{largest * step_s:.3g} s); the missing samples were left empty."
    )
    return Timebase(1.0 / step_s, float(time_s[0]), index, (note,))
