"""The shape holds: a kind that lives only in the tests goes from file to flag, threshold, call, drill and report."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from models.people.skill import technicians
from models.records.people_settings import PeopleSettings
from pipelines import kinds
from pipelines.cli import app
from pipelines.errors import ShopspreadError
from pipelines.fit.run import fit_warehouse
from pipelines.intake.ingest import ingest
from pipelines.reports.report import build_report
from pipelines.reports.week import week_of
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import Place, set_threshold
from pipelines.warehouse.shop import read_shop
from tests.wheel_kind import TEETH, WHEEL
from tests.wheel_shop import COMPONENTS, WheelTruth, write_wheels

pytestmark = pytest.mark.xdist_group("new kind")


@pytest.fixture(scope="module", autouse=True)
def registered() -> Iterator[None]:
    kinds.register(WHEEL)
    yield
    kinds.forget(WHEEL.name)


@pytest.fixture(scope="module")
def drop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("wheels") / "drop"


@pytest.fixture(scope="module")
def truth(drop: Path) -> dict[str, WheelTruth]:
    return write_wheels(drop, captures=80)


@pytest.fixture(scope="module")
def shop(drop: Path, truth: dict[str, WheelTruth], tmp_path_factory: pytest.TempPathFactory) -> Warehouse:
    warehouse = Warehouse(tmp_path_factory.mktemp("shop") / "wh", create=True)
    summary = ingest(drop, warehouse, jobs=1)
    assert summary.clean, summary.troubles
    assert summary.statuses == {"read": len(truth)}
    fit_warehouse(warehouse)
    return warehouse


def exported(shop: Warehouse, view: str) -> pl.DataFrame:
    with shop.reading() as connection:
        return connection.sql(f"SELECT * FROM export.{view}").pl()


def test_worn_teeth_are_flagged_and_named(shop: Warehouse, truth: dict[str, WheelTruth]) -> None:
    captures = exported(shop, "captures")
    for row in captures.iter_rows(named=True):
        worn = truth[row["capture_file"]].worn
        assert row["engine_family"] is None
        assert row["component"] in COMPONENTS
        if worn is not None:
            assert row["flagged"], row
            assert row["flagged_cylinders"] == str(worn)
            assert row["p_value"] < 0.1
    healthy = [captures.row(at, named=True) for at in range(captures.height)]
    healthy = [row for row in healthy if truth[row["capture_file"]].worn is None]
    assert sum(row["flagged"] for row in healthy) <= 2
    assert captures["outlier_score"].null_count() == 0


def test_elements_and_features_are_exported_and_no_cylinder_is_invented(shop: Warehouse) -> None:
    elements = exported(shop, "elements")
    assert set(elements["measure"]) == {"tooth_height"}
    assert elements.height == TEETH * exported(shop, "captures").height
    assert elements.select("usual", "deviation").null_count().sum_horizontal().item() == 0
    assert exported(shop, "cylinders").is_empty()
    units = dict(exported(shop, "features").select("feature", "unit").unique().iter_rows())
    assert units == {"turns": None, "wheel_rpm": "rpm", "pulse_v": "v"}


def test_each_component_has_its_own_threshold_that_a_person_can_set(shop: Warehouse) -> None:
    thresholds = exported(shop, "thresholds")
    assert set(thresholds["component"]) == set(COMPONENTS)
    assert set(thresholds["test"]) == {"wheel_teeth"}
    assert thresholds["engine_family"].null_count() == thresholds.height
    before = exported(shop, "captures").select("capture_file", "component", "flagged")
    place = Place("wheel_teeth", "tooth_height", "hub-small")
    version = int(thresholds.filter(pl.col("component") == "hub-small")["version"].max())  # type: ignore[arg-type]
    set_threshold(shop, place, 90.0, set_by="mira", reason="a test", seen_version=version)
    after = exported(shop, "captures").select("capture_file", "component", "flagged")
    small = pl.col("component") == "hub-small"
    assert not after.filter(small)["flagged"].any()
    assert after.filter(~small).sort("capture_file").equals(before.filter(~small).sort("capture_file"))
    set_threshold(shop, place, 10.0, set_by="mira", reason="back again", seen_version=version + 1)
    with pytest.raises(ShopspreadError, match="no group"):
        set_threshold(
            shop,
            Place("wheel_teeth", "tooth_height", "hub-none"),
            5.0,
            set_by="m",
            reason="x",
            seen_version=0,
        )
    with pytest.raises(ShopspreadError, match="no test"):
        set_threshold(
            shop,
            Place("wheel_teeth", "tooth_width", "hub-small"),
            5.0,
            set_by="m",
            reason="x",
            seen_version=0,
        )


def test_calls_are_judged_by_the_teeth_found(shop: Warehouse, truth: dict[str, WheelTruth]) -> None:
    records = read_shop(shop).of_test("wheel_teeth")
    found = {
        one.technician: one for one in technicians(records, as_of=_last(shop), settings=PeopleSettings())
    }
    for name, skill in found.items():
        judged = [one.right for one in truth.values() if one.technician == name and one.right is not None]
        assert skill.calls.n == len(judged)
        assert skill.counts["calls"].events == sum(judged)
    assert found["ada"].drills.target == 5
    done = sum(1 for at in range(7) if at % 5 == 1 and (at // 2) % 2 == 0)
    assert found["ada"].drills.done == done


def test_report_and_week_speak_of_it(shop: Warehouse) -> None:
    document = build_report(shop)
    json.dumps(document, allow_nan=False)
    test = next(one for one in document["tests"] if one["test"] == "wheel_teeth")
    assert [group["component"] for group in test["groups"]] == sorted(COMPONENTS)
    for group in test["groups"]:
        assert group["captures"] == 40
        assert group["known_good"] == 8
        assert group["measures"][0]["detection"]["estimate"] > 0.9
        assert group["threshold"] > 0
    assert document["families"] == []
    week = week_of(shop, _last(shop))
    assert set(week.odd["test"]) == {"wheel_teeth"}


def _last(shop: Warehouse):  # type: ignore[no-untyped-def]
    return shop.frame("last_day")["last_day"][0]


def test_one_file_is_read_without_an_engine(drop: Path, truth: dict[str, WheelTruth]) -> None:
    name, one = next((name, one) for name, one in truth.items() if one.worn is not None)
    done = CliRunner().invoke(app, ["read", str(drop / name), "--test", "wheel_teeth", "--json"])
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    lowest = min(document["elements"], key=lambda element: element["relative_pct"])
    assert lowest["element"] == one.worn
    assert "cylinders" not in document
    shown = CliRunner().invoke(app, ["read", str(drop / name), "--test", "wheel_teeth"])
    assert "tooth" in shown.stdout
    assert "cylinder" not in shown.stdout


def test_no_line_of_the_program_names_it() -> None:
    root = Path(__file__).parents[1]
    named = [
        path
        for top in ("pipelines", "models", "dashboard", "demo_warehouse")
        for path in (root / top).rglob("*")
        if path.suffix in {".py", ".sql", ".html", ".j2"}
        and "wheel_teeth" in path.read_text(encoding="utf-8")
    ]
    assert named == []
