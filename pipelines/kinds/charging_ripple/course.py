"""A line of the ripple followed through the record, and its phase."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.fft import next_fast_len, rfft, rfftfreq
from scipy.ndimage import uniform_filter1d

from pipelines.kinds.charging_ripple.signals import Floats

WINDOW_S = 0.024
LOWEST_HZ, HIGHEST_HZ = 110.0, 10_000.0
DRIFT_PER_HOP, DRIFT_HZ = 0.04, 45.0
PROMINENT = 12.0
MOST_LINES = 8
MOST_PARTS = 6
NEAR_HZ, NEAR_SHARE, FINER = 7.0, 0.003, 0.2


Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Course:
    """A line's way: first and last sample, window centres (samples), frequency there (Hz).

    `multiple`: how many times the spacing of the strong lines it is.
    """

    first: int
    last: int
    centre: Floats
    hz: Floats
    multiple: int

    @property
    def mean_hz(self) -> float:
        """Mean frequency."""
        return float(self.hz.mean())


def find_course(flat: Floats, rate_hz: float) -> Course | None:
    """The strongest line that can be followed; None where no window holds a prominent one.

    `flat` has shape (samples,).
    """
    size = min(int(WINDOW_S * rate_hz), len(flat))
    hop = max(1, size // 2)
    starts = np.arange(0, len(flat) - size + 1, hop)
    frames = np.lib.stride_tricks.sliding_window_view(flat, size)[starts]
    padded = next_fast_len(2 * size, real=True)
    hz = rfftfreq(padded, 1 / rate_hz)
    band = (hz >= LOWEST_HZ) & (hz <= min(HIGHEST_HZ, 0.48 * rate_hz))
    if np.count_nonzero(band) < 8:
        return None
    lines = rfft(frames * np.hanning(size + 2)[1:-1], padded, axis=1)[:, band]
    power = (lines.real**2 + lines.imag**2) * hz[band]
    return _follow(power, np.asarray(hz[band]), (starts + size // 2).astype(float), size, len(flat))


def _follow(power: Floats, hz: Floats, centre: Floats, size: int, length: int) -> Course | None:
    top = power.max(axis=1)
    usable = (top > PROMINENT * np.median(power[:, ::4], axis=1)) & (top > 0.02 * np.median(top))
    if not usable.any():
        return None
    low, high = _longest(usable)
    middle = low + int(np.argmax(top[low : high + 1]))
    row = power[middle]
    inner = row[1:-1]
    peaks = 1 + np.flatnonzero((inner > row[:-2]) & (inner >= row[2:]) & (inner > 8 * np.median(row[::4])))
    if not len(peaks):
        return None
    peaks = peaks[np.argsort(-row[peaks])][:MOST_LINES]
    found = np.array([_peak(row, hz, at) for at in peaks.tolist()])
    weight = np.sqrt(row[peaks] / row[peaks[0]])
    follow, multiple = spacing(found, weight)
    a, b, hertz = _grow(power, hz, usable, middle, int(peaks[follow]))
    start = 0 if a == 0 else int(centre[a] - size // 4)
    stop = length if b == len(power) - 1 else int(centre[b] + size // 4)
    return Course(start, stop, centre[a : b + 1].astype(float), np.asarray(hertz), multiple)


def spacing(hz: Floats, weight: Floats) -> tuple[int, int]:
    """The coarsest spacing that holds the strong lines: which line to follow, and which multiple of it that is.

    `hz` and `weight` have shape (lines,), the strongest line first; the strongest on the comb is the one to follow.
    """
    best, found = (-9.0, 0.0), (0, 1)
    near_hz = NEAR_HZ + NEAR_SHARE * hz
    for line, parts in ((at, n) for at in range(min(3, len(hz))) for n in range(1, MOST_PARTS + 1)):
        step = hz[line] / parts
        if step < LOWEST_HZ:
            continue
        near = np.rint(hz / step)
        on = (np.abs(hz - near * step) < near_hz) & (near >= 1)
        # a finer comb meets more lines by chance
        chance = np.minimum(1.0, 2.0 * near_hz / step)
        worth = float(weight @ (on - chance)) - FINER * abs(float(np.log(hz[0] / step)))
        if (worth, step) > best:
            first = int(np.argmax(on))
            best, found = (worth, float(step)), (first, int(near[first]))
    return found


def _longest(usable: Flags) -> tuple[int, int]:
    """First and last of the longest run of usable windows."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], usable, [False]]).astype(int)))
    runs = edge.reshape(-1, 2)
    begin, end = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    return int(begin), int(end) - 1


def _grow(power: Floats, hz: Floats, usable: Flags, seed: int, line: int) -> tuple[int, int, list[float]]:
    """Follow the peak `line` of window `seed` to both sides: first and last window, frequency by window."""
    start = _peak(power[seed], hz, line)
    course, ends = [start], []
    spacing = float(hz[1] - hz[0])
    for way in (1, -1):
        at, now = seed, start
        while 0 <= at + way < len(power) and usable[at + way]:
            reach = max(DRIFT_PER_HOP * now, DRIFT_HZ)
            low = max(1, int((now - reach - hz[0]) / spacing))
            high = min(len(hz) - 1, int((now + reach - hz[0]) / spacing) + 2)
            row = power[at + way]
            if high - low < 2:
                break
            top = low + int(np.argmax(row[low:high]))
            if row[top] < 0.002 * row.max():
                break
            at, now = at + way, _peak(row, hz, top)
            course.insert(len(course) if way == 1 else 0, now)
        ends.append(at)
    return ends[1], ends[0], course


def _peak(row: Floats, hz: Floats, top: int) -> float:
    """Frequency of a peak by a parabola through the logarithms of three lines."""
    if not 0 < top < len(row) - 1:
        return float(hz[top])
    a, b, c = np.log(row[top - 1 : top + 2] + 1e-30)
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float(hz[top] + min(1.0, max(-1.0, shift)) * (hz[1] - hz[0]))


def phase(flat: Floats, rate_hz: float, course: Course, smooth_s: float) -> Floats:
    """Phase of the line in cycles at each sample of its course."""
    index = np.arange(course.first, course.last)
    rough = np.cumsum(np.interp(index, course.centre, course.hz)) / rate_hz
    return locked(flat[course.first : course.last], rough, 1, rate_hz, smooth_s)


def locked(flat: Floats, cycles: Floats, order: int, rate_hz: float, smooth_s: float) -> Floats:
    """`cycles` (one for each of `flat`) set right by the phase of their `order`th line, averaged over `smooth_s` twice.

    Averaging over one turn of the electrical cycle takes away exactly the other lines of its comb.
    """
    # single precision is ample for a phase within a turn
    turn = (2.0 * np.pi * (order * cycles % 1.0)).astype(np.float32)
    block = max(1, min(int(smooth_s * rate_hz / 8.0), len(flat) // 4))
    used = len(flat) // block * block
    real, imaginary = (
        (flat[:used] * part).reshape(-1, block).mean(axis=1)
        for part in (np.cos(turn[:used]), np.sin(turn[:used]))
    )
    coarse = real - 1j * imaginary
    width = min(round(smooth_s * rate_hz / block) | 1, 2 * (len(coarse) // 2) - 1)
    for _ in range(2):
        coarse = uniform_filter1d(coarse.real, width) + 1j * uniform_filter1d(coarse.imag, width)
    turned = np.unwrap(np.angle(coarse)) / (2 * np.pi * order)
    middle = (np.arange(len(coarse)) + 0.5) * block - 0.5
    return np.asarray(np.maximum.accumulate(cycles + np.interp(np.arange(len(flat)), middle, turned)))
