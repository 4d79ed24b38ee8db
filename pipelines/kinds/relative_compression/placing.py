"""Which way a capture makes an engine: the fit at every place the firing sequence may have, under every view of the
channels that the level leaves open. The ripple decides: the view whose cycles are explained best stands."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipelines.kinds.base import EngineFamily, Hookup
from pipelines.kinds.relative_compression.angle import BINS
from pipelines.kinds.relative_compression.changes import take_back
from pipelines.kinds.relative_compression.front import DOUBTFUL, Front, half_later, look_at, other_cycles
from pipelines.kinds.relative_compression.inversion import Inversion, invert
from pipelines.kinds.relative_compression.signals import PLAIN, SYNC_SIGNALS, View
from pipelines.kinds.relative_compression.sync import Sync
from pipelines.kinds.relative_compression.values import Array, middle_of
from pipelines.waveform import Waveform

FIRES_BEFORE_TOP_DEG = 8.0
FEWEST_CYCLES = 2  # one cycle has no spread, so no standard error
FAR_SPARKS_DEG = (-12.0, 28.0)  # before the top
POOR_WITHOUT_SYNC = 0.2  # of the ripple's RMS, from which another length of the cycle is tried
POOR_MISFIT = 0.4  # of the ripple's RMS, from which another spark angle is tried
NEAR_TOP_DEG = 26.0  # a coil fires no farther from its cylinder's top than this from the usual place
UNSURE_DEG = 15.0  # how well the ripple's lowest point tells top dead centre
CERTAIN_COHERENCE, WORST_WITH_SYNC = 0.6, 0.6
LEAST_COHERENCE = 0.2  # of the ripple's power; cranking on a coarse scope still reaches 0.5
LOWEST_PCT, HIGHEST_PCT = -60.0, 1000.0  # a dead cylinder's residue reaches -30; beyond, no cylinder was seen
WORST_MISFIT = 0.5  # of the ripple's RMS; odd engines reach 0.35
CLEARLY_LESS = 1.3
PLAINLY_NEARER_DEG = 20.0  # speed swings by some 10 deg within a cycle (common practice, no source)
CLEARLY_BETTER = (
    12.0  # difference of cost (chi-square like) that settles which of two halves of the cycle it is
)


@dataclass(frozen=True, slots=True)
class Trial:
    """One view of a capture carried through to the fit.

    Attributes:
        order, angles: cylinders and their firing angles in deg from the cycle's start on.
        settled: which half of the cycle is which is certain.
        found, relative: the fit, and the strengths in % of the median; None where there are too few cycles.
        engine: whether it is what cylinders being compressed make.
    """

    front: Front
    order: tuple[int, ...]
    angles: Array
    settled: bool = False
    found: Inversion | None = None
    relative: Array | None = None
    engine: bool = False


def best_trial(waveform: Waveform, hookup: Hookup, family: EngineFamily) -> Trial:
    """The view that explains the capture best.

    What the log and the level say is tried first, and stands where the level leaves no doubt and an engine is seen.
    Else both signs are fitted and the cheaper stands; where neither is an engine, other channels are tried.

    Raises:
        ShopspreadError: when the log names no channel this test could be read from.
    """
    first = _try(waveform, hookup, family, PLAIN)
    sure = first.front.cranking.sure or not first.front.cranking.spans
    if first.engine and sure:
        return _or_exchanged(first, waveform, hookup, family)
    best = first
    if not sure:
        best = _better(first, _other_sign(first, waveform, hookup, family))
    if best.engine:
        return _or_exchanged(best, waveform, hookup, family)
    for view in _other_views(first.front):
        trial = _try(waveform, hookup, family, view)
        # pulses tell which channel is the coil's; a primary carries the battery's ripple too
        if view.exchanged and trial.front.sync is None:
            continue
        if trial.engine and trial.front.cycles.coherence > CERTAIN_COHERENCE:
            if not trial.front.cranking.sure:
                trial = _better(trial, _try(waveform, hookup, family, replace(view, turned=True)))
            channels = first.front.channels
            if view.no_sync and channels.sync is not None and channels.sync.named == SYNC_SIGNALS[1]:
                # a pickup no use was made of is still there, and its bursts are the briefest to fall between samples
                trial = replace(trial, front=replace(trial.front, channels=channels))
            return trial
    return best


def _other_sign(first: Trial, waveform: Waveform, hookup: Hookup, family: EngineFamily) -> Trial:
    """The trial with the load pulling the other way.

    Where the level is lost, all that was found stands but for the sign; where the first fit is good, the other one
    needs no second guess.
    """
    front, found = first.front, first.found
    if not front.cranking.ac_coupled or found is None:
        return _try(waveform, hookup, family, View(turned=True))
    c, cycles = front.cranking, front.cycles
    back = replace(cycles, ripple=-cycles.ripple, level=-cycles.level, lowest=-cycles.lowest)
    if cycles.unlike is not None:
        back = replace(back, unlike=replace(cycles.unlike, ripple=-cycles.unlike.ripple))
    turned = replace(c, load_down=-c.load_down, upside_down=not c.upside_down)
    good = first.engine and found.misfit < POOR_MISFIT
    return _carried(replace(front, cranking=turned, cycles=back), hookup, family, good_enough=good)


def _or_exchanged(best: Trial, waveform: Waveform, hookup: Hookup, family: EngineFamily) -> Trial:
    """The same, or with the channels the other way round where only that finds the coil's pulses in step.

    A coil's primary rests at the battery's volts and so carries the ripple too; a battery carries no pulses.
    """
    front = best.front
    if front.sync is not None or front.channels.sync is None or front.wrong_signal:
        return best
    trial = _try(waveform, hookup, family, View(exchanged=True))
    other = trial.front
    pulses = other.sync is not None and other.sync.style == family.sync_kind and other.sync.missing < DOUBTFUL
    steady = other.cycles.coherence > max(CERTAIN_COHERENCE, front.cycles.coherence - 0.1)
    return trial if trial.engine and pulses and steady and other.cranking.sure else best


def _other_views(front: Front) -> list[View]:
    """What else may be tried where nothing was seen."""
    views = []
    if front.channels.other is not None:
        views.append(View(other_supply=True))
    if front.channels.sync is not None:
        views.append(View(exchanged=True))
        views.append(View(no_sync=True))
    return views


def _better(first: Trial, second: Trial) -> Trial:
    """The one that is an engine and, of two, explains its cycles at less cost."""
    if second.found is None or not second.engine:
        return first
    if first.found is None or not first.engine:
        return second
    # a clamp's level speaks for its own sign, if not beyond doubt; one that is lost says nothing
    level = first.front.cranking
    lost = level.ac_coupled or level.shifted
    best = second if second.found.cost < first.found.cost - (0.0 if lost else CLEARLY_BETTER) else first
    if lost and best.front.cranking.upside_down and not clearly(first.found.cost, second.found.cost):
        # one of the two must stand, but neither level nor ripple is a witness against who held the leads
        best = replace(
            best, front=replace(best.front, cranking=replace(best.front.cranking, upside_down=False))
        )
    return best


def _try(waveform: Waveform, hookup: Hookup, family: EngineFamily, view: View) -> Trial:
    return _carried(look_at(waveform, hookup, family, view), hookup, family)


def _carried(front: Front, hookup: Hookup, family: EngineFamily, *, good_enough: bool = False) -> Trial:
    """Carry a front through to the fit; `good_enough` leaves out what is tried where a fit is poor."""
    order, angles = _sequence(family, hookup.sync_cylinder)
    if front.cycles.count < FEWEST_CYCLES:
        return Trial(front, order, angles)
    front, rotation, settled, found = _place(front, angles)
    if front.sync is None and not good_enough and found.misfit > POOR_WITHOUT_SYNC:
        for other in other_cycles(front, family):
            if other.cycles.count < FEWEST_CYCLES or other.cycles.coherence < front.cycles.coherence - 0.02:
                continue
            trial = _place(other, angles)
            if clearly(trial[3].cost, found.cost) and trial[3].cost < found.cost:
                front, rotation, settled, found = trial
    if front.cycles.unlike is not None:
        # cycles left out for their shape may hold a cylinder that kicks
        again = partial(
            invert,
            angles_deg=_rotated(angles, rotation),
            phase_guess_deg=found.phase_deg,
            drop=front.cranking.drop,
        )
        cycles, found = take_back(front.cycles, found, again)
        front = replace(front, cycles=cycles)
    relative = relative_of(found.strength)
    engine = is_an_engine(front, found, relative)
    if good_enough:
        order = _beginning(order, front, rotation, settled)
        return Trial(front, order, _rotated(angles, rotation), settled, found, relative, engine)
    if front.sync is not None and (not engine or found.misfit > POOR_MISFIT):
        front, rotation, settled, found, engine = _far_spark(front, angles, rotation, settled, found, engine)
        relative = relative_of(found.strength)
    if front.sync is not None and not engine:
        despite = _despite_pulses(front, front.sync, angles)
        if despite is not None:
            engine, settled, (named, rotation, found) = True, False, despite
            relative = relative_of(found.strength)
            if not named:
                front = replace(front, sync=None)
    order = _beginning(order, front, rotation, settled)
    return Trial(front, order, _rotated(angles, rotation), settled, found, relative, engine)


def _beginning(order: tuple[int, ...], front: Front, rotation: int, settled: bool) -> tuple[int, ...]:
    """The cylinders from the cycle's start on: a coil's own begins it, a distributor's first pulse is any."""
    if settled and front.sync is not None and front.sync.style == "distributor":
        return order[rotation:] + order[:rotation]
    return order


