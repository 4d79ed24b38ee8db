"""Every page, run as Streamlit runs it: without a warehouse, with an empty one, with a small shop's."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard.launch import APP, WAREHOUSE_VARIABLE
from dashboard.shared import pages, parts
from pipelines.errors import SettingConflict
from pipelines.kinds import kinds
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import Place, read_settings, set_setting, set_settings, set_threshold

PAGES = tuple(entry.name for entry in pages.PAGES)
TITLES = {entry.name: entry.title for entry in pages.PAGES}
# On one worker, so that the small shop is built and its figures are worked out once.
pytestmark = pytest.mark.xdist_group("pages")


@pytest.fixture(autouse=True)
def fresh_caches() -> Iterator[None]:
    yield
    st.cache_data.clear()


@pytest.fixture
def own_copy(small_warehouse: Path, tmp_path: Path) -> Path:
    """The small shop, to write to."""
    folder = tmp_path / "shop"
    shutil.copytree(small_warehouse, folder, ignore=shutil.ignore_patterns("drop"))
    return folder


def opened(monkeypatch: pytest.MonkeyPatch, warehouse: Path, page: str) -> AppTest:
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(warehouse))
    app = AppTest.from_file(str(APP), default_timeout=120)
    app.switch_page(f"views/{page}/{page}.py")
    return app.run()


def texts(app: AppTest) -> str:
    """Everything a page says."""
    kinds = (
        "html",
        "title",
        "header",
        "subheader",
        "markdown",
        "caption",
        "info",
        "success",
        "warning",
        "error",
    )
    return "\n".join(str(getattr(e, "value", e.proto)) for kind in kinds for e in app.get(kind))


def assert_sound(app: AppTest) -> None:
    assert not app.exception, [error.value for error in app.exception]
    assert "could not be drawn" not in texts(app)


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


# -- charts ----------------------------------------------------------------------------------------


def layers(spec: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield spec
    for key in ("layer", "vconcat", "hconcat"):
        for part in spec.get(key, []):
            yield from layers(part)


@pytest.mark.parametrize("name", [page for page in PAGES if page not in ("intake", "todo")])
def test_every_chart_titles_its_axes_with_units(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path, name: str
) -> None:
    drawn: list[dict[str, Any]] = []
    monkeypatch.setattr(parts, "chart", lambda chart: drawn.append(chart.to_dict()))
    assert_sound(opened(monkeypatch, small_warehouse, name))
    assert drawn
    for spec in drawn:
        for channel in ("x", "y"):
            encodings = [
                part["encoding"][channel] for part in layers(spec) if channel in part.get("encoding", {})
            ]
            titled = [one["title"] for one in encodings if one.get("title")]
            assert titled, f"{channel} has no title in {spec.get('layer', spec)}"
            if any(one.get("type") == "quantitative" for one in encodings if one.get("title")):
                assert re.search(r"\(.+\)$", titled[0]), f"no unit in {titled[0]!r}"


# -- figures about people ----------------------------------------------------------------------------


def test_people_stand_in_order_of_name_with_n_and_interval(
    monkeypatch: pytest.MonkeyPatch, small_warehouse: Path
) -> None:
    app = opened(monkeypatch, small_warehouse, "technicians")
    table = next(t.value for t in app.dataframe if "right calls" in t.value.columns)
    names = table["technician"].tolist()
    assert names == sorted(names)
    for column in ("usable", "right calls", "hookup as the shop", "jobs scoped"):
        for cell in table[column]:
            assert re.fullmatch(r"(too little to say \(n = \d+\)|.+ \(.+ to .+, n = \d+\))", cell), cell


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
        table = next(t.value for t in app.dataframe if "known good" in t.value.columns)
        return dict(zip(table["engine family"], table["captures"], strict=True))

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


# -- decisions ---------------------------------------------------------------------------------------


OWN = ("relative_compression", "relative_compression")


def in_force(folder: Path) -> dict[str, Any]:
    """The first threshold in force of the test the pages open with."""
    rows = Warehouse(folder).frame("thresholds_in_force").filter(pl.col("test") == OWN[0])
    return rows.row(0, named=True)


def family_and_version(folder: Path) -> tuple[str, int]:
    row = in_force(folder)
    return row["group"], row["version"]


def test_setting_a_threshold_asks_who_and_why_and_adds_a_version(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    family, version = family_and_version(own_copy)
    app = opened(monkeypatch, own_copy, "thresholds")
    app.selectbox(key="kept_group").select(family).run()
    app.slider(key=f"kept_x_{'_'.join(OWN)}_{family}").set_value(17.5).run()
    press(app, "Put in force")
    assert any("needs who sets it and why" in error.value for error in app.error)
    assert family_and_version(own_copy) == (family, version)
    app.text_input(key="kept_who").input("Ida")
    app.text_input(key=f"why_{family}").input("two false alarms last week")
    press(app, "Put in force")
    assert_sound(app)
    row = in_force(own_copy)
    assert (row["version"], row["threshold_pct"], row["set_by"]) == (version + 1, 17.5, "Ida")
    history = next(t.value for t in app.dataframe if "set_by" in t.value.columns)
    assert history["version"].tolist() == list(range(version + 1, 0, -1))
    # and back again: a new version with the old value
    app.selectbox(key=f"back_{family}").select(version).run()
    app.text_input(key="kept_who_back").input("Ida")
    app.text_input(key=f"why_back_{family}").input("it was right before")
    press(app, "Go back")
    after = Warehouse(own_copy).frame("thresholds").filter(pl.col("group") == family).sort("version")
    assert after["version"][-1] == version + 2
    assert after["threshold_pct"][-1] == after["threshold_pct"][version - 1]


def test_who_saves_second_is_told_and_nothing_is_lost(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    family, version = family_and_version(own_copy)
    app = opened(monkeypatch, own_copy, "thresholds")
    app.selectbox(key="kept_group").select(family).run()
    set_threshold(
        Warehouse(own_copy),
        Place(*OWN, family),
        21.0,
        set_by="Olaf",
        reason="after the audit",
        seen_version=version,
    )
    app.text_input(key="kept_who").input("Ida")
    app.text_input(key=f"why_{family}").input("mine")
    press(app, "Put in force")
    said = " ".join(error.value for error in app.error)
    assert "Somebody else saved first" in said
    assert "Olaf" in said
    row = in_force(own_copy)
    assert (row["version"], row["set_by"]) == (version + 1, "Olaf")
    app.button(key="seen_button").click().run()
    press(app, "Put in force")
    assert_sound(app)
    assert in_force(own_copy)["set_by"] == "Ida"


def test_moving_x_shows_which_captures_change_side(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    scores = (
        Warehouse(own_copy)
        .frame("scores")
        .join(Warehouse(own_copy).frame("captures"), on="capture_file", how="inner")
    )
    own = pl.col("test") == OWN[0]
    flagged = scores.filter(own & pl.col("flagged") & (pl.col("odd_pct") < 24.0))
    row = flagged.row(0, named=True)
    app = opened(monkeypatch, own_copy, "thresholds")
    app.selectbox(key="kept_group").select(row["group"]).run()
    app.slider(key=f"kept_x_{'_'.join(OWN)}_{row['group']}").set_value(25.0).run()
    assert_sound(app)
    table = next(t.value for t in app.dataframe if "change" in t.value.columns)
    own = scores.filter((pl.col("group") == row["group"]) & pl.col("flagged") & (pl.col("odd_pct") < 25.0))
    assert set(table["capture_file"]) == set(own["capture_file"])
    assert set(table["change"]) == {"no longer odd"}


def test_a_coaching_session_is_logged(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    before = Warehouse(own_copy).frame("coaching").height
    app = opened(monkeypatch, own_copy, "technicians")
    app.selectbox(key="coaching_topic").select("calls")
    press(app, "Log this session")
    assert_sound(app)
    assert Warehouse(own_copy).frame("coaching").height == before + 1


def test_a_setting_needs_a_name_and_is_kept(monkeypatch: pytest.MonkeyPatch, own_copy: Path) -> None:
    app = opened(monkeypatch, own_copy, "intake")
    app.number_input(key="set_comeback_window_days").set_value(45)
    press(app, "Save")
    assert any("Say who decides" in error.value for error in app.error)
    app.text_input(key="set_who").input("Ida")
    press(app, "Save")
    assert_sound(app)
    assert read_settings(Warehouse(own_copy))["comeback_window_days"] == 45


def test_the_form_writes_only_what_this_person_changed(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    app = opened(monkeypatch, own_copy, "intake")
    set_setting(Warehouse(own_copy), "cost_miss", 777.0, set_by="Olaf")
    app.number_input(key="set_comeback_window_days").set_value(45)
    app.text_input(key="set_who").input("Ida")
    press(app, "Save")
    assert_sound(app)
    now = read_settings(Warehouse(own_copy))
    assert (now["comeback_window_days"], now["cost_miss"]) == (45, 777.0)
    assert app.number_input(key="set_cost_miss").value == 777.0  # a field left alone follows


def test_a_setting_changed_by_two_is_refused_to_the_second(own_copy: Path) -> None:
    warehouse = Warehouse(own_copy)
    seen = read_settings(warehouse)
    set_setting(warehouse, "cost_miss", 777.0, set_by="Olaf")
    with pytest.raises(SettingConflict, match=r"777\.0 now, set by Olaf"):
        set_settings(warehouse, {"labour_rate_per_h": 80.0, "cost_miss": 500.0}, seen=seen, set_by="Ida")
    now = read_settings(warehouse)
    assert (now["cost_miss"], now["labour_rate_per_h"]) == (777.0, seen["labour_rate_per_h"])


def test_a_standing_hookup_is_previewed_saved_and_undone(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    test = "relative_compression"
    app = opened(monkeypatch, own_copy, "intake")
    assert app.multiselect(key=f"house_signals_{test}").options == [
        signal.title for signal in kinds()[test].signals
    ]
    app.multiselect(key=f"house_signals_{test}").set_value(["starter_current"]).run()
    app.text_input(key=f"house_scales_{test}").input("100").run()
    assert re.search(r"\d+ of \d+ captures of this test would differ", texts(app))
    app.text_input(key="house_who").input("Ida").run()
    press(app, "Save and check every capture against it")
    assert_sound(app)
    assert read_settings(Warehouse(own_copy))["house_setup"][test]["signals"] == ["starter_current"]
    app.text_input(key="house_who").input("Ida").run()
    press(app, "Undo the last change")
    assert_sound(app)
    assert read_settings(Warehouse(own_copy))["house_setup"][test] == {}


# -- what waits ----------------------------------------------------------------------------------------


def waiting_jobs(app: AppTest) -> list[str]:
    tables = [t.value for t in app.dataframe if "waits_days" in t.value.columns]
    return tables[0]["repair_order"].tolist() if tables else []


def test_every_flagged_job_without_an_outcome_waits_and_an_outcome_ends_it(
    monkeypatch: pytest.MonkeyPatch, own_copy: Path
) -> None:
    warehouse = Warehouse(own_copy)
    with warehouse.transaction() as connection:
        connection.execute("DELETE FROM outcome")
    flagged = (
        warehouse.frame("scores")
        .filter(pl.col("flagged"))
        .join(warehouse.frame("captures"), on="capture_file")
        .filter(pl.col("repair_order").is_not_null() & (pl.col("purpose") == "diagnosis"))
        .sort("captured_at")
    )
    app = opened(monkeypatch, own_copy, "todo")
    app.session_state["kept_todo_weeks"] = "all records"
    app.run()
    assert_sound(app)
    jobs = waiting_jobs(app)
    assert set(jobs) == set(flagged["repair_order"])
    assert jobs
    waits = next(t.value for t in app.dataframe if "waits_days" in t.value.columns)["waits_days"].tolist()
    assert waits == sorted(waits, reverse=True)
    row = flagged.row(0, named=True)
    job, number = row["repair_order"], row["flagged_elements"][0]
    app.switch_page("views/capture/capture.py").run()
    app.selectbox(key="capture").select(row["capture_file"]).run()
    app.radio(key=f"finding_{job}").set_value("odd")
    app.multiselect(key=f"found_{job}").set_value([number])
    app.selectbox(key=f"how_{job}").select("gauge")
    press(app, "Enter")
    assert any("Say who enters this" in error.value for error in app.error)
    app.text_input(key="kept_entered_by").input("Ida")
    press(app, "Enter")
    assert_sound(app)
    assert f"A weak cylinder confirmed (cylinder {number}), by gauge" in texts(app)
    stored = warehouse.frame("outcomes").filter(repair_order=job).row(0, named=True)
    assert (stored["finding"], stored["confirmed_elements"], stored["method"]) == ("odd", [number], "gauge")
    app.switch_page("views/todo/todo.py").run()
    assert set(waiting_jobs(app)) == set(flagged["repair_order"]) - {job}


def press(app: AppTest, label: str) -> None:
    next(button for button in app.button if button.label == label).click().run()
