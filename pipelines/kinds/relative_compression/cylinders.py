"""From engine cycles to each cylinder's relative compression, its standard error and its name."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from pipelines.errors import ShopspreadError
from pipelines.kinds.base import Check, ElementReading, EngineFamily, Events, Hookup, Identified, Reading
from pipelines.kinds.relative_compression.angle import BINS
from pipelines.kinds.relative_compression.front import DOUBTFUL, Front, look_at
from pipelines.kinds.relative_compression.inversion import Inversion, invert
from pipelines.kinds.relative_compression.setup_checks import setup_checks
from pipelines.kinds.relative_compression.signals import Array, middle_of
from pipelines.kinds.relative_compression.sync import Sync
from pipelines.waveform import Waveform

FIRES_BEFORE_TOP_DEG = 8.0
FEWEST_CYCLES = 2  # one cycle has no spread, so no standard error
EVEN_WITHIN = 0.06  # how near a whole number the firings between two pulses must lie
MANY = 6  # cylinders, from which every second one hardly compressing is a wrong family, not a fault
NO_FIRING = 0.3  # of the others' compression: no whole half of an engine falls below
NEAR_TOP_DEG = 20.0  # a coil fires no farther from its cylinder's top than this from the usual place
UNSURE_DEG = 15.0  # how well the ripple's lowest point tells top dead centre
CERTAIN_COHERENCE, WORST_WITH_SYNC = 0.6, 0.6
LEAST_COHERENCE = 0.2  # of the ripple's power; cranking on a coarse scope still reaches 0.5
LOWEST_PCT, HIGHEST_PCT = -60.0, 1000.0  # a dead cylinder's residue reaches -30; beyond, no cylinder was seen
WORST_MISFIT = 0.5  # of the ripple's RMS; odd engines reach 0.35
CLEARLY_BETTER = (
    12.0  # difference of cost (chi-square like) that settles which of two halves of the cycle it is
)


def read_cranking(waveform: Waveform, hookup: Hookup, family: EngineFamily, reader_version: int) -> Reading:
    """The reading of one capture; see `pipelines.kinds.base.Kind.read`."""
    if hookup.sync_cylinder not in family.firing_order:
        raise ShopspreadError(
            f"The sync cylinder {hookup.sync_cylinder} does not exist on engine family {family.name!r} "
            f"({family.cylinders} cylinders): correct sync_cylinder in captures.csv."
        )
    front = look_at(waveform, hookup, family)
    checks = setup_checks(front, hookup)
    features = _features(front)
    if front.cycles.count < FEWEST_CYCLES:
        return Reading("unusable", _why_unusable(checks), features, (), checks, None, reader_version)
    order, angles = _sequence(family, hookup.sync_cylinder)
    rotation, settled, found = _place(front, angles)
    relative = relative_of(found.strength)
    engine = _is_an_engine(front, found, relative)
    if front.sync is not None and not engine:
        despite = _despite_pulses(front, front.sync, angles)
        if despite is not None:
            engine, settled, (named, rotation, found) = True, False, despite
            relative = relative_of(found.strength)
            if not named:
                front = replace(front, sync=None)
                checks = setup_checks(front, hookup)
    angles = _rotated(angles, rotation)
    contradiction = _other_engine(front, family, relative) if engine else ""
    if not engine or contradiction:
        reason = contradiction or (
            "The supply shows no ripple of an engine of this family being cranked: check the engine family and the "
            "signal names in the capture log, and crank for about ten seconds."
        )
        # what depends on cycles that are none says nothing
        told = {name: value for name, value in features.items() if name == "rest_v"}
        features = {**dict.fromkeys(features, np.nan), **told, "cycles": 0.0}
        if front.channels.sync is not None:
            checks = tuple(c for c in checks if c.check != "no_sync")
        return Reading("unusable", reason, features, (), checks, None, reader_version)
    error = standard_errors(found.by_cycle, relative)
    features |= {
        "ripple_coherence": front.cycles.coherence,
        "ripple_misfit": found.misfit,
        "starter_memory_cycles": found.tau / (2.0 * np.pi),
        "speed_swing": found.kappa,
        "series_exponent": found.series,
        "top_after_sync_deg": found.phase_deg if front.sync is not None else np.nan,
    }
    numbers, companions, identity = _names(front, order, angles, settled)
    count = family.cylinders
    cylinders = tuple(
        ElementReading(
            element=numbers[i] if identity != "none" else None,
            position=i + 1,
            relative_pct=float(relative[i]),
            se_pct=float(error[i]),
            identified=identity,
            companion=companions[i],
        )
        for i in range(count)
    )
    return Reading(
        "read",
        "",
        features,
        cylinders,
        checks,
        _events(front, angles, found),
        reader_version,
        _notes(front, family),
    )


def _is_an_engine(front: Front, found: Inversion, relative: Array) -> bool:
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


def _despite_pulses(front: Front, sync: Sync, angles: Array) -> tuple[bool, int, Inversion] | None:
    """The fit that takes no phase from the pulses, where it alone shows an engine; else None.

    Few pulses may have come from elsewhere, and then name nobody. A whole train still names its cylinder where that
    reaches its top beside it (many cylinders lead the fit from the pulses astray); where not, it is the coil of
    another engine family, which must not pass for a missing sync.

    Returns:
        Whether the pulses name the cylinders, which firing the cycle starts with, and the fit.
    """
    alone = replace(front, sync=None)
    rotation, _, found = _place(alone, angles)
    if not _is_an_engine(alone, found, relative_of(found.strength)):
        return None
    if sync.missing > DOUBTFUL:
        return False, rotation, found
    beside = rotation == 0 and abs(found.phase_deg - FIRES_BEFORE_TOP_DEG) < NEAR_TOP_DEG
    return (True, rotation, found) if beside and front.cycles.coherence > CERTAIN_COHERENCE else None


def _other_engine(front: Front, family: EngineFamily, relative: Array) -> str:
    """A sentence where even sync pulses and the ripple are those of an engine with another number of cylinders.

    Between two pulses of one coil lie all firings of a cycle, half of them with waste spark, one with a distributor.
    """
    count = family.cylinders
    firings = front.pulse_s * count / front.cycle_s
    # where the pulses explain themselves in full, the tallest of them may be but some of them
    doubtful = front.sync is None or front.sync.missing > DOUBTFUL
    whole = round(firings) if doubtful and np.isfinite(firings) else 0
    if whole >= 2 and abs(firings - whole) < EVEN_WITHIN * whole and whole not in (count, count / 2):
        return (
            f"The ripple shows {whole} firings from one sync pulse to the next, which an engine of {count} cylinders "
            "cannot: check the engine family in the capture log (its cylinders and firing order), then ingest again."
        )
    halves = sorted((relative[0::2], relative[1::2]), key=lambda half: float(half.mean()))
    if count >= MANY and count % 2 == 0 and halves[0].max() < NO_FIRING * halves[1].min():
        return (
            f"Only every second of the {count} firings is seen, as from an engine of {count // 2} cylinders: check "
            "the engine family in the capture log (its cylinders and firing order), then ingest again."
        )
    return ""


def relative_of(strength: Array) -> Array:
    """Strengths as per cent of the median cylinder, shape (cylinders,)."""
    middle = middle_of(strength)
    return np.asarray(100.0 * strength / middle) if middle != 0 else np.full(strength.size, np.nan)


def standard_errors(by_cycle: Array, relative: Array) -> Array:
    """Standard error of each relative figure in per cent, from the cycles, shape (cylinders,).

    Each cycle's departure is taken against the cylinders around the median, and neighbouring cycles may be alike:
    the variance of the mean, gamma_0 / n, becomes (gamma_0 + 2 gamma_1) / n with their lag-one
    covariance (a textbook formula for a short-memory series, Priestley M. B. (1981), Spectral Analysis and Time
    Series, section 5.3, from memory), and never less than 0.4 of the plain one. One cycle alone has no spread:
    infinite.
    """
    cycles = by_cycle.shape[0]
    if cycles < 2:
        return np.full(relative.size, np.inf)
    near = np.exp(-0.5 * ((relative - 100.0) / 3.0) ** 2) + 1e-9
    near /= near.sum()
    middle = by_cycle @ near
    scale = float(middle.mean())
    apart = 100.0 * (by_cycle - middle[:, None] * (relative / 100.0)) / scale
    apart -= apart.mean(axis=0)
    variance = (apart**2).sum(axis=0) / (cycles - 1)
    # taking off the mean makes neighbours look less alike by the share 1 / cycles: put that back
    lag = (apart[1:] * apart[:-1]).sum(axis=0) / (cycles - 1) + variance / cycles
    return np.asarray(np.sqrt(np.maximum(variance + 2.0 * lag, 0.4 * variance) / cycles))


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


def _place(front: Front, angles: Array) -> tuple[int, bool, Inversion]:
    """Fit with every place the firing sequence may have against the cycle's start.

    Returns:
        Which firing the cycle starts with, whether that is certain, and the fit.
    """
    ripple = front.cycles.ripple
    sync = front.sync
    fit = partial(invert, drop=front.cranking.drop)
    if sync is not None and sync.style == "coil_on_plug":
        return 0, True, fit(ripple, angles, FIRES_BEFORE_TOP_DEG)
    if sync is not None and sync.style == "waste_spark":
        first = fit(ripple, angles, FIRES_BEFORE_TOP_DEG)
        if _same_after_half(angles):
            return 0, False, first
        second = fit(np.roll(ripple, BINS // 2, axis=1), angles, FIRES_BEFORE_TOP_DEG)
        better = min(first, second, key=lambda f: f.cost)
        return 0, abs(first.cost - second.cost) > CLEARLY_BETTER, better
    places = _unlike_places(angles)
    if sync is not None:
        fits = [(by, fit(ripple, _rotated(angles, by), FIRES_BEFORE_TOP_DEG)) for by in places]
    else:
        fits = []
        for by in places:
            turned = _rotated(angles, by)
            fits.append((by, fit(ripple, turned, _first_top_deg(ripple, turned), UNSURE_DEG)))
    by, best = min(fits, key=lambda f: f[1].cost)
    return by, False, best


def _same_after_half(angles: Array) -> bool:
    turned = np.sort((angles + 360.0) % 720.0)
    return bool(np.allclose(turned, np.sort(angles), atol=1.0))


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
    best, lowest = 0.0, np.inf
    even = bool(np.ptp(np.diff(np.append(angles, 720.0))) < 1.0)
    reach = 720.0 / angles.size if even else 720.0
    for shift in np.arange(0.0, reach, 5.0):
        at = np.interp((angles + shift) % 720.0, (bins + 0.5) * 720.0 / BINS, mean, period=720.0)
        if at.sum() < lowest:
            best, lowest = float(shift), float(at.sum())
    return best


def _names(
    front: Front, order: tuple[int, ...], angles: Array, settled: bool
) -> tuple[list[int], list[int | None], Identified]:
    count = len(order)
    nobody: list[int | None] = [None] * count
    sync = front.sync
    if sync is None or sync.style == "distributor":
        return list(order), nobody, "none"
    if sync.style == "coil_on_plug" or settled:
        return list(order), nobody, "sync"
    companions: list[int | None] = []
    for angle in angles:
        other = int(np.argmin(np.abs((angles - angle - 360.0 + 360.0) % 720.0 - 360.0)))
        companions.append(order[other])
    return list(order), companions, "pair"


def _events(front: Front, angles: Array, found: Inversion) -> Events:
    supply = front.channels.supply
    offset = supply.start_s
    starts, lengths = front.cycles.starts_s, front.cycles.lengths_s
    tops = starts[:, None] + lengths[:, None] * ((angles + found.phase_deg) / 720.0)
    positions = np.broadcast_to(np.arange(1, angles.size + 1), tops.shape)
    rank = np.argsort(tops, axis=None)
    mean = front.cycles.ripple.mean(axis=0)
    bins = (np.arange(BINS) + 0.5) * 720.0 / BINS
    turned = np.interp((bins + found.phase_deg) % 720.0, bins, mean, period=720.0)
    peak = float(np.ptp(front.cycles.ripple.mean(axis=0))) or 1.0
    pulses = np.concatenate([t for t, _ in front.sync.spans]) if front.sync is not None else np.empty(0)
    ends = front.cranking.spans
    return Events(
        start_s=offset + ends[0][0] / supply.rate_hz,
        end_s=offset + ends[-1][1] / supply.rate_hz,
        index_s=pulses,
        event_s=np.asarray(offset + tops.ravel()[rank]),
        position=np.asarray(positions.ravel()[rank], dtype=np.int64),
        mean_shape=np.asarray(turned / peak),
    )


def _features(front: Front) -> dict[str, float]:
    c, cycles = front.cranking, front.cycles
    absolute = c.nature == "voltage" and not c.ac_coupled
    rpm = 120.0 / middle_of(cycles.lengths_s) if cycles.count else np.nan
    swing = float(np.ptp(cycles.typical)) if cycles.count else np.nan
    features = {
        "cycles": float(cycles.count),
        "crank_rpm": rpm,
        "rest_v": c.rest if absolute else np.nan,
        "crank_min_v": float(cycles.lowest.min()) if absolute and cycles.count else np.nan,
        "crank_mean_v": middle_of(cycles.level) if absolute and cycles.count else np.nan,
        "ripple_v": swing if c.nature == "voltage" else np.nan,
        "ripple_a": swing if c.nature == "current" else np.nan,
        "steps_in_ripple": swing / front.step if front.step > 0 else np.nan,
        "speed_scatter_pct": 100.0 * float(np.std(cycles.lengths_s) / np.mean(cycles.lengths_s))
        if cycles.count > 1
        else np.nan,
    }
    if c.nature == "current" and not c.ac_coupled and cycles.count:
        features["crank_mean_a"] = -middle_of(cycles.level)
    return features


def _why_unusable(checks: tuple[Check, ...]) -> str:
    for check in checks:
        if check.severity == "unusable":
            return check.detail
    return (
        "No whole engine cycle could be made out in the cranking stretch: crank for about ten seconds with a steady "
        "supply and save the record again."
    )


def _notes(front: Front, family: EngineFamily) -> tuple[str, ...]:
    notes = []
    left = front.cycles.seen - front.cycles.count
    if left:
        notes.append(f"{left} of {front.cycles.seen} cycles were left out as unlike the others.")
    if front.sync is not None and front.sync.style != family.sync_kind:
        notes.append(
            f"The pulses come as from {front.sync.style.replace('_', ' ')}, the family's table says "
            f"{family.sync_kind.replace('_', ' ')}; the pulses were believed."
        )
    if front.sync is not None and front.sync.missing > 0.01:
        notes.append(
            f"{100 * front.sync.missing:.0f} % of the sync pulses were missing; their places were counted in."
        )
    return tuple(notes)
