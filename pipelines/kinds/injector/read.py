"""One capture of injectors: what each channel shows, who is who, and the reading."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import ElementReading, EngineFamily, Events, Hookup, Reading
from pipelines.kinds.injector import checks
from pipelines.kinds.injector.pulses import EARLIEST_S, Pulses, kink_s, mean_course, of_current, of_voltage
from pipelines.kinds.sequence import Placed, Sequence, by_sync, by_turn, channels, elements
from pipelines.kinds.trace import Floats, Trace, prepare
from pipelines.waveform import Waveform

Whole = npt.NDArray[np.int64]

VOLTAGE, CURRENT, FEED, BATTERY = (
    "injector_voltage", "injector_current", "injector_feed_current", "battery_voltage",
)  # fmt: skip
MAIN = (VOLTAGE, CURRENT, FEED)
ON_TIME, SETTLED, OPENING, CLOSING = "on_time", "settled", "opening", "closing"
LEAST_SE_PCT = {ON_TIME: 0.12, SETTLED: 0.25, OPENING: 0.5, CLOSING: 0.8}
"""What choosing where a pulse or a kink begins leaves open, which repeats do not show."""
LOWEST_RATE_HZ, USELESS_RATE_HZ = 9_000.0, 3_000.0
FEWEST_TURNS, FEWEST_PULSES, SHORTEST_S = 3.0, 3, 0.15
SUPPLY_V = (5.5, 32.0)
STEPS_SUPPLY, STEPS_CURRENT = 4.5, 18.0
BLOCKS = 6
TAIL_S, AFTER_KICK_S = 4e-3, 2.5e-4
STUCK_SEEN = 0.6
SHAPE_POINTS, BEFORE_S, AFTER_S = 180, 1e-3, 9e-3


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel as it was read."""

    signal: str
    trace: Trace
    pulses: Pulses | None

    @property
    def begin_s(self) -> Floats:
        """When its pulses begin."""
        return self.pulses.begin_s if self.pulses is not None else np.empty(0)


@dataclass(frozen=True, slots=True)
class Seen:
    """The channels whose pulses are compared (one shared, or one an injector), and the sync of a shared one."""

    main: tuple[Channel, ...]
    sync: Channel | None
    shared: bool
    every: tuple[Channel, ...]

    @property
    def nothing(self) -> bool:
        """Whether no pulse was found where they should be, or none on the sync's channel."""
        none = all(one.pulses is None for one in self.main)
        return none or (self.sync is not None and self.sync.pulses is None)


def read_injectors(waveform: Waveform, hookup: Hookup, family: EngineFamily, version: int) -> Reading:
    """Read one capture. Never raises for a bad signal: that is status `unusable`."""
    signals = hookup.signals[: waveform.channels]
    if not any(signal in MAIN for signal in signals):
        said = f"No channel is logged as {VOLTAGE}, {CURRENT} or {FEED}; correct the row in captures.csv."
        return Reading("unusable", said, {}, reader_version=version)
    traces = [
        (signal, trace)
        for at, signal in enumerate(signals)
        if signal in (*MAIN, BATTERY)
        and waveform.rate_hz >= USELESS_RATE_HZ
        and (trace := prepare(waveform.samples[at], waveform.rate_hz, hookup.scales[at])) is not None
    ]
    seen, names = _arrange([_look(signal, trace) for signal, trace in traces]), []
    if seen.nothing and len(traces) > 1:
        turned = zip(traces, [*traces[1:], traces[0]], strict=True)
        again = _arrange([_look(signal, trace) for (signal, _), (_, trace) in turned])
        if not again.nothing:
            seen, names = again, ["swapped_channels"]
    low_rate = waveform.rate_hz < LOWEST_RATE_HZ
    read = [one for one in seen.main if one.pulses is not None]
    few = bool(read) and max(len(one.begin_s) for one in read) < FEWEST_PULSES
    if not read or few:
        names = ["low_sample_rate"] * low_rate + ["too_short"] * (few or waveform.duration_s < SHORTEST_S)
        names += ["no_pulses"] * (not few)
        # what the log alone shows, and what a single pulse does
        names += ["no_sync"] * (seen.shared and seen.sync is None)
        names += ["one_injector"] * (not seen.shared and len(seen.main) == 1)
        names = list(dict.fromkeys(names + _of_levels(seen) * few))
        worst = replace(checks.check(names[0]), severity="unusable")
        rest = tuple(checks.check(name) for name in names[1:])
        return Reading("unusable", worst.detail, {}, checks=(worst, *rest), reader_version=version)
    names += ["low_sample_rate"] * low_rate
    return _reading(seen, read, hookup, family, names, waveform, version)


