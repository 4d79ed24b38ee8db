"""Small logs drawn at random, with whatever a log may hold: for slow, obvious twins of the models' counting.

Everything a rule may turn on is drawn often: no technician, no vehicle, no order, retakes, several returns of one
order, times exactly on a boundary, two tests, all states and purposes, empty and overlapping names of elements.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from models.records import schemas
from models.records.shop import Shop
from tests.simulated_shop import frame_of

Row = dict[str, Any]
MONDAY = datetime(2025, 3, 3)
END = MONDAY + timedelta(days=40, hours=12)
"""Up to here the twins and the models look; the logs go on after it."""
PEOPLE = ("ann", "bob", "cy")


@dataclass(frozen=True)
class Log:
    """The rows of each frame as plain dictionaries, every column of its schema in them, and the bundle of them."""

    captures: list[Row]
    orders: list[Row]
    outcomes: list[Row]
    checks: list[Row]
    elements: list[Row]
    drills: list[Row]
    technicians: list[Row]

    @property
    def shop(self) -> Shop:
        names = ("captures", "orders", "outcomes", "checks", "elements", "drills", "technicians")
        known = {schema.name: schema for schema in schemas.ALL}
        return Shop(**{name: frame_of(known[name], getattr(self, name)) for name in names})

    def taken(self) -> list[Row]:
        """Captures that count, in order of time (`logbook.captures_until`)."""
        rows = [
            c
            for c in self.captures
            if c["status"] in ("read", "unusable") and c["technician"] is not None and c["captured_at"] is not None
            and c["captured_at"] <= END
        ]  # fmt: skip
        return sorted(rows, key=lambda c: (c["captured_at"], c["capture_file"]))

    def known_orders(self) -> list[Row]:
        """Orders opened by then, closed ones only where they were closed by then."""
        return [
            {**o, "closed_at": o["closed_at"] if o["closed_at"] and o["closed_at"] <= END else None}
            for o in self.orders
            if o["opened_at"] <= END
        ]


def _filled(schema: schemas.FrameSchema, rows: list[Row]) -> list[Row]:
    return [{**dict.fromkeys(schema.columns), **row} for row in rows]


def drawn_log(seed: int, *, captures: int = 70, orders: int = 30) -> Log:
    """One log."""
    rng = np.random.default_rng(seed)

    def one(*choices: Any) -> Any:
        return choices[int(rng.integers(len(choices)))]

    def when(days: float = 50.0) -> datetime:
        # whole hours and whole days, so that boundaries are met exactly; END among them
        at = MONDAY + timedelta(hours=int(rng.integers(0, int(24 * days))))
        return one(at, at, at.replace(hour=0), at.replace(hour=12), END if days > 45 else at)

    names = [f"o{i}" for i in range(orders)]
    rows: list[Row] = []
    for name in names:
        opened = when(45)
        closed = one(None, *[opened + timedelta(hours=int(rng.integers(0, 120))) for _ in range(5)], END)
        rows.append({
            "repair_order": name, "opened_at": opened, "closed_at": closed, "technician": one(None, *PEOPLE, *PEOPLE),
            "vehicle": one(None, "v1", "v2", "v3", "v4", f"own {name}"), "engine_family": one("f", "g"),
            "complaint": one("misfire", "no_start", None), "scope_eligible": one(True, True, True, False, None),
            "comeback_of": one(None, None, *names[:8]), "labour_h": one(None, 1.0, 2.5, 4.0),
            "parts_cost": one(None, 0.0, 40.0, 90.0), "parts_returned": one(None, 0.0, 0.0, 1.0, 2.0),
            "model_year": one(None, *[2025 - years for years in (0, 4, 5, 9, 10, 14, 15, 30)]),
        })  # fmt: skip
    taken: list[Row] = []
    for i in range(captures):
        if taken and rng.random() < 0.35:  # a retake, or nearly one
            before = taken[int(rng.integers(len(taken)))]
            again = {**before, "captured_at": before["captured_at"] + timedelta(hours=one(0, 1, 12, 24))}
            taken.append(
                {**again, "capture_file": f"c{i}", "status": one("read", "unusable"), **_hookup(rng)}
            )
            continue
        family = one("f", "g")
        taken.append({
            "capture_file": f"c{i}", "test": one("t", "t", "u"), "group": family, "engine_family": family,
            "technician": one(None, *PEOPLE, *PEOPLE), "repair_order": one(None, *names[:20]),
            "vehicle": one(None, "v1", "v2", "v3"), "captured_at": when(),
            "purpose": one("drill", "diagnosis", "known_good"),
            "status": one("read", "read", "read", "unusable", "waiting", "refused"),
            "call": one(None, "even", "odd", "odd", "unsure"), "call_elements": one(None, [], [1], [2, 3], [4]),
            **_hookup(rng),
        })  # fmt: skip
    found = [
        {
            "repair_order": name, "test": test, "confirmed_at": when(), "finding": one("even", "odd", "other"),
            "confirmed_elements": one(None, [], [1], [3], [1, 4]), "method": "gauge",
        }
        for name in names[:20] for test in ("t", "u") if rng.random() < 0.7
    ]  # fmt: skip
    files = [c["capture_file"] for c in taken]
    failed = {
        (one(*files), one("clipped", "no_sync", "weak_battery", "too_short")): (
            one("note", "warning", "unusable"),
            one(True, True, False, None),
        )
        for _ in range(captures)
    }
    cells = [
        {
            "capture_file": file, "measure": measure, "position": p, "element": one(p, p, p, None),
            "relative_pct": one(100.0, float(rng.normal(100, 3)), float("nan") if rng.random() < 0.1 else 98.0),
            "se_pct": 0.5, "identified": "sync",
        }
        for file in files for measure in ("level", "delay") for p in (1, 2, 3)
    ]  # fmt: skip
    drills = [
        {
            "drill": f"d{i}", "technician": one(None, *PEOPLE), "test": one("t", "u"),
            "week_of": (MONDAY + timedelta(weeks=int(rng.integers(0, 7)))).date(), "target": int(rng.integers(0, 4)),
        }
        for i in range(12)
    ]  # fmt: skip
    staff = [
        {"technician": name, "started_on": one(None, (MONDAY + timedelta(days=int(rng.integers(0, 30)))).date())}
        for name in (*PEOPLE, "nobody")
    ]  # fmt: skip
    return Log(
        _filled(schemas.CAPTURES, taken),
        _filled(schemas.ORDERS, rows),
        _filled(schemas.OUTCOMES, found),
        _filled(
            schemas.CHECKS,
            [
                {"capture_file": f, "check": c, "severity": s, "detail": "Do.", "habit": h}
                for (f, c), (s, h) in failed.items()
            ],
        ),
        _filled(schemas.ELEMENTS, cells),
        _filled(schemas.DRILLS, drills),
        _filled(schemas.TECHNICIANS, staff),
    )


def _hookup(rng: np.random.Generator) -> Row:
    def one(*choices: Any) -> Any:
        return choices[int(rng.integers(len(choices)))]

    return {
        "ch_signals": one(None, "", "a;b", "a;b", "a; b;", "b;a", "a", "a;b;;"),
        "ch_scales": one(None, "1;10", "1;10", "1.0; 10.0; 1", "10;1", "1", ";", "1;10;5", "1;5"),
        "sync_cylinder": one(None, 1, 1, 2, 3),
        "rate_hz": one(None, 2000.0, 3000.0, 3000.0, 4500.0),
        "duration_s": one(None, 7.0, 10.0, 10.0, 20.0),
    }


# -- what a log says, the slow way ---------------------------------------------------------------------------------


def piece_key(row: Row) -> tuple[Any, ...]:
    car = row["vehicle"] if row["vehicle"] is not None else ("alone", row["capture_file"])
    return (row["technician"], row["test"], row["group"], row["purpose"], car, row["captured_at"].date())


def first_of_each(rows: list[Row]) -> list[Row]:
    """The first capture of each piece of work, in order of time."""
    found: dict[tuple[Any, ...], Row] = {}
    for row in rows:
        found.setdefault(piece_key(row), row)
    return list(found.values())


def not_theirs(log: Log) -> set[str]:
    """Unusable captures whose every check that made them so is declared to be about no habit."""
    files = set()
    for row in log.captures:
        if row["status"] == "unusable":
            why = [
                c["habit"]
                for c in log.checks
                if c["capture_file"] == row["capture_file"] and c["severity"] == "unusable"
            ]
            if why and all(habit is False for habit in why):
                files.add(row["capture_file"])
    return files


def pieces_one_by_one(log: Log) -> list[tuple[Row, list[bool]]]:
    """First try of each piece, and whether each of its tries could be read."""
    out: dict[tuple[Any, ...], tuple[Row, list[bool]]] = {}
    theirs = not_theirs(log)
    for row in log.taken():
        if row["capture_file"] not in theirs:
            out.setdefault(piece_key(row), (row, []))[1].append(row["status"] == "read")
    return list(out.values())


def judgeable(row: Row) -> bool:
    return row["status"] == "read" and row["call"] in ("even", "odd") and row["purpose"] != "known_good"


def judged_one_by_one(log: Log) -> list[tuple[Row, Row, bool]]:
    """Capture, outcome and whether the call was right, of every call an outcome judges."""
    found = []
    for row in log.taken():
        for outcome in log.outcomes:
            if (
                judgeable(row) and (row["repair_order"], row["test"]) == (outcome["repair_order"], outcome["test"])
                and outcome["finding"] != "other" and outcome["confirmed_at"] <= END
                and row["captured_at"].date() <= outcome["confirmed_at"].date()
            ):  # fmt: skip
                named, confirmed = set(row["call_elements"] or ()), set(outcome["confirmed_elements"] or ())
                right = row["call"] == outcome["finding"]
                right = right and (
                    row["call"] == "even" or not named or not confirmed or bool(named & confirmed)
                )
                found.append((row, outcome, right))
    return found


def last_of_each(rows: list[Any], of: Any = lambda one: one) -> list[Any]:
    """The last of each technician, order and test; a capture without an order is alone."""
    found: dict[Any, Any] = {}
    for one in rows:
        row = of(one)
        order = row["repair_order"] if row["repair_order"] is not None else ("alone", row["capture_file"])
        found[row["technician"], row["test"], order] = one
    return list(found.values())
