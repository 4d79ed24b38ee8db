"""From a waveform to engine cycles in crank angle: the part of the reading that knows nothing of cylinders."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from pipelines.kinds.base import EngineFamily, Hookup
from pipelines.kinds.relative_compression.angle import Cycles, take_cycles
from pipelines.kinds.relative_compression.in_step import in_step
from pipelines.kinds.relative_compression.injector import SENTENCE, looks_like_injector
from pipelines.kinds.relative_compression.period import (
    RippleSpectrum,
    cycles_from_ripple,
    ripple_spectrum,
    track_cycles,
)
from pipelines.kinds.relative_compression.pulses import PulseTrains, pulse_trains
from pipelines.kinds.relative_compression.relief import relieved_at
from pipelines.kinds.relative_compression.signals import PLAIN, Recognised, Supply, View, recognise
from pipelines.kinds.relative_compression.stretch import SHORTEST_S, Cranking, find_cranking, moving_mean
from pipelines.kinds.relative_compression.sync import (
    Sync,
    make_sense,
    own_period_s,
    scattered_loss,
    starts_running_s,
)
from pipelines.kinds.relative_compression.values import Array, middle_of, ranked, smallest_gap
from pipelines.waveform import Samples, Waveform

FEW_CYCLES = 3
CLEARLY_STEADIER = 0.25
DOUBTFUL = 0.3  # share of missing pulses from which the others may be no coil's
CALMS_TO = 0.6  # an engine that runs by itself leaves the starter no ripple to show
STEADY = 0.5  # coherence from which a ripple may carry the count between far pulses
NOTHING = Cycles(np.empty(0), np.empty(0), np.empty((0, 1)), np.empty(0), np.empty(0), 0)


@dataclass(frozen=True, slots=True)
class Front:
    """Everything found before any cylinder is looked at.

    Attributes:
        cycle_s: usual cycle length in s, NaN where unknown.
        boundaries_s: for each stretch used, where cycles begin, in s from sample 0 of the supply.
        cycles: the cycles used.
        after_pulses_s: sync pulses after the last stretch, in s on the file's axis.
        pulse_s: usual gap of the sync pulses in s where they are even in themselves, NaN where not.
        step: smallest step between two values of the supply channel while cranking, in V or A; 0 where none is
            seen.
        trains: the sync channel's pulses, whatever was made of them.
        runs: the engine took the load off the starter while the key was at start, or its pulses came faster from
            then on.
    """

    channels: Recognised
    cranking: Cranking
    spectrum: RippleSpectrum | None
    sync: Sync | None
    cycle_s: float
    boundaries_s: tuple[Array, ...]
    cycles: Cycles
    after_pulses_s: Array
    step: float
    pulse_s: float = np.nan
    wrong_signal: str = ""
    trains: PulseTrains = field(default_factory=PulseTrains)
    runs: bool = False


def look_at(waveform: Waveform, hookup: Hookup, family: EngineFamily, view: View = PLAIN) -> Front:
    """Find channels, cranking, sync and cycles, as `view` says.

    Raises:
        ShopspreadError: when the log names no channel this test could be read from.
    """
    channels = recognise(waveform, hookup, view)
    supply = channels.supply
    cranking = find_cranking(supply, turned=view.turned)
    if not cranking.spans:
        return Front(channels, cranking, None, None, np.nan, (), NOTHING, np.empty(0), 0.0)
    rate = supply.rate_hz
    spectrum = ripple_spectrum(cranking.load_down, rate, cranking.spans)
    likely = cycles_from_ripple(spectrum, family.firing_angles_deg)
    step = smallest_gap(raw_while_cranking(supply, cranking)[:4000]) * abs(supply.scale)
    relieved = relieved_at(cranking, rate, likely[0][0] / family.cylinders, step)
    if relieved is not None and relieved > cranking.spans[0][0] + SHORTEST_S * rate:
        cranking = _cut_short(cranking, relieved)
        spectrum = ripple_spectrum(cranking.load_down, rate, cranking.spans)
        likely = cycles_from_ripple(spectrum, family.firing_angles_deg)
    spans_s = [(supply.start_s + a / rate, supply.start_s + b / rate) for a, b in cranking.spans]
    sync = None
    runs = False
    pulse_s = np.nan
    trains = PulseTrains()
    if channels.sync is not None:
        trains = pulse_trains(channels.sync, spans_s)
        runs_s = starts_running_s(trains)
        if spans_s[0][0] + SHORTEST_S < runs_s < spans_s[-1][1] and _unloaded(
            cranking, int((runs_s - supply.start_s) * rate), rate
        ):
            runs = True
            cranking = _cut_short(cranking, int((runs_s - supply.start_s) * rate))
            spans_s = [(supply.start_s + a / rate, supply.start_s + b / rate) for a, b in cranking.spans]
            spectrum = ripple_spectrum(cranking.load_down, rate, cranking.spans)
            likely = cycles_from_ripple(spectrum, family.firing_angles_deg)
        pulse_s = own_period_s(trains, spans_s)
        sync = make_sense(trains, spans_s, spectrum, likely, family)
    wrong_signal = ""
    if sync is not None and _is_injector(channels, sync):
        sync, wrong_signal, trains, pulse_s = None, SENTENCE, PulseTrains(), np.nan
    cycle_s, boundaries, cycles, sync = _cycles(sync, supply, cranking, likely, family, trains)
    after = sync.after_s if sync is not None else np.empty(0)
    return Front(
        channels, cranking, spectrum, sync, cycle_s, boundaries, cycles, after, step, pulse_s, wrong_signal,
        trains, runs or relieved is not None
    )  # fmt: skip


def _cycles(
    sync: Sync | None,
    supply: Supply,
    cranking: Cranking,
    likely: list[tuple[float, float]],
    family: EngineFamily,
    trains: PulseTrains,
) -> tuple[float, tuple[Array, ...], Cycles, Sync | None]:
    """Cycle length, boundaries and cycles by the pulses where they keep in step with the ripple, else by the ripple."""
    boundaries: tuple[Array, ...] = ()
    if sync is not None:
        boundaries = _from_pulses(sync, supply.start_s)
        if sum(b.size for b in boundaries) < 2:
            sync = None
    if sync is not None:
        cycle_s = sync.cycle_s
        cycles = take_cycles(cranking.load_down, supply.missing, supply.rate_hz, list(boundaries))
        if cycles.count < FEW_CYCLES and sync.style == "coil_on_plug":
            # few pulses leave out the cycles before the first and after the last: let the ripple carry the count
            told = _from_ripple(supply, cranking, likely, family, trains)
            if told[3] is not None and told[2].count > cycles.count:
                cycle_s, boundaries, cycles, sync = told
        elif cycles.coherence < STEADY:
            # pulses out of step with the engine: bursts from elsewhere that happened to lie a cycle apart
            told = _from_ripple(supply, cranking, likely, family, trains)
            steadier = told[2].coherence > cycles.coherence + CLEARLY_STEADIER
            # a whole train that contradicts the ripple is another engine family's: that must not pass for no sync
            if steadier and (told[3] is not None or sync.missing > DOUBTFUL):
                cycle_s, boundaries, cycles, sync = told
    else:
        cycle_s, boundaries, cycles, sync = _from_ripple(supply, cranking, likely, family, trains)
    return cycle_s, tuple(boundaries), cycles, sync


def _is_injector(channels: Recognised, sync: Sync) -> bool:
    times_s = np.concatenate([times for times, _ in sync.spans])
    return channels.sync is not None and sync.per_cycle == 1 and looks_like_injector(channels.sync, times_s)


def raw_while_cranking(supply: Supply, cranking: Cranking) -> Samples:
    """The supply's samples as the file holds them, from the cranking stretches, thinned to 8,000 or so."""
    step = supply.raw_rate_hz / supply.rate_hz
    parts = [supply.raw[int(a * step) : int(b * step)] for a, b in cranking.spans]
    stride = max(1, sum(part.size for part in parts) // 8_000)
    return np.concatenate([part[::stride] for part in parts]) if parts else np.empty(0, dtype=np.float32)


def _unloaded(cranking: Cranking, at: int, rate_hz: float) -> bool:
    """Whether the starter's load goes once the engine seems to run, or, where the level is not known, its ripple."""
    before, behind = (
        cranking.load_down[cranking.spans[0][0] : at],
        cranking.load_down[at + int(0.5 * rate_hz) :],
    )
    if behind.size < 0.1 * rate_hz:
        return True
    if not np.isfinite(cranking.drop):
        return _ripple(behind[: before.size], rate_hz) < CALMS_TO * _ripple(before, rate_hz)
    level = middle_of(before)
    return ranked(behind[:: max(1, behind.size // 4000)], 0.7)[0] - level > 0.3 * abs(cranking.drop)


def _ripple(x: Array, rate_hz: float) -> float:
    """Usual size of what is quicker than half a second, in the signal's unit."""
    width = max(1, int(0.5 * rate_hz))
    return middle_of(np.abs(x - moving_mean(x, width))[:: max(1, x.size // 4000)])


def _cut_short(cranking: Cranking, end: int) -> Cranking:
    """The same with nothing after sample `end`."""
    spans = tuple((a, min(b, end)) for a, b in cranking.spans if a < end)
    return replace(cranking, spans=spans)


def _from_ripple(
    supply: Supply,
    cranking: Cranking,
    likely: list[tuple[float, float]],
    family: EngineFamily,
    trains: PulseTrains,
) -> tuple[float, tuple[Array, ...], Cycles, Sync | None]:
    """Cycles told from the ripple alone, in the longest stretch (a pause loses count of the firings).

    Of several likely cycle lengths the one whose cycles repeat best, weighed by its comb score, is taken. A few
    pulses that keep in step with it still tell where a cycle begins.
    """
    longest = max(cranking.spans, key=lambda s: s[1] - s[0])
    best: tuple[float, float, tuple[Array, Array], tuple[Array, ...], Cycles] | None = None
    for cycle_s, score in likely:
        track = track_cycles(cranking.load_down, supply.rate_hz, longest, cycle_s, family.firing_angles_deg)
        boundaries, cycles = _cut_at(track, 0.0, cranking, supply)
        worth = score * max(cycles.coherence, 0.0)
        if best is None or worth > best[0]:
            best = (worth, cycle_s, track, boundaries, cycles)
    if best is None:  # `likely` is never empty
        return np.nan, (), NOTHING, None
    _, cycle_s, track, boundaries, cycles = best
    found = (
        in_step(trains, track[0] + supply.start_s, track[1]) if family.sync_kind == "coil_on_plug" else None
    )
    if found is None or cycles.coherence < STEADY:
        return cycle_s, boundaries, cycles, None
    pulses, place = found
    boundaries, cycles = _cut_at(track, place, cranking, supply)
    numbers = np.rint(np.interp(pulses - supply.start_s, *track) - place)
    missing = 1.0 - pulses.size / max(float(np.floor(track[1][-1])), float(pulses.size))
    counted = ((pulses, numbers - numbers[0]),)
    lost = scattered_loss([numbers])
    sync = Sync("coil_on_plug", 1, cycle_s, counted, missing, False, np.empty(0), lost)
    return cycle_s, boundaries, cycles, sync


def _cut_at(
    track: tuple[Array, Array], place: float, cranking: Cranking, supply: Supply
) -> tuple[tuple[Array, ...], Cycles]:
    """Cycles that begin at a place (0 to 1) of a tracked cycle."""
    times, passed = track
    whole = np.arange(place, passed[-1], 1.0)
    boundaries = (np.interp(whole, passed, times),) if whole.size >= 2 else ()
    return boundaries, take_cycles(cranking.load_down, supply.missing, supply.rate_hz, list(boundaries))


def other_cycles(front: Front, family: EngineFamily) -> list[Front]:
    """The same with cycles of each other length the ripple alone may have; none where pulses tell it."""
    if front.sync is not None or front.spectrum is None:
        return []
    found = []
    for likely in cycles_from_ripple(front.spectrum, family.firing_angles_deg):
        if abs(likely[0] / front.cycle_s - 1.0) < 0.2:
            continue
        supply, cranking = front.channels.supply, front.cranking
        cycle_s, boundaries, cycles, _ = _from_ripple(supply, cranking, [likely], family, PulseTrains())
        found.append(replace(front, cycle_s=cycle_s, boundaries_s=boundaries, cycles=cycles))
    return found


def half_later(front: Front) -> Front:
    """The same with cycles that begin at the other one of waste spark's two pulses a cycle."""
    if front.sync is None:
        return front
    supply = front.channels.supply
    boundaries = _from_pulses(front.sync, supply.start_s, first=1)
    cycles = take_cycles(front.cranking.load_down, supply.missing, supply.rate_hz, list(boundaries))
    return replace(front, boundaries_s=boundaries, cycles=cycles)


def _from_pulses(sync: Sync, start_s: float, first: int = 0) -> tuple[Array, ...]:
    """Cycle boundaries from the pulses, from the `first` one on. With several pulses a cycle, two stretches cannot be
    joined: which pulse is which is lost in the pause, so only the stretch with the most pulses is used."""
    counted = sync.spans
    if sync.per_cycle > 1:
        counted = (max(counted, key=lambda c: c[1][-1] if c[1].size else 0.0),)
    found = []
    for times, numbers in counted:
        if times.size < 2:
            continue
        whole = np.arange(0.0, np.floor((numbers[-1] - first) / sync.per_cycle) + 1.0)
        if whole.size >= 2:
            found.append(np.interp(first + whole * sync.per_cycle, numbers, times) - start_s)
    return tuple(found)
