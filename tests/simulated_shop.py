"""An invented shop, drawn from a seed, as the frames the models receive: for tests and benchmarks only.

The truth is known by construction: how much scoping lowers the comeback risk, who has trouble with what
and since when. No waveform is made here; these frames stand for what a warehouse would hold.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Schema = dict[str, pl.DataType | type[pl.DataType]]

START = datetime(2025, 1, 6, 8)

CAPTURES: Schema = {
    "capture_file": pl.String, "engine_family": pl.String, "technician": pl.String, "repair_order": pl.String,
    "vehicle": pl.String, "captured_at": pl.Datetime("us"), "test": pl.String, "purpose": pl.String,
    "status": pl.String, "reason": pl.String, "cycles": pl.Float64, "crank_rpm": pl.Float64, "rest_v": pl.Float64,
    "crank_min_v": pl.Float64, "call": pl.String, "call_cylinders": pl.List(pl.Int64), "ch_signals": pl.String,
    "ch_scales": pl.String, "sync_cylinder": pl.Int64, "rate_hz": pl.Float64, "duration_s": pl.Float64,
}  # fmt: skip
CYLINDERS: Schema = {
    "capture_file": pl.String, "cylinder": pl.Int64, "firing_position": pl.Int64, "relative_pct": pl.Float64,
    "se_pct": pl.Float64, "identified": pl.String, "companion": pl.Int64,
}  # fmt: skip
CHECKS: Schema = {"capture_file": pl.String, "check": pl.String, "severity": pl.String, "detail": pl.String}
ORDERS: Schema = {
    "repair_order": pl.String, "opened_at": pl.Datetime("us"), "closed_at": pl.Datetime("us"),
    "technician": pl.String, "vehicle": pl.String, "engine_family": pl.String, "complaint": pl.String,
    "scope_eligible": pl.Boolean, "comeback_of": pl.String, "labour_h": pl.Float64, "parts_cost": pl.Float64,
    "parts_returned": pl.Float64,
}  # fmt: skip
OUTCOMES: Schema = {
    "repair_order": pl.String, "confirmed_at": pl.Datetime("us"), "finding": pl.String,
    "confirmed_cylinders": pl.List(pl.Int64), "method": pl.String, "gauge_kpa": pl.List(pl.Float64),
}  # fmt: skip
TECHNICIANS: Schema = {"technician": pl.String, "started_on": pl.Date}
DRILLS: Schema = {
    "drill": pl.String, "technician": pl.String, "test": pl.String, "week_of": pl.Date, "target": pl.Int64,
}  # fmt: skip
COACHING: Schema = {
    "session": pl.String, "technician": pl.String, "held_on": pl.Date, "topic": pl.String, "test": pl.String,
}  # fmt: skip


@dataclass(frozen=True)
class Frames:
    """The frames of one shop."""

    captures: pl.DataFrame
    cylinders: pl.DataFrame
    checks: pl.DataFrame
    orders: pl.DataFrame
    outcomes: pl.DataFrame
    technicians: pl.DataFrame
    drills: pl.DataFrame
    coaching: pl.DataFrame


def empty_frames() -> Frames:
    """A shop that has logged nothing yet."""
    schemas = (CAPTURES, CYLINDERS, CHECKS, ORDERS, OUTCOMES, TECHNICIANS, DRILLS, COACHING)
    return Frames(*(pl.DataFrame(schema=schema) for schema in schemas))


@dataclass(frozen=True)
class Comebacks:
    """Orders and captures with a planted effect: `truth` is the risk difference over all orders, `truth_scoped` over
    the scoped ones."""

    frames: Frames
    truth: float
    truth_scoped: float


def _logistic(x: Floats | float) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.asarray(x, dtype=float))))


def comeback_shop(
    seed: int, *, orders: int = 1500, effect: float = -0.9, days: int = 364, begin_scoping: bool = False
) -> Comebacks:
    """A shop whose harder jobs are scoped more often and come back more often.

    Args:
        effect: log odds ratio of scoping on the comeback.
        begin_scoping: technicians begin to scope one after the other instead of from the first day.
    """
    rng = np.random.default_rng(seed)
    complaints = np.array(["misfire", "no_start", "rough_idle", "check_light"])
    hard = np.array([1.1, 0.7, 0.0, -0.6])
    people = np.array([f"tech {c}" for c in "abcdefgh"])
    habit = rng.normal(0, 0.6, people.size)
    care = rng.normal(0, 0.25, people.size)
    families = np.array([f"family {i}" for i in range(8)])
    family_hard = rng.normal(0, 0.35, families.size)
    complaint, person = rng.integers(0, 4, orders), rng.integers(0, people.size, orders)
    family = rng.integers(0, families.size, orders)
    vehicle = rng.integers(0, orders // 2, orders)
    opened = np.sort(rng.uniform(0, days, orders))
    seen: dict[int, int] = {}
    earlier = np.zeros(orders)
    for i, v in enumerate(vehicle):
        earlier[i] = min(seen.get(int(v), 0), 3)
        seen[int(v)] = seen.get(int(v), 0) + 1
    season = np.cos(2 * np.pi * opened / 365)
    difficulty = hard[complaint] + family_hard[family] + 0.25 * earlier + 0.2 * season
    scope_logit = -1.0 + 1.5 * difficulty + habit[person]
    may_scope = opened >= (person * 35.0 if begin_scoping else 0.0)
    scoped = may_scope & (rng.random(orders) < _logistic(scope_logit))
    base = -2.35 + 0.9 * difficulty + care[person]
    risk0, risk1 = _logistic(base), _logistic(base + effect)
    returned = rng.random(orders) < np.where(scoped, risk1, risk0)
    closed = opened + rng.uniform(0.1, 3, orders)
    back = closed + 30 * rng.beta(1.2, 1.6, orders)

    def at(day: float) -> datetime:
        return START + timedelta(days=float(day))

    rows: list[tuple[Any, ...]] = []
    taken: list[tuple[Any, ...]] = []
    for i in range(orders):
        rows.append((
            f"ro {i}", at(opened[i]), at(closed[i]), people[person[i]], f"car {vehicle[i]}", families[family[i]],
            complaints[complaint[i]], True, None, float(rng.gamma(4, 0.5)), float(rng.gamma(2, 60)),
            float(rng.random() < 0.1),
        ))  # fmt: skip
        if returned[i] and back[i] <= days + 1:
            # the returning order itself is kept out of the comparison: not eligible
            rows.append((
                f"ro {i} again", at(back[i]), at(back[i] + 1), people[person[i]], f"car {vehicle[i]}",
                families[family[i]], complaints[complaint[i]], False, f"ro {i}", float(rng.gamma(4, 0.5)),
                float(rng.gamma(2, 60)), 0.0,
            ))  # fmt: skip
        if scoped[i]:
            status = "read" if rng.random() < 0.9 else "unusable"
            taken.append((
                f"c{i}.csv", families[family[i]], people[person[i]], f"ro {i}", f"car {vehicle[i]}", at(opened[i]),
                "relative_compression", "diagnosis", status, None, 12.0, 200.0, 12.6, 10.0, "even", [],
                "battery_voltage;ignition_primary", "1;10", 1, 4000.0, 8.0,
            ))  # fmt: skip
    empty = empty_frames()
    staff = pl.DataFrame([(p, START.date()) for p in people], schema=TECHNICIANS, orient="row")
    frames = Frames(
        captures=pl.DataFrame(taken, schema=CAPTURES, orient="row"),
        cylinders=empty.cylinders,
        checks=empty.checks,
        orders=pl.DataFrame(rows, schema=ORDERS, orient="row"),
        outcomes=empty.outcomes,
        technicians=staff,
        drills=empty.drills,
        coaching=empty.coaching,
    )
    gain = risk1 - risk0
    return Comebacks(frames, float(gain.mean()), float(gain[scoped].mean()))


@dataclass(frozen=True)
class Trouble:
    """A planted technician: trouble with a topic from a day on, at `rate`, until `ends_day`."""

    technician: str
    topic: str
    begins_day: int
    rate: float
    ends_day: int = 10_000


@dataclass(frozen=True)
class SkillShop:
    """Shop for the coaching list: `trouble` is the truth, everybody else is ordinary."""

    frames: Frames
    trouble: tuple[Trouble, ...]
    as_of: date = field(default=date(2026, 1, 4))


def skill_shop(
    seed: int,
    trouble: tuple[Trouble, ...] = (),
    *,
    people: int = 8,
    captures_a_week: float = 2.0,
    weeks: int = 52,
    usable: float = 0.9,
    right: float = 0.88,
    newcomer: bool = True,
    between_sd: float = 0.2,
    confirmed: tuple[float, float] = (0.4, 0.7),
    coaching: tuple[tuple[str, str, int], ...] = (),
) -> SkillShop:
    """A year of captures with ordinary technicians and planted ones.

    Args:
        usable, right: what an ordinary technician has.
        between_sd: how much ordinary ones differ (SD on the logit scale).
        confirmed: share of even and of odd calls that get an outcome.
        coaching: (technician, topic, day) of sessions.
    """
    rng = np.random.default_rng(seed)
    names = [f"tech {chr(97 + i)}" for i in range(people)]
    planted = {(t.technician, t.topic): t for t in trouble}
    rows: list[tuple[Any, ...]] = []
    cyl: list[tuple[Any, ...]] = []
    checks: list[tuple[Any, ...]] = []
    orders: list[tuple[str, datetime, str]] = []
    outcomes: list[tuple[Any, ...]] = []
    for name in names:
        own = {
            topic: rng.normal(0, between_sd) for topic in ("usable captures", "hookup", "calls", "scope use")
        }

        def rate(
            topic: str, usual: float, day: float, name: str = name, own: dict[str, float] = own
        ) -> float:
            hit = planted.get((name, topic))
            if hit is not None and hit.begins_day <= day < hit.ends_day:
                return hit.rate
            return float(_logistic(np.log(usual / (1 - usual)) + own[topic]))

        first = 7.0 * weeks - 14 if newcomer and name == names[-1] else 0.0
        span = (7 * weeks - first) / 7
        practice = rng.uniform(first, 7 * weeks, rng.poisson(0.35 * captures_a_week * span))
        jobs = rng.uniform(first, 7 * weeks, rng.poisson(0.65 * captures_a_week / 0.45 * span))
        scoped = np.array([rng.random() >= rate("scope use", 0.55, day) for day in jobs], dtype=bool)
        orders += [
            (f"{name[-1]}n{i}", START + timedelta(days=float(day)), name)
            for i, day in enumerate(jobs[~scoped])
        ]
        days = np.concatenate([practice, jobs[scoped]])
        drills_of = np.arange(days.size) < practice.size
        if first:
            days, drills_of = rng.uniform(first, 7 * weeks, 3), np.array([True, False, False])
        for i in np.argsort(days):
            day = float(days[i])
            at = START + timedelta(days=day)
            drill = bool(drills_of[i])
            bad = rng.random() < rate("usable captures", 1 - usable, day)
            slip = rng.random() < rate("hookup", 0.08, day)
            odd = rng.random() < 0.45
            wrong = rng.random() < rate("calls", 1 - right, day)
            cylinder = int(rng.integers(1, 5))
            called_odd = odd != wrong
            file, order = f"{name[-1]}{i}.csv", None if drill else f"{name[-1]}{i}"
            rows.append((
                file, f"family {rng.integers(0, 4)}", name, order, f"car {rng.integers(0, 300)}", at,
                "relative_compression", "drill" if drill else "diagnosis", "unusable" if bad else "read", None, 12.0,
                200.0, 12.6, 10.0, "odd" if called_odd else "even", [cylinder] if called_odd else [],
                "battery_voltage;ignition_primary", "1;10", 1, 4000.0, 8.0,
            ))  # fmt: skip
            if bad:
                checks.append(
                    (
                        file,
                        "too_short" if rng.random() < 0.5 else "weak_battery",
                        "unusable",
                        "Record longer.",
                    )
                )
            if slip:
                checks.append((file, "reversed_leads", "warning", "Swap the two battery leads."))
            if not bad:
                shape = 100 + rng.normal(0, 1.5, 4)
                cyl += [(file, c + 1, c + 1, float(shape[c]), 0.8, "sync", None) for c in range(4)]
            if order is not None and rng.random() < confirmed[called_odd]:
                outcomes.append((
                    order, at + timedelta(days=1), "odd" if odd else "even", [cylinder] if odd else [], "gauge", [],
                ))  # fmt: skip
            if order is not None:
                orders.append((order, at, name))
    full = [
        (
            o,
            at,
            at + timedelta(days=1),
            name,
            f"car {i}",
            f"family {i % 4}",
            "misfire",
            True,
            None,
            2.0,
            100.0,
            0.0,
        )
        for i, (o, at, name) in enumerate(orders)
    ]
    started = [START.date() - timedelta(days=400)] * people
    if newcomer:
        started[-1] = START.date() + timedelta(days=7 * weeks - 14)
    monday = START.date()
    drills = [(f"d{w}", None, "relative_compression", monday + timedelta(weeks=w), 1) for w in range(weeks)]
    sessions = [
        (f"s{i}", name, START.date() + timedelta(days=day), topic, "relative_compression")
        for i, (name, topic, day) in enumerate(coaching)
    ]
    frames = Frames(
        captures=pl.DataFrame(rows, schema=CAPTURES, orient="row"),
        cylinders=pl.DataFrame(cyl, schema=CYLINDERS, orient="row"),
        checks=pl.DataFrame(checks, schema=CHECKS, orient="row"),
        orders=pl.DataFrame(full, schema=ORDERS, orient="row"),
        outcomes=pl.DataFrame(outcomes, schema=OUTCOMES, orient="row"),
        technicians=pl.DataFrame(list(zip(names, started, strict=True)), schema=TECHNICIANS, orient="row"),
        drills=pl.DataFrame(drills, schema=DRILLS, orient="row"),
        coaching=pl.DataFrame(sessions, schema=COACHING, orient="row"),
    )
    return SkillShop(frames, trouble, START.date() + timedelta(days=7 * weeks - 1))
