"""One capture of coils: what each channel shows, who is who, and the reading."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

import numpy as np

from pipelines.kinds.base import ElementReading, EngineFamily, Events, Hookup, Reading
from pipelines.kinds.ignition_primary import checks
from pipelines.kinds.ignition_primary.pickup import find_pulses, own_pulses
from pipelines.kinds.ignition_primary.primary import Strikes, find_strikes
from pipelines.kinds.ignition_primary.ramps import Ramps, find_ramps, fit_circuit
from pipelines.kinds.ignition_primary.trains import Sparks, of_ramps, of_strikes
from pipelines.kinds.sequence import Placed, Sequence, by_sync, by_turn, channels, elements
from pipelines.kinds.trace import Floats, Trace, prepare
from pipelines.waveform import Waveform

VOLTAGE, COIL, FEED, PICKUP, BATTERY = (
    "ignition_primary", "coil_current", "coil_feed_current", "ignition_pickup", "battery_voltage",
)  # fmt: skip
MAIN = (VOLTAGE, COIL, FEED)
BURN, CHARGING = "burn_time", "charging"
LOWEST_RATE_HZ, USELESS_RATE_HZ = 9_000.0, 3_000.0
FEWEST_TURNS, FEWEST_STRIKES = 3.0, 3
SUPPLY_V = (5.5, 32.0)
STEPS_SUPPLY, STEPS_RAMP = 4.5, 18.0
HELD_SHARE = 0.12
SHORTEST_S = 0.15
SHAPE_POINTS = 180


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel as it was read: its signal, and the strikes, ramps or pulses on it."""

    signal: str
    trace: Trace
    strikes: Strikes | None = None
    ramps: Ramps | None = None
    sparks: Sparks | None = None
    pulses: tuple[Floats, Floats] | None = None

    @property
    def events_s(self) -> Floats:
        """Times of its sparks or pulses."""
        if self.sparks is not None:
            return self.sparks.at_s
        return self.pulses[0] if self.pulses is not None else np.empty(0)

    def index_s(self, sparks_s: Floats, between: int) -> Floats:
        """Times at which it marks the turn of a train of sparks, one in `between`."""
        return own_pulses(*self.pulses, sparks_s, between) if self.pulses is not None else self.events_s


def look(signal: str, trace: Trace) -> Channel:
    """One channel read as what `signal` says it is."""
    if signal == VOLTAGE:
        strikes = find_strikes(trace)
        return Channel(signal, trace, strikes=strikes, sparks=of_strikes(strikes) if strikes else None)
    if signal in (COIL, FEED):
        ramps = find_ramps(trace)
        return Channel(signal, trace, ramps=ramps, sparks=of_ramps(ramps) if ramps else None)
    return Channel(signal, trace, pulses=find_pulses(trace) if signal == PICKUP else None)


@dataclass(frozen=True, slots=True)
class Seen:
    """All channels, which one is read, and what tells the cylinders.

    Attributes:
        main: the channels whose sparks are set side by side: one shared, or one a coil.
        sync: what tells the cylinders of a shared one; None without. shared: see there.
    """

    main: tuple[Channel, ...]
    sync: Channel | None
    shared: bool
    every: tuple[Channel, ...]


def read_coils(waveform: Waveform, hookup: Hookup, family: EngineFamily, version: int) -> Reading:
    """Read one capture. Never raises for a bad signal: that is status `unusable`."""
    signals = hookup.signals[: waveform.channels]
    if not any(signal in MAIN for signal in signals):
        said = f"No channel is logged as {VOLTAGE}, {COIL} or {FEED}; correct the row in captures.csv."
        return Reading("unusable", said, {}, reader_version=version)
    traces = [
        (signal, trace)
        for at, signal in enumerate(signals)
        if signal in (*MAIN, PICKUP, BATTERY)
        and waveform.rate_hz >= USELESS_RATE_HZ
        and (trace := prepare(waveform.samples[at], waveform.rate_hz, hookup.scales[at])) is not None
    ]
    found = [look(signal, trace) for signal, trace in traces]
    names: list[str] = []
    seen = _arrange(found, family)
    if len(traces) > 1 and (_nothing(seen) or _silent(seen)):
        other = [
            look(signal, trace)
            for (signal, _), (_, trace) in zip(traces, [*traces[1:], traces[0]], strict=True)
        ]
        again = _arrange(other, family)
        if not _nothing(again) and not _silent(again):
            seen, names = again, ["swapped_channels"]
    low_rate = waveform.rate_hz < LOWEST_RATE_HZ
    few = not _nothing(seen) and max(len(one.events_s) for one in seen.main) < FEWEST_STRIKES
    if _nothing(seen) or few:
        names = ["low_sample_rate"] * low_rate + ["too_short"] * (few or waveform.duration_s < SHORTEST_S)
        names += ["no_strikes"] * (not few)
        worst = replace(checks.check(names[0]), severity="unusable")
        rest = tuple(checks.check(name) for name in names[1:])
        return Reading("unusable", worst.detail, {}, checks=(worst, *rest), reader_version=version)
    if low_rate:
        names.append("low_sample_rate")
    return _reading(seen, hookup, family, names, waveform, version)


