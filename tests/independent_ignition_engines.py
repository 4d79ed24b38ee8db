"""Random engines with random coils, their faults, and every strike of a record, for `independent_ignition_captures`.

The truth is computed from the drawn physics: what the same coils do over many more strikes than a record holds.
Numbers are invented; orders of magnitude are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt

from pipelines.kinds.base import EngineFamily
from tests.independent_ignition import Coils, Course, charge, strike

Floats = npt.NDArray[np.float64]
MOST_SAMPLES = 260_000
MODES = (
    "distributor", "distributor_open", "feed_coil", "feed_pickup", "feed_open", "coils", "one_coil", "waste_feed",
    "waste_coils",
)  # fmt: skip
ODDS = (0.17, 0.05, 0.17, 0.13, 0.05, 0.2, 0.07, 0.08, 0.08)
SPARK_FAULTS = ("wide_gap", "fouled", "open", "bad_lead")
COIL_FAULTS = ("shorted_turns", "resistive")
LOOK_S = 7e-3


@dataclass(slots=True)
class Truth:
    """What was drawn and what follows from it.

    Attributes:
        mode: how it was hooked up. fault, odd: what was planted at which element (0 = none).
        relative: by measure, what each element would read over very many strikes, in % of the median one.
        checks: setup checks that must be raised; grey: that may be. troubles: other things that happened.
        dwell_ms, burn_ms, burn_v, cut_a, strikes: mean of the sound ones. ohm, henry: of the sound coils.
        readable: False where no figure can be asked for.
    """

    mode: str = ""
    fault: str = "none"
    odd: int = 0
    relative: dict[str, Floats] = field(default_factory=dict)
    checks: set[str] = field(default_factory=set)
    grey: set[str] = field(default_factory=set)
    troubles: set[str] = field(default_factory=set)
    dwell_ms: float = 0.0
    burn_ms: float = 0.0
    burn_v: float = 0.0
    cut_a: float = 0.0
    strikes: int = 1
    ohm: float = 0.0
    henry: float = 0.0
    readable: bool = True

    @property
    def worst_pct(self) -> float:
        """Largest true distance of an element from the median one by any measure, in %."""
        return max((float(np.abs(one - 100).max()) for one in self.relative.values()), default=0.0)


@dataclass(slots=True)
class Engine:
    """The engine and its coils as drawn; arrays by element (cylinder in firing order, or pair in firing order)."""

    family: EngineFamily
    elements: int
    per_cycle: float
    rpm: float
    ramp: float
    dwell_s: float
    again: int
    supply_v: float
    coil: dict[str, Floats]
    scatter: dict[str, float]


def draw_engine(rng: np.random.Generator, mode: str, clean: bool) -> Engine:
    waste = mode.startswith("waste")
    n = int(rng.choice([4, 6, 8, 12] if waste else [3, 4, 5, 6, 8, 10, 12], p=[0.5, 0.3, 0.15, 0.05] if waste
                       else [0.17, 0.36, 0.1, 0.2, 0.13, 0.02, 0.02]))  # fmt: skip
    if mode == "coils":
        n = int(rng.choice([3, 4, 5, 6, 8], p=[0.25, 0.45, 0.1, 0.12, 0.08]))
    intervals: tuple[float, ...] = ()
    if n == 6 and rng.random() < 0.25:
        intervals = (90.0, 150.0) * 3
    kind = "waste_spark" if waste else "distributor" if mode.startswith("distributor") else "coil_on_plug"
    order = tuple(int(c) for c in rng.permutation(n) + 1)
    family = EngineFamily("drawn", n, order, intervals, kind)
    elements = n // 2 if waste else n
    rpm = (
        rng.uniform(180, 320)
        if rng.random() < 0.12
        else float(np.exp(rng.uniform(np.log(600), np.log(3800))))
    )
    dwell = float(np.exp(rng.uniform(np.log(1.8e-3), np.log(6e-3))))
    shared = mode.startswith(("distributor", "feed", "waste_feed"))
    if shared:
        shortest = min(family.intervals_deg) / 6 if not waste else 360 / elements / 6
        least = dwell + (4.5e-3 if mode.startswith("distributor") else 0.4e-3)
        rpm = min(rpm, 0.9 * shortest / least)
    else:
        rpm = min(rpm, 0.8 * (60 if waste else 120) / (dwell + 6e-3))
    henry, ohm = rng.uniform(2e-3, 8e-3), rng.uniform(0.4, 1.2)
    supply = rng.uniform(13.2, 14.6) if rpm > 400 else rng.uniform(9.0, 11.5)
    reach = (supply - 1.0) / ohm * (1 - np.exp(-dwell * ohm / henry))
    limited = rng.random() < 0.35
    own = lambda share: np.exp(share * rng.standard_normal(elements))  # noqa: E731
    turns = rng.uniform(60, 110)
    farad = rng.uniform(50e-12, 110e-12) * turns**2
    coil = {
        "supply_v": np.full(elements, supply),
        "switch_v": np.full(elements, rng.uniform(0.15, 1.3)),
        "ohm": ohm * own(0.01),
        "henry": henry * own(0.008),
        "saturation_a": np.full(elements, reach * rng.uniform(1.1, 3.0)),
        "limit_a": np.full(elements, reach * rng.uniform(0.7, 0.95) if limited else 1e3),
        "farad": np.full(elements, farad),
        "loss_ohm": np.sqrt(henry / farad) * rng.uniform(3, 9) * own(0.03),
        "clamp_v": np.full(elements, rng.uniform(320, 420)),
        # a coil that is sound reaches well beyond what its plug asks for
        "breakdown_v": min(rng.uniform(90, 220), 0.4 * reach * float(np.sqrt(henry / farad))) * own(0.05),
        "burn_v": rng.uniform(14, 36) * own(0.015),
        "burn_rise": np.full(elements, rng.uniform(0, 250)),
        "keep_a": np.full(elements, rng.uniform(0.08, 0.3)),
        "path_ohm": rng.uniform(1.0, 3.0) * own(0.02),
        "dwell_s": np.full(elements, dwell),
    }
    scatter = {
        "burn_v": rng.uniform(0.01, 0.06),
        "breakdown_v": rng.uniform(0.05, 0.2), "dwell_s": rng.uniform(0.001, 0.012),
        "limit_a": rng.uniform(0.004, 0.02),
    }  # fmt: skip
    again = int(rng.integers(2, 4)) if rpm < 1100 and not waste and rng.random() < 0.12 and not clean else 1
    if again > 1 and shared:
        again = 1 if (family.intervals_deg[0] / 6 / rpm) < dwell + 4e-3 * again + 4e-3 else again
    per_cycle = n / 2 * 2 if waste else n
    return Engine(family, elements, per_cycle, rpm, rng.uniform(-0.25, 0.25) if rng.random() < 0.4 else 0.0,
                  dwell, again, supply, coil, scatter)  # fmt: skip


def plant(rng: np.random.Generator, engine: Engine, fault: str, at: int) -> None:
    coil = engine.coil
    if fault == "wide_gap":
        coil["burn_v"][at] *= rng.uniform(1.3, 1.9)
        coil["breakdown_v"][at] *= rng.uniform(1.2, 1.6)
    elif fault == "fouled":
        coil["burn_v"][at] *= rng.uniform(0.45, 0.72)
        coil["breakdown_v"][at] *= rng.uniform(0.4, 0.7)
    elif fault == "bad_lead":
        coil["path_ohm"][at] += rng.uniform(2.5, 12.0)
    elif fault == "open":
        coil["breakdown_v"][at] = 1e9
    elif fault == "shorted_turns":
        coil["henry"][at] *= rng.uniform(0.35, 0.75)
        coil["loss_ohm"][at] *= 0.5
    elif fault == "resistive":
        coil["ohm"][at] += rng.uniform(0.5, 1.8)


def _batch(rng: np.random.Generator, engine: Engine, which: npt.NDArray[np.int64], supply_v: Floats) -> Coils:
    """Coils of many strikes: each its element's numbers with what differs from strike to strike."""
    values = {name: column[which] for name, column in engine.coil.items()}
    for name, share in engine.scatter.items():
        values[name] = values[name] * np.exp(share * rng.standard_normal(len(which)))
    values["supply_v"] = supply_v
    return Coils(**values)