def is_an_engine(front: Front, found: Inversion, relative: Array) -> bool:
    """Whether the ripple repeats from cycle to cycle and is what cylinders being compressed make."""
    if not (
        np.isfinite(relative).all()
        and np.median(found.strength) > 0
        and relative.min() > LOWEST_PCT
        and relative.max() < HIGHEST_PCT
    ):
        return False
    if (
        front.sync is not None
        and front.cycles.coherence > CERTAIN_COHERENCE
        and found.misfit < WORST_WITH_SYNC
    ):
        return True  # what repeats in step with the coil is the engine, however odd
    return front.cycles.coherence > LEAST_COHERENCE and found.misfit < WORST_MISFIT


def _far_spark(
    front: Front, angles: Array, rotation: int, settled: bool, found: Inversion, engine: bool
) -> tuple[Front, int, bool, Inversion, bool]:
    """The same with a spark far before or after the top, where that explains the cycles much better: from the usual
    angle on the fit does not find its way there."""
    best = (front, rotation, settled, found, engine)
    for guess_deg in FAR_SPARKS_DEG:
        if abs(guess_deg - FIRES_BEFORE_TOP_DEG) > 0.35 * 720.0 / angles.size:
            continue
        trial = _place(front, angles, guess_deg)
        fine = is_an_engine(trial[0], trial[3], relative_of(trial[3].strength))
        if fine and trial[3].cost < (0.6 if best[4] else 1.0) * best[3].cost:
            best = (*trial, fine)
    return best


