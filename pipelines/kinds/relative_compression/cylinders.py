"""From engine cycles to each cylinder's relative compression, its standard error and its name."""

from __future__ import annotations

import numpy as np

from pipelines.errors import ShopspreadError
from pipelines.kinds.base import Check, ElementReading, EngineFamily, Events, Hookup, Identified, Reading
from pipelines.kinds.relative_compression.angle import BINS
from pipelines.kinds.relative_compression.changes import Change, change_of
from pipelines.kinds.relative_compression.clipping import CutOff, cut_off
from pipelines.kinds.relative_compression.doubt import Flags, borne_out, stated_error
from pipelines.kinds.relative_compression.front import DOUBTFUL, Front
from pipelines.kinds.relative_compression.inversion import Inversion
from pipelines.kinds.relative_compression.placing import FIRES_BEFORE_TOP_DEG, best_trial, relative_of
from pipelines.kinds.relative_compression.setup_checks import cranked_s, setup_checks, silent_sync
from pipelines.kinds.relative_compression.values import Array, middle_of
from pipelines.waveform import Waveform

NO_CYCLE = (
    "The supply is loaded, but its ripple does not repeat from one engine cycle to the next: look for a loose clip, "
    "another load that switches on and off, or a supply channel that is not the one the log says, and crank for about "
    "ten seconds."
)
TOO_SHORT_S = 1.6  # three cycles at 225 rpm
REPEATS = 0.5  # share of the ripple's power from which it repeats
EVEN_WITHIN = 0.06  # how near a whole number the firings between two pulses must lie
FARTHEST_SPARK_DEG = 32.0  # from the usual place before the top (common practice, no source)
MOSTLY_CUT = 0.25  # of the cranking: what is left of the ripple are its valleys or its peaks alone
MANY = 6  # cylinders, from which every second one hardly compressing is a wrong family, not a fault
NO_FIRING = 0.3  # of the others' compression: no whole half of an engine falls below


def read_cranking(waveform: Waveform, hookup: Hookup, family: EngineFamily, reader_version: int) -> Reading:
    """The reading of one capture; see `pipelines.kinds.base.Kind.read`."""
    if hookup.sync_cylinder not in family.firing_order:
        raise ShopspreadError(
            f"The sync cylinder {hookup.sync_cylinder} does not exist on engine family {family.name!r} "
            f"({family.cylinders} cylinders): correct sync_cylinder in captures.csv."
        )
    trial = best_trial(waveform, hookup, family)
    front = trial.front
    cut = cut_off(front)
    checks = setup_checks(front, hookup, family.cylinders, cut)
    features = _features(front)
    if trial.found is None or trial.relative is None:
        return Reading("unusable", _why_unusable(checks), features, (), checks, None, reader_version)
    found, relative, angles, engine = trial.found, trial.relative, trial.angles, trial.engine
    contradiction = _other_engine(front, family, relative) if engine else ""
    if not engine or contradiction:
        return _refused(front, family, contradiction, features, checks, reader_version)
    error = standard_errors(found.by_cycle, relative)
    features |= _fitted(front, found, relative)
    change = change_of(found)
    if change is not None:
        features |= {
            "change_over_crank_pct": change.change_pct,
            "change_position": change.position + 1.0,
            "kicks": float(change.kicks),
            "kick_position": change.kicker + 1.0 if change.kicker is not None else np.nan,
            "kick_depth_pct": change.depth_pct,
        }
    weighed = relative_of(found.weighed)
    believed = borne_out(relative, weighed, error, found.doubt_pct)
    error = stated_error(relative, weighed, error, found.doubt_pct, believed, found.misfit)
    numbers, companions, identity = _names(front, trial.order, angles, trial.settled)
    unnamed = _unnamed(angles, found, believed, cut) if identity != "none" else []
    nobody = identity == "none" or _far_from_top(angles, found) or cut.of_cranking > MOSTLY_CUT
    named = np.zeros_like(believed) if nobody else believed
    cylinders = tuple(
        ElementReading(
            element=numbers[i] if named[i] else None,
            position=i + 1,
            relative_pct=float(relative[i]),
            se_pct=float(error[i]),
            identified=identity if named[i] else "none",
            companion=companions[i] if named[i] else None,
        )
        for i in range(family.cylinders)
    )
    if front.sync is not None and front.sync.style != family.sync_kind:
        checks = (*checks, Check("family_doubtful", "warning", _other_style(front.sync.style, family)))
    return Reading(
        "read",
        "",
        features,
        cylinders,
        checks,
        _events(front, angles, found),
        reader_version,
        (*_notes(front), *unnamed, *_changes(change, cylinders, found.by_cycle.shape[0])),
    )


