"""This test in the invented shop: what can be planted, how a technician writes it down, and what the truth says.

The demo plans people and jobs and knows no more of a test than its names here.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np

from pipelines.kinds.engine import EngineFamily
from pipelines.kinds.relative_compression.simulation.cranking import CrankingRun as Run
from pipelines.kinds.relative_compression.simulation.cranking import simulate
from pipelines.kinds.relative_compression.simulation.families import BY_NAME, FAMILIES, Family
from pipelines.kinds.relative_compression.simulation.randomised import Fault as FaultKind
from pipelines.kinds.relative_compression.simulation.scope import ScopeSetup, record
from pipelines.kinds.relative_compression.simulation.wanted import (
    Fault,
    Made,
    Wanted,
    cranking_run,
    scope_setup,
    sync_cylinder,
    truth_of,
    weak_battery,
)

__all__ = [
    "BY_NAME",
    "CONFIRMED_COLUMN",
    "FAMILIES",
    "FILE_STEM",
    "HOUSE_SETUP",
    "TEST",
    "Family",
    "Fault",
    "FaultKind",
    "Made",
    "Run",
    "ScopeSetup",
    "Wanted",
    "capture_truth",
    "engine_of",
    "family_row",
    "family_truth",
    "likeness",
    "log_columns",
    "off_house_hookup",
    "record",
    "run_of",
    "scope_setup",
    "simulate",
    "truth_of",
]  # fmt: skip

TEST = "relative_compression"
FILE_STEM = "crank"
HOUSE_SETUP: dict[str, dict[str, Any]] = {
    TEST: {"signals": ["battery_voltage", "ignition_primary"], "sync_cylinder": 1},
}
"""How the invented shop has decided to hook this test up."""
CONFIRMED_COLUMN = "confirmed_cylinders"
"""Where an outcome names the elements at fault."""

run_of = cranking_run


def likeness(run: Run) -> tuple[int, float]:
    """Runs that are simulated together should be of like size."""
    return run.engine.cylinders, run.duration_s


def off_house_hookup(rng: np.random.Generator, family: Family, *, clamp: bool) -> str:
    """A hookup that is not the house's; see `Wanted.hookup`. `clamp`: by somebody who likes to use one."""
    if clamp and rng.random() < 0.5:
        return "clamp"
    if family.sync_kind == "distributor":
        return "sync_first"
    return "sync_elsewhere" if rng.random() < 0.5 else "sync_first"


def engine_of(family: Family) -> EngineFamily:
    """An invented family's engine as the shop defines it."""
    engine = family.engine
    return EngineFamily(
        family.name, engine.cylinders, engine.firing_order, engine.firing_intervals_deg, family.sync_kind
    )


def family_row(family: Family) -> dict[str, str | int]:
    """A row of `engine_families.csv`; empty intervals = even firing."""
    return {
        "engine_family": family.name,
        "cylinders": family.engine.cylinders,
        "firing_order": "-".join(map(str, family.engine.firing_order)),
        "firing_intervals_deg": "-".join(f"{v:g}" for v in family.engine.firing_intervals_deg),
        "sync_kind": family.sync_kind,
    }


def log_columns(capture: Wanted, call: str, elements: Sequence[int]) -> dict[str, str | float]:
    """The columns of `captures.csv` that this test has: hookup and call, as the technician writes them."""
    channels = capture.channels
    sync = sync_cylinder(capture)
    return {
        "ch1_signal": channels[0][0],
        "ch1_scale": channels[0][1],
        "ch2_signal": channels[1][0],
        "ch2_scale": channels[1][1],
        "sync_cylinder": "" if sync == 1 else str(sync),
        "call": call,
        "call_cylinders": ";".join(map(str, elements)),
    }


def family_truth(family: Family) -> dict[str, Any]:
    """What was planted in a family."""
    return {
        "healthy_pattern": list(family.engine.healthy_pattern or (1.0,) * family.elements),
        "drift_cylinder": family.drift_cylinder or None,
        "drift_pct_per_month": family.drift_pct_per_month,
        "hard": family.hard,
    }


def capture_truth(capture: Wanted, made: Made) -> dict[str, Any]:
    """What was planted in a capture; peak pressures lost are against the vehicle's sound elements."""
    peaks = np.array(made.peak_kpa)
    faulty = capture.fault.elements if capture.fault else ()
    on: date = capture.taken_at.date()
    usual = capture.family.usual_trapped(on, capture.first_day)
    sound = [c for c in range(1, peaks.size + 1) if c not in faulty]
    healthy_kpa = float(np.median(peaks[[c - 1 for c in sound]] / usual[[c - 1 for c in sound]]))
    lost = {
        str(c): round(100.0 * (1.0 - float(peaks[c - 1]) / (healthy_kpa * float(usual[c - 1]))), 1)
        for c in faulty
    }
    return {
        "fault": capture.fault.kind if capture.fault else None,
        "faulty_cylinders": list(faulty),
        "lost_peak_pressure_pct": lost,
        "peak_kpa": list(made.peak_kpa),
        "crank_rpm": made.crank_rpm,
        "min_v": made.min_v,
        "weak_battery": weak_battery(capture),
    }
