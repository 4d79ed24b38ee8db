"""The demo takes up every further test that brings a simulation, and leaves the first lesson alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from demo_warehouse import rows
from demo_warehouse.further import begins, plan_further, write_further
from demo_warehouse.people import LAST_DAY
from demo_warehouse.shop import make_orders, make_vehicles
from pipelines import kinds
from pipelines.fit.run import fit_warehouse
from pipelines.intake.ingest import ingest
from pipelines.kinds.simulated import Simulation
from pipelines.warehouse.database import Warehouse
from tests.wheel_kind import WHEEL, WheelSimulation


@pytest.fixture
def second_lesson():  # type: ignore[no-untyped-def]
    """The tests' own kind as the second lesson of the course."""
    from dataclasses import replace

    kind = replace(WHEEL, lesson=2)
    kinds.register(kind)
    yield kind
    kinds.forget(kind.name)


def test_a_later_lesson_goes_from_simulation_to_flag(tmp_path: Path, second_lesson) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(7)
    vehicles = make_vehicles(rng, 200)
    orders = make_orders(rng, 600, vehicles)
    simulation: Simulation = WheelSimulation()
    planned = plan_further(second_lesson, simulation, orders, vehicles, 0.8, 7)
    assert planned == plan_further(second_lesson, simulation, orders, vehicles, 0.8, 7)
    assert {one.purpose for one in planned} == {"drill", "known_good", "diagnosis"}
    assert all(begins(second_lesson) <= one.taken_at.date() <= LAST_DAY for one in planned)
    scoped = {order.name for order in orders if order.scoped}
    assert all(one.order in scoped for one in planned if one.order)

    drop = tmp_path / "drop"
    drop.mkdir()
    made = write_further(drop, planned, simulation, 7)
    rows.write(drop / "captures.csv", made.captures)
    rows.write(drop / "outcomes.csv", made.outcomes)
    rows.write(drop / "drills.csv", made.drills)
    rows.write(drop / "repair_orders.csv", rows.repair_orders([one for one in orders if one.name in scoped]))
    warehouse = Warehouse(tmp_path / "wh", create=True)
    summary = ingest(drop, warehouse, jobs=1)
    assert set(summary.statuses) <= {"read", "unusable"}
    fit_warehouse(warehouse)
    with warehouse.reading() as connection:
        found = connection.sql(
            "SELECT capture_file, status, flagged, flagged_cylinders FROM export.captures"
        ).pl()
    for name, status, flagged, named in found.iter_rows():
        truth = made.truth[name]
        if truth["slip"] == "too_short":
            assert status == "unusable"
        elif truth["fault"]:
            assert flagged
            assert named == str(truth["odd_elements"][0])
    sound = [name for name, truth in made.truth.items() if not truth["fault"] and not truth["slip"]]
    assert found.filter(pl.col("capture_file").is_in(sound))["flagged"].mean() <= 0.03  # type: ignore[operator]


def test_a_lesson_after_the_year_is_not_taken() -> None:
    vehicles = make_vehicles(np.random.default_rng(1), 12)
    assert plan_further(WHEEL, WheelSimulation(), [], vehicles, 1.0, 7) == []