def _despite_pulses(front: Front, sync: Sync, angles: Array) -> tuple[bool, int, Inversion] | None:
    """The fit that takes no phase from the pulses, where it alone shows an engine; else None.

    Few pulses may have come from elsewhere, and then name nobody. A whole train still names its cylinder where that
    reaches its top beside it (many cylinders lead the fit from the pulses astray); where not, it is the coil of
    another engine family, which must not pass for a missing sync.

    Returns:
        Whether the pulses name the cylinders, which firing the cycle starts with, and the fit.
    """
    alone = replace(front, sync=None)
    _, rotation, _, found = _place(alone, angles)
    if not is_an_engine(alone, found, relative_of(found.strength)):
        return None
    if sync.missing > DOUBTFUL:
        return False, rotation, found
    if sync.per_cycle == 1 and rotation == 0:
        # the first top behind a late spark is the next cylinder's: its own lies before the pulse
        interval = 720.0 / angles.size
        if (
            np.ptp(np.diff(np.append(angles, 720.0))) < 1.0
            and found.phase_deg > FIRES_BEFORE_TOP_DEG + 0.5 * interval
        ):
            ripple, drop = front.cycles.ripple, front.cranking.drop
            found = invert(ripple, angles, found.phase_deg - interval, 0.5 * UNSURE_DEG, drop)
    near = min(NEAR_TOP_DEG, 0.35 * 720.0 / angles.size)
    beside = rotation == 0 and abs(found.phase_deg - FIRES_BEFORE_TOP_DEG) < near
    return (True, rotation, found) if beside and front.cycles.coherence > CERTAIN_COHERENCE else None


def relative_of(strength: Array) -> Array:
    """Strengths as per cent of the median cylinder, shape (cylinders,)."""
    middle = middle_of(strength)
    return np.asarray(100.0 * strength / middle) if middle != 0 else np.full(strength.size, np.nan)


def _sequence(family: EngineFamily, sync_cylinder: int) -> tuple[tuple[int, ...], Array]:
    """Firing order and angles beginning at the sync cylinder."""
    at = family.firing_order.index(sync_cylinder)
    order = family.firing_order[at:] + family.firing_order[:at]
    intervals = np.roll(np.asarray(family.intervals_deg), -at)
    return order, np.concatenate(([0.0], np.cumsum(intervals)[:-1]))