def _refused(
    front: Front,
    family: EngineFamily,
    contradiction: str,
    features: dict[str, float],
    checks: tuple[Check, ...],
    reader_version: int,
) -> Reading:
    """No reading, with the reason it was: the log's engine, a record too short, coarse steps, or no steady ripple."""
    # what depends on cycles that are none says nothing
    told = {name: value for name, value in features.items() if name == "rest_v"}
    features = {**dict.fromkeys(features, np.nan), **told, "cycles": 0.0}
    untold = {"near_stall"} | (
        {"no_sync"} if front.channels.sync is not None and not silent_sync(front) else set()
    )
    checks = tuple(c for c in checks if c.check not in untold)
    raised = {c.check for c in checks}
    if contradiction:
        reason = contradiction
        checks = (Check("family_doubtful", "unusable", reason), *checks)
    elif cranked_s(front) < TOO_SHORT_S:
        reason = (
            f"Cranking lasts only {cranked_s(front):.1f} s, too short to tell the cylinders apart: crank for about ten "
            "seconds, so that every cylinder is seen many times."
        )
        checks = (Check("too_short", "unusable", reason), *(c for c in checks if c.check != "too_short"))
    elif "coarse_resolution" in raised and front.cycles.coherence < REPEATS:
        reason = (
            "The ripple is lost in the steps of the scope, and no cycle looks like the next: choose the smallest range "
            "that holds the signal (or subtract an offset), or a scope mode with more bits."
        )
    elif front.cycles.coherence < REPEATS:
        reason = NO_CYCLE
    else:
        reason = (
            f"The supply's ripple repeats, but an engine of {family.cylinders} cylinders with these firing intervals "
            "does not make it so: check the engine family and the signal names in the capture log."
        )
    if "engine_started" in raised:
        reason += " The engine also started during the record: keep it from starting."
    return Reading("unusable", reason, features, (), checks, None, reader_version)


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


def _names(
    front: Front, order: tuple[int, ...], angles: Array, settled: bool
) -> tuple[list[int], list[int | None], Identified]:
    count = len(order)
    nobody: list[int | None] = [None] * count
    sync = front.sync
    if sync is None or (sync.style == "distributor" and not settled):
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


def _fitted(front: Front, found: Inversion, relative: Array) -> dict[str, float]:
    """Features of the fit."""
    return {
        "ripple_coherence": front.cycles.coherence,
        "ripple_misfit": found.misfit,
        "doubt_pct": float(found.doubt_pct[int(np.argmin(relative))]),
        "starter_memory_cycles": found.tau / (2.0 * np.pi),
        "speed_swing": found.kappa,
        "series_exponent": found.series,
        "top_after_sync_deg": found.phase_deg if front.sync is not None else np.nan,
    }


def _why_unusable(checks: tuple[Check, ...]) -> str:
    for check in checks:
        if check.severity == "unusable":
            started = any(c.check == "engine_started" for c in checks)
            return check.detail + (
                " The engine also started during the record: keep it from starting." if started else ""
            )
    return NO_CYCLE


def _changes(change: Change | None, cylinders: tuple[ElementReading, ...], cycles: int) -> list[str]:
    """Sentences on what came and went during the crank."""
    if change is None:
        return []

    def called(position: int) -> str:
        c = cylinders[position]
        if c.identified == "none" or c.element is None:
            return f"The cylinder at firing position {position + 1}"
        return f"Cylinder {c.element}" + (f" or {c.companion}" if c.companion is not None else "")

    said = []
    if change.lasting:
        when = ("last", "first") if change.change_pct < 0 else ("first", "last")
        said.append(
            f"{called(change.position)} was {abs(change.change_pct):.0f} % weaker in the {when[0]} third of the crank "
            f"than in the {when[1]}; the figure is the mean over all of it."
        )
    if change.kicks and change.kicker is not None:
        said.append(
            f"{called(change.kicker)} fell by about {change.depth_pct:.0f} % in single cycles ({change.kicks} of "
            f"{cycles} cycles show such a fall); the figure is the mean over all of them."
        )
    return said


def _other_style(style: str, family: EngineFamily) -> str:
    return (
        f"The pulses come as from {style.replace('_', ' ')}, the family's table says "
        f"{family.sync_kind.replace('_', ' ')}; the pulses were believed. Check sync_kind and the number of cylinders "
        "in engine_families.csv, and the engine family in the capture log."
    )


def _far_from_top(angles: Array, found: Inversion) -> bool:
    """Whether the sync pulses stand where no coil fires: then they name nobody."""
    away = abs((found.phase_deg - FIRES_BEFORE_TOP_DEG + 360.0) % 720.0 - 360.0)
    return away > min(FARTHEST_SPARK_DEG, 0.5 * float(np.diff(np.append(angles, 720.0)).min()))


def _unnamed(angles: Array, found: Inversion, believed: Flags, cut: CutOff) -> list[str]:
    """Why cylinders are not named that the sync pulses would name, as sentences; none where all are."""
    if _far_from_top(angles, found):
        return [
            f"The sync pulses stand {found.phase_deg:.0f} degrees of the crank before a top, where no coil fires: no "
            "cylinder is named. Check which coil the lead is on, and the firing intervals in engine_families.csv."
        ]
    if cut.of_cranking > MOSTLY_CUT:
        return [
            f"The screen cuts off {100.0 * cut.of_cranking:.0f} % of the cranking: what is left of the ripple may show "
            "the wrong cylinder, and none is named."
        ]
    if believed.all():
        return []
    who = "one that looks odd is not named: it" if believed.any() else "none is named: one that looks odd"
    return [
        f"The cylinders leave {100.0 * found.misfit:.0f} % of the ripple unexplained, and {who} may be even. Look for "
        "a load that switches, a loose clip or a cut-off signal, crank for about ten seconds, and capture again."
    ]


def _notes(front: Front) -> tuple[str, ...]:
    notes = []
    left = front.cycles.seen - front.cycles.count
    if left:
        notes.append(f"{left} of {front.cycles.seen} cycles were left out as unlike the others.")
    if front.sync is not None and front.sync.missing > 0.01:
        notes.append(
            f"{100 * front.sync.missing:.0f} % of the sync pulses were missing; their places were counted in."
        )
    return tuple(notes)
