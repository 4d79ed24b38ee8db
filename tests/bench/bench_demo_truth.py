"""The demo's planted truth against what its warehouse says.

    python -m tests.bench.bench_demo_truth shopspread_demo

Reads `truth.json` and the warehouse beside it (made by `shopspread demo`), through the export views and the report.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
from pathlib import Path

import polars as pl

from pipelines.reports.report import build_report
from pipelines.warehouse.database import Warehouse

# A planted slip and the setup check that should name it.
CHECK_OF_SLIP = {
    "too_short": "too_short",
    "ac_coupled": "ac_coupled",
    "swapped_channels": "swapped_channels",
    "low_sample_rate": "low_sample_rate",
    "no_sync": "no_sync",
    "coarse_resolution": "coarse_resolution",
    "reversed_leads": "reversed_leads",
    "engine_started": "engine_started",
    "clipped": "clipped",
}


def captures_against_truth(house: Warehouse, truth: dict[str, dict[str, object]]) -> list[str]:
    """Lines on cylinders, flags and setup checks."""
    with house.reading() as connection:
        captures = {
            row["capture_file"]: row
            for row in connection.sql("SELECT * FROM export.captures").pl().to_dicts()
        }
        cylinders = connection.sql("SELECT * FROM export.cylinders").pl()
        checks = connection.sql('SELECT capture_file, "check" FROM export.checks').pl()
        families = dict(connection.execute("SELECT engine_family, sync_kind FROM engine_family").fetchall())
    lowest = {
        row["capture_file"]: row
        for row in cylinders.sort("deviation_pct")
        .unique("capture_file", keep="first", maintain_order=True)
        .to_dicts()
    }
    read = {name: value for name, value in truth.items() if captures.get(name, {}).get("status") == "read"}
    faulty = {name: value for name, value in read.items() if value["faulty_cylinders"]}
    healthy = [name for name, value in read.items() if not value["faulty_cylinders"]]
    # A distributor fires for every cylinder alike: the position is known, the cylinder is not.
    nameable = {
        name: value
        for name, value in faulty.items()
        if families[str(value["engine_family"])] != "distributor"
    }
    named = {name: value for name, value in nameable.items() if lowest[name]["identified"] != "none"}
    right = [
        name
        for name, value in named.items()
        if {lowest[name]["cylinder"], lowest[name]["companion"]} & set(value["faulty_cylinders"])  # type: ignore[call-overload]
    ]
    flagged_faulty = sum(bool(captures[name]["flagged"]) for name in faulty)
    flagged_healthy = sum(bool(captures[name]["flagged"]) for name in healthy)
    raised = {(row["capture_file"], row["check"]) for row in checks.to_dicts()}
    lines = [
        f"captures: {len(truth)} planted, {len(read)} read",
        f"faults: {len(faulty)} read, {flagged_faulty} flagged ({flagged_faulty / len(faulty):.1%})",
        f"right cylinder (or pair): {len(right)} of {len(named)} named; {len(nameable) - len(named)} left "
        f"unnamed for want of a sync; {len(faulty) - len(nameable)} of distributor families are positions only",
        f"healthy: {len(healthy)} read, {flagged_healthy} flagged ({flagged_healthy / len(healthy):.1%})",
    ]
    sound = [name for name, value in truth.items() if value["slip"] is None and not value["weak_battery"]]
    for slip, check in CHECK_OF_SLIP.items():
        planted = [name for name, value in truth.items() if value["slip"] == slip]
        found = sum((name, check) in raised for name in planted)
        falsely = sum((name, check) in raised for name in sound)
        lines.append(
            f"check {check:<18} found {found:>3} of {len(planted):>3} planted; "
            f"raised on {falsely} of {len(sound)} captures with no slip"
        )
    return lines


def people_against_truth(house: Warehouse, truth: dict[str, dict[str, object]], last_day: str) -> list[str]:
    """Lines on who was found to need coaching, month by month."""
    named: dict[str, list[str]] = {}
    end = dt.date.fromisoformat(last_day)
    day = dt.date(2025, 12, 1)
    while day <= end:
        for person in build_report(house, as_of=day)["technicians"]:
            if person["coaching"]["needed"]:
                named.setdefault(person["technician"], []).append(day.strftime("%b %y"))
        day = (day.replace(day=1) + dt.timedelta(days=32)).replace(day=1)
    return [
        f"{name}: planted {value['needs_coaching_in'] or 'nothing to coach'} ({value['role']}); "
        f"on the list at the start of: {', '.join(named.get(name, [])) or 'never'}"
        for name, value in truth.items()
    ]


def comebacks_against_truth(house: Warehouse, truth: dict[str, float]) -> list[str]:
    """Lines on the comeback difference, crude and adjusted."""
    found = build_report(house)["comebacks"]
    lines = [
        f"true difference {100 * truth['true_risk_difference']:+.1f} points; crude expected "
        f"{100 * truth['expected_crude_risk_difference']:+.1f}"
    ]
    for name in ("crude", "adjusted"):
        value = found[name]["risk_difference"]
        covers = value["low"] <= truth["true_risk_difference"] <= value["high"]
        lines.append(
            f"{name}: {100 * value['estimate']:+.1f} [{100 * value['low']:+.1f} to {100 * value['high']:+.1f}], "
            f"{'covers' if covers else 'misses'} the truth"
        )
    return lines


def main() -> int:
    """Print every comparison."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    house = Warehouse(folder)
    lines = captures_against_truth(house, truth["captures"])
    lines += people_against_truth(house, truth["technicians"], truth["last_day"])
    lines += comebacks_against_truth(house, truth["comebacks"])
    stats = (
        house.frame("family_stats").filter((pl.col("drift_low") > 0) | (pl.col("drift_high") < 0)).to_dicts()
    )
    drifting = [name for name, value in truth["families"].items() if value["drift_cylinder"]]
    lines.append(f"drift planted in {drifting}, found in {[row['engine_family'] for row in stats]}")
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
