"""Sync pulses: found on the trace, told apart by how many come in a cycle, counted across the ones missing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import EngineFamily, SyncKind
from pipelines.kinds.relative_compression.period import (
    LONGEST_CYCLE_S,
    SHORTEST_CYCLE_S,
    RippleSpectrum,
    comb_score,
)
from pipelines.kinds.relative_compression.signals import Array, SyncTrace, last_code, middle_of, smallest_gap
from pipelines.waveform import Samples

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.floating]

BASE_S = 0.08
LONGEST_PULSE_S = 0.012  # a dwell lasts up to about 8 ms; a ripple of the supply several times that
STRIKE_GAP_S = 0.018  # strikes of one firing follow each other faster than firings do on any engine
STEADY_WITHIN = 0.22  # of a cycle: what a gap may be off, growing with the root of the cycles in it
EVEN_GAPS = 4
RUNS_FOR = 4  # gaps
RUNS_AT = 0.55  # of the usual gap while cranking: uneven firing keeps a gap in three above it
UNEXPECTED = 0.75  # weight of a style other than the family's table says
LEAST_AGREEMENT, BEYOND_DOUBT = 0.3, 0.93
LEAST_COMB = 0.45  # of the best comb score: a cycle the ripple knows nothing of is none
PULSE_OVER_BASE = (
    0.35  # a dwell pulls a primary from the battery's level to about zero, a flyback lifts it far above
)
IN_STEP = 0.06  # of a cycle: how far apart the pulses of one coil lie at most
BY_CHANCE = 0.02
CUT_OFF_BELOW_V = 150.0  # a coil primary jumps higher than this unless the screen ends first


@dataclass(frozen=True, slots=True)
class PulseTrain:
    """Firings seen on the sync channel, one time each, in s on the file's axis.

    `cut_off`: the tops are all alike and low: the screen's edge, not the coil.
    """

    times_s: Array
    cut_off: bool


@dataclass(frozen=True, slots=True)
class Sync:
    """A pulse train made sense of.

    Attributes:
        style: what the pulses show, whatever the family's table says.
        per_cycle: pulses in 720 deg.
        cycle_s: usual length of a cycle in s.
        spans: for each cranking stretch the times of its pulses in s and their counts: pulses since the first one
            with the missing ones counted in.
        missing: share of pulses that should have been there and were not.
        cut_off: see `PulseTrain`.
        after_s: pulses after the last stretch, in s.
    """

    style: SyncKind
    per_cycle: int
    cycle_s: float
    spans: tuple[tuple[Array, Array], ...]
    missing: float
    cut_off: bool
    after_s: Array


class PulseTrains:
    """Candidate trains, each looked for only when it is asked for: the first is mostly enough."""

    def __init__(self, found: Iterable[PulseTrain] = ()) -> None:
        self._more = iter(found)
        self._known: list[PulseTrain] = []

    def __iter__(self) -> Iterator[PulseTrain]:
        yield from self._known
        for train in self._more:
            self._known.append(train)
            yield train


def pulse_trains(trace: SyncTrace, spans_s: list[tuple[float, float]]) -> PulseTrains:
    """Candidate trains of two pulses or more: excursions up at three thresholds, and the ends of excursions down
    (the dwell)."""
    return PulseTrains(train for train in _candidates(trace, spans_s) if train.times_s.size >= 2)


def _candidates(trace: SyncTrace, spans_s: list[tuple[float, float]]) -> Iterator[PulseTrain]:
    rate = trace.rate_hz
    begin = max(0, int((spans_s[0][0] - trace.start_s - 0.3) * rate))
    end = min(trace.high.size, int((spans_s[-1][1] - trace.start_s + 2.5) * rate) + 1)
    if end - begin < 16:
        return
    high, low = trace.high[begin:end], trace.low[begin:end]
    base = _baseline(high, rate)
    start_s = trace.start_s + begin / rate
    cranked_s = sum(b - a for a, b in spans_s)
    resting = middle_of(base[:: max(1, base.size // 2000)])
    step = smallest_gap(high[:: max(1, high.size // 2000)])
    pickup = trace.named == "ignition_pickup"
    for down in (False,) if pickup else (False, True):
        # a pickup's burst rings both ways
        up = np.maximum(high - base, base - low) if pickup else base - low if down else high - base
        floor, top = _heights(up, rate, cranked_s)
        floor = 0.0 if floor <= 1.01 * step else floor  # one code to and fro is the converter, not noise
        for share in (0.5, 0.2, 0.08):
            if share == 0.5 and top < PULSE_OVER_BASE * abs(resting):
                break  # crosstalk on a lead that sits on the battery
            least = max(2.5 * floor, 1.45 * step) if share == 0.5 else max(4.0 * floor, 2.2 * step)
            if share * top < least:
                break
            at = np.flatnonzero(up > share * top)
            if share == 0.5 and _usual_width(at) > LONGEST_PULSE_S * rate:
                break  # a ripple, not a pulse
            train = _first_of_groups(at, rate, ends=down)
            yield PulseTrain(start_s + train / rate, _is_cut_off(high, at, top, step, rate, trace.off_screen))


def _baseline(x: Samples, rate_hz: float) -> Samples:
    """Median of each stretch of 80 ms, held over it, shape of `x`."""
    width = max(4, int(BASE_S * rate_hz))
    stride = max(1, width // 64)
    blocks = x.size // width
    if blocks == 0:
        return np.full(x.size, np.median(x), dtype=np.float32)
    part = x[: blocks * width].reshape(blocks, width)[:, ::stride]
    middle = np.partition(part, part.shape[1] // 2, axis=1)[:, part.shape[1] // 2]
    held = np.empty(x.size, dtype=np.float32)
    held[: blocks * width].reshape(blocks, width)[:] = middle[:, None]
    held[blocks * width :] = middle[-1]
    return held


def _usual_width(at: Ints) -> float:
    """Median length of the unbroken runs in `at`, in samples."""
    if at.size == 0:
        return 0.0
    breaks = np.flatnonzero(np.diff(at) > 1)
    edges = np.concatenate(([-1], breaks, [at.size - 1]))
    return middle_of(np.diff(edges))


def _heights(up: Floats, rate_hz: float, cranked_s: float) -> tuple[float, float]:
    """Height of the noise and of a usual pulse above the baseline."""
    few = np.abs(up[:: max(1, up.size // 3000)])
    # sorted whole: numpy's partition is several times slower on these long runs of equal values
    floor = float(np.sort(few)[int(0.75 * few.size)])
    width = max(1, int(0.04 * rate_hz))
    blocks = up[: up.size // width * width].reshape(-1, width).max(axis=1)
    ordered = np.sort(blocks)[::-1]
    return floor, float(ordered[min(max(1, int(0.3 * cranked_s)), ordered.size - 1)])


def _first_of_groups(at: Ints, rate_hz: float, *, ends: bool) -> Array:
    """First index of each group of strikes (or the end of its first unbroken run), as float."""
    if at.size == 0:
        return np.empty(0)
    apart = np.diff(at)
    starts = np.flatnonzero(np.concatenate(([True], apart > max(1.5, STRIKE_GAP_S * rate_hz))))
    if not ends:
        return at[starts].astype(np.float64)
    breaks = np.concatenate((np.flatnonzero(apart > max(1.5, 0.0006 * rate_hz)), [at.size - 1]))
    return at[breaks[np.searchsorted(breaks, starts)]].astype(np.float64) + 1.0


def _is_cut_off(high: Samples, at: Ints, top: float, step: float, rate_hz: float, off_screen: bool) -> bool:
    """Whether the pulses end at the last code of a converter, far below what a coil primary reaches."""
    if at.size < 4 or top > CUT_OFF_BELOW_V:
        return False
    if off_screen:
        return True
    values = high[at]
    starts = np.flatnonzero(np.concatenate(([True], np.diff(at) > STRIKE_GAP_S * rate_hz)))
    tops = np.maximum.reduceat(values, starts)
    edge = float(tops.max())
    return last_code(edge, step) and float(np.mean(tops >= edge - 0.3 * step)) > 0.5


def starts_running_s(trains: PulseTrains) -> float:
    """When pulses begin to come much faster than they did and keep to it: the engine runs. inf = it does not.

    Only the tallest pulses are asked: lower thresholds may take other coils' crosstalk in from some point on.
    """
    times_s = next((train.times_s for train in trains), np.empty(0))
    gaps = np.diff(times_s)
    if gaps.size < RUNS_FOR + 3:
        return np.inf
    widest = np.maximum(np.maximum(gaps[:-2], gaps[1:-1]), gaps[2:])
    if widest.min() >= RUNS_AT * gaps.max():
        return np.inf  # the usual case, told at once
    for i in range(3, gaps.size - RUNS_FOR + 1):
        if (gaps[i : i + RUNS_FOR] < RUNS_AT * np.median(gaps[:i])).all():
            return float(times_s[i])
    return np.inf


def own_period_s(trains: PulseTrains, spans_s: list[tuple[float, float]]) -> float:
    """Usual gap of the tallest pulses in s where they come evenly whatever the ripple says; NaN where they do not."""
    times_s = next((train.times_s for train in trains), np.empty(0))
    gaps = np.concatenate([np.diff(times_s[(times_s >= a) & (times_s <= b)]) for a, b in spans_s])
    if gaps.size < EVEN_GAPS:
        return np.nan
    usual = middle_of(gaps)
    return usual if float(np.mean(np.abs(gaps / usual - 1.0) < STEADY_WITHIN)) > 0.9 else np.nan


def make_sense(
    trains: PulseTrains,
    spans_s: list[tuple[float, float]],
    spectrum: RippleSpectrum,
    likely: list[tuple[float, float]],
    family: EngineFamily,
) -> Sync | None:
    """Choose the train and the number of pulses a cycle that agree best with each other and with the ripple.

    The family's sync kind is believed unless the ripple clearly says otherwise. None where no train is regular.
    """
    styles: dict[SyncKind, int] = {
        "coil_on_plug": 1,
        "waste_spark": 2,
        "distributor": family.cylinders,
    }
    best: tuple[float, PulseTrain, SyncKind, float] | None = None
    uneven = _is_uneven(family)
    for place, train in enumerate(trains):
        inside = [train.times_s[(train.times_s >= a) & (train.times_s <= b)] for a, b in spans_s]
        ideas = [
            idea
            for idea in _ideas(inside, spans_s, styles, likely[0][0], uneven=uneven)
            if idea[0] > 0 and SHORTEST_CYCLE_S <= idea[2] <= LONGEST_CYCLE_S
        ]
        cycles = np.array([cycle for _, _, cycle in ideas])
        combs = comb_score(spectrum, cycles, family.firing_angles_deg) / likely[0][1]
        for (worth, style, cycle), agrees in zip(ideas, combs.tolist(), strict=True):
            if agrees < LEAST_COMB:
                continue
            believed = 1.0 if style == family.sync_kind else UNEXPECTED
            total = worth * agrees * believed * (1.0 - 0.01 * place)
            if best is None or total > best[0]:
                best = (total, train, style, cycle)
        if best is not None and best[0] > BEYOND_DOUBT:
            break
    if best is None or best[0] < LEAST_AGREEMENT:
        return None
    _, train, style, cycle = best
    per_cycle = styles[style]
    counted = []
    for a, b in spans_s:
        times = train.times_s[(train.times_s >= a - 0.02) & (train.times_s <= b + 0.02)]
        if style == "distributor" and uneven:
            counted.append((times, np.arange(times.size, dtype=np.float64)))
        else:
            counted.append(_count(times, cycle / per_cycle))
    expected = sum(float(n[-1]) + 1 for _, n in counted if n.size)
    seen = sum(n.size for _, n in counted)
    missing = 1.0 - seen / expected if expected else 1.0
    after = train.times_s[train.times_s > spans_s[-1][1]]
    return Sync(style, per_cycle, cycle, tuple(counted), missing, train.cut_off, after)


def in_step(trains: Iterable[PulseTrain], times_s: Array, cycles: Array) -> tuple[Array, float] | None:
    """The pulses of a train that keep one place in the cycle the ripple tells, and that place, 0 to 1.

    For a coil that fires once a cycle and was caught only now and then, or among bursts from elsewhere. Pulses
    thrown at random gather in a window by chance: the bound on that, n C(n-1, k-1) w^(k-1) for k of n in some
    window of width w (each pulse may begin one; union bound over the binomial's leading term), must be small, and
    no second place may hold half as many (every cylinder's coil would be seen).
    """
    for train in trains:
        pulses = train.times_s[(train.times_s >= times_s[0]) & (train.times_s <= times_s[-1])]
        count = pulses.size
        if count < 2:
            continue
        place = np.interp(pulses, times_s, cycles) % 1.0
        beyond = (place[None, :] - place[:, None]) % 1.0  # how far each lies behind each window's beginning
        held = beyond <= IN_STEP
        most = int(np.argmax(held.sum(axis=1)))
        inside = held[most]
        together = int(inside.sum())
        if together < 2 or together > cycles[-1] + 1:
            continue
        outside = np.flatnonzero(~inside)
        rival = int(held[np.ix_(outside, outside)].sum(axis=1).max()) if outside.size else 0
        chance = count * math.comb(count - 1, together - 1) * IN_STEP ** (together - 1)
        if chance < BY_CHANCE and rival <= max(1, together // 2):
            turn = np.exp(2j * np.pi * place[inside]).mean()
            return pulses[inside], float(np.angle(turn) / (2.0 * np.pi)) % 1.0
    return None


def _is_uneven(family: EngineFamily) -> bool:
    return max(family.intervals_deg) - min(family.intervals_deg) > 1.0


def _ideas(
    inside: list[Array],
    spans_s: list[tuple[float, float]],
    styles: dict[SyncKind, int],
    ripple_cycle_s: float,
    *,
    uneven: bool,
) -> list[tuple[float, SyncKind, float]]:
    """What a train could be: its regularity as such, the style, and the cycle length in s.

    With many pulses missing the usual gap is a multiple of the true one, or none at all: then the ripple tells
    the cycle.
    """
    gaps = np.concatenate([np.diff(t) for t in inside]) if inside else np.empty(0)
    if gaps.size < 1:
        return []
    usual = middle_of(gaps)
    ideas: list[tuple[float, SyncKind, float]] = []
    for split, trust in ((1, 1.0), (2, 0.8), (3, 0.7)):
        period = usual / split
        worth = trust * _regularity(inside, period, spans_s)
        ideas += [
            (worth, style, per_cycle * period)
            for style, per_cycle in styles.items()
            if not (uneven and style == "distributor")
        ]
    for style, per_cycle in styles.items():
        if not (uneven and style == "distributor"):
            worth = 0.85 * _regularity(inside, ripple_cycle_s / per_cycle, spans_s)
            ideas.append((worth, style, ripple_cycle_s))
    if uneven:
        cycle, worth = _uneven_cycle(inside, styles["distributor"], spans_s)
        ideas.append((worth, "distributor", cycle))
    return ideas


def _uneven_cycle(
    inside: list[Array], cylinders: int, spans_s: list[tuple[float, float]]
) -> tuple[float, float]:
    """Cycle length and regularity of one pulse for every cylinder at uneven intervals.

    The gaps differ, but every `cylinders` pulses a cycle is complete.
    """
    whole = [t[cylinders:] - t[:-cylinders] for t in inside if t.size > cylinders]
    lengths = np.concatenate(whole) if whole else np.empty(0)
    if lengths.size < 2:
        return 0.0, 0.0
    cycle = middle_of(lengths)
    good = float((np.abs(lengths / cycle - 1.0) < 0.15).sum())
    expected = sum(max((b - a) * cylinders / cycle - cylinders, 1.0) for a, b in spans_s)
    return cycle, (good - 0.5 * (lengths.size - good)) / max(expected, good)


def _regularity(inside: list[Array], period: float, spans_s: list[tuple[float, float]]) -> float:
    """Share of the pulses to be expected that are there at the right distance, less the ones out of step."""
    good = bad = expected = 0.0
    for times, (a, b) in zip(inside, spans_s, strict=True):
        expected += max((b - a) / period - 1.0, 1.0)
        if times.size < 2:
            continue
        ratio = np.diff(times) / period
        whole = np.maximum(np.rint(ratio), 1.0)
        fits = np.abs(ratio - whole) < STEADY_WITHIN * np.sqrt(whole)
        # a gap over missing pulses vouches for the cycles in it, with less weight
        weight = np.where(whole > 1.0, 0.6 * np.minimum(whole, 5.0), 1.0)
        good += float(weight[fits].sum())
        bad += float(weight[~fits].sum())
    return (good - 0.5 * bad) / max(expected, good)


def _count(times: Array, period: float) -> tuple[Array, Array]:
    """Number the pulses, missing ones counted in, strays thrown out."""
    times = times.copy()
    local = period
    kept: list[int] = []
    numbers: list[float] = []
    gaps = np.diff(times)
    if times.size and (gaps > 0.62 * period).all() and (gaps < 1.5 * period).all():
        return times, np.arange(times.size, dtype=np.float64)
    for i in range(times.size):  # a handful of pulses a second
        if not kept:
            # begin at a pulse that has a partner one period on
            ahead = times[i + 1 :] - times[i]
            whole = np.maximum(np.rint(ahead / local), 1.0)
            if ahead.size and not (np.abs(ahead / whole - local) < 0.25 * local / whole).any():
                continue
            kept, numbers = [i], [0.0]
            continue
        gap = times[i] - times[kept[-1]]
        if gap < 0.62 * local:
            continue
        steps = max(1.0, float(np.rint(gap / local)))
        if steps == 1.0 or abs(gap / steps / local - 1.0) < 0.2:
            local += 0.5 * (float(np.clip(gap / steps, 0.75 * period, 1.33 * period)) - local)
        kept.append(i)
        numbers.append(numbers[-1] + steps)
    return times[kept], np.array(numbers)
