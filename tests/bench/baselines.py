"""Two simple ways of reading a cranking capture, kept as named baselines for accuracy and speed.

They trust the hookup, know nothing of polarity, gaps, exchanged channels or an engine that starts, and give
what a practitioner's notebook would: that is their point. Neither is part of the shipped reader.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, find_peaks, sosfiltfilt

from pipelines.kinds.base import ElementReading, EngineFamily, Events, Hookup, Identified, Reading
from pipelines.waveform import Waveform

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Crank:
    """The ripple with events pointing down over the crank, its times, and the sync pulses."""

    time_s: Array
    ripple: Array
    pulses_s: Array
    cycle_s: float


def _channel(waveform: Waveform, hookup: Hookup, names: tuple[str, ...]) -> Array | None:
    for i, signal in enumerate(hookup.signals[: waveform.channels]):
        if signal in names:
            values = waveform.samples[i].astype(np.float64) * hookup.scales[i]
            good = np.isfinite(values)
            if not good.any():
                return None
            at = np.arange(values.size)
            return np.asarray(np.interp(at, at[good], values[good]))
    return None


def _pulses(sync: Array, rate: float) -> Array:
    """Rising passes of the half height, those within 60 ms of the one before left out."""
    level = 0.5 * (sync.max() + np.median(sync))
    if sync.max() - np.median(sync) < 2.0:
        return np.empty(0)
    edges = np.flatnonzero((sync[1:] >= level) & (sync[:-1] < level)) + 1
    kept: list[int] = []
    for edge in edges.tolist():
        if not kept or edge - kept[-1] > 0.06 * rate:
            kept.append(edge)
    return np.array(kept) / rate


def _prepare(waveform: Waveform, hookup: Hookup, family: EngineFamily, corner_hz: float) -> _Crank | None:
    down = 1.0
    volts = _channel(waveform, hookup, ("battery_voltage",))
    if volts is None:
        volts, down = _channel(waveform, hookup, ("starter_current",)), -1.0
    if volts is None:
        return None
    rate = waveform.rate_hz
    smooth = sosfiltfilt(butter(2, min(corner_hz, 0.4 * rate), fs=rate, output="sos"), down * volts)
    sync = _channel(waveform, hookup, ("ignition_primary", "ignition_pickup"))
    pulses = _pulses(sync, rate) if sync is not None else np.empty(0)
    per_cycle = {"coil_on_plug": 1, "waste_spark": 2, "distributor": family.cylinders}[family.sync_kind]
    # Cranking: where the voltage sits below the middle between its median at rest and its usual low.
    top, low = np.quantile(smooth, 0.98), np.quantile(smooth, 0.05)
    inside = np.flatnonzero(smooth < top - 0.25 * (top - low))
    if inside.size < 0.5 * rate:
        return None
    first, last = int(inside[0] + 0.4 * rate), int(inside[-1])
    if last - first < 0.5 * rate:
        return None
    time = np.arange(first, last) / rate
    ripple = smooth[first:last]
    pulses = pulses[(pulses > time[0]) & (pulses < time[-1])]
    if pulses.size >= 3:
        cycle = float(np.median(np.diff(pulses))) * per_cycle
    else:
        free = ripple - ripple.mean()
        spectrum = np.abs(np.fft.rfft(free * np.hanning(free.size), 1 << (free.size - 1).bit_length()))
        hz = np.fft.rfftfreq(1 << (free.size - 1).bit_length(), 1 / rate)
        band = (hz > 2) & (hz < 30)
        cycle = family.cylinders / float(hz[band][spectrum[band].argmax()])
    return _Crank(time, ripple, pulses, cycle)


def _dips(crank: _Crank, family: EngineFamily, rate: float) -> npt.NDArray[np.int64]:
    gap = 0.55 * min(family.intervals_deg) / 720 * crank.cycle_s * rate
    found, _ = find_peaks(-crank.ripple, distance=max(1, int(gap)))
    return np.asarray(found)


def _fold(crank: _Crank, family: EngineFamily, hookup: Hookup, at_s: Array, depth: Array) -> Reading:
    """Average the depths by their place after the last sync pulse (or by plain counting without one)."""
    n = family.cylinders
    angles = np.array(family.firing_angles_deg)
    identified: Identified = "none"
    if crank.pulses_s.size >= 2 and family.sync_kind != "distributor":
        identified = "pair" if family.sync_kind == "waste_spark" else "sync"
        start = family.firing_order.index(hookup.sync_cylinder)
        since = at_s - crank.pulses_s[np.clip(np.searchsorted(crank.pulses_s, at_s) - 1, 0, None)]
        degrees = (since / crank.cycle_s * 720 + angles[start]) % 720
        if family.sync_kind == "waste_spark":
            degrees = ((at_s - crank.pulses_s[0]) / crank.cycle_s * 720 + angles[start]) % 720
        apart = np.abs((degrees[:, None] - angles[None] + 360) % 720 - 360)
        place = apart.argmin(axis=1)
    else:
        place = np.arange(at_s.size) % n
    values = [depth[place == p] for p in range(n)]
    if min(v.size for v in values) < 2:
        return _nothing("Too few events were found; save a longer crank.")
    means = np.array([v.mean() for v in values])
    level = float(np.median(means))
    if level <= 0:
        return _nothing("No ripple was found; check the battery channel.")
    cylinders = []
    for p in range(n):
        se = float(values[p].std(ddof=1) / np.sqrt(values[p].size) / level * 100)
        number = family.firing_order[p] if identified != "none" else None
        mate = family.firing_order[(p + n // 2) % n] if identified == "pair" else None
        cylinders.append(ElementReading(number, p + 1, float(means[p] / level * 100), se, identified, mate))
    events = Events(
        float(crank.time_s[0]), float(crank.time_s[-1]), crank.pulses_s, at_s, place + 1, np.empty(0)
    )
    return Reading("read", "", {}, tuple(cylinders), (), events)


def _nothing(reason: str) -> Reading:
    return Reading("unusable", reason, {})


def _shift(reading: Reading, start_s: float) -> Reading:
    """Put the events on the file's own time axis."""
    e = reading.events
    if e is None:
        return reading
    moved = Events(
        e.start_s + start_s,
        e.end_s + start_s,
        e.index_s + start_s,
        e.event_s + start_s,
        e.position,
        e.mean_shape,
    )
    return Reading(reading.status, reading.reason, reading.features, reading.elements, reading.checks, moved)


