"""How long an engine cycle lasts, told from the ripple alone, and its phase where no sync pulse gives it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from pipelines.kinds.relative_compression.stretch import moving_mean
from pipelines.kinds.relative_compression.torque import torque_orders
from pipelines.kinds.relative_compression.values import Array, block_mean

COMB_HZ = 200.0
CANDIDATES = 3
LIKELY = 0.65  # of the best score: what a second look is worth for
SEGMENT_S = 3.2
FFT_SIZE = 2048
LONGEST_CYCLE_S = 2.7  # 44 rpm
SHORTEST_CYCLE_S = 0.2  # 600 rpm: nothing a starter turns goes faster
USUAL_MEMORY = 0.5  # of a starter, in cycles / 2 pi: what it damps the high orders by
ODD_ONE = 0.45  # one cylinder this much unlike the others puts as much into every order


@dataclass(frozen=True, slots=True)
class RippleSpectrum:
    """Amplitude of the ripple by frequency, shape (bins,), bin k at k * `step_hz`."""

    amplitude: Array
    step_hz: float


def firing_phasors(angles_deg: tuple[float, ...], orders: Array) -> Array:
    """Sum over the cylinders of exp(-2 pi i q angle / 720) for each order q (per 720 deg), complex."""
    turn = np.exp(-2j * np.pi * np.outer(orders, np.asarray(angles_deg)) / 720.0)
    return np.asarray(turn.sum(axis=1))


@lru_cache(maxsize=256)
def _comb(angles_deg: tuple[float, ...]) -> tuple[Array, Array]:
    """Orders and the amplitudes an engine (with one cylinder a little odd) has there, of unit length."""
    orders = np.arange(1.0, 2 * len(angles_deg) + 1)
    low, high, _ = torque_orders()
    one = np.abs(low + high)[1 : orders.size + 1] / np.hypot(1.0, USUAL_MEMORY * orders)
    height = one * (np.abs(firing_phasors(angles_deg, orders)) + ODD_ONE)
    return orders, height / np.linalg.norm(height)


def ripple_spectrum(load_down: Array, rate_hz: float, spans: tuple[tuple[int, int], ...]) -> RippleSpectrum:
    """Mean amplitude spectrum over half-overlapping windows of about 3 s within the cranking stretches."""
    step = max(1, round(rate_hz / COMB_HZ))
    rate = rate_hz / step
    power = np.zeros(FFT_SIZE // 2 + 1)
    for begin, end in spans:
        x = block_mean(load_down[begin:end], step)
        if x.size < 16:
            continue
        x = x - moving_mean(x, int(0.9 * rate))
        length = int(min(x.size, SEGMENT_S * rate, FFT_SIZE))
        starts = np.arange(0, x.size - length + 1, max(1, length // 2))
        windows = x[starts[:, None] + np.arange(length)] * np.hanning(length)
        power += (np.abs(np.fft.rfft(windows, FFT_SIZE)) ** 2).sum(axis=0) / length
    return RippleSpectrum(np.sqrt(power), rate / FFT_SIZE)


def comb_score(spectrum: RippleSpectrum, cycle_s: Array, angles_deg: tuple[float, ...]) -> Array:
    """How much ripple lies where an engine of these firing angles has it, for each cycle length; same shape."""
    orders, height = _comb(angles_deg)
    at = orders / (np.asarray(cycle_s, dtype=np.float64)[..., None] * spectrum.step_hz)
    # between even bins a straight line by index is several times as fast as numpy's search for the bin
    last = spectrum.amplitude.size - 1
    below = np.minimum(at.astype(np.int64), last - 1)
    amplitude = spectrum.amplitude
    found = amplitude[below] + (amplitude[below + 1] - amplitude[below]) * (at - below)
    return np.asarray(np.where(at <= last, found, 0.0) @ height)


def cycles_from_ripple(spectrum: RippleSpectrum, angles_deg: tuple[float, ...]) -> list[tuple[float, float]]:
    """The most likely cycle lengths in s with their comb scores, best first, at most `CANDIDATES`."""
    lengths = np.geomspace(SHORTEST_CYCLE_S, LONGEST_CYCLE_S, 480)
    score = comb_score(spectrum, lengths, angles_deg)
    peaks = np.flatnonzero((score[1:-1] >= score[:-2]) & (score[1:-1] >= score[2:])) + 1
    if peaks.size == 0:
        peaks = np.array([int(np.argmax(score))])
    ordered = peaks[np.argsort(score[peaks])[::-1]]
    likely = [i for i in ordered if score[i] >= LIKELY * score[ordered[0]]][:CANDIDATES]
    return [(float(lengths[i]), max(float(score[i]), 1e-12)) for i in likely]


def track_cycles(
    load_down: Array, rate_hz: float, span: tuple[int, int], cycle_s: float, angles_deg: tuple[float, ...]
) -> tuple[Array, Array]:
    """Follow the firing ripple's phase through a stretch without sync.

    The strongest order of a healthy engine is mixed down to zero and smoothed, first over two firings to follow
    the speed, then over a whole cycle so that unlike cylinders cannot shift the phase.

    Returns:
        Times in s from sample 0 of `load_down`, and engine cycles passed since the first of them.
    """
    step = max(1, round(rate_hz / COMB_HZ))
    rate = rate_hz / step
    x = block_mean(load_down[span[0] : span[1]], step)
    x = x - moving_mean(x, int(cycle_s * rate))
    time_s = span[0] / rate_hz + (np.arange(x.size) + 0.5) / rate
    orders, height = _comb(angles_deg)
    order = float(orders[int(np.argmax(height[: len(angles_deg)]))])
    cycles = (time_s - time_s[0]) / cycle_s
    widths = (2.2 / order, 1.0, 1.0)
    for width in widths:
        mixed = x * np.exp(-2j * np.pi * order * cycles)
        samples = max(3, int(width * cycle_s * rate))
        smooth = moving_mean(moving_mean(mixed, samples), samples)
        phase = np.unwrap(np.angle(smooth)) / (2.0 * np.pi * order)
        if width < 1.0:
            phase = moving_mean(phase, int(cycle_s * rate))
        cycles = cycles + phase
    return np.asarray(time_s), np.asarray(np.maximum.accumulate(cycles - cycles[0]))