def _look(signal: str, trace: Trace) -> Channel:
    if signal == VOLTAGE:
        return Channel(signal, trace, of_voltage(trace))
    return Channel(signal, trace, of_current(trace) if signal in MAIN else None)


def _arrange(found: list[Channel]) -> Seen:
    """Which channels are compared: the shared one where there is one, else every injector's own."""
    every = tuple(found)
    feeds, volts, amps = ([one for one in found if one.signal == name] for name in (FEED, VOLTAGE, CURRENT))
    if feeds:
        return Seen(tuple(feeds[:1]), next(iter([*volts, *amps]), None), True, every)
    return Seen(tuple(amps if len(amps) >= len(volts) else volts), None, False, every)


@dataclass(frozen=True, slots=True)
class _Train:
    """All compared pulses: beginning, on-time, settled current, place, and the channel each is on."""

    begin_s: Floats
    on_s: Floats
    level: Floats
    place: Whole
    channel: Whole


def _reading(
    seen: Seen, read: list[Channel], hookup: Hookup, family: EngineFamily, names: list[str], waveform: Waveform,
    version: int,
) -> Reading:  # fmt: skip
    sequence = Sequence.of(family)
    n = len(sequence.places)
    sync_place = (
        sequence.place_of(hookup.sync_cylinder, family) if hookup.sync_cylinder in family.firing_order else 0
    )
    parts = [one.pulses for one in read if one.pulses is not None]
    which = np.concatenate([np.full(len(one.begin_s), k) for k, one in enumerate(parts)])
    index = parts[0].begin_s
    notes: list[str] = []
    if seen.shared:
        index = seen.sync.begin_s if seen.sync is not None else np.empty(0)
        placed = by_sync(parts[0].begin_s, index, sequence, sync_place) if len(index) > 1 else by_turn(
            parts[0].begin_s, sequence)  # fmt: skip
        names += ["no_sync"] * (len(index) < 2)
        turns_read = len(parts[0].begin_s) / n
    else:
        placed, turns_read = (
            Placed(np.full(len(which), -1), True, False),
            float(np.median([len(p.begin_s) for p in parts])),
        )
        if len(seen.main) == 1:
            names.append("one_injector")
        elif len(read) < n:
            notes.append(
                f"{len(read)} of {n} injectors are on the record; they are compared only all together."
            )
        else:
            at = channels([p.begin_s for p in parts], sequence, sync_place)
            placed = Placed(np.array(at)[which] if at is not None else placed.place, True, at is None)
    names += ["family_doubtful"] * (placed.doubtful and turns_read >= FEWEST_TURNS)
    names += ["too_short"] * (turns_read < FEWEST_TURNS)
    train = _Train(
        np.concatenate([p.begin_s for p in parts]), np.concatenate([p.end_s - p.begin_s for p in parts]),
        np.concatenate([p.level for p in parts]), placed.place, which,
    )  # fmt: skip
    opening, closing = _pintle(train, read, n)
    found: tuple[ElementReading, ...] = ()
    if not placed.doubtful:
        for measure, values in ((ON_TIME, train.on_s), (SETTLED, train.level)):
            found += elements(
                train.begin_s, values, train.place, sequence, placed.named, measure, LEAST_SE_PCT[measure]
            )
        for measure, moved in ((OPENING, opening), (CLOSING, closing)):
            found += elements(
                moved.at_s, moved.value_s, moved.place, sequence, placed.named, measure, LEAST_SE_PCT[measure]
            )
    names += _of_levels(seen)
    return Reading(
        "read", "", _features(seen, train, opening, closing, index, turns_read, n), found,
        tuple(checks.check(name) for name in dict.fromkeys(names)), _events(read[0], train, index, waveform.start_s),
        version, tuple(notes + _stuck_note(opening)),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Moved:
    """When pintles moved: time in the record, how long it took, place; one value a block of pulses.

    `missing`: places (from 1) whose pintle was not seen to move where the others' were.
    """

    at_s: Floats
    value_s: Floats
    place: Whole
    missing: tuple[int, ...] = ()


def _pintle(train: _Train, read: list[Channel], n: int) -> tuple[_Moved, _Moved]:
    """Opening (from the current's rise) and closing (from the voltage's decay), from blocks of pulses of each place."""
    places = range(n) if (train.place >= 0).any() else [-1]
    rows: dict[bool, list[tuple[float, float, int]]] = {True: [], False: []}
    for place in places:
        own = np.flatnonzero(train.place == place)
        for block in np.array_split(own, min(BLOCKS, max(1, len(own) // 2))):
            if not len(block):
                continue
            channel = read[int(train.channel[block[0]])]
            opens = channel.signal != VOLTAGE
            moved = _kink_of(channel, train, block, opens)
            rows[opens].append((float(train.begin_s[block].mean()), moved, place))
    return tuple(_gathered(rows[opens], train, n, opens) for opens in (True, False))  # type: ignore[return-value]


def _kink_of(channel: Channel, train: _Train, block: Whole, opens: bool) -> float:
    pulses = channel.pulses
    assert pulses is not None
    x, rate = channel.trace.values, channel.trace.rate_hz
    if pulses.reversed:
        x = -x
    on = float(np.median(train.on_s[block]))
    if rate < LOWEST_RATE_HZ:
        return nan
    if opens:
        course = mean_course(x, rate, train.begin_s[block], on)
        latest = 0.92 * on
        if pulses.hold and len(course):
            latest = min(latest, 0.95 * float(np.argmax(course)) * 1e-5)
        return kink_s(course, EARLIEST_S, latest, rate)
    if pulses.hold:
        return nan
    course = mean_course(x, rate, train.begin_s[block] + train.on_s[block], TAIL_S)
    above = np.flatnonzero(course > 1.3 * pulses.supply_v) if len(course) else np.empty(0)
    gone = float(above[-1]) * 1e-5 if len(above) else 0.0
    return kink_s(course[round(gone / 1e-5) :], AFTER_KICK_S, TAIL_S, rate) + gone


def _gathered(rows: list[tuple[float, float, int]], train: _Train, n: int, opens: bool) -> _Moved:
    if not rows:
        return _Moved(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64))
    at, value, place = (np.array(column) for column in zip(*rows, strict=True))
    seen = np.array([np.isfinite(value[place == k]).mean() if (place == k).any() else 0.0 for k in range(n)])
    missing = (
        np.flatnonzero(seen < 0.34) if (seen >= STUCK_SEEN).sum() > n / 2 else np.empty(0, dtype=np.int64)
    )
    for k in missing.tolist() if opens else []:
        # it did not open while the driver was on: at least that long
        value[place == k] = (
            float(np.median(train.on_s[train.place == k])) if (train.place == k).any() else nan
        )
    return _Moved(at, value, place.astype(np.int64), tuple((missing + 1).tolist()) if opens else ())


def _stuck_note(opening: _Moved) -> list[str]:
    if not opening.missing:
        return []
    where = ", ".join(map(str, opening.missing))
    return [
        f"No movement of the pintle was seen at position {where}; its opening is given as the whole on-time."
    ]


def _of_levels(seen: Seen) -> list[str]:
    """Checks that follow from the levels of the channels."""
    names = []
    for one in seen.every:
        pulses = one.pulses
        if pulses is None:
            continue
        names += (
            ["reversed_leads"] * pulses.reversed + ["ac_coupled"] * pulses.blocked + ["clipped"] * pulses.off
        )
        if one.signal == VOLTAGE:
            names += ["coarse_resolution"] * (pulses.step > pulses.supply_v / STEPS_SUPPLY)
            right = SUPPLY_V[0] < pulses.supply_v < SUPPLY_V[1]
            names += ["scale_doubtful"] * (not pulses.blocked and not right)
        else:
            # of a current that is held low after a peak the screen has to hold the peak
            peak_to_peak = one.trace.top - one.trace.low
            height = peak_to_peak if pulses.hold else float(np.nanmedian(pulses.level))
            names += ["coarse_resolution"] * (pulses.step > height / STEPS_CURRENT)
    return names


def _middle(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else nan


def _features(
    seen: Seen, train: _Train, opening: _Moved, closing: _Moved, index: Floats, turns_read: float, n: int
) -> dict[str, float]:
    """Capture-level numbers; what the hookup hides is NaN."""
    volts = next((one.pulses for one in seen.every if one.signal == VOLTAGE and one.pulses is not None), None)
    amps = next((one.pulses for one in seen.every if one.signal != VOLTAGE and one.pulses is not None), None)
    battery = next((one.trace for one in seen.every if one.signal == BATTERY), None)
    gap = _middle(np.diff(index)) if len(index) > 2 else nan
    if not np.isfinite(gap) and seen.shared and len(train.begin_s) > n:
        gap = _middle(train.begin_s[n:] - train.begin_s[:-n])
    level = _middle(train.level) if amps is not None and not amps.off else nan
    final = _final_a(seen) if amps is not None and not amps.off else nan
    across = nan
    if volts is not None and not volts.blocked:
        across = volts.supply_v - volts.on_v
    elif battery is not None:
        across = float(np.median(battery.some))
    hold = (amps or volts).hold if (amps or volts) is not None else False  # type: ignore[union-attr]
    spread = [np.std(part) / np.mean(part) for k in range(n) if len(part := train.on_s[train.place == k]) > 3]
    return {
        "turns": float(int(turns_read)),
        "engine_rpm": 120.0 / gap if gap > 0 else nan,
        "on_ms": 1e3 * _middle(train.on_s),
        "on_scatter_pct": 100.0 * float(np.median(spread)) if spread else nan,
        "settled_a": level,
        "circuit_ohm": across / final if not hold else nan,
        "opening_ms": 1e3 * _middle(opening.value_s),
        "closing_ms": 1e3 * _middle(closing.value_s),
        "kick_v": _middle(volts.kick_v) if volts is not None and not volts.blocked else nan,
        "supply_v": volts.supply_v if volts is not None and not volts.blocked else nan,
        "peak_and_hold": float(hold),
    }


def _final_a(seen: Seen) -> float:
    """Current the pulses would settle at, A: three points of the mean rise, extrapolated as an exponential (Aitken).

    y1, y2, y3 equally far apart on a - b exp(-t/tau) give a = (y1 y3 - y2^2) / (y1 + y3 - 2 y2).
    """
    one = next((one for one in seen.every if one.signal != VOLTAGE and one.pulses is not None), None)
    if one is None or one.pulses is None:
        return nan
    on = float(np.median(one.pulses.end_s - one.pulses.begin_s))
    x = -one.trace.values if one.pulses.reversed else one.trace.values
    course = mean_course(x, one.trace.rate_hz, one.pulses.begin_s[:200], on) - one.pulses.zero
    if len(course) < 60:
        return nan
    y1, y2, y3 = (float(course[round(at * len(course)) - 10 : round(at * len(course)) + 10].mean())
                  for at in (0.7, 0.815, 0.93))  # fmt: skip
    bend = y1 + y3 - 2 * y2
    if y3 - y2 < 0.004 * y3:
        return y3
    final = (y1 * y3 - y2**2) / bend if bend < 0 else nan
    return final if y3 <= final < 1.4 * y3 else nan


def _events(first: Channel, train: _Train, index: Floats, start_s: float) -> Events:
    """The pulses that have a place, and the median course of one: 1 ms before its beginning to 9 ms after it."""
    known = train.place >= 0
    order = np.argsort(train.begin_s[known], kind="stable")
    at, rate, x = train.begin_s[known][order], first.trace.rate_hz, first.trace.values
    wanted = np.linspace(-BEFORE_S, AFTER_S, SHAPE_POINTS)
    own = first.begin_s[(first.begin_s > BEFORE_S) & (first.begin_s < len(x) / rate - AFTER_S)][:60]
    rows = []
    for begin in own.tolist():
        low, high = (int((begin + side) * rate) for side in (-BEFORE_S, AFTER_S))
        rows.append(np.interp(begin + wanted, np.arange(low, high + 1) / rate, x[low : high + 1]))
    shape = np.median(rows, axis=0) if rows else np.empty(0)
    every = train.begin_s
    return Events(
        start_s + float(every.min()), start_s + float((every + train.on_s).max()), start_s + index, start_s + at,
        train.place[known][order] + 1, shape,
    )  # fmt: skip