def dips_by_sync(waveform: Waveform, hookup: Hookup, family: EngineFamily) -> Reading:
    """The notebook way: find the dips, take their depth below the mean, fold by the sync pulse."""
    crank = _prepare(waveform, hookup, family, 60.0)
    if crank is None:
        return _nothing("No cranking was found; check the hookup.")
    dips = _dips(crank, family, waveform.rate_hz)
    if dips.size < 2 * family.cylinders:
        return _nothing("Too few dips were found; save a longer crank.")
    depth = crank.ripple.mean() - crank.ripple[dips]
    return _shift(_fold(crank, family, hookup, crank.time_s[dips], depth), waveform.start_s)


def local_extremes_line(waveform: Waveform, hookup: Hookup, family: EngineFamily) -> Reading:
    """Low-pass, line between neighbouring local maxima, distance of the minimum from it, mean over cycles.

    The procedure of US patent 5,663,493 (1997, expired), as far as it can be put in a few lines.
    """
    crank = _prepare(waveform, hookup, family, 25.0)
    if crank is None:
        return _nothing("No cranking was found; check the hookup.")
    dips = _dips(crank, family, waveform.rate_hz)
    if dips.size < 2 * family.cylinders + 2:
        return _nothing("Too few dips were found; save a longer crank.")
    ridges = np.array([a + int(crank.ripple[a:b].argmax()) for a, b in pairwise(dips.tolist())])
    line = np.interp(dips[1:-1], ridges, crank.ripple[ridges])
    depth = line - crank.ripple[dips[1:-1]]
    return _shift(_fold(crank, family, hookup, crank.time_s[dips[1:-1]], depth), waveform.start_s)
