"""Sync pulses: found on the trace, told apart by how many come in a cycle, counted across the ones missing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import EngineFamily, SyncKind
from pipelines.kinds.relative_compression.period import (
    LONGEST_CYCLE_S,
    SHORTEST_CYCLE_S,
    RippleSpectrum,
    comb_score,
)
from pipelines.kinds.relative_compression.pulses import PulseTrain, PulseTrains
from pipelines.kinds.relative_compression.values import Array, middle_of

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.floating]

STEADY_WITHIN = 0.22  # of a cycle: what a gap may be off, growing with the root of the cycles in it
EVEN_GAPS = 4
RUNS_FOR = 4  # gaps
RUNS_AT = 0.55  # of the usual gap while cranking: uneven firing keeps a gap in three above it
RUNS_EVENLY, RUNS_NO_FASTER = 2.2, 0.08  # bursts from elsewhere come as they please
UNEXPECTED = 0.75  # weight of a style other than the family's table says
LEAST_AGREEMENT, BEYOND_DOUBT = 0.3, 0.93
LEAST_COMB = 0.45  # of the best comb score: a cycle the ripple knows nothing of is none
OUTSIDE, MOSTLY = 0.5, 0.4
NEIGHBOUR = 0.7  # of the coil's own height: what its neighbours' pulses may reach


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
        scattered: the same share without the longest block: a controller that gives no spark for a while loses no
            samples.
    """

    style: SyncKind
    per_cycle: int
    cycle_s: float
    spans: tuple[tuple[Array, Array], ...]
    missing: float
    cut_off: bool
    after_s: Array
    scattered: float = 0.0


def scattered_loss(numbers: Iterable[Array]) -> float:
    """Share of pulses missing between others, each stretch's longest block left out."""
    seen = lost = 0.0
    for n in numbers:
        gaps = np.diff(n) - 1.0
        seen += n.size
        lost += float(gaps.sum() - gaps.max(initial=0.0))
    return lost / max(lost + seen, 1.0)


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
        now, before = gaps[i : i + RUNS_FOR], float(np.median(gaps[:i]))
        if now.max() < RUNS_AT * before and now.min() > max(now.max() / RUNS_EVENLY, RUNS_NO_FASTER * before):
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
        if train.dwells and best is not None and best[2] == family.sync_kind:
            break  # sparks are seen as they should be; a dwell is but a part of what tells them
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
    scattered = scattered_loss(n for _, n in counted)
    sync = Sync(style, per_cycle, cycle, tuple(counted), missing, train.cut_off, after, scattered)
    if style == "distributor" != family.sync_kind:
        return own_coil(sync, train, family.sync_kind) or sync
    return sync


def own_coil(sync: Sync, train: PulseTrain, style: SyncKind) -> Sync | None:
    """The pulses of one coil among its neighbours' that the lead picked up: those clearly taller than all others.

    In a train with a pulse for every cylinder the watched coil's come back every cycle at the same place (with waste
    spark every half), above 1 / `NEIGHBOUR` of the next tallest. None where no place stands out.
    """
    per_cycle = {"coil_on_plug": 1, "waste_spark": 2}.get(style, 0)
    if (
        not per_cycle
        or sync.per_cycle % per_cycle
        or train.heights.size != train.times_s.size
        or train.cut_off
    ):
        return None
    places = sync.per_cycle // per_cycle
    spans = []
    lowest = 0.0
    for times, numbers in sync.spans:
        heights = train.heights[np.searchsorted(train.times_s, times)]
        by_place = np.array(
            [
                np.median(heights[numbers % places == k]) if (numbers % places == k).any() else 0.0
                for k in range(places)
            ]
        )
        if numbers.size < 2 * places:
            continue
        own = int(np.argmax(by_place))
        if np.delete(by_place, own).max() > NEIGHBOUR * by_place[own]:
            return None
        mine = numbers % places == own
        if np.quantile(heights[mine], 0.1) < np.quantile(heights[~mine], 0.9):
            return None  # heights that waver from pulse to pulse tell no coil
        spans.append((times[mine], (numbers[mine] - numbers[mine][0]) / places))
        lowest = max(lowest, float(np.quantile(heights[~mine], 0.9) * np.quantile(heights[mine], 0.1)) ** 0.5)
    if not spans:
        return None
    seen, expected = sum(n.size for _, n in spans), sum(float(n[-1]) + 1.0 for _, n in spans)
    return replace(
        sync,
        style=style,
        per_cycle=per_cycle,
        spans=tuple(spans),
        missing=1.0 - seen / expected,
        after_s=np.array(
            [t for t in sync.after_s if train.heights[np.searchsorted(train.times_s, t)] > lowest]
        ),
    )


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
    """Share of the pulses to be expected that are there at the right distance, less the ones out of step.

    A controller gives no spark until it knows where it is and stops when it pleases: what lies before the first pulse
    and behind the last counts half, where that is not most of the crank.
    """
    good = bad = expected = 0.0
    for times, (a, b) in zip(inside, spans_s, strict=True):
        whole_span = max((b - a) / period - 1.0, 1.0)
        if times.size < 2:
            expected += whole_span
            continue
        own = (times[-1] - times[0]) / period
        lacks = max(whole_span - own, 0.0)
        expected += own + lacks * (OUTSIDE if lacks < MOSTLY * whole_span else 1.0)
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
