"""The scenario's tables, in the shape of the drop folder, and the handful of files that cannot be read."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl

from demo_warehouse.first_lesson import planted
from demo_warehouse.people import COACHING, PEOPLE
from demo_warehouse.plan import DrillRow, Planned
from demo_warehouse.shop import Order

VERIFIED = {"odd": 0.80, "unsure": 0.50, "even": 0.15, "not_scoped": 0.05}
"""Probability that an outcome is recorded, by the last call on the order."""
OTHER_FINDING = 0.03
GAUGE_NOISE = 0.015
METHODS = ("gauge", "leak_down", "borescope", "teardown", "repair_verified")
METHOD_SHARES = (0.62, 0.18, 0.08, 0.04, 0.08)
UNDEFINED_FAMILY = "unlisted-2.2-i4"
SPOILT = 5


def write(path: Path, frame: pl.DataFrame) -> None:
    """Write a table as the contract asks: UTF-8, comma, an empty cell for nothing."""
    frame.with_columns(pl.col(pl.String).replace("", None)).write_csv(path)


def engine_families() -> pl.DataFrame:
    """All families."""
    return pl.DataFrame([planted.family_row(family) for family in planted.FAMILIES])


def technicians() -> pl.DataFrame:
    """All technicians with their first day."""
    return pl.DataFrame([{"technician": p.name, "started_on": p.started_on.isoformat()} for p in PEOPLE])


def repair_orders(orders: list[Order]) -> pl.DataFrame:
    """All repair orders."""
    return pl.DataFrame(
        [
            {
                "repair_order": order.name,
                "opened_at": order.opened_at.isoformat(timespec="minutes"),
                "closed_at": order.closed_at.isoformat(timespec="minutes"),
                "technician": order.technician.name,
                "vehicle": order.vehicle.name,
                "engine_family": order.vehicle.family,
                "complaint": order.complaint,
                "scope_eligible": "true" if order.eligible else "false",
                "comeback_of": order.comeback_of,
                "labour_h": order.labour_h,
                "parts_cost": order.parts_cost,
                "parts_returned": order.parts_returned,
            }
            for order in orders
        ]
    )


def captures(named: dict[str, Planned]) -> pl.DataFrame:
    """The capture log: what the technician wrote down, which a slip may contradict."""
    return pl.DataFrame([_log_row(file, capture) for file, capture in named.items()])


def _log_row(file: str, capture: Planned) -> dict[str, str | int | float]:
    return {
        "capture_file": file,
        "captured_at": capture.taken_at.isoformat(timespec="minutes"),
        "technician": capture.technician.name,
        "repair_order": capture.order,
        "vehicle": capture.vehicle.name,
        "engine_family": capture.vehicle.family,
        "test": planted.TEST,
        "purpose": capture.purpose,
        **planted.log_columns(capture.wanted, capture.call.call, capture.call.elements),
    }


def drills(asked: list[DrillRow]) -> pl.DataFrame:
    """All drills."""
    return pl.DataFrame(
        [
            {
                "drill": row.name,
                "technician": row.technician,
                "test": planted.TEST,
                "week_of": row.week_of.isoformat(),
                "target": row.target,
            }
            for row in asked
        ]
    )


def coaching() -> pl.DataFrame:
    """All coaching sessions."""
    return pl.DataFrame(
        [
            {
                "session": session,
                "technician": who,
                "held_on": day.isoformat(),
                "topic": topic,
                "test": planted.TEST,
            }
            for session, who, day, topic in COACHING
        ]
    )


def outcomes(
    rng: np.random.Generator, orders: list[Order], named: dict[str, Planned], made: dict[str, planted.Made]
) -> tuple[pl.DataFrame, dict[str, float]]:
    """Outcomes of the orders that somebody looked into, and the probabilities with which they did."""
    diagnosed = {
        capture.order: made[file] for file, capture in named.items() if capture.purpose == "diagnosis"
    }
    found: list[dict[str, str]] = []
    for order in orders:
        if not order.eligible:
            continue
        group = order.call.call if order.scoped else "not_scoped"
        if rng.random() >= VERIFIED[group]:
            continue
        method = str(rng.choice(METHODS, p=METHOD_SHARES))
        other = rng.random() < OTHER_FINDING
        gauge = ""
        if method == "gauge" and order.name in diagnosed:
            peaks = np.array(diagnosed[order.name].peak_kpa) - 101.3
            read = np.maximum(peaks * (1.0 + GAUGE_NOISE * rng.standard_normal(peaks.size)), 0.0)
            gauge = ";".join(str(5 * round(float(p) / 5.0)) for p in read)
        odd = order.fault is not None and not other
        found.append(
            {
                "repair_order": order.name,
                "confirmed_at": (order.closed_at - timedelta(minutes=20)).isoformat(timespec="minutes"),
                "finding": "other" if other else "odd" if odd else "even",
                planted.CONFIRMED_COLUMN: ";".join(map(str, order.fault.elements))
                if order.fault and odd
                else "",
                "method": method,
                "gauge_kpa": gauge,
            }
        )
    schema = dict.fromkeys(
        ("repair_order", "confirmed_at", "finding", planted.CONFIRMED_COLUMN, "method", "gauge_kpa"),
        pl.String,
    )
    return pl.DataFrame(found, schema=schema), dict(VERIFIED)


def to_spoil(named: Mapping[str, Planned]) -> list[str]:
    """Five captures to spoil: sound practice, so that no repair order loses its capture.

    A very small shop has less of it; then references and unsound practice give way, and jobs last.
    """
    practice = [file for file, capture in named.items() if capture.purpose == "drill" and not capture.slip]
    if len(practice) < SPOILT:
        others = (file for file in named if file not in practice)
        by_use = sorted(others, key=lambda file: (bool(named[file].order), bool(named[file].slip)))
        practice += by_use[: SPOILT - len(practice)]
    return practice[:: max(1, len(practice) // SPOILT)][:SPOILT]


def plant_bad_files(
    drop: Path, log: pl.DataFrame, named: dict[str, Planned]
) -> tuple[pl.DataFrame, dict[str, dict[str, str]]]:
    """Spoil five things on purpose, so that the demo shows what is refused and what waits.

    Returns the log as it is then, and the truth by file.
    """
    garbled, empty, gone, unlogged, unlisted = to_spoil(named)
    noise = np.random.default_rng(404).integers(0, 256, 4096, dtype=np.uint8)
    (drop / garbled).write_bytes(noise.tobytes())
    (drop / empty).write_bytes(b"")
    (drop / gone).unlink()
    family = pl.when(pl.col("capture_file") == unlisted).then(pl.lit(UNDEFINED_FAMILY))
    log = log.filter(pl.col("capture_file") != unlogged).with_columns(
        family.otherwise(pl.col("engine_family")).alias("engine_family")
    )
    return log, {
        garbled: {"kind": "unreadable", "status": "refused"},
        empty: {"kind": "empty file", "status": "refused"},
        gone: {"kind": "log row without its file", "status": "waiting"},
        unlogged: {"kind": "file without its log row", "status": "waiting"},
        unlisted: {"kind": "engine family that nobody defined", "status": "waiting"},
    }