def _nothing(seen: Seen) -> bool:
    return not seen.main or all(one.sparks is None for one in seen.main)


def _silent(seen: Seen) -> bool:
    """Whether a channel was logged for the sync and shows none."""
    return seen.sync is not None and len(seen.sync.events_s) < 2


def _arrange(found: list[Channel], family: EngineFamily) -> Seen:
    """Which channels are compared: the shared one where there is one, else every coil's own."""
    every = tuple(found)
    feeds = [one for one in found if one.signal == FEED]
    volts = [one for one in found if one.signal == VOLTAGE]
    coils = [one for one in found if one.signal == COIL]
    pickup = next((one for one in found if one.signal == PICKUP), None)
    if feeds:
        return Seen(
            tuple(feeds[:1]), pickup or next(iter(volts), None) or next(iter(coils), None), True, every
        )
    if family.sync_kind == "distributor":
        return Seen(tuple((volts or coils)[:1]), pickup, True, every)
    # one coil with its voltage and its current is one coil
    return Seen(tuple(volts if len(volts) >= len(coils) else coils), pickup, False, every)


def _reading(
    seen: Seen, hookup: Hookup, family: EngineFamily, names: list[str], waveform: Waveform, version: int
) -> Reading:
    sequence = Sequence.of_coils(family)
    sync_place = (
        sequence.place_of(hookup.sync_cylinder, family) if hookup.sync_cylinder in family.firing_order else 0
    )
    n = len(sequence.places)
    notes: list[str] = []
    live = [one for one in seen.main if one.sparks is not None]
    index = np.empty(0)
    if seen.shared:
        sparks = live[0].sparks
        assert sparks is not None
        index = seen.sync.index_s(sparks.at_s, n) if seen.sync is not None else index
        if len(index) > 1:
            placed = by_sync(sparks.at_s, index, sequence, sync_place)
        else:
            placed = by_turn(sparks.at_s, sequence)
            names.append("no_sync")
        place = placed.place
        turns_read = len(sparks.at_s) / n
    else:
        trains = [one.sparks.at_s for one in live if one.sparks is not None]
        place, sparks = np.concatenate([np.full(len(train), -1) for train in trains]), _joined(live)
        placed = Placed(place, True, False)
        turns_read = float(np.median([len(train) for train in trains]))
        index = trains[0]
        if len(seen.main) == 1:
            names.append("one_coil")
        elif len(seen.main) < n or len(live) < len(seen.main):
            notes.append(f"{len(live)} of {n} coils are on the record; they are compared only all together.")
        else:
            at = channels(trains, sequence, sync_place) if len(seen.main) == n else None
            placed = Placed(place, True, at is None)
            if at is not None:
                place = np.concatenate([np.full(len(t), k) for t, k in zip(trains, at, strict=True)])
    if placed.doubtful and turns_read >= FEWEST_TURNS:
        names.append("family_doubtful")
    if turns_read < FEWEST_TURNS:
        names.append("too_short")
    read: list[ElementReading] = []
    if not placed.doubtful:
        read += elements(sparks.at_s, sparks.burn_s, place, sequence, placed.named, BURN)
        read += elements(sparks.at_s, sparks.slope, place, sequence, placed.named, CHARGING)
    names += _of_levels(seen)
    features = _features(seen, sparks, n, turns_read, sequence, index)
    return Reading(
        "read", "", features, tuple(read), tuple(checks.check(name) for name in dict.fromkeys(names)),
        _events(live[0], sparks, place, index, waveform.start_s), version, tuple(notes + _notes(seen)),
    )  # fmt: skip


def _joined(live: list[Channel]) -> Sparks:
    parts = [one.sparks for one in live if one.sparks is not None]
    return Sparks(*(np.concatenate([getattr(part, name) for part in parts]) for name in Sparks.__slots__))


def _of_levels(seen: Seen) -> list[str]:
    """Checks that follow from the levels of the channels."""
    names = []
    for one in seen.every:
        volts, amps = one.strikes, one.ramps
        if volts is not None:
            names += (
                ["reversed_leads"] * volts.reversed
                + ["ac_coupled"] * volts.blocked
                + ["clipped"] * volts.line_off
            )
            if volts.step_v > volts.supply_v / STEPS_SUPPLY:
                names.append("coarse_resolution")
            if not volts.blocked and not SUPPLY_V[0] < volts.supply_v < SUPPLY_V[1]:
                names.append("scale_doubtful")
        if amps is not None:
            names += (
                ["reversed_leads"] * amps.reversed + ["ac_coupled"] * amps.blocked + ["clipped"] * amps.off
            )
            if amps.step_a > float(np.median(amps.cut_a)) / STEPS_RAMP:
                names.append("coarse_resolution")
    return names


