"""Builds the invented shop's drop folder and writes the planted truth beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from demo_warehouse import rows
from demo_warehouse.first_lesson import planted
from demo_warehouse.further import plan_further, simulation_for, write_further
from demo_warehouse.people import COACHING, LAST_DAY, PEOPLE, USUAL_SLIPS
from demo_warehouse.plan import Planned, drill_rows, plan_captures
from demo_warehouse.render import Job, job, make_files, scope_setup, suffix
from demo_warehouse.shop import RIGHT_FACTOR, WRONG_FACTOR, Order, comeback_truth, make_orders, make_vehicles
from pipelines.kinds import kinds

FULL_CAPTURES = 600
FULL_ORDERS = 1500


@dataclass(frozen=True, slots=True)
class Truth:
    """What was planted.

    Attributes:
        drop: the drop folder to ingest.
        document: the content of `truth.json`; its parts are described in `demo_warehouse/README.md`.
    """

    drop: Path
    document: dict[str, Any]

    @property
    def captures(self) -> dict[str, dict[str, Any]]:
        """By capture file: family, vehicle, technician, faulty elements, true loss, slip, expected checks."""
        captures: dict[str, dict[str, Any]] = self.document["captures"]
        return captures


def build(
    folder: Path,
    *,
    seed: int = 7,
    captures: int = FULL_CAPTURES,
    progress: Callable[[int, int], None] | None = None,
    jobs: int = 2,
) -> Truth:
    """Write `folder/drop` (tables and waveform files) and `folder/truth.json`.

    The same seed and size give the same files, whatever `jobs`.

    Args:
        folder: made if missing; files of the same name in it are replaced.
        captures: about how many captures the shop took in its year (all else in proportion), at least 20.
        progress: called with (files done, files in all).
        jobs: processes to use.

    Raises:
        ValueError: for fewer than 20 captures.
        OSError: when the folder cannot be written.
    """
    if captures < 20:
        raise ValueError("the scenario needs at least 20 captures to show anything")
    scale = captures / FULL_CAPTURES
    rng = np.random.default_rng(seed)
    vehicles = make_vehicles(rng, max(12, round(700 * scale)))
    orders = make_orders(rng, round(FULL_ORDERS * scale), vehicles)
    planned = plan_captures(rng, orders, vehicles, scale)
    named = {_file_name(n, capture): capture for n, capture in enumerate(planned)}
    drop = folder / "drop"
    drop.mkdir(parents=True, exist_ok=True)
    work: list[Job] = [job(capture, file) for file, capture in named.items()]
    made = make_files(drop, work, workers=jobs, progress=progress)

    tables = {
        "engine_families": rows.engine_families(),
        "technicians": rows.technicians(),
        "repair_orders": rows.repair_orders(orders),
        "captures": rows.captures(named),
        "drills": rows.drills(drill_rows()),
        "coaching": rows.coaching(),
    }
    tables["outcomes"], checked = rows.outcomes(rng, orders, named, made)
    later: dict[str, Any] = {}
    for kind in kinds().values():
        simulation = simulation_for(kind)
        if simulation is not None:
            further = plan_further(kind, simulation, orders, vehicles, scale, seed)
            added = write_further(drop, further, simulation, seed)
            later |= added.truth
            for name, frame in (
                ("captures", added.captures), ("outcomes", added.outcomes), ("drills", added.drills),
            ):  # fmt: skip
                tables[name] = pl.concat([tables[name], frame], how="diagonal_relaxed")
    tables["captures"], bad = rows.plant_bad_files(drop, tables["captures"], named)
    for name, frame in tables.items():
        rows.write(drop / f"{name}.csv", frame)
    document = _document(seed, orders, named, made, checked, bad) | {"later_lessons": later}
    (folder / "truth.json").write_text(json.dumps(document, indent=1), encoding="utf-8")
    return Truth(drop, document)


def _file_name(number: int, capture: Planned) -> str:
    _, dialect = scope_setup(capture)
    month = capture.taken_at.strftime("%Y-%m")
    return (
        f"waveforms/{month}/{planted.FILE_STEM}-{number + 1:04d}-{capture.technician.name}{suffix(dialect)}"
    )


def _document(
    seed: int,
    orders: list[Order],
    named: dict[str, Planned],
    made: dict[str, planted.Made],
    checked: dict[str, float],
    bad: dict[str, dict[str, str]],
) -> dict[str, Any]:
    return {
        "notice": "Invented data: no shop, person, vehicle or engine in it is real.",
        "seed": seed,
        "last_day": LAST_DAY.isoformat(),
        "captures": {
            file: _capture_truth(capture, made[file]) for file, capture in named.items() if file not in bad
        },
        "bad_files": bad,
        "families": {family.name: planted.family_truth(family) for family in planted.FAMILIES},
        "technicians": {
            person.name: {
                "role": person.role,
                "started_on": person.started_on.isoformat(),
                "adoption_middling_job": [[day.isoformat(), chance] for day, chance in person.adoption],
                "usual_slip_factor": person.slip_factor,
                "own_slips": {
                    kind: [[day.isoformat(), chance] for day, chance in steps]
                    for kind, steps in person.own_slips.items()
                },
                "learns": person.learns,
                "sensitivity_large_fault": person.sensitivity,
                "false_odd": person.false_odd,
                "names_right": person.names_right,
                "off_house": person.off_house,
                "needs_coaching_in": NEEDS.get(person.name),
            }
            for person in PEOPLE
        },
        "usual_slips": USUAL_SLIPS,
        "coaching": [
            {"session": session, "technician": who, "held_on": day.isoformat(), "topic": topic}
            for session, who, day, topic in COACHING
        ],
        "comebacks": comeback_truth(orders)
        | {"window_days": 30, "risk_factor_right_call": RIGHT_FACTOR, "risk_factor_other": WRONG_FACTOR},
        "verification": checked,
    }


NEEDS: dict[str, str] = {"corin": "calls", "bryony": "hookup", "greta": "usable captures"}
"""Who needs coaching, in what; bryony until coached on 2026-04-15, greta until about May 2026, corin throughout."""


def _capture_truth(capture: Planned, made: planted.Made) -> dict[str, Any]:
    return {
        "engine_family": capture.vehicle.family,
        "vehicle": capture.vehicle.name,
        "technician": capture.technician.name,
        "repair_order": capture.order,
        "purpose": capture.purpose,
        **planted.capture_truth(capture.wanted, made),
        "call": capture.call.call,
        "call_right": capture.call.right,
        "slip": capture.slip or None,
        "hookup": capture.hookup,
    }
