"""The pages draw a kind that lives only in the tests, with its own nouns and not with an engine's."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard.documents.digest import render
from dashboard.shared import parts
from pipelines import kinds
from pipelines.fit.run import fit_warehouse
from pipelines.intake.ingest import ingest
from pipelines.reports.week import waits_of, week_of
from pipelines.warehouse.database import Warehouse
from tests.page_driver import assert_sound, opened, press, texts
from tests.wheel_kind import WHEEL
from tests.wheel_shop import COMPONENTS, WheelTruth, write_wheels

pytestmark = pytest.mark.xdist_group("new kind")


@pytest.fixture(scope="module", autouse=True)
def registered() -> Iterator[None]:
    kinds.register(WHEEL)
    yield
    kinds.forget(WHEEL.name)
    st.cache_resource.clear()


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, WheelTruth]]:
    folder = tmp_path_factory.mktemp("wheel_pages")
    truth = write_wheels(folder / "drop")
    warehouse = Warehouse(folder / "wh", create=True)
    ingest(folder / "drop", warehouse, jobs=1)
    fit_warehouse(warehouse)
    return folder / "wh", truth


def drawn_by(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What charts say, as their documents, from here on."""
    said: list[str] = []
    monkeypatch.setattr(parts, "chart", lambda chart, **_: said.append(chart.to_json()))
    return said


def of_an_engine(text: str) -> list[str]:
    return [
        word
        for word in ("cylinder", "crank", "firing", "compression", "engine famil")
        if word in text.lower()
    ]


@pytest.mark.parametrize(
    ("page", "sentence"),
    [
        ("spread", "A healthy tooth of this group scatters by"),
        ("thresholds", "A tooth counts as odd from"),
        ("known_good", "Teeth of a wheel: what healthy captures look like"),
        ("capture", "Each tooth against the group"),
    ],
)
def test_a_page_of_the_tests_speaks_of_teeth(
    monkeypatch: pytest.MonkeyPatch, wheels: tuple[Path, dict[str, WheelTruth]], page: str, sentence: str
) -> None:
    drawn = drawn_by(monkeypatch)
    app = opened(monkeypatch, wheels[0], page)
    assert_sound(app)
    assert not app.error
    assert sentence in texts(app)
    assert drawn
    assert of_an_engine(texts(app)) == []
    assert of_an_engine(" ".join(drawn)) == []


def test_the_groups_are_the_components(
    monkeypatch: pytest.MonkeyPatch, wheels: tuple[Path, dict[str, WheelTruth]]
) -> None:
    app = opened(monkeypatch, wheels[0], "spread")
    box = app.selectbox(key="group")
    assert box.label == "Component"
    assert box.options == ["all", *sorted(COMPONENTS)]


def test_a_worn_tooth_is_named_and_known_to_be_low(
    monkeypatch: pytest.MonkeyPatch, wheels: tuple[Path, dict[str, WheelTruth]]
) -> None:
    name, one = next((name, one) for name, one in wheels[1].items() if one.worn is not None)
    app = opened(monkeypatch, wheels[0], "capture")
    app.selectbox(key="capture").select(name).run()
    said = texts(app)
    assert f"Odd: tooth {one.worn}" in said
    assert "below the others" in said
    assert "Keep clear of the turning wheel" in said


def test_laid_over_the_known_good_a_capture_finds_its_like(
    monkeypatch: pytest.MonkeyPatch, wheels: tuple[Path, dict[str, WheelTruth]]
) -> None:
    name, one = next((name, one) for name, one in wheels[1].items() if one.worn is not None)
    frame = Warehouse(wheels[0]).frame("captures")
    group = dict(frame.select("capture_file", "group").iter_rows())[name]
    drawn = drawn_by(monkeypatch)
    app = opened(monkeypatch, wheels[0], "known_good")
    app.selectbox(key="kept_group").select(group).run()
    drawn.clear()
    app.selectbox(key="kept_over").select(name).run()
    assert_sound(app)
    assert f"tooth {one.worn} sits" in texts(app)
    assert "Angle of the wheel (degrees)" in drawn[0]
    near = next(t.value for t in app.dataframe if "distance" in t.value.columns)
    assert len(near) == 6


def test_a_threshold_is_set_for_a_component(
    monkeypatch: pytest.MonkeyPatch, wheels: tuple[Path, dict[str, WheelTruth]]
) -> None:
    group = sorted(COMPONENTS)[0]
    app = opened(monkeypatch, wheels[0], "thresholds")
    app.selectbox(key="kept_group").select(group).run()
    key = f"{WHEEL.name}_{WHEEL.measures[0].name}_{group}"
    app.slider(key=f"kept_x_{key}").set_value(14.0).run()
    app.text_input(key="by_threshold").input("Ida")
    app.text_input(key=f"why_{group}").input("a test")
    press(app, "Put in force")
    assert_sound(app)
    row = Warehouse(wheels[0]).frame("thresholds_in_force").filter(group=group).row(0, named=True)
    assert (row["test"], row["threshold_pct"], row["set_by"]) == (WHEEL.name, 14.0, "Ida")


def test_the_people_pages_name_the_test_by_its_title(
    monkeypatch: pytest.MonkeyPatch, wheels: tuple[Path, dict[str, WheelTruth]]
) -> None:
    app = opened(monkeypatch, wheels[0], "technicians")
    assert_sound(app)
    assert not app.error
    shop = opened(monkeypatch, wheels[0], "shop")
    assert_sound(shop)
    table = next(t.value for t in shop.dataframe if "test" in t.value.columns)
    assert table["test"].tolist() == [WHEEL.title]


def test_the_digest_speaks_of_teeth(wheels: tuple[Path, dict[str, WheelTruth]]) -> None:
    warehouse = Warehouse(wheels[0])
    day = warehouse.frame("last_day")["last_day"][0]
    week = week_of(warehouse, day)
    text = render(week, waits_of(warehouse, week))
    assert WHEEL.title in text
    assert "lowest tooth below the others" in text
    assert of_an_engine(text) == []


def test_both_tests_are_offered_once_both_are_in_the_shop(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "both"
    shutil.copytree(small_warehouse, folder)
    write_wheels(folder / "wheels")
    warehouse = Warehouse(folder)
    ingest(folder / "wheels", warehouse, jobs=1)
    fit_warehouse(warehouse)
    app: AppTest = opened(monkeypatch, folder, "spread")
    box = app.selectbox(key="subject")
    # in the order of the course, as far as the small shop has come
    with warehouse.reading() as connection:
        taken = {name for (name,) in connection.sql("SELECT DISTINCT test FROM export.captures").fetchall()}
    assert {"relative_compression", "fuel_pump_current", WHEEL.name} <= taken
    assert box.options == [known.title for known in kinds.kinds().values() if known.name in taken]
    assert "healthy cylinder" in texts(app)
    box.select(WHEEL.name).run()
    assert_sound(app)
    assert "healthy tooth" in texts(app)
    app.switch_page("views/thresholds/thresholds.py").run()
    assert_sound(app)
    assert "A tooth counts as odd from" in texts(app)
