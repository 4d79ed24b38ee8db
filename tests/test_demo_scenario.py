"""The invented shop keeps its contract, and what is said to be planted is there."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
from collections import Counter
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from demo_warehouse.people import FIRST_DAY, HOOKUP_COACHED, LAST_DAY, PEOPLE, at
from demo_warehouse.plan import plan_captures
from demo_warehouse.rows import to_spoil
from demo_warehouse.scenario import Truth, build
from demo_warehouse.shop import Order, comeback_truth, make_orders, make_vehicles
from pipelines.kinds.relative_compression.simulation.families import BY_NAME, FAMILIES

COLUMNS = {
    "engine_families": "engine_family,cylinders,firing_order,firing_intervals_deg,sync_kind",
    "technicians": "technician,started_on",
    "repair_orders": "repair_order,opened_at,closed_at,technician,vehicle,engine_family,complaint,scope_eligible,"
    "comeback_of,labour_h,parts_cost,parts_returned",
    "captures": "capture_file,captured_at,technician,repair_order,vehicle,engine_family,test,purpose,ch1_signal,"
    "ch1_scale,ch2_signal,ch2_scale,sync_cylinder,call,call_cylinders,component,call_elements",
    "outcomes": "repair_order,confirmed_at,finding,confirmed_cylinders,method,gauge_kpa,test,confirmed_elements",
    "drills": "drill,technician,test,week_of,target",
    "coaching": "session,technician,held_on,topic,test",
}


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Truth:
    return build(tmp_path_factory.mktemp("shop"), captures=40, jobs=1)


@pytest.fixture(scope="module")
def year() -> list[Order]:
    rng = np.random.default_rng(7)
    return make_orders(rng, 1500, make_vehicles(rng, 700))


def table(truth: Truth, name: str) -> list[dict[str, str]]:
    with (truth.drop / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("name", list(COLUMNS))
def test_tables_have_the_contracts_columns_and_unique_keys(small: Truth, name: str) -> None:
    head = (small.drop / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
    # later lessons may need more channels than the first
    assert re.fullmatch(re.escape(COLUMNS[name]) + r"(,ch\d_(signal|scale))*", head)
    # two tests of one job have an outcome each
    rows = table(small, name)
    keys = [(next(iter(row.values())), row["test"] if name == "outcomes" else "") for row in rows]
    assert len(keys) == len(set(keys))
    assert all(key for key, _ in keys)


def test_rows_refer_to_rows(small: Truth) -> None:
    people = {row["technician"] for row in table(small, "technicians")}
    orders = {row["repair_order"]: row for row in table(small, "repair_orders")}
    families = {row["engine_family"] for row in table(small, "engine_families")}
    for row in table(small, "captures"):
        assert row["technician"] in people
        assert row["repair_order"] == "" or row["repair_order"] in orders
        assert row["purpose"] in ("drill", "diagnosis", "known_good")
        assert (row["purpose"] == "diagnosis") <= bool(row["repair_order"])
    assert {row["repair_order"] for row in table(small, "outcomes")} <= set(orders)
    for order in orders.values():
        assert order["engine_family"] in families
        assert order["opened_at"] < order["closed_at"]
        if order["comeback_of"]:
            first = orders[order["comeback_of"]]
            assert first["vehicle"] == order["vehicle"]
            assert first["closed_at"] < order["opened_at"]


def test_firing_orders_are_permutations_and_intervals_close_the_cycle(small: Truth) -> None:
    rows = {row["engine_family"]: row for row in table(small, "engine_families")}
    for row in rows.values():
        order = [int(c) for c in row["firing_order"].split("-")]
        assert sorted(order) == list(range(1, int(row["cylinders"]) + 1))
        if row["firing_intervals_deg"]:
            assert sum(float(v) for v in row["firing_intervals_deg"].split("-")) == 720.0
    assert {int(row["cylinders"]) for row in rows.values()} == {3, 4, 5, 6, 8}
    assert {row["sync_kind"] for row in rows.values()} == {"coil_on_plug", "waste_spark", "distributor"}
    # the example of the US DOE Fundamentals Handbook, DOE-HDBK-1018/1-93, module 1
    assert "1-4-3-2" in {row["firing_order"] for row in rows.values()}
    assert any(row["firing_intervals_deg"] for row in rows.values())


def test_files_logged_and_truth_agree(small: Truth) -> None:
    on_disk = {str(p.relative_to(small.drop)) for p in (small.drop / "waveforms").rglob("*") if p.is_file()}
    logged = {row["capture_file"] for row in table(small, "captures")}
    bad = small.document["bad_files"]
    kinds = {what["kind"]: file for file, what in bad.items()}
    assert logged - on_disk == {kinds["log row without its file"]}
    assert on_disk - logged == {kinds["file without its log row"]}
    assert (small.drop / kinds["empty file"]).stat().st_size == 0
    later = set(small.document["later_lessons"])
    assert set(small.captures) == (on_disk & logged) - set(bad) - later
    first = [r for r in table(small, "captures") if r["capture_file"] not in later]
    unlisted = [r for r in first if r["engine_family"] not in BY_NAME]
    assert [row["capture_file"] for row in unlisted] == [kinds["engine family that nobody defined"]]
    assert json.loads((small.drop.parent / "truth.json").read_text(encoding="utf-8")) == small.document


def test_truth_of_a_capture_comes_from_the_simulated_pressures(small: Truth) -> None:
    faulty = [truth for truth in small.captures.values() if truth["faulty_cylinders"]]
    assert len(faulty) >= 3
    for truth in small.captures.values():
        peaks = np.array(truth["peak_kpa"])
        assert np.isfinite(peaks).all()
        assert truth["crank_rpm"] > 80.0
        sound = [p for c, p in enumerate(peaks, start=1) if c not in truth["faulty_cylinders"]]
        for cylinder in truth["faulty_cylinders"]:
            assert peaks[cylinder - 1] < 0.95 * np.median(sound)


def test_the_same_seed_gives_the_same_shop(small: Truth, tmp_path: Path) -> None:
    again = build(tmp_path, captures=40, jobs=2)
    assert again.document == small.document
    for file in list(small.captures)[::7]:
        assert (again.drop / file).read_bytes() == (small.drop / file).read_bytes()


def test_gauge_readings_follow_the_pressures(small: Truth) -> None:
    by_order = {
        truth["repair_order"]: truth for truth in small.captures.values() if truth["purpose"] == "diagnosis"
    }
    measured = [row for row in table(small, "outcomes") if row["gauge_kpa"]]
    assert measured
    for row in measured:
        gauge = np.array([float(v) for v in row["gauge_kpa"].split(";")])
        true = np.array(by_order[row["repair_order"]]["peak_kpa"]) - 101.3
        np.testing.assert_allclose(gauge, true, rtol=0.07, atol=10.0)


def test_the_year_has_the_size_it_should(year: list[Order]) -> None:
    assert 1400 <= len(year) <= 1650
    days = [order.opened_at.date() for order in year]
    assert min(days) >= FIRST_DAY
    assert max(days) <= LAST_DAY
    assert all(day.weekday() < 5 for day in days)
    rng = np.random.default_rng(1)
    captures = plan_captures(rng, year, [order.vehicle for order in year], 1.0)
    assert 540 <= len(captures) <= 700
    families = Counter(capture.family.name for capture in captures)
    assert set(families) == {family.name for family in FAMILIES}
    assert families["fenland-2.5-i5"] <= 15
    assert min(n for name, n in families.items() if name != "fenland-2.5-i5") >= 30
    assert sum(capture.slip == "dropouts" for capture in captures) == 3
    newcomer = [c for c in captures if c.technician.role == "newcomer"]
    assert len(newcomer) <= 3


def test_comebacks_happen_as_often_as_planted(year: list[Order]) -> None:
    came_back = {order.comeback_of for order in year}
    # the last six weeks are left out: their comebacks may lie beyond the year
    jobs = [o for o in year if o.eligible and o.closed_at < datetime(2026, 9, 15)]
    for scoped in (True, False):
        group = [o for o in jobs if o.scoped == scoped]
        expected = np.mean([o.risk_scoped if scoped else o.risk_not_scoped for o in group]) + 0.015
        seen = np.mean([o.name in came_back for o in group])
        assert seen == pytest.approx(expected, abs=3.0 * np.sqrt(expected * (1 - expected) / len(group)))


def test_the_plain_difference_misleads_by_construction() -> None:
    """Over many invented years the plain difference hides most of what scoping is planted to do."""
    crude, true = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        planted = comeback_truth(make_orders(rng, 1500, make_vehicles(rng, 700)))
        crude.append(planted["expected_crude_risk_difference"])
        true.append(planted["true_risk_difference"])
    assert -0.09 < np.mean(true) < -0.05
    assert np.mean(crude) > np.mean(true) + 0.035


def test_planted_people() -> None:
    by_role = {person.role: person for person in PEOPLE}
    bryony = by_role["keeps the channel AC coupled until coached"]
    before, after = bryony.slips_on(date(2026, 3, 1)), bryony.slips_on(HOOKUP_COACHED)
    assert before["ac_coupled"] > 0.4
    assert after["ac_coupled"] < 0.05
    learner = by_role["beginner who learns"]
    share = [sum(learner.slips_on(date(2026, month, 15)).values()) for month in range(2, 8)]
    assert all(later < earlier for earlier, later in pairwise(share))
    assert by_role["calls poorly, before and after coaching"].sensitivity < 0.6
    assert sum(1 for person in PEOPLE if person.capture_cap == 3) == 1
    assert all(sum(p.slips_on(d).values()) < 1.0 for p in PEOPLE for d in (FIRST_DAY, LAST_DAY))


def test_steps_and_ramps() -> None:
    steps = ((date(2026, 1, 1), 0.0), (date(2026, 1, 11), 1.0))
    assert at(steps, date(2026, 1, 6)) == 0.0
    assert at(steps, date(2026, 1, 6), ramp=True) == pytest.approx(0.5)
    assert at(steps, date(2025, 1, 1), ramp=True) == 0.0
    assert at(steps, date(2026, 1, 11)) == 1.0
    assert at(steps, date(2027, 1, 1), ramp=True) == 1.0


def test_a_drifting_family_drifts() -> None:
    harrow = BY_NAME["harrow-1.6-i4"]
    first, last = harrow.usual_trapped(FIRST_DAY, FIRST_DAY), harrow.usual_trapped(LAST_DAY, FIRST_DAY)
    np.testing.assert_allclose(first, 1.0)
    np.testing.assert_allclose(last[:3], 1.0)
    assert 0.94 < last[3] < 0.96


@pytest.mark.parametrize("seed", range(12))
def test_a_shop_with_hardly_any_practice_still_has_five_captures_to_spoil(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vehicles = make_vehicles(rng, 23)
    planned = plan_captures(rng, make_orders(rng, 50, vehicles), vehicles, 20 / 600)
    named = {str(n): capture for n, capture in enumerate(planned)}
    spoilt = to_spoil(named)
    assert len(set(spoilt)) == 5
    practice = [file for file, one in named.items() if one.purpose == "drill" and not one.slip]
    assert set(spoilt) >= set(practice[:5]) or len(practice) > 5
    unused = [one for file, one in named.items() if file not in spoilt]
    if any(named[file].order for file in spoilt):
        assert all(one.order for one in unused)


def test_too_small_a_shop_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="at least 20"):
        build(tmp_path, captures=5)


def test_importing_the_package_is_cheap() -> None:
    code = "import sys, demo_warehouse; print('numpy' in sys.modules, 'polars' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["False", "False"]
