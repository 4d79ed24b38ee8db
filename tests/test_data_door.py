"""Rows that a page asks for by name pass the same rules as all rows do, and no row of an earlier version is kept."""

from __future__ import annotations

import ast
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest
import streamlit as st
from streamlit.runtime.scriptrunner import add_script_run_ctx, get_script_run_ctx

from dashboard import access, data, writing
from dashboard.app import FOLLOW_S, follow
from dashboard.launch import WAREHOUSE_VARIABLE
from pipelines.access.roles import EVERYBODY, Role, Viewer, viewer_of
from pipelines.access.sight import OTHERS
from pipelines.errors import ShopspreadError
from pipelines.warehouse.database import Warehouse

TECHNICIAN = viewer_of("Ann", [Role.TECHNICIAN], "ann")


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Warehouse:
    st.cache_resource.clear()
    made = Warehouse(tmp_path / "shop", create=True)
    with made.transaction() as connection:
        connection.execute(
            "INSERT INTO capture_state (capture_file, status) SELECT unnest(['a', 'b', 'c']), 'waiting'"
        )
        connection.execute(
            "INSERT INTO capture_log (capture_file, technician, call) VALUES ('a', 'ann', 'odd'), ('b', 'bo', 'even')"
        )
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(tmp_path / "shop"))
    return made


def looking(monkeypatch: pytest.MonkeyPatch, viewer: Viewer) -> str:
    monkeypatch.setattr(access, "present", lambda: viewer)
    return data.stamp()


@pytest.mark.parametrize("name", sorted(data.BY_CAPTURE))
def test_what_pages_narrow_to_some_captures_can_be_narrowed(house: Warehouse, name: str) -> None:
    found = house.frames([name], captures=["b"])[name]
    assert found.schema == house.frame(name).schema
    assert set(found["capture_file"]) <= {"b"}
    assert name != "captures" or found.height == 1


def test_one_capture_is_shown_to_each_as_all_of_them_are(
    house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    del house
    for viewer, names, calls in (
        (EVERYBODY, ["ann", "bo", None], ["odd", "even", None]),
        (TECHNICIAN, ["ann", OTHERS, None], ["odd", None, None]),
        (EVERYBODY, ["ann", "bo", None], ["odd", "even", None]),
    ):
        stamp = looking(monkeypatch, viewer)
        held = data.frames(stamp)
        # somebody else's file goes by a name of ours, by which each is found as it is by its own
        called = [data.hiding(stamp).file(name) for name in "abc"]
        assert [one == name for one, name in zip(called, "abc", strict=True)] == [
            True,
            names[1] == "bo",
            True,
        ]
        whole = held["captures"].with_columns(place=pl.col("capture_file").replace_strict(called, [0, 1, 2]))
        assert whole.sort("place")["technician"].to_list() == names
        for place, name in enumerate(called):
            for narrow in (
                data.frames_of(stamp, name),
                data.only(held, pl.DataFrame({"capture_file": [name]})),
            ):
                row = narrow["captures"]
                assert row["capture_file"].to_list() == [name]
                assert (row["technician"][0], row["call"][0]) == (names[place], calls[place])
                assert narrow["technicians"].equals(held["technicians"])


VIEWS = sorted((Path(access.__file__).parent / "views").rglob("*.py"))
ROWS = {"frames", "frame", "frames_of", "outcomes", "shop_of_test", "decided"}


@pytest.mark.parametrize("path", VIEWS, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_what_a_page_keeps_of_rows_is_kept_for_who_may_see_them(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.FunctionDef) or not any(
            "cache_" in ast.unparse(one) for one in node.decorator_list
        ):
            continue
        asked = {
            call.func.attr
            for call in ast.walk(node)
            if isinstance(call, ast.Call)
            and isinstance(call.func, ast.Attribute)
            and ast.unparse(call.func.value) == "data"
        }
        if asked & ROWS:
            assert "sight" in [given.arg for given in node.args.args], (
                f"{path}: {node.name} is kept for everybody"
            )


def test_correcting_a_job_keeps_what_was_not_shown(house: Warehouse, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "fit_soon", lambda: None)
    looking(monkeypatch, EVERYBODY)
    job = {
        "repair_order": "R1",
        "opened_at": "2026-03-02",
        "technician": "bo",
        "labour_h": "1.5",
        "parts_cost": "80",
    }
    writing.add("repair_orders", job, by="Boss")
    looking(monkeypatch, TECHNICIAN)
    monkeypatch.setattr(access, "allow", lambda _right: TECHNICIAN)
    shown = job | {"technician": OTHERS, "labour_h": "", "parts_cost": "", "complaint": "rough"}
    writing.add("repair_orders", shown, by="Ann")
    row = house.frame("orders").row(0, named=True)
    assert (row["technician"], row["labour_h"], row["parts_cost"], row["complaint"]) == (
        "bo",
        1.5,
        80.0,
        "rough",
    )
    # what they do say stands, and the word for a hidden name is nobody's name
    writing.add("repair_orders", shown | {"technician": "ann", "labour_h": "2"}, by="Ann")
    row = house.frame("orders").row(0, named=True)
    assert (row["technician"], row["labour_h"], row["parts_cost"]) == ("ann", 2.0, 80.0)
    with pytest.raises(ShopspreadError, match="a name you may not see"):
        writing.add("repair_orders", job | {"repair_order": "R2", "technician": OTHERS}, by="Ann")
    assert house.frame("orders").height == 1


def test_rows_of_a_version_that_is_over_are_let_go_of(
    house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    stamp = looking(monkeypatch, EVERYBODY)
    before = data.frames(stamp)["captures"]
    assert data.frames(data.stamp())["captures"] is before
    with house.transaction():
        pass
    now = data.stamp()
    assert now != stamp
    assert data.frames(now)["captures"] is not before
    with pytest.raises(data.Moved):
        data.frames(stamp)["captures"]


def test_a_download_is_worked_out_in_the_session_its_button_was_drawn_for() -> None:
    drawn: Any = SimpleNamespace(session_id="hers", pages_manager=SimpleNamespace(main_script_hash=""))

    def draw() -> Callable[[], Any]:
        add_script_run_ctx(threading.current_thread(), drawn)
        return access.in_session(get_script_run_ctx)

    with ThreadPoolExecutor(1) as page:
        clicked = page.submit(draw).result()
    assert get_script_run_ctx(suppress_warning=True) is None
    assert clicked() is drawn


def test_a_page_follows_once_nothing_more_lands_and_all_the_same_after_half_a_minute() -> None:
    first = follow("v2", None, 100.0)
    assert first == ("v2", 100.0)  # it may land more: look again
    assert follow("v2", first, 104.0) is None
    landing = first
    for look in range(1, 8):
        landing = follow(f"v{2 + look}", landing, 100.0 + 4.0 * look)
        assert landing == (f"v{2 + look}", 100.0), "an ingest goes on landing"
    assert follow("v11", landing, 100.0 + FOLLOW_S) is None
