"""The later lessons of the course in the invented shop: every further test that brings a simulation.

Nothing here knows one test from another. From the day a lesson begins, people practise it, keep known-good captures
and use it on jobs that were scoped anyway, so that what is planted about scope use and comebacks stays as it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from demo_warehouse.first_lesson import FAMILIES, planted
from demo_warehouse.people import FIRST_DAY, LAST_DAY, PEOPLE, Person
from demo_warehouse.shop import Order, Vehicle, workday
from demo_warehouse.textfiles import DIALECTS, write_text
from pipelines.kinds import Kind
from pipelines.kinds.simulated import Simulation

LESSON_EVERY_WEEKS = 8
"""Weeks from one lesson to the next."""
DRILL_WEEKS = 5
DRILL_TARGET = 2
FAULT_IN_PRACTICE = 0.08
FAULT_ON_THE_JOB = 0.45
SLIP = 0.06
CONFIRMED = 0.75
"""Share of the jobs whose finding somebody writes down."""
GOOD_PER_GROUP = 6
MOST_JOBS = 36


@dataclass(frozen=True, slots=True)
class Further:
    """One capture of a later lesson before it is simulated."""

    kind: Kind
    taken_at: datetime
    technician: Person
    vehicle: str
    vehicle_seed: int
    group: str
    order: str
    purpose: str
    fault: str
    slip: str
    seed: int


@dataclass(frozen=True, slots=True)
class FurtherRows:
    """Rows to put beside the first lesson's, and the truth by file."""

    captures: pl.DataFrame
    outcomes: pl.DataFrame
    drills: pl.DataFrame
    truth: dict[str, dict[str, Any]]


def begins(kind: Kind) -> date:
    """The Monday a lesson begins."""
    return FIRST_DAY + timedelta(weeks=LESSON_EVERY_WEEKS * (kind.lesson - 1))


def simulation_for(kind: Kind) -> Simulation | None:
    """A kind's simulation, told the shop's engine families where it needs an engine; None where it brings none."""
    if kind.simulation_of is None:
        return kind.simulation() if kind.simulation is not None else None
    return kind.simulation_of(tuple(planted.engine_of(family) for family in FAMILIES))


def _group(kind: Kind, simulation: Simulation, vehicle: Vehicle) -> str | None:
    """What the vehicle's capture is compared with its like in; None where the test does not go with the vehicle."""
    if kind.needs_engine:
        return vehicle.family if vehicle.family in simulation.groups else None
    return simulation.groups[vehicle.seed % len(simulation.groups)]


def plan_further(
    kind: Kind, simulation: Simulation, orders: list[Order], vehicles: list[Vehicle], scale: float, seed: int
) -> list[Further]:
    """Practice, known-good captures and jobs of one later lesson, in time order.

    Args:
        scale: thins the captures of a smaller shop.
    """
    start = begins(kind)
    if start > LAST_DAY:
        return []
    rng = np.random.default_rng([seed, 71, kind.lesson])
    people = [one for one in PEOPLE if one.role != "hardly scopes" and one.started_on <= start]
    planned = []

    def add(at: datetime, who: Person, vehicle: Vehicle, order: str, purpose: str, chance: float) -> None:
        fault = str(rng.choice(simulation.faults)) if simulation.faults and rng.random() < chance else ""
        slip = str(rng.choice(simulation.slips)) if simulation.slips and rng.random() < SLIP else ""
        group = _group(kind, simulation, vehicle)
        if group is None:
            return
        planned.append(
            Further(kind, at, who, vehicle.name, vehicle.seed, group, order, purpose, fault,
                    "" if purpose == "known_good" else slip, int(rng.integers(2**31)))
        )  # fmt: skip

    for week in range(DRILL_WEEKS):
        monday = start + timedelta(weeks=week)
        for who in people:
            for _ in range(int(rng.binomial(DRILL_TARGET, min(0.9, scale)))):
                at = workday(rng, monday, min(monday + timedelta(days=4), LAST_DAY))
                add(at, who, vehicles[int(rng.integers(len(vehicles)))], "", "drill", FAULT_IN_PRACTICE)
    for group in simulation.groups:
        own = [one for one in vehicles if _group(kind, simulation, one) == group]
        for _ in range(max(1, round(GOOD_PER_GROUP * scale)) if own else 0):
            who = people[int(rng.integers(len(people)))]
            add(workday(rng, start, LAST_DAY), who, own[int(rng.integers(len(own)))], "", "known_good", 0.0)
    jobs = [one for one in orders if one.scoped and one.eligible and one.opened_at.date() >= start]
    for at_job in rng.permutation(len(jobs))[: round(MOST_JOBS * scale)]:
        job = jobs[int(at_job)]
        at = job.opened_at + timedelta(minutes=int(rng.integers(120, 150)))
        add(min(at, job.closed_at), job.technician, job.vehicle, job.name, "diagnosis", FAULT_ON_THE_JOB)
    return sorted(planned, key=lambda one: (one.taken_at, one.seed))


