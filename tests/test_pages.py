"""Every page, run as Streamlit runs it: without a warehouse, with an empty one, with a small shop's."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import pytest

from dashboard.shared import parts
from dashboard.shared.pages import PEOPLE_PARTS
from pipelines.warehouse.database import Warehouse
from tests.page_driver import PAGES, TITLES, assert_sound, fresh_caches, opened, texts  # noqa: F401

# On one worker, so that the small shop is built and its figures are worked out once.
pytestmark = pytest.mark.xdist_group("pages")


@pytest.mark.parametrize("name", PAGES)
def test_without_a_warehouse_a_page_says_what_to_do_first(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str
) -> None:
    app = opened(monkeypatch, tmp_path / "nothing", name)
    assert_sound(app)
    assert "There is no warehouse yet" in texts(app)
    assert "shopspread ingest" in texts(app)
    assert not (tmp_path / "nothing").exists()  # looking makes nothing


@pytest.mark.parametrize("name", PAGES)
def test_an_empty_warehouse_says_what_to_do_first(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str
) -> None:
    Warehouse(tmp_path / "empty", create=True)
    app = opened(monkeypatch, tmp_path / "empty", name)
    assert_sound(app)
    assert "The warehouse is still empty" in texts(app)
    assert "shopspread ingest" in texts(app)


@pytest.mark.parametrize("name", PAGES)
def test_a_filled_page_draws(monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, name: str) -> None:
    app = opened(monkeypatch, small_warehouse, name)
    assert_sound(app)
    assert [title.value for title in app.title] == [TITLES[name]]
    assert not app.error, [error.value for error in app.error]


# One sort of row at a time is missing; every page must say so, none may fail.
FITTED = (
    "comparison_group", "group_stat", "group_pattern", "group_null", "capture_health", "proposal",
    "element_score", "measure_score", "outlier",
)  # fmt: skip
EMPTIED = {
    "no outcomes": ("outcome",),
    "no orders": ("repair_order", "outcome"),
    "no people": ("technician", "drill", "coaching"),
    "no fit": (*FITTED, "flag", "threshold", "fit_run"),
    "no readings": ("feature", "element_reading", "capture_drawing", *FITTED, "flag"),
    "no families": ("engine_family", *FITTED, "flag"),
    "only orders": ("capture_log", "capture_state", "feature", "element_reading", "capture_drawing", *FITTED),
}


@pytest.mark.parametrize("case", EMPTIED)
def test_missing_tables_are_no_exception(monkeypatch: pytest.MonkeyPatch, own_copy: Path, case: str) -> None:
    with Warehouse(own_copy).transaction() as connection:
        for table in EMPTIED[case]:
            connection.execute(f"DELETE FROM {table}")
    for page in PAGES:
        app = opened(monkeypatch, own_copy, page)
        assert_sound(app)
        assert [title.value for title in app.title] == [TITLES[page]], (case, page)


def test_one_capture_alone_draws_on_every_page(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    warehouse = Warehouse(own_copy)
    kept = warehouse.frame("captures").filter(pl.col("status") == "read")["capture_file"][0]
    with warehouse.transaction() as connection:
        for table in (
            "capture_state",
            "capture_log",
            "feature",
            "element_reading",
            "capture_drawing",
            "setup_check",
        ):
            connection.execute(f"DELETE FROM {table} WHERE capture_file <> ?", [kept])
        for table in (*FITTED, "flag", "repair_order", "outcome", "coaching", "threshold"):
            connection.execute(f"DELETE FROM {table}")
    from pipelines.fit.run import fit_warehouse

    fit_warehouse(warehouse)
    for page in PAGES:
        assert_sound(opened(monkeypatch, own_copy, page))
    assert kept in str([box.value for box in opened(monkeypatch, own_copy, "capture").selectbox])


def test_a_capture_states_its_verdict_hookup_and_cautions(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    warehouse = Warehouse(small_warehouse)
    scored = warehouse.frame("scores").join(warehouse.frame("captures"), on="capture_file", how="inner")
    app = opened(monkeypatch, small_warehouse, "capture")
    for flagged, word in ((True, "Odd: "), (False, "Even: ")):
        row = scored.filter(pl.col("flagged") == flagged).row(0, named=True)
        app.selectbox(key="capture").select(row["capture_file"]).run()
        assert_sound(app)
        said = texts(app)
        assert word in said
        assert f"{row['odd_pct']:.1f} %" in said
        assert "sync pulse from cylinder" in said
        assert "belts" in said


def test_what_a_reading_says_besides_its_figures_stands_on_its_page(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    sentence = "Cylinder 2 fell by about 40 % in single cycles (3 of 20 cycles show such a fall)."
    warehouse = Warehouse(own_copy)
    one, other = warehouse.frame("captures").filter(pl.col("status") == "read")["capture_file"][:2]
    with warehouse.transaction() as connection:
        connection.execute("UPDATE capture_state SET notes = NULL")
        connection.execute(
            "UPDATE capture_state SET notes = ? WHERE capture_file = ?", [json.dumps([sentence]), one]
        )
    app = opened(monkeypatch, own_copy, "capture")
    for name, said in ((one, True), (other, False)):
        app.selectbox(key="capture").select(name).run()
        assert_sound(app)
        assert (sentence in [box.value for box in app.info]) is said


# -- charts ----------------------------------------------------------------------------------------


def layers(spec: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield spec
    for key in ("layer", "vconcat", "hconcat"):
        for part in spec.get(key, []):
            yield from layers(part)


@pytest.mark.parametrize(
    "name", [page for page in PAGES if page not in ("intake", "todo", "jobs", "week", "digest", "add")]
)
def test_every_chart_titles_its_axes_with_units(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, name: str
) -> None:
    drawn: list[dict[str, Any]] = []
    monkeypatch.setattr(parts, "chart", lambda chart, **_: drawn.append(chart.to_dict()))
    for part in PEOPLE_PARTS if name == "technicians" else ("",):
        assert_sound(opened(monkeypatch, small_warehouse, name, kept_people_tab=part))
    assert drawn
    for spec in drawn:
        alt.Chart.from_dict(spec, validate=True)  # pages send it without a look at the grammar
        for channel in ("x", "y"):
            encodings = [
                part["encoding"][channel] for part in layers(spec) if channel in part.get("encoding", {})
            ]
            titled = [one["title"] for one in encodings if one.get("title")]
            assert titled, f"{channel} has no title in {spec.get('layer', spec)}"
            if any(one.get("type") == "quantitative" for one in encodings if one.get("title")):
                assert re.search(r"\(.+\)$", titled[0]), f"no unit in {titled[0]!r}"


def test_the_lead_is_asked_for_a_few_tests_drawn_by_lot(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    app = opened(monkeypatch, small_warehouse, "thresholds")
    assert_sound(app)
    assert "Test these although nothing looked odd: drawn by lot, 10% of such captures" in texts(app)
    assert any(one.label.startswith("Confirm although nothing looked odd (") for one in app.expander)


# -- figures about people ----------------------------------------------------------------------------


def test_people_stand_in_order_of_name_with_n_and_interval(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    app = opened(monkeypatch, small_warehouse, "technicians", kept_people_tab=PEOPLE_PARTS[1])
    table = next(t.value for t in app.dataframe if "right calls" in t.value.columns)
    names = table["technician"].tolist()
    assert names == sorted(names)
    for column in ("usable", "right calls", "hookup as the shop", "jobs scoped"):
        for cell in table[column]:
            assert re.fullmatch(r"(too little to say \(n = \d+\)|.+ \(.+ to .+, n = \d+\))", cell), cell


@pytest.mark.parametrize("measure", ["calls", "usable"])
def test_confirmed_calls_side_by_side_say_that_they_are_confirmed_ones_alone(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, measure: str
) -> None:
    app = opened(
        monkeypatch, small_warehouse, "technicians", kept_people_tab=PEOPLE_PARTS[1], kept_measure=measure
    )
    assert ("Only calls with an outcome are counted here" in texts(app)) == (measure == "calls")
    assert ("share of confirmed calls that were right is" in texts(app)) == (measure == "calls")


def test_no_page_says_that_the_scope_causes_anything(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    for page in PAGES:
        assert not re.search(r"\bcause[sd]?\b", texts(opened(monkeypatch, small_warehouse, page))), page


# -- filters -----------------------------------------------------------------------------------------


def test_filters_survive_a_change_of_page(monkeypatch: pytest.MonkeyPatch, small_warehouse: Path) -> None:
    app = opened(monkeypatch, small_warehouse, "spread")
    family = Warehouse(small_warehouse).frame("families")["engine_family"].to_list()[-1]
    app.selectbox(key="group").select(family).run()
    day = app.date_input(key="as_of").value
    app.date_input(key="as_of").set_value(day.replace(day=1)).run()
    app.switch_page("views/technicians/technicians.py").run()
    assert app.date_input(key="as_of").value == day.replace(day=1)
    app.switch_page("views/thresholds/thresholds.py").run()
    assert app.selectbox(key="kept_group").value == family
    app.switch_page("views/capture/capture.py").run()
    assert app.selectbox(key="group").value == family
    assert_sound(app)


def test_a_day_before_all_records_is_no_exception(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    app = opened(monkeypatch, small_warehouse, "shop")
    for name in PAGES:
        app.switch_page(f"views/{name}/{name}.py").run()
        if any(field.key == "as_of" for field in app.date_input):
            app.date_input(key="as_of").set_value(dt.date(2001, 1, 1)).run()
        assert_sound(app)


def test_as_of_a_day_the_spread_is_what_was_known_then(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    app = opened(monkeypatch, small_warehouse, "spread")

    def overview() -> dict[str, int]:
        table = next(t.value for t in app.dataframe if "known healthy" in t.value.columns)
        return dict(zip(table["engine family"], table["compared"], strict=True))

    now = overview()
    captures = Warehouse(small_warehouse).frame("captures").filter(pl.col("status") == "read")
    day = captures["captured_at"].dt.date().sort()[captures.height // 2]
    app.date_input(key="as_of").set_value(day).run()
    assert_sound(app)
    then = overview()
    known = captures.filter(pl.col("captured_at").dt.date() <= day)
    counted = dict(known.group_by("group").len().iter_rows())
    assert sum(then.values()) < sum(now.values())
    assert all(then[group] <= counted.get(group, 0) for group in then)
