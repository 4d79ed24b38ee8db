"""Switching on and off: the level of no current, the peak, how long the pump takes to run up, and the polarity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.kinds.fuel_pump_current.signals import Floats, Trace, moving_mean

BLOCK_S = 0.002
SETTLED_PART = 0.1


@dataclass(frozen=True, slots=True)
class Startup:
    """What switching on or off shows.

    Attributes:
        seen: whether the pump is switched on within the record.
        stopped: whether it is switched off within the record.
        no_current_a: level at no current in A, as recorded; NaN where no such stretch is on the record.
        polarity: +1 or -1 as switching shows it, 0 where it does not.
        peak_a: start-up peak above `no_current_a`, in A; NaN where not seen.
        run_up_s: from switching on until nine tenths of the peak's excess are gone, in s; NaN where not seen.
        on_s: time of switching on, from the record's first sample; NaN where not seen.
        sagging: share of the running level that is lost between run-up and the end (an input that blocks d.c.).
    """

    seen: bool
    stopped: bool
    no_current_a: float
    polarity: int
    peak_a: float
    run_up_s: float
    on_s: float
    sagging: float


def find_startup(trace: Trace, first: int, last: int) -> Startup:
    """Look before and after the steady stretch `first` to `last` (samples) for the pump at rest."""
    block = max(1, int(BLOCK_S * trace.rate_hz))
    amps = trace.amps
    running = float(np.median(amps[first:last]))
    ripple = float(np.quantile(np.abs(amps[first:last] - running), 0.9))
    noise = float("nan")
    onset = _onset(amps, first, last, block, ripple)
    rest = amps[: max(onset - block, 1)] if onset else np.empty(0)
    offset = _offset(amps, last, block, ripple)
    after = amps[offset + block :] if offset else np.empty(0)
    off = noise
    if len(rest) >= block:
        off = float(np.median(rest))
    elif len(after) >= 2 * block:
        off = float(np.median(after[len(after) // 2 :]))
    sign = 0
    peak, run_up, on, sag = noise, noise, noise, 0.0
    if onset:
        early = amps[onset : min(last, onset + int(0.5 * trace.rate_hz))]
        swing = (
            early - off
            if np.isfinite(off)
            else early - float(np.median(amps[:onset] if onset > 2 else early[:1]))
        )
        sign = 1 if swing[np.argmax(np.abs(swing))] > 0 else -1
        peak = float(np.max(swing * sign))
        run_up, sag = _run_up(
            swing * sign, sign * (running - (off if np.isfinite(off) else 0.0)), peak, trace.rate_hz
        )
        on = onset / trace.rate_hz
        tail = amps[max(first, last - int(0.1 * trace.rate_hz)) : last]
        sag = sign * (float(np.median(tail)) - off) / peak if np.isfinite(off) and peak > 0 else 0.0
    elif len(after):
        sign = 1 if running > off else -1
    return Startup(onset > 0, offset > 0, off, sign, peak, run_up, on, sag)


def _onset(amps: Floats, first: int, last: int, block: int, ripple: float) -> int:
    """Sample at which the current is switched on before the steady stretch; 0 where it is not."""
    stop = min(first + int(0.25 * (last - first)), len(amps))
    means = amps[: stop // block * block].reshape(-1, block).mean(axis=1)
    if len(means) < 8:
        return 0
    jump = np.abs(means[3:] - means[:-3])
    at = int(np.argmax(jump))
    before = amps[: max((at + 1) * block, 1)]
    quiet = float(np.std(before[: max(len(before) - block, 1)]))
    if jump[at] < 4 * ripple or quiet > 0.25 * jump[at]:
        return 0
    level = float(np.median(before))
    fine = np.abs(amps[at * block : (at + 5) * block] - level) > 0.2 * jump[at]
    return at * block + int(np.argmax(fine)) if fine.any() else 0


def _offset(amps: Floats, last: int, block: int, ripple: float) -> int:
    """Sample after the steady stretch where the current is switched off; 0 where it is not."""
    begin = max(0, last - 20 * block)
    rest = amps[begin:]
    means = rest[: len(rest) // block * block].reshape(-1, block).mean(axis=1)
    if len(means) < 8:
        return 0
    jump = np.abs(means[2:] - means[:-2])
    at = int(np.argmax(jump))
    after = amps[begin + (at + 2) * block :]
    if len(after) < 2 * block or jump[at] < 2 * ripple or np.std(after[len(after) // 2 :]) > 0.25 * jump[at]:
        return 0
    return begin + (at + 2) * block


def _run_up(swing: Floats, running: float, peak: float, rate_hz: float) -> tuple[float, float]:
    """Time until the smoothed current has lost all but a tenth of the peak's excess over the running level, in s."""
    smooth = moving_mean(swing, int(0.01 * rate_hz) | 1)
    top = int(np.argmax(swing))
    below = np.flatnonzero(smooth[top:] < running + SETTLED_PART * (peak - running))
    return (float(top + below[0]) / rate_hz if len(below) else float("nan")), 0.0