def write_further(drop: Path, planned: list[Further], simulation: Simulation, seed: int) -> FurtherRows:
    """Simulate and write one lesson's captures, with what people would log and find."""
    rows: dict[str, list[dict[str, Any]]] = {"captures": [], "outcomes": [], "drills": []}
    truth = {}
    for number, one in enumerate(planned):
        rng = np.random.default_rng([seed, 72, number, one.kind.lesson])
        dialect = DIALECTS[int(rng.integers(len(DIALECTS)))]
        made = simulation.capture(
            one.group, fault=one.fault, slip=one.slip, vehicle_seed=one.vehicle_seed, seed=one.seed
        )
        suffix = ".csv" if dialect.delimiter == "," else ".txt"
        name = (
            f"waveforms/{one.taken_at:%Y-%m}/{one.kind.name}-{number + 1:04d}-{one.technician.name}{suffix}"
        )
        path = drop / name
        path.parent.mkdir(parents=True, exist_ok=True)
        write_text(path, made.recording, dialect)
        call, named = _call(rng, one, made.odd)
        row: dict[str, Any] = {
            "capture_file": name,
            "captured_at": one.taken_at.isoformat(timespec="minutes"),
            "technician": one.technician.name,
            "repair_order": one.order,
            "vehicle": one.vehicle,
            "engine_family" if one.kind.needs_engine else "component": one.group,
            "test": one.kind.name,
            "purpose": one.purpose,
            "call": call,
            "call_elements": ";".join(map(str, named)),
        }
        for at, (signal, scale) in enumerate(zip(made.signals, made.scales, strict=True), start=1):
            row |= {f"ch{at}_signal": signal, f"ch{at}_scale": scale}
        rows["captures"].append(row)
        if one.order and rng.random() < CONFIRMED:
            when = one.taken_at + timedelta(hours=1)
            found = {
                "finding": "odd" if one.fault else "even",
                "confirmed_at": when.isoformat(timespec="minutes"),
            }
            elements = ";".join(map(str, made.odd))
            rows["outcomes"].append(
                {"repair_order": one.order, "test": one.kind.name, "method": "teardown",
                 "confirmed_elements": elements if one.fault else "", **found}
            )  # fmt: skip
        truth[name] = {
            "test": one.kind.name, "group": one.group, "technician": one.technician.name, "purpose": one.purpose,
            "fault": one.fault or None, "odd_elements": list(made.odd), "slip": one.slip or None, "call": call,
        }  # fmt: skip
    if planned:
        rows["drills"] = _drills(planned[0].kind)
    return FurtherRows(
        pl.DataFrame(rows["captures"]), pl.DataFrame(rows["outcomes"]), pl.DataFrame(rows["drills"]), truth
    )


def _call(rng: np.random.Generator, one: Further, odd: tuple[int, ...]) -> tuple[str, tuple[int, ...]]:
    if rng.random() < 0.06:
        return "unsure", ()
    if one.fault and rng.random() < one.technician.sensitivity:
        return "odd", odd
    if not one.fault and rng.random() < one.technician.false_odd:
        return "odd", ()
    return "even", ()


def _drills(kind: Kind) -> list[dict[str, Any]]:
    return [
        {
            "drill": f"drill-{kind.name}-{week + 1:02d}",
            "technician": "",
            "test": kind.name,
            "week_of": (begins(kind) + timedelta(weeks=week)).isoformat(),
            "target": DRILL_TARGET,
        }
        for week in range(DRILL_WEEKS)
    ]