def _middle(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else nan


def _features(
    seen: Seen, sparks: Sparks, n: int, turns_read: float, sequence: Sequence, index: Floats
) -> dict[str, float]:
    """Capture-level numbers; what the hookup hides is NaN."""
    volts = next((one.strikes for one in seen.main if one.strikes is not None), None)
    amps = next((one.ramps for one in seen.every if one.ramps is not None), None)
    whole = volts is not None and not volts.blocked
    gap = _middle(np.diff(index)) if len(index) > 2 else nan
    if not np.isfinite(gap) and seen.shared and len(sparks.at_s) > n:
        gap = _middle(sparks.at_s[n:] - sparks.at_s[:-n])
    cut = amps is not None and amps.off
    held = _middle(sparks.held_s) if amps is not None else nan
    dwell = sparks.dwell_s[np.isfinite(sparks.dwell_s)]
    current = _middle(amps.cut_a) if amps is not None and not cut else nan
    held_share = held / _middle(dwell) if len(dwell) else nan
    ohm, henry, tau = _circuit(seen, amps)
    return {
        "turns": float(int(turns_read)),
        "engine_rpm": sequence.crank_deg / 6.0 / gap if gap > 0 else nan,
        "strikes": float(np.mean(sparks.strikes)),
        "dwell_ms": 1e3 * _middle(dwell),
        "dwell_scatter_pct": float(100 * np.std(dwell) / np.mean(dwell)) if len(dwell) > 3 else nan,
        "burn_ms": 1e3 * _middle(sparks.burn_s),
        "burn_v": _middle(sparks.burn_v) if volts is not None else nan,
        "peak_v": _middle(sparks.peak_v) if whole else nan,
        "supply_v": volts.supply_v if volts is not None and whole else nan,
        "driver_v": volts.on_v if volts is not None and whole else nan,
        "cut_a": current,
        "limit_a": current if held_share > HELD_SHARE else nan,
        "slope": _middle(sparks.slope),
        "lag_ms": 1e3 * tau,
        "circuit_ohm": ohm,
        "inductance_mh": 1e3 * henry,
    }


def _circuit(seen: Seen, amps: Ramps | None) -> tuple[float, float, float]:
    """Resistance (ohm), inductance (H) and time constant (s) of the charging circuit; NaN where not told.

    Resistance needs the voltage across it: from the coil's own primary (the winding's), or else from the battery's
    channel (the whole circuit's).
    """
    if amps is None or amps.off:
        return nan, nan, nan
    fitted = fit_circuit(amps.shape_s, amps.shape_a)
    across = nan
    volts = next((one.strikes for one in seen.every if one.strikes is not None), None)
    battery = next((one.trace for one in seen.every if one.signal == BATTERY), None)
    if volts is not None and not volts.blocked:
        across = volts.supply_v - volts.on_v
    elif battery is not None:
        across = float(np.median(battery.some))
    ohm = across / fitted.final_a
    return ohm, ohm * fitted.tau_s, fitted.tau_s


def _notes(seen: Seen) -> list[str]:
    """What could not be decided, said."""
    peak = any(one.strikes is not None and one.strikes.peak_off for one in seen.main)
    return ["The peak at the cut is cut off by the screen; burn line and times are whole."] if peak else []


def _events(
    first: Channel,
    sparks: Sparks,
    place: np.ndarray[tuple[int], np.dtype[np.int64]],
    index: Floats,
    start_s: float,
) -> Events:
    """The sparks that have a place, and the mean course of one spark: 3 ms before the cut to 5 ms after it."""
    known = place >= 0
    order = np.argsort(sparks.at_s[known], kind="stable")
    at = sparks.at_s[known][order]
    trace = first.trace
    own = first.sparks.at_s if first.sparks is not None else at
    wanted = np.linspace(-BEFORE_S, AFTER_S, SHAPE_POINTS)
    rows = []
    time = np.arange(len(trace.values)) / trace.rate_hz
    inside = own[(own > BEFORE_S) & (own < time[-1] - AFTER_S)][:60]
    for cut in inside.tolist():
        low, high = (int((cut + side) * trace.rate_hz) for side in (-BEFORE_S, AFTER_S))
        rows.append(np.interp(cut + wanted, time[low : high + 2], trace.values[low : high + 2]))
    shape = np.median(rows, axis=0) if rows else np.empty(0)
    every = sparks.at_s
    return Events(
        start_s + float(every.min()), start_s + float(every.max()), start_s + index, start_s + at,
        place[known][order].astype(np.int64) + 1, shape,
    )  # fmt: skip


BEFORE_S, AFTER_S = 3e-3, 5e-3