def _part(coils: Coils, rows: npt.NDArray[np.int64]) -> Coils:
    return replace(coils, **{one.name: getattr(coils, one.name)[rows] for one in fields(coils)})


@dataclass(slots=True)
class Struck:
    """All strikes: element, cut time, the start of charging, and the courses (charging ones of every re-strike)."""

    element: npt.NDArray[np.int64]
    cut_s: Floats
    coils: Coils
    first: list[Course]
    begin_s: list[Floats]


def spark_times(
    rng: np.random.Generator, engine: Engine, stop_s: float, off: tuple[float, float]
) -> tuple[npt.NDArray[np.int64], Floats]:
    """Element and cut time of every spark, the speed's own unsteadiness included."""
    waste = engine.elements != engine.family.cylinders
    angles = np.asarray(engine.family.firing_angles_deg)
    if waste:
        angles = np.concatenate([angles[: engine.elements], angles[: engine.elements] + 360.0])
    tick = np.arange(0, stop_s + 2e-3, 1e-3)
    wander = np.cumsum(rng.standard_normal(len(tick))) * 0.0007
    speed = engine.rpm * 6 * (1 + engine.ramp * (tick / stop_s - 0.5)) * np.exp(wander - wander.mean())
    # the speed swings with the firing strokes
    angle = np.cumsum(speed) * 1e-3 + rng.uniform(0, 720)
    angle = angle + rng.uniform(0, 2.0) * np.sin(np.deg2rad(angle * engine.family.cylinders / 2))
    first, last = int(angle[0] // 720) - 1, int(angle[-1] // 720) + 1
    at = (np.arange(first, last + 1)[:, None] * 720.0 + angles[None, :]).ravel()
    element = np.tile(np.arange(len(angles)) % engine.elements, last - first + 1)
    time = np.interp(at, angle, tick, left=-1.0, right=-1.0)
    keep = (time > max(off[0], 0.0)) & (time < min(off[1], stop_s))
    return element[keep], time[keep] + 2e-5 * rng.standard_normal(int(keep.sum()))


def strike_all(
    rng: np.random.Generator, engine: Engine, element: npt.NDArray[np.int64], cut_s: Floats, supply_v: Floats
) -> Struck:
    coils = _batch(rng, engine, element, supply_v)
    courses, begins = [], []
    left = np.zeros(len(element))
    begin = cut_s - coils.dwell_s
    for again in range(engine.again):
        last = again == engine.again - 1
        burning = rng.uniform(0.6e-3, 1.0e-3)
        course = strike(coils, left, LOOK_S if last else burning)
        courses.append(course)
        begins.append(begin)
        left = course.left_a
        begin = begin + coils.dwell_s + burning
        coils = replace(coils, dwell_s=coils.dwell_s * (rng.uniform(0.6, 0.8) if again == 0 else 1.0))
    return Struck(element, cut_s, coils, courses, begins)


def expected_readings(engine: Engine, seed: int, by_voltage: bool) -> tuple[dict[str, Floats], Course]:
    """What every element would read over many strikes: burn time, and the mean slope of the charging current."""
    rng = np.random.default_rng([13, seed])
    many = 200 if by_voltage else 4
    which = np.repeat(np.arange(engine.elements), many)
    struck = strike_all(rng, engine, which, np.ones(len(which)), np.full(len(which), engine.supply_v))
    last = struck.first[-1]
    # an arc that outlasts the look is as long as the look
    burn = np.nan_to_num(last.burn_s, nan=LOOK_S).reshape(-1, many).mean(axis=1)
    # the slope between a tenth and three fifths of a common current, without scatter
    alone = Coils(**engine.coil)
    time, amps, _ = charge(alone, np.zeros(engine.elements))
    rows = np.arange(engine.elements)
    reach = amps[rows, np.minimum((alone.dwell_s / (time[1])).astype(int), len(time) - 1)]
    high = 0.6 * float(np.median(reach))
    high = min(high, 0.95 * float(reach.min()))
    low = high / 6
    taken = [np.interp([low, high], amps[k], time) for k in rows]
    slope = np.array([(high - low) / (b - a) for a, b in taken])
    return {"burn_time": 100 * burn / np.median(burn), "charging": 100 * slope / np.median(slope)}, last


def state_facts(truth: Truth, engine: Engine, course: Course) -> None:
    sound = engine.coil["breakdown_v"] < 1e8
    truth.dwell_ms = 1e3 * engine.dwell_s
    known = course.burn_s[np.isfinite(course.burn_s)]
    truth.burn_ms = 1e3 * float(np.median(known)) if len(known) else float("nan")
    truth.burn_v = engine.supply_v + float(
        np.median(engine.coil["burn_v"][sound] * (1 + engine.coil["burn_rise"][sound] * 3e-4))
    )
    truth.cut_a = float(np.median(course.cut_a))
    truth.strikes = engine.again
    truth.ohm, truth.henry = float(np.median(engine.coil["ohm"])), float(np.median(engine.coil["henry"]))
