"""The pump's turning followed through the record: the strongest line of the ripple, then its phase.

The line is followed from spectrum to spectrum (short windows), then its phase is measured by mixing it down and
averaging over about two turns. Nothing here knows yet how many bars or humps a turn has: that is `bars`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft, rfftfreq

from pipelines.kinds.fuel_pump_current.signals import Floats, moving_mean

WINDOW_S = 0.08
LOWEST_HZ, HIGHEST_HZ = 70.0, 6000.0
DRIFT_PER_HOP, DRIFT_HZ = 0.03, 12.0
PROMINENT = 25.0  # a line's power over its spectrum's median power
SLOW_S = 0.02
BEATS, FEWEST_THINNED = 16.0, 64
BLOCK_S, QUIET, FALLEN = 0.008, 0.2, 0.45


@dataclass(frozen=True, slots=True)
class Track:
    """One line followed: `first` to `last` (samples of the trace), and its phase in cycles at each of them."""

    first: int
    last: int
    cycles: Floats

    @property
    def count(self) -> float:
        """Cycles of the line in the stretch."""
        return float(self.cycles[-1] - self.cycles[0]) if len(self.cycles) else 0.0


def flatten(amps: Floats, rate_hz: float) -> Floats:
    """The ripple without its slow course, its extremes held in, so that one open bar does not drown the others."""
    ripple = amps - moving_mean(amps, int(SLOW_S * rate_hz) | 1)
    size = 1.4826 * float(np.median(np.abs(ripple))) + 1e-12
    return np.clip(ripple, -2.5 * size, 2.5 * size)


@dataclass(frozen=True, slots=True)
class Spectra:
    """Power by window and frequency: `power` has shape (windows, lines); `centre` in samples, `hz` by line."""

    power: Floats
    centre: npt.NDArray[np.int64]
    hz: Floats


def spectra(flat: Floats, rate_hz: float) -> Spectra:
    """Short spectra half a window apart."""
    size = min(int(WINDOW_S * rate_hz), len(flat))
    hop = max(1, size // 2)
    starts = np.arange(0, len(flat) - size + 1, hop)
    window = np.hanning(size + 2)[1:-1].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(flat.astype(np.float32), size)[starts]
    padded = 1 << int(np.ceil(np.log2(2 * size)))
    lines = rfft(frames * window, padded, axis=1)
    hz = rfftfreq(padded, 1 / rate_hz)
    band = (hz >= LOWEST_HZ) & (hz <= min(HIGHEST_HZ, 0.48 * rate_hz))
    part = lines[:, band].astype(np.complex128)
    power = (part.real**2 + part.imag**2) * hz[band]
    return Spectra(power, starts + size // 2, np.asarray(hz[band], dtype=np.float64))


@dataclass(frozen=True, slots=True)
class Course:
    """A line's way through the windows: first and last sample, window centres (samples), frequency there (Hz)."""

    first: int
    last: int
    centre: Floats
    hz: Floats


def running(amps: Floats, flat: Floats, rate_hz: float) -> npt.NDArray[np.bool_]:
    """Where the pump runs, by sample: there is ripple, and the current has not fallen by more than half.

    `amps` is the current, `flat` its flattened ripple.
    """
    block = max(1, int(BLOCK_S * rate_hz))
    whole = len(flat) // block
    if whole < 4:
        return np.ones(len(flat), dtype=bool)
    size = np.sqrt(np.mean(flat[: whole * block].reshape(whole, block) ** 2, axis=1))
    on = size > QUIET * float(np.quantile(size, 0.7))
    level = amps[: whole * block].reshape(whole, block).mean(axis=1)
    usual = float(np.median(level[on])) if on.any() else 0.0
    # an input that blocks d.c. shows a level near nothing, which tells nothing
    if on.any() and abs(usual) > 1.5 * float(np.median(size[on])):
        on &= level * np.sign(usual) > FALLEN * abs(usual)
    return np.asarray(np.append(np.repeat(on, block), np.full(len(flat) - whole * block, on[-1])))