def _rotated(angles: Array, by: int) -> Array:
    """Angles of the sequence beginning at another firing."""
    turned = np.roll(angles, -by)
    return np.asarray((turned - turned[0]) % 720.0)


def _place(
    front: Front, angles: Array, spark_deg: float = FIRES_BEFORE_TOP_DEG
) -> tuple[Front, int, bool, Inversion]:
    """Fit with every place the firing sequence may have against the cycle's start.

    Returns:
        The front (its cycles cut half a cycle later where waste spark's other pulse is the sync cylinder's), which
        firing the cycle starts with, whether that is certain, and the fit.
    """
    ripple = front.cycles.ripple
    sync = front.sync
    fit = partial(invert, drop=front.cranking.drop)
    if sync is not None and sync.style == "coil_on_plug":
        return front, 0, True, fit(ripple, angles, spark_deg)
    if sync is not None and sync.style == "waste_spark":
        first = fit(ripple, angles, spark_deg)
        later = front if _same_after_half(angles) else half_later(front)
        if later.cycles.count < FEWEST_CYCLES or later is front:
            return front, 0, False, first
        second = fit(later.cycles.ripple, angles, spark_deg)
        settled = clearly(first.cost, second.cost)
        return (front, 0, settled, first) if first.cost <= second.cost else (later, 0, settled, second)
    places = _unlike_places(angles)
    if sync is not None:
        fits = [(by, fit(ripple, _rotated(angles, by), spark_deg)) for by in places]
    else:
        fits = []
        for by in places:
            turned = _rotated(angles, by)
            fits.append((by, fit(ripple, turned, _first_top_deg(ripple, turned), UNSURE_DEG)))
    by, best = min(fits, key=lambda f: f[1].cost)
    return front, by, sync is not None and by == spaced_as(sync, angles), best


def clearly(one: float, other: float) -> bool:
    """Whether two costs differ beyond doubt, also where the model fits neither: by their difference as such and in
    units of what the better one leaves."""
    low, high = sorted((one, other))
    return high - low > CLEARLY_BETTER and high > CLEARLY_LESS * low


def _same_after_half(angles: Array) -> bool:
    turned = np.sort((angles + 360.0) % 720.0)
    return bool(np.allclose(turned, np.sort(angles), atol=1.0))


def spaced_as(sync: Sync, angles: Array) -> int | None:
    """Which firing of an unevenly firing engine a distributor's first pulse is, told by the pulses' spacing alone.

    None where another place is as near: with even intervals every one is.
    """
    count = angles.size
    # the stretch that cycles are cut from, see `front`
    times, numbers = max(sync.spans, key=lambda span: span[1][-1] if span[1].size else 0.0)
    places = [times[k : k + count + 1] for k in range(0, numbers.size - count, count)]
    if not places:
        return None
    passed = np.array([(t[:-1] - t[0]) / (t[-1] - t[0]) for t in places])
    seen_deg = 720.0 * np.median(passed, axis=0)
    away = np.array([float(np.abs(_rotated(angles, by) - seen_deg).max()) for by in range(count)])
    nearest, next_one = np.argsort(away, kind="stable")[:2]
    return int(nearest) if away[next_one] - away[nearest] > PLAINLY_NEARER_DEG else None


def _unlike_places(angles: Array) -> list[int]:
    """Rotations of the firing sequence that are not the same set of intervals."""
    intervals = np.diff(np.append(angles, 720.0))
    seen: list[Array] = []
    places = []
    for by in range(angles.size):
        turned = np.roll(intervals, -by)
        if not any(np.allclose(turned, s, atol=1.0) for s in seen):
            seen.append(turned)
            places.append(by)
    return places


def _first_top_deg(ripple: Array, angles: Array) -> float:
    """Angle from the cycle's start to the first compression, from the lowest point of the folded ripple.

    The signal is lowest a little before or at top dead centre, so this is good enough to begin from.
    """
    mean = ripple.mean(axis=0)
    bins = np.arange(BINS)
    even = bool(np.ptp(np.diff(np.append(angles, 720.0))) < 1.0)
    shifts = np.arange(0.0, 720.0 / angles.size if even else 720.0, 5.0)
    at = (angles + shifts[:, None]) % 720.0
    depth = np.interp(at.ravel(), (bins + 0.5) * 720.0 / BINS, mean, period=720.0).reshape(at.shape)
    return float(shifts[int(np.argmin(depth.sum(axis=1)))])
