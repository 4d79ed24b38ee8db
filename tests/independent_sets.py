"""Sets of captures with known truth, made by the independent simulator: `make_set(kind, n, seed)`.

Sets are kept on disk in the system's temporary folder, keyed by the simulator's own source, so that a run
repeats quickly. Nothing here is used to build, train or tune the reader.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipelines.kinds.base import EngineFamily, Hookup
from pipelines.waveform import Waveform
from tests.independent_cranking import Array, CrankRun, Engines, crank
from tests.independent_engines import (
    FAULT_MODES,
    LEAST_LOSS,
    Conditions,
    Fault,
    Layout,
    draw_engines,
    fault_with_loss,
    loss_of_peak,
)
from tests.independent_hookup import Saved, save
from tests.independent_kinds import RECIPES, Named, Recipe
from tests.independent_scope import Motion, motion_of

BATCH = 64
HEALTHY_SCATTER = 0.06  # a healthy vehicle whose cylinders differ by more is thrown away, not mislabelled
WEAK_V = 9.6  # common practice, no source: mean voltage below this while cranking is a weak battery


@dataclass(frozen=True, slots=True)
class Truth:
    """What the simulator knows of one capture.

    Attributes:
        faulty: faulty cylinder numbers (at least 15 % loss of peak pressure in one of them).
        loss: by cylinder, loss of peak pressure as a share.
        mode: the fault planted, `""` in a healthy engine.
        named: how an odd cylinder can be named at best: `sync`, `pair` or `none` (position only).
        expected, allowed: setup checks that must, or may, be raised.
        readable: False where no figure can be asked for.
        tdc_s: by cylinder, times of its compression top dead centres on the file's own time axis.
        crank_s: start and end of the cranking on the file's time axis (first to last contact).
        rpm, crank_mean_v: over the cranking from 0.5 s on.
        vehicle: same for repeated captures of one engine.
    """

    faulty: tuple[int, ...]
    loss: tuple[float, ...]
    mode: str
    named: Named
    expected: frozenset[str]
    allowed: frozenset[str]
    readable: bool
    tdc_s: tuple[Array, ...]
    crank_s: tuple[float, float]
    rpm: float
    crank_mean_v: float
    vehicle: str


@dataclass(frozen=True, slots=True)
class TestCapture:
    """One capture as the reader gets it, with its truth."""

    __test__ = False

    waveform: Waveform
    hookup: Hookup
    family: EngineFamily
    truth: Truth
    description: str


def _plan_fault(layout: Layout, kind: str, rng: np.random.Generator) -> Fault:
    mode = str(rng.choice(FAULT_MODES))
    loss = float(rng.uniform(*RECIPES[kind].loss))
    first = int(rng.integers(1, layout.cylinders + 1))
    if mode == "gasket":
        first = min(first, layout.cylinders - 1)
        return fault_with_loss(layout, mode, (first,), loss)
    if kind == "two_weak":
        second = int(rng.choice([c for c in range(1, layout.cylinders + 1) if c != first]))
        return fault_with_loss(layout, mode, (first, second), loss)
    return fault_with_loss(layout, mode, (first,), loss)


def struck_by(fault: Fault | None) -> tuple[int, ...]:
    """Cylinders whose peak a fault lowers (a gasket passage lowers two)."""
    if fault is None:
        return ()
    return (fault.cylinders[0], fault.cylinders[0] + 1) if fault.mode == "gasket" else fault.cylinders


@dataclass(frozen=True, slots=True)
class _Batch:
    engines: Engines
    run: CrankRun
    loss: Array
    layouts: list[Layout]
    faults: list[Fault | None]


def _simulate(
    layouts: list[Layout],
    faults: list[Fault | None],
    recipe: Recipe,
    kind: str,
    rng: np.random.Generator,
    conditions: Conditions | None = None,
    engines: Engines | None = None,
) -> _Batch:
    e = engines or draw_engines(layouts, faults, rng, conditions or recipe.conditions)
    b = len(layouts)
    cranking = rng.uniform(*recipe.crank_s, size=b)
    if kind == "engine_started":
        e = replace(e, fire_s=cranking, release_s=cranking + rng.uniform(0.3, 0.7, b))
        ends = cranking + rng.uniform(1.5, 4.0, b)
    else:
        e = replace(e, release_s=cranking)
        ends = cranking + 1.2
    # The first cycles of a short crank hold no settled peak: loss is then measured on a longer twin.
    long = (
        crank(
            replace(e, release_s=np.maximum(cranking, 4.0)), np.random.default_rng(1), end_s=np.full(b, 4.0)
        )
        if (recipe.crank_s[0] < 3)
        else None
    )
    run = crank(e, rng, end_s=ends)
    judged, judged_e = (run, e) if long is None else (long, replace(e, release_s=np.full(b, 9.0)))
    return _Batch(
        e, run, loss_of_peak(layouts, judged_e, judged, [struck_by(f) for f in faults]), layouts, faults
    )


def _truth_of(
    batch: _Batch, row: int, recipe: Recipe, kind: str, saved: Saved, motions: list[Motion]
) -> Truth | None:
    """The truth of a row, or None where the row is no fair example of its kind."""
    fault, n = batch.faults[row], batch.layouts[row].cylinders
    loss = batch.loss[row, :n]
    if not np.isfinite(loss).all():
        return None
    worst = float(loss.max())
    if fault is None and float(np.abs(loss).max()) > HEALTHY_SCATTER:
        return None
    if fault is not None and not LEAST_LOSS <= worst <= 0.85:
        return None
    faulty = tuple(int(c) + 1 for c in np.flatnonzero(loss >= max(0.10, 0.5 * worst))) if fault else ()
    # Two struck cylinders of quite different loss have one lowest; the lesser may not be named instead.
    if fault is not None and not set(faulty) <= set(struck_by(fault)):
        return None
    motion = motions[-1]
    end = min(motion.release_s, float(motion.time_s[-1]))
    if kind == "engine_started":
        end = motion.time_s[0] + float(batch.engines.fire_s[row])
    settled = (motion.time_s > motion.time_s[0] + min(0.5, 0.3 * (end - motion.time_s[0]))) & (
        motion.time_s < end
    )
    if settled.sum() < 20:
        return None
    spent = motion.time_s[settled][-1] - motion.time_s[settled][0]
    rpm = float(np.ptp(motion.crank_deg[settled]) / 6 / spent)
    mean_v = float(np.trapezoid(motion.battery_v[settled], motion.time_s[settled]) / spent)
    if rpm < 70:
        return None
    if kind == "weak_battery" and mean_v > WEAK_V - 0.3:
        return None
    allowed = set(recipe.allowed) | set(saved.allowed)
    if mean_v < WEAK_V + 0.6:
        allowed.add("weak_battery")
    cycles = rpm * (end - float(motion.time_s[0])) / 120
    if cycles < 6:
        allowed.add("too_short")
    expected = set(recipe.expected) | set(saved.expected)
    if kind == "too_short" and rpm * (end - motions[0].time_s[0]) / 120 > 1.9:
        return None
    tops = tuple(
        np.concatenate([m.tdc_s[c][m.tdc_s[c] < (end if m is motion else np.inf)] for m in motions])
        + saved.axis_s
        for c in range(n)
    )
    return Truth(
        faulty=faulty,
        loss=tuple(float(x) for x in loss),
        mode=fault.mode if fault else "",
        named=recipe.named,
        expected=frozenset(expected),
        allowed=frozenset(allowed - expected),
        readable=recipe.readable and saved.readable,
        tdc_s=tops,
        crank_s=(float(motions[0].time_s[0]) + saved.axis_s, float(end) + saved.axis_s),
        rpm=rpm,
        crank_mean_v=mean_v,
        vehicle="",
    )


def _capture(
    batch: _Batch,
    row: int,
    recipe: Recipe,
    kind: str,
    rng: np.random.Generator,
    setup: np.random.Generator | None = None,
) -> TestCapture | None:
    layout = batch.layouts[row]
    before = float(rng.uniform(0.2, 1.5))
    first_end = np.inf if kind == "engine_started" else float(batch.engines.release_s[row]) + 1.2
    motions = [motion_of(batch.engines, batch.run, row, before, first_end)]
    if kind == "pause":
        other = row + 1  # the same engine, simulated again in the next row
        again = float(motions[0].time_s[-1]) + float(rng.uniform(0.5, 3.0))
        motions.append(motion_of(batch.engines, batch.run, other, again, np.inf))
    saved = save(motions, batch.engines, row, layout, recipe, kind, rng, setup)
    truth = _truth_of(batch, row, recipe, kind, saved, motions)
    if truth is None:
        return None
    style = recipe.sync or "coil_on_plug"
    what = f"{truth.mode} in {truth.faulty}, loss {max(truth.loss):.0%}" if truth.faulty else "healthy"
    description = (
        f"{kind}: {layout.name}, {what}; {saved.says}; {truth.rpm:.0f} rpm, {truth.crank_mean_v:.2f} V"
    )
    return TestCapture(saved.waveform, saved.hookup, layout.family(style), truth, description)


def _twice(e: Engines) -> Engines:
    """Each row followed by itself, for a second crank of the same engine from elsewhere."""
    names = Engines.__slots__
    values = {name: np.repeat(getattr(e, name), 2, axis=0) for name in names}
    values["start_deg"][1::2] = (values["start_deg"][1::2] + 251.0) % 720
    return Engines(**values)


def build_set(kind: str, n: int, seed: int) -> list[TestCapture]:
    """`make_set` without the folder of kept sets."""
    recipe = RECIPES[kind]
    rng = np.random.default_rng([seed, *kind.encode()])
    pool = recipe.layouts()
    wanted = {True: n - n // 2, False: n // 2}  # faulty, healthy
    made: list[TestCapture] = []
    turn = 0
    while sum(wanted.values()) > 0:
        size = min(BATCH, 2 * sum(wanted.values()) + 4)
        layouts = [pool[(turn + i) % len(pool)] for i in range(size)]
        turn += size
        faults = [
            _plan_fault(layout, kind, rng) if rng.random() < (0.6 if wanted[True] else 0.0) else None
            for layout in layouts
        ]
        if not wanted[False]:
            faults = [f or _plan_fault(layout, kind, rng) for f, layout in zip(faults, layouts, strict=True)]
        step = 1
        if kind == "pause":
            engines = _twice(draw_engines(layouts, faults, rng, recipe.conditions))
            layouts = [x for layout in layouts for x in (layout, layout)]
            faults = [x for fault in faults for x in (fault, fault)]
            batch = _simulate(layouts, faults, recipe, kind, rng, engines=engines)
            step = 2
        else:
            batch = _simulate(layouts, faults, recipe, kind, rng)
        for row in range(0, len(layouts), step):
            if wanted[batch.faults[row] is not None] <= 0:
                continue
            capture = _capture(batch, row, recipe, kind, rng)
            if capture is not None:
                wanted[bool(capture.truth.faulty)] -= 1
                vehicle = f"{kind}-{seed}-{len(made)}"
                made.append(replace(capture, truth=replace(capture.truth, vehicle=vehicle)))
    return made


def _make_repeats(engines: int, repeats: int, seed: int) -> list[TestCapture]:
    recipe = RECIPES["clean"]
    rng = np.random.default_rng([seed, 77])
    pool = recipe.layouts()
    made: list[TestCapture] = []
    index = 0
    while len(made) < engines * repeats:
        # One spare engine in three: those that are no fair example are left out with all their captures.
        missing = engines - len(made) // repeats
        chosen = [pool[(index + i) % len(pool)] for i in range(missing + missing // 3 + 1)]
        planned = [_plan_fault(layout, "clean", rng) if i % 2 else None for i, layout in enumerate(chosen)]
        index += len(chosen)
        e = draw_engines(chosen, planned, rng, recipe.conditions)
        e = Engines(**{name: np.repeat(getattr(e, name), repeats, axis=0) for name in Engines.__slots__})
        e = replace(e, start_deg=rng.uniform(0, 720, e.start_deg.size))
        layouts = [layout for layout in chosen for _ in range(repeats)]
        faults = [fault for fault in planned for _ in range(repeats)]
        batch = _simulate(layouts, faults, recipe, "clean", rng, engines=e)
        for first in range(0, len(layouts), repeats):
            some = [
                _capture(batch, row, recipe, "clean", rng, np.random.default_rng([seed, first, len(made)]))
                for row in range(first, first + repeats)
            ]
            whole = [capture for capture in some if capture is not None]
            if len(whole) == repeats and len(made) < engines * repeats:
                vehicle = f"repeat-{seed}-{len(made) // repeats}"
                made += [replace(c, truth=replace(c.truth, vehicle=vehicle)) for c in whole]
    return made


def _source_digest() -> str:
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("independent_*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _kept(name: str, build: Callable[[], list[TestCapture]]) -> list[TestCapture]:
    """`build()`, or what it gave last time, from this user's own folder below the temporary one."""
    folder = Path(tempfile.gettempdir()) / f"shopspread_sets_{os.getuid() if hasattr(os, 'getuid') else 0}"
    folder.mkdir(mode=0o700, exist_ok=True)
    path = folder / f"{name}_{_source_digest()}.pkl"
    if path.exists():
        with path.open("rb") as file:
            return list(pickle.load(file))
    made = build()
    for old in folder.glob(f"{name}_????????????.pkl"):  # made by an older simulator
        old.unlink(missing_ok=True)
    partial = path.with_suffix(f".{os.getpid()}")
    with partial.open("wb") as file:
        pickle.dump(made, file, protocol=pickle.HIGHEST_PROTOCOL)
    partial.replace(path)
    return made


def make_set(kind: str, n: int, seed: int) -> list[TestCapture]:
    """`n` captures of one kind (a key of `RECIPES`), half of them with a fault.

    The same arguments give the same captures.

    Raises:
        KeyError: for a kind that has no recipe.
    """
    if kind not in RECIPES:
        raise KeyError(f"no kind of capture {kind!r}; there are {', '.join(RECIPES)}")
    return _kept(f"{kind}_{n}_{seed}", lambda: build_set(kind, n, seed))


def make_repeats(engines: int, repeats: int, seed: int) -> list[TestCapture]:
    """`repeats` clean captures of each of `engines` engines, same `truth.vehicle` for one engine.

    Engine, ignition and the scope's settings stay; resting place, length, scatter and noise change.
    """
    return _kept(f"repeats_{engines}x{repeats}_{seed}", lambda: _make_repeats(engines, repeats, seed))
