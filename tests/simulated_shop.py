"""An invented shop, drawn from a seed, as the bundle the models receive: for tests and benchmarks only.

The truth is known by construction: how much scoping lowers the comeback risk, who has trouble with what
and since when. No waveform is made here; these frames stand for what a warehouse would hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from models.records import schemas
from models.records.shop import Shop

Floats = npt.NDArray[np.float64]

START = datetime(2025, 1, 6, 8)
TEST = "relative_compression"
_HOOKUP = {"ch_signals": "battery_voltage;ignition_primary", "ch_scales": "1;10", "sync_cylinder": 1}
_LENGTH = {"rate_hz": 4000.0, "duration_s": 8.0}
CAPTURE: dict[str, object] = {
    "engine_family": "f", "technician": "t", "test": TEST, "purpose": "drill", "status": "read", **_HOOKUP, **_LENGTH,
}  # fmt: skip


def capture_row(file: str, **other: object) -> dict[str, object]:
    """One row of the captures frame; the group is the engine family unless given."""
    row = {"capture_file": file, **CAPTURE, **other}
    return {"group": row["engine_family"], **row}


def captures_of(rows: Sequence[dict[str, object]]) -> pl.DataFrame:
    """Rows of `capture_row` as the frame the models get; columns nobody names are null."""
    return frame_of(schemas.CAPTURES, rows)


def frame_of(schema: schemas.FrameSchema, rows: Sequence[dict[str, object]]) -> pl.DataFrame:
    """Rows by column name as a frame of that schema; a column nobody names is null, an unknown one an error."""
    unknown = {name for row in rows for name in row} - set(schema.columns)
    if unknown:
        raise KeyError(f"{schema.name}: {sorted(unknown)}")
    return pl.DataFrame(
        [{name: row.get(name) for name in schema.columns} for row in rows], schema=schema.types
    )


@dataclass(frozen=True)
class Comebacks:
    """Orders and captures with a planted effect: `truth` is the risk difference over all orders, `truth_scoped` over
    the scoped ones."""

    shop: Shop
    truth: float
    truth_scoped: float


def _logistic(x: Floats | float) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.asarray(x, dtype=float))))


def comeback_shop(
    seed: int,
    *,
    orders: int = 1500,
    effect: float = -0.9,
    days: int = 364,
    begin_scoping: bool = False,
    age_effect: float = 0.0,
    model_years: bool = False,
) -> Comebacks:
    """A shop whose harder jobs are scoped more often and come back more often.

    Args:
        effect: log odds ratio of scoping on the comeback.
        begin_scoping: technicians begin to scope one after the other instead of from the first day.
        age_effect: how much older vehicles are both scoped more often and come back more often (logit, per 8
            years). model_years: whether the log says how old they are.
    """
    age_of = np.random.default_rng([seed, 2]).integers(0, 20, orders // 2)
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
    age = age_of[vehicle]
    old = age_effect * (age - 9.5) / 8.0
    season = np.cos(2 * np.pi * opened / 365)
    difficulty = hard[complaint] + family_hard[family] + 0.25 * earlier + 0.2 * season
    scope_logit = -1.0 + 1.5 * difficulty + habit[person] + old
    may_scope = opened >= (person * 35.0 if begin_scoping else 0.0)
    scoped = may_scope & (rng.random(orders) < _logistic(scope_logit))
    base = -2.35 + 0.9 * difficulty + care[person] + old
    risk0, risk1 = _logistic(base), _logistic(base + effect)
    returned = rng.random(orders) < np.where(scoped, risk1, risk0)
    closed = opened + rng.uniform(0.1, 3, orders)
    back = closed + 30 * rng.beta(1.2, 1.6, orders)

    def at(day: float) -> datetime:
        return START + timedelta(days=float(day))

    rows: list[dict[str, object]] = []
    taken: list[dict[str, object]] = []
    for i in range(orders):
        job = {
            "repair_order": f"ro {i}", "opened_at": at(opened[i]), "closed_at": at(closed[i]),
            "technician": people[person[i]], "vehicle": f"car {vehicle[i]}", "engine_family": families[family[i]],
            "complaint": complaints[complaint[i]], "scope_eligible": True, "labour_h": float(rng.gamma(4, 0.5)),
            "model_year": START.year - int(age[i]) if model_years else None,
            "parts_cost": float(rng.gamma(2, 60)), "parts_returned": float(rng.random() < 0.1),
        }  # fmt: skip
        rows.append(job)
        if returned[i] and back[i] <= days + 1:
            # the returning order itself is kept out of the comparison: not eligible
            rows.append({
                **job, "repair_order": f"ro {i} again", "opened_at": at(back[i]), "closed_at": at(back[i] + 1),
                "scope_eligible": False, "comeback_of": f"ro {i}", "labour_h": float(rng.gamma(4, 0.5)),
                "parts_cost": float(rng.gamma(2, 60)), "parts_returned": 0.0,
            })  # fmt: skip
        if scoped[i]:
            taken.append(capture_row(
                f"c{i}.csv", engine_family=families[family[i]], technician=people[person[i]], repair_order=f"ro {i}",
                vehicle=f"car {vehicle[i]}", captured_at=at(opened[i]), purpose="diagnosis",
                status="read" if rng.random() < 0.9 else "unusable", call="even", call_elements=[],
            ))  # fmt: skip
    staff = [{"technician": p, "started_on": START.date()} for p in people]
    shop = Shop(
        captures=captures_of(taken),
        orders=frame_of(schemas.ORDERS, rows),
        technicians=frame_of(schemas.TECHNICIANS, staff),
    )
    gain = risk1 - risk0
    return Comebacks(shop, float(gain.mean()), float(gain[scoped].mean()))


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

    shop: Shop
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
    retakes: tuple[float, float] = (0.0, 0.0),
) -> SkillShop:
    """A year of captures with ordinary technicians and planted ones.

    Args:
        usable, right: what an ordinary technician has.
        between_sd: how much ordinary ones differ (SD on the logit scale).
        confirmed: share of even and of odd calls that get an outcome.
        coaching: (technician, topic, day) of sessions.
        retakes: chance that a bad capture is taken again at once, and that the retake fails in the same way; up
            to three times.
    """
    again = np.random.default_rng([seed, 1])
    rng = np.random.default_rng(seed)
    names = [f"tech {chr(97 + i)}" for i in range(people)]
    planted = {(t.technician, t.topic): t for t in trouble}
    rows: list[dict[str, object]] = []
    elements: list[dict[str, object]] = []
    checks: list[dict[str, object]] = []
    orders: list[tuple[str, datetime, str]] = []
    outcomes: list[dict[str, object]] = []
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
            rows.append(capture_row(
                file, engine_family=f"family {rng.integers(0, 4)}", technician=name, repair_order=order,
                vehicle=f"car {rng.integers(0, 300)}", captured_at=at, purpose="drill" if drill else "diagnosis",
                status="unusable" if bad else "read", call="odd" if called_odd else "even",
                call_elements=[cylinder] if called_odd else [],
            ))  # fmt: skip
            if bad:
                short = rng.random() < 0.5
                checks.append({
                    "capture_file": file, "check": "too_short" if short else "clipped", "severity": "unusable",
                    "detail": "Record longer.", "habit": True,
                })  # fmt: skip
            if slip:
                checks.append({
                    "capture_file": file, "check": "reversed_leads", "severity": "warning",
                    "detail": "Swap the two battery leads.", "habit": True,
                })  # fmt: skip
            for retake in range(3) if bad or slip else ():
                if again.random() >= retakes[0]:
                    break
                stuck = again.random() < retakes[1]
                copy = f"{file} {retake + 1}"
                rows.append({
                    **rows[-1], "capture_file": copy, "captured_at": at + timedelta(minutes=5 * (retake + 1)),
                    "status": "unusable" if bad and stuck else "read",
                })  # fmt: skip
                if not stuck:
                    break
                checks += [{**row, "capture_file": copy} for row in checks if row["capture_file"] == file]
            if not bad:
                shape = 100 + rng.normal(0, 1.5, 4)
                elements += [
                    {
                        "capture_file": file, "measure": "level", "position": c + 1, "element": c + 1,
                        "relative_pct": float(shape[c]), "se_pct": 0.8, "identified": "sync",
                    }
                    for c in range(4)
                ]  # fmt: skip
            if order is not None and rng.random() < confirmed[called_odd]:
                outcomes.append({
                    "repair_order": order, "test": TEST, "confirmed_at": at + timedelta(days=1),
                    "finding": "odd" if odd else "even", "confirmed_elements": [cylinder] if odd else [],
                    "method": "gauge", "gauge_kpa": [],
                })  # fmt: skip
            if order is not None:
                orders.append((order, at, name))
    full = [
        {
            "repair_order": order, "opened_at": at, "closed_at": at + timedelta(days=1), "technician": name,
            "vehicle": f"car {i}", "engine_family": f"family {i % 4}", "complaint": "misfire",
            "scope_eligible": True, "labour_h": 2.0, "parts_cost": 100.0, "parts_returned": 0.0,
        }
        for i, (order, at, name) in enumerate(orders)
    ]  # fmt: skip
    staff = [{"technician": name, "started_on": START.date() - timedelta(days=400)} for name in names]
    if newcomer:
        staff[-1]["started_on"] = START.date() + timedelta(days=7 * weeks - 14)
    drills = [
        {"drill": f"d{w}", "test": TEST, "week_of": START.date() + timedelta(weeks=w), "target": 1}
        for w in range(weeks)
    ]
    sessions = [
        {
            "session": f"s{i}", "technician": name, "held_on": START.date() + timedelta(days=day), "topic": topic,
            "test": TEST,
        }
        for i, (name, topic, day) in enumerate(coaching)
    ]  # fmt: skip
    shop = Shop(
        captures=captures_of(rows),
        elements=frame_of(schemas.ELEMENTS, elements),
        checks=frame_of(schemas.CHECKS, checks),
        orders=frame_of(schemas.ORDERS, full),
        outcomes=frame_of(schemas.OUTCOMES, outcomes),
        technicians=frame_of(schemas.TECHNICIANS, staff),
        drills=frame_of(schemas.DRILLS, drills),
        coaching=frame_of(schemas.COACHING, sessions),
    )
    return SkillShop(shop, trouble, START.date() + timedelta(days=7 * weeks - 1))
