"""Each shop of a shared warehouse sees its own: the report, the pages, the writes, and whoever is of one shop alone."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from dashboard import access, data, shops, writing
from dashboard.launch import WAREHOUSE_VARIABLE
from models.records.shops import MARK, narrowed, shop_of
from pipelines.access.accounts import Accounts
from pipelines.access.hiding import Hiding
from pipelines.access.roles import NotAllowed, Right, Role, Viewer, viewer_of
from pipelines.access.sight import seen
from pipelines.cli.app import app as commands
from pipelines.errors import ShopspreadError
from pipelines.fit.figures import PEOPLE_FRAMES, figures_of, frames_of, load_figures, people_shop
from pipelines.fit.run import fit_warehouse
from pipelines.reports.report import build_report
from pipelines.reports.week import last_week, waits_of, week_of
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import Place
from pipelines.warehouse.shops import wanted_shop
from tests.page_driver import PAGES, TITLES, assert_sound, fresh_caches, opened, texts  # noqa: F401
from tests.two_shops import two_shops

pytestmark = pytest.mark.xdist_group("pages")
OWNER = viewer_of("Olga", [Role.OWNER], shops=["North"])
"""Everything is theirs to see and do, in one shop."""


@pytest.fixture(scope="module")
def shared(small_warehouse: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shared") / "group"
    shutil.copytree(small_warehouse, folder, ignore=shutil.ignore_patterns("drop", "demo.json"))
    house = Warehouse(folder)
    two_shops(house)
    fit_warehouse(house)
    return folder


def without(document: Any, shop: str) -> Any:
    """A document with the names as the shop has them."""
    return json.loads(json.dumps(document, ensure_ascii=False, sort_keys=True).replace(f"{shop}{MARK}", ""))


def test_jobs_and_people_of_a_shop_are_what_they_are_alone(shared: Path, small_warehouse: Path) -> None:
    alone = build_report(Warehouse(small_warehouse))
    house = Warehouse(shared)
    north, south = build_report(house, shop="North"), build_report(house, shop="South")
    assert (north["shop"], south["shop"]) == ("North", "South")
    parts = ("as_of", "captures", "adoption", "comebacks", "technicians")
    assert without({part: north[part] for part in parts}, "North") == without(
        {part: alone[part] for part in parts}, ""
    )
    assert south["captures"] != north["captures"]
    assert south["technicians"] != north["technicians"]
    for document, shop in ((north, "South"), (south, "North")):
        assert shop not in json.dumps(document, ensure_ascii=False)
    counted = [
        sum(group["captures"] for test in one["tests"] for group in test["groups"]) for one in (north, south)
    ]
    assert counted[0] == sum(group["captures"] for test in alone["tests"] for group in test["groups"])
    assert 0 < counted[1] < counted[0]


def test_the_stored_figures_are_those_worked_out_of_one_shops_rows(shared: Path) -> None:
    house = Warehouse(shared)
    stored = load_figures(house, shop="South")
    assert stored is not None
    from pipelines.reports.report import people_settings
    from pipelines.warehouse.decisions import read_settings

    again = figures_of(
        people_shop(frames_of(house, PEOPLE_FRAMES, "South")),
        people_settings(read_settings(house)),
        stored.as_of,
    )
    assert [one.technician for one in stored.skills] == [one.technician for one in again.skills]
    assert [one.usable for one in stored.skills] == [one.usable for one in again.skills]
    assert stored.comebacks.crude == again.comebacks.crude
    assert load_figures(house) is None  # of all shops together nothing is kept
    week = week_of(house, last_week(house, shop="South"), "South")
    waits = waits_of(house, week, "South")
    assert "North" not in str(week) + str(waits)


def test_a_report_of_several_shops_asks_which(shared: Path) -> None:
    house = Warehouse(shared)
    assert wanted_shop(house, "North", what="A report") == "North"
    with pytest.raises(ShopspreadError, match=r"one shop's; name it with --shop\. There are: North, South"):
        wanted_shop(house, "", what="A report")
    with pytest.raises(ShopspreadError, match="There is no shop 'East'"):
        wanted_shop(house, "East", what="A report")
    run = CliRunner().invoke(commands, ["report", "--warehouse", str(shared), "--shop", "South", "--json"])
    assert run.exit_code == 0
    assert json.loads(run.stdout)["shop"] == "South"
    run = CliRunner().invoke(commands, ["report", "--warehouse", str(shared), "--json"])
    assert isinstance(run.exception, ShopspreadError)


FRAMES = sorted(path.stem for path in Path("pipelines/warehouse/sql/frames").glob("*.sql"))
PARAMETERS: dict[str, Any] = {
    "test": "relative_compression", "measure": "relative_compression", "rows": 10_000, "until": "2100-01-01",
    "first_day": "1990-01-01", "last_day": "2100-01-01", "feature": "crank_rpm", "piece": 0, "pieces": 1,
}  # fmt: skip


@pytest.mark.parametrize("name", FRAMES)
def test_no_frame_shows_a_person_of_one_shop_another(shared: Path, name: str) -> None:
    house = Warehouse(shared)
    with house.reading() as connection:
        ((capture, group),) = connection.execute(
            "SELECT min(capture_file), min(\"group\") FROM capture_group WHERE starts_with(capture_file, 'South')"
        ).fetchall()
    frame = house.frame(name, PARAMETERS | {"capture_file": capture, "group": group})
    shown = seen(OWNER, name, frame, Hiding())
    assert shown.schema == frame.schema
    if name != "names_on_record":  # for hiding alone: shown to nobody
        assert f"South{MARK}" not in shown.write_json()
    there = narrowed(frame, ["South"])
    assert there.height + shown.height <= max(frame.height, 2 * frame.height * (there.height == frame.height))
    if name in (
        "captures",
        "orders",
        "elements",
        "scores",
        "thresholds",
        "technicians",
        "waiting_marks",
        "intake_log",
    ):
        assert (
            f"North{MARK}" in shown.write_json()
            or frame.is_empty()
            or name in ("waiting_marks", "intake_log")
        )


def test_an_account_may_be_of_some_shops(tmp_path: Path, quick_hashes: None) -> None:  # noqa: ARG001
    accounts = Accounts(tmp_path / "a.sqlite")
    accounts.invite("Olga", [Role.OWNER], by="x")
    token = accounts.invite("Ann", [Role.TECHNICIAN], technician="ann", by="x", shops=["North"])
    found = accounts.who(accounts.accept(token, "a long enough password"))
    assert found is not None
    assert (found.shops, found.technician) == (("North",), f"North{MARK}ann")
    assert not found.all_rights
    assert [(one.name, one.shops) for one in accounts.listing()] == [("Ann", ("North",)), ("Olga", ())]
    accounts.set_roles("Ann", [Role.LEAD], by="x")
    assert [one.shops for one in accounts.listing()] == [("North",), ()]
    accounts.invite("Anna", [Role.TECHNICIAN], technician="ann", by="x")
    assert accounts.rename("ann", "person-0", by="x") == 1  # of no shop: not North's
    assert accounts.rename(f"South{MARK}ann", "person-1", by="x") == 0
    assert accounts.rename(f"North{MARK}ann", "person-1", by="x") == 1


def test_accounts_of_before_there_were_shops_go_on(tmp_path: Path, quick_hashes: None) -> None:  # noqa: ARG001
    file = tmp_path / "a.sqlite"
    with sqlite3.connect(file) as con:
        con.executescript(
            "CREATE TABLE account (name TEXT PRIMARY KEY, shown TEXT NOT NULL, roles TEXT NOT NULL, "
            "technician TEXT NOT NULL DEFAULT '', email TEXT UNIQUE, password TEXT, "
            "bad_tries INTEGER NOT NULL DEFAULT 0, locked_until REAL NOT NULL DEFAULT 0, "
            "withdrawn INTEGER NOT NULL DEFAULT 0); "
            "INSERT INTO account (name, shown, roles, technician) VALUES ('olga', 'Olga', 'owner', 'olga')"
        )
    (one,) = Accounts(file).listing()
    assert (one.name, one.roles, one.shops, one.technician) == ("Olga", (Role.OWNER,), (), "olga")


# -- pages and writes ------------------------------------------------------------------------------------------------


@pytest.fixture
def of_north(monkeypatch: pytest.MonkeyPatch, shared: Path, tmp_path: Path) -> Path:
    """A copy of the shared warehouse, and somebody of North who looks at it."""
    folder = tmp_path / "group"
    shutil.copytree(shared, folder)
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(folder))
    monkeypatch.setattr(access, "viewer", lambda: OWNER)
    monkeypatch.setattr(writing._FITS, "ask", lambda _: None)
    return folder


def spoken(app: Any) -> str:
    """Everything a page says or offers, tables too."""
    offered = [str(option) for box in app.selectbox for option in box.options]
    tables = [
        str(table.value.to_dict()) if hasattr(table.value, "to_dict") else str(table.value)
        for table in app.dataframe
    ]
    return "\n".join((texts(app), *offered, *tables))


@pytest.mark.parametrize("page", PAGES)
def test_a_page_shows_one_shop_at_a_time(monkeypatch: pytest.MonkeyPatch, shared: Path, page: str) -> None:
    app = opened(monkeypatch, shared, page)
    assert_sound(app)
    assert [title.value for title in app.title] == [TITLES[page]]
    assert [box.options for box in app.selectbox if box.label == "Shop"] == [["North", "South"]]
    assert f"South{MARK}" not in spoken(app)
    next(box for box in app.selectbox if box.label == "Shop").select("South").run()
    assert_sound(app)
    assert not app.error, [error.value for error in app.error]
    assert f"North{MARK}" not in spoken(app)


def test_the_address_names_the_shop_and_one_that_is_none_is_said(
    monkeypatch: pytest.MonkeyPatch, shared: Path
) -> None:
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(shared))
    app = opened(monkeypatch, shared, "spread")
    assert app.query_params["shop"] in ("North", ["North"])
    app.query_params["shop"] = "South"
    app.run()
    assert f"South{MARK}" in spoken(app)
    assert f"North{MARK}" not in spoken(app)
    app.query_params["shop"] = "East"
    app.run()
    assert "There is no shop 'East' on record." in texts(app)


@pytest.mark.parametrize("page", PAGES)
def test_somebody_of_one_shop_is_shown_that_alone(
    of_north: Path, monkeypatch: pytest.MonkeyPatch, page: str
) -> None:
    app = opened(monkeypatch, of_north, page, shop="South")
    assert_sound(app)
    assert not [box for box in app.selectbox if box.label == "Shop"]
    assert "South" not in spoken(app)


def test_somebody_of_one_shop_writes_for_that_alone(of_north: Path) -> None:
    house = Warehouse(of_north)
    stamp = data.stamp()
    assert shops.shown(stamp) == ("North",)
    own = house.frame("captures").filter(pl.col("capture_file").str.starts_with("South"))
    capture, group = own["capture_file"][0], own["group"].drop_nulls()[0]
    refused = [
        lambda: writing.enter("technicians", {"technician": f"South{MARK}new"}, by=""),
        lambda: writing.enter("technicians", {"technician": "new", "shop": "South"}, by=""),
        lambda: writing.add("technicians", {"technician": f"East{MARK}new"}, by=""),
        lambda: writing.label([{"capture_file": capture, "captured_at": "2026-03-02"}], by=""),
        lambda: writing.set_threshold(
            Place("relative_compression", "relative_compression", group),
            5.0,
            set_by="",
            reason="x",
            seen_version=1,
        ),
        lambda: writing.set_settings({"cost_miss": 1.0}, seen={}, set_by=""),
        lambda: writing.mark(
            f"flag|t|South{MARK}R1", by="", state="done", assigned_to=None, reason="", seen_version=0
        ),
        lambda: writing.set_drill(f"South{MARK}ada", "relative_compression", None, 1, by=""),  # type: ignore[arg-type]
        writing.fit_again,
    ]
    before = house.version()
    for write in refused:
        with pytest.raises(NotAllowed, match="for North alone"):
            write()
    assert house.version() == before
    entered = writing.enter("technicians", {"technician": "new"}, by="")
    assert f"North{MARK}new" in house.frame("technicians")["technician"].to_list()
    with house.transaction() as connection:
        connection.execute(f"UPDATE intake_log SET key = 'South{MARK}new' WHERE batch = ?", [entered.batch])
    with pytest.raises(NotAllowed):
        writing.undo(entered.batch, by="")
    (taken,) = writing.upload([("up.csv", b"time,v\n0,1\n0.1,2\n")], by="").taken
    assert taken.capture_file == f"North{MARK}uploads/up.csv"
    assert (of_north / "uploads/North/up.csv").read_bytes() == b"time,v\n0,1\n0.1,2\n"
    assert data.waveform(data.stamp(), capture) is None


def test_nobodys_shop_is_no_shop(monkeypatch: pytest.MonkeyPatch, shared: Path) -> None:
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(shared))
    gone = Viewer("Zoe", frozenset(Right), shops=("West",))
    monkeypatch.setattr(access, "viewer", lambda: gone)
    stamp = data.stamp()
    assert shops.shown(stamp) == ()
    assert data.frames(stamp)["captures"].is_empty()
    assert data.whole_shop(stamp).captures.is_empty()
    assert shop_of("R1") == ""
