"""A drop folder of a test on wheels only (invented): components, teeth; no engine family, no cylinder."""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.wheel_kind import TEETH, wheel_signal

COMPONENTS = ("hub-small", "hub-large")
PEOPLE = ("ada", "bo")
RATE_HZ = 4000.0


@dataclass(frozen=True)
class WheelTruth:
    """What one capture shows: the worn tooth, or None; and whether the person called it right."""

    component: str
    technician: str
    worn: int | None
    right: bool | None


def write_wheels(
    drop: Path, *, captures: int = 60, seed: int = 5, odd_share: float = 0.3
) -> dict[str, WheelTruth]:
    """Write a folder of wheel captures with log, outcomes, jobs and one drill; returns the truth by file."""
    rng = np.random.default_rng(seed)
    (drop / "wheels").mkdir(parents=True, exist_ok=True)
    usual = {name: 1.0 + rng.normal(0, 0.03, TEETH) for name in COMPONENTS}
    log, outcomes, orders, truth = [], [], [], {}
    for at in range(captures):
        name, component, person = f"wheels/{at:03}.csv", COMPONENTS[at % 2], PEOPLE[(at // 2) % 2]
        good, drill = at % 5 == 0, at % 5 == 1
        worn = int(rng.integers(TEETH)) if rng.random() < odd_share and not good else None
        heights = usual[component] * (1 + rng.normal(0, 0.01, TEETH)) * rng.uniform(0.8, 3.0)
        if worn is not None:
            heights[worn] *= rng.uniform(0.5, 0.8)
        volts = wheel_signal(heights, rate_hz=RATE_HZ, seed=seed * 1000 + at, noise_v=0.01)
        time = np.arange(volts.size) / RATE_HZ
        np.savetxt(
            drop / name, np.column_stack([time, volts]), delimiter=",", fmt="%.6g",
            header="time (s),channel 1 (V)", comments="",
        )  # fmt: skip
        when = dt.datetime(2026, 3, 2, 9) + dt.timedelta(days=at)
        # ada sees a worn tooth, bo calls every wheel even.
        says_odd = worn is not None and person == "ada"
        order = "" if good or drill else f"job-{at:03}"
        log.append(
            {"capture_file": name, "captured_at": when.isoformat(), "technician": person, "repair_order": order,
             "vehicle": f"v{at}", "component": component, "test": "wheel_teeth",
             "purpose": "known_good" if good else "drill" if drill else "diagnosis", "ch1_signal": "wheel_pickup",
             "ch1_scale": "1", "call": "odd" if says_odd else "even",
             "call_elements": str(worn + 1) if says_odd and worn is not None else ""}
        )  # fmt: skip
        if order:
            orders.append({"repair_order": order, "opened_at": when.isoformat(), "technician": person,
                           "closed_at": (when + dt.timedelta(days=2)).isoformat(), "vehicle": f"v{at}",
                           "scope_eligible": "true"})  # fmt: skip
            outcomes.append({"repair_order": order, "test": "wheel_teeth", "method": "teardown",
                             "confirmed_at": (when + dt.timedelta(days=1)).isoformat(),
                             "finding": "even" if worn is None else "odd",
                             "confirmed_elements": "" if worn is None else str(worn + 1)})  # fmt: skip
        judged = (worn is None or says_odd) if order else None
        truth[name] = WheelTruth(component, person, None if worn is None else worn + 1, judged)
    drills = [
        {"drill": "d1", "technician": "ada", "test": "wheel_teeth", "week_of": "2026-03-02", "target": "5"}
    ]
    for table, rows in (
        ("captures", log), ("outcomes", outcomes), ("repair_orders", orders), ("drills", drills),
        ("technicians", [{"technician": name} for name in PEOPLE]),
    ):  # fmt: skip
        with (drop / f"{table}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    return truth