def courses(found: Spectra, on: npt.NDArray[np.bool_], size: int, length: int, most: int = 4) -> list[Course]:
    """The lines that can be followed, the strongest first; empty where no window holds a prominent line.

    `on` says where the pump runs (`running`), `size` is the window in samples, `length` the record.
    """
    power, hz = found.power, found.hz
    if power.size == 0 or power.shape[1] < 8:
        return []
    top = power.max(axis=1)
    usable = (top > PROMINENT * np.median(power, axis=1)) & (top > 0.02 * np.median(top))
    off = np.concatenate([[0], np.cumsum(~on)])
    begins = found.centre - size // 2
    usable &= off[np.minimum(begins + size, length)] - off[begins] < 0.1 * size
    if not usable.any():
        return []
    first = _longest(power, hz, usable)
    if first is None:
        return []
    low, high, _ = first
    middle = low + int(np.argmax(top[low : high + 1]))
    row = power[middle]
    inner = row[1:-1]
    peaks = 1 + np.flatnonzero((inner > row[:-2]) & (inner >= row[2:]) & (inner > 5 * np.median(row)))
    peaks = peaks[np.argsort(-row[peaks])][:most]
    result = []
    for peak in peaks.tolist():
        a, b, course = _grow(power, hz, usable, middle, peak)
        start = 0 if a == 0 else int(found.centre[a] - size // 4)
        stop = length if b == len(power) - 1 else int(found.centre[b] + size // 4)
        inside = start + np.flatnonzero(on[start:stop])
        start, stop = int(inside[0]), int(inside[-1]) + 1
        result.append(Course(start, stop, found.centre[a : b + 1].astype(float), np.asarray(course)))
    return result


def _longest(power: Floats, hz: Floats, usable: npt.NDArray[np.bool_]) -> tuple[int, int, list[float]] | None:
    """The longest stretch through which a strongest line can be followed."""
    top = power.max(axis=1)
    best: tuple[int, int, list[float]] | None = None
    free = usable.copy()
    while free.any():
        seed = int(np.argmax(np.where(free, top, -1)))
        found = _grow(power, hz, usable, seed, int(np.argmax(power[seed])))
        free[found[0] : found[1] + 1] = False
        if best is None or found[1] - found[0] > best[1] - best[0]:
            best = found
    return best


def _grow(
    power: Floats, hz: Floats, usable: npt.NDArray[np.bool_], seed: int, line: int
) -> tuple[int, int, list[float]]:
    """Follow the peak `line` of window `seed` to both sides: first and last window, frequency by window."""
    start = _peak(power[seed], hz, line)
    course = [start]
    ends = []
    apart_hz = float(hz[1] - hz[0])
    for way in (1, -1):
        at, now = seed, start
        while 0 <= at + way < len(power) and usable[at + way]:
            reach_hz = max(DRIFT_PER_HOP * now, DRIFT_HZ)
            low = max(0, int(np.floor((now - reach_hz - hz[0]) / apart_hz)) + 1)
            high = min(len(hz), int(np.ceil((now + reach_hz - hz[0]) / apart_hz)))
            row = power[at + way]
            top = low + int(np.argmax(row[low:high])) if high > low else 0
            if not _is_peak(row, top) or row[top] < 0.02 * row.max():
                break
            at, now = at + way, _peak(row, hz, top)
            course.insert(len(course) if way == 1 else 0, now)
        ends.append(at)
    return ends[1], ends[0], course


def _is_peak(row: Floats, top: int) -> bool:
    """Whether a line stands above both its neighbours."""
    if not 0 < top < len(row) - 1:
        return False
    below, here, above = row[top - 1 : top + 2].tolist()
    return bool(here >= below and here >= above)


def _peak(row: Floats, hz: Floats, top: int) -> float:
    """Frequency of a peak by a parabola through the logarithms of three lines."""
    if not 0 < top < len(row) - 1:
        return float(hz[top])
    a, b, c = (log(one + 1e-30) for one in row[top - 1 : top + 2].tolist())
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float(hz[top] + shift * (hz[1] - hz[0]))


def phase(flat: Floats, rate_hz: float, course: Course, smooth_s: float) -> Track:
    """Phase of the line along its course, averaged over `smooth_s` twice.

    The line is mixed down at `BEATS` samples a beat or more, for its phase needs no more; what was mixed down is slow:
    it is averaged by blocks of an eighth of `smooth_s` before it is smoothed.
    """
    every = max(1, int(rate_hz / (BEATS * float(course.hz.max()))))
    every = max(1, min(every, (course.last - course.first) // FEWEST_THINNED))
    part = flat[course.first : course.last]
    part = part[: len(part) // every * every]
    thin = part.reshape(-1, every).mean(axis=1) if every > 1 else part
    at = (np.arange(len(thin)) + 0.5) * every - 0.5
    rough = np.cumsum(np.interp(course.first + at, course.centre, course.hz)) * (every / rate_hz)
    block = max(1, min(int(smooth_s * rate_hz / every / 8.0), len(thin) // 4))
    used = len(thin) // block * block
    # single precision is ample for a phase within a turn
    turn = (2.0 * np.pi * (rough[:used] % 1.0)).astype(np.float32)
    real, imaginary = (
        (thin[:used] * one).reshape(-1, block).mean(axis=1) for one in (np.cos(turn), np.sin(turn))
    )
    coarse = real - 1j * imaginary
    width = round(smooth_s * rate_hz / every / block) | 1
    for _ in range(2):
        coarse = moving_mean(coarse, width)
    turned = np.unwrap(np.angle(coarse)) / (2 * np.pi)
    middle = (np.arange(len(coarse)) + 0.5) * block - 0.5
    cycles = rough + np.interp(np.arange(len(thin)), middle, turned)
    if every == 1:
        return Track(course.first, course.last, cycles)
    # up to a block and a half is left at an end: the line goes on as it came
    ends = cycles[0] - 2.0 * (cycles[1] - cycles[0]), cycles[-1] + 2.0 * (cycles[-1] - cycles[-2])
    at, cycles = np.r_[at[0] - 2 * every, at, at[-1] + 2 * every], np.r_[ends[0], cycles, ends[1]]
    return Track(course.first, course.last, np.interp(np.arange(course.last - course.first), at, cycles))
