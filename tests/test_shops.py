"""Several shops in one warehouse: the same names are different things, and one shop is what it always was."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import polars as pl
import pytest

from models.records.shops import MARK, own_name, own_name_column, qualified, shop_column, shop_of
from pipelines.errors import ShopspreadError
from pipelines.intake.entry import log_coaching
from pipelines.intake.form import enter
from pipelines.intake.ingest import ingest
from pipelines.intake.tables import SPECS, read_table
from pipelines.intake.undo import undo
from pipelines.intake.written import write_tables
from pipelines.warehouse import people
from pipelines.warehouse.database import Warehouse
from tests.small_shop import FAMILIES, HEADER, log_row, small_drop, write_capture, write_log

ORDERS = (
    "repair_order,opened_at,closed_at,technician,vehicle,engine_family,scope_eligible,comeback_of\n"
    "R1,2026-03-02T08:00:00,2026-03-02T12:00:00,ada,v0,plain-4,true,\n"
    "R2,2026-03-09T08:00:00,2026-03-09T12:00:00,ada,v0,plain-4,true,R1\n"
)


def one_shop(drop: Path, *, weak: float = 0.6) -> None:
    """A folder with every sort of name a shop gives: the same names in every shop."""
    small_drop(drop)
    write_capture(drop / "week1/weak.csv", (1, 1, weak, 1), seed=9)
    (drop / "repair_orders.csv").write_text(ORDERS, encoding="utf-8")
    (drop / "outcomes.csv").write_text(
        "repair_order,confirmed_at,finding,confirmed_cylinders,method\nR1,2026-03-02,odd,4,gauge\n",
        encoding="utf-8",
    )
    (drop / "drills.csv").write_text(
        "drill,technician,test,week_of,target\nD1,,relative_compression,2026-03-02,3\n", encoding="utf-8"
    )
    (drop / "coaching.csv").write_text(
        "session,technician,held_on,topic,note\nS1,ada,2026-03-03,hookup,ada did well\n", encoding="utf-8"
    )


TABLES = ("engine_family", "technician", "repair_order", "capture_log", "outcome", "drill", "coaching")
PARTS = ("capture_state", "element_reading", "feature", "setup_check", "capture_drawing")


def rows(house: Warehouse, table: str, shop: str | None = None) -> pl.DataFrame:
    """A table's rows, of one shop with the names as the shop has them; without what depends on the moment."""
    with house.reading() as connection:
        found = connection.sql(f"SELECT * FROM {table} ORDER BY ALL").pl()
    moment = ("read_at", "file_mtime_ns", "read_from")  # the last names the family it was read with
    found = found.drop([name for name in moment if name in found.columns])
    if shop is None:
        return found
    key = found.columns[0]
    texts = [
        name
        for name, dtype in found.schema.items()
        if dtype == pl.String and name not in ("detail", "reason")
    ]
    own = found.filter(shop_column(key) == shop).with_columns(own_name_column(name) for name in texts)
    return own.drop("shop", strict=False).sort(pl.all())


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Warehouse:
    folder = tmp_path_factory.mktemp("alone")
    one_shop(folder / "drop")
    house = Warehouse(folder / "w", create=True)
    assert ingest(folder / "drop", house, jobs=1).clean
    return house


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Warehouse]:
    """North and South, with the same names throughout, and one shop that has no name."""
    folder = tmp_path_factory.mktemp("two")
    house = Warehouse(folder / "w", create=True)
    for shop, weak in (("North", 0.6), ("South", 0.75), ("", 0.6)):
        one_shop(folder / f"drop-{shop}", weak=weak)
        assert ingest(folder / f"drop-{shop}", house, jobs=1, shop=shop).clean
    return folder, house


def test_a_name_is_its_shops_and_nobodys_else() -> None:
    assert qualified("", "R1") == "R1"
    assert (shop_of("R1"), own_name("R1")) == ("", "R1")
    inside = qualified("North", "R1")
    assert (shop_of(inside), own_name(inside)) == ("North", "R1")
    frame = pl.DataFrame({"name": [inside, "R1", None]})
    assert frame.select(shop=shop_column("name"))["shop"].to_list() == ["North", "", None]
    assert frame.select(own_name_column("name"))["name"].to_list() == ["R1", "R1", None]


@pytest.mark.parametrize("shop", ["North", "South", ""])
def test_shops_that_share_every_name_hold_what_each_holds_alone(
    two: tuple[Path, Warehouse], alone: Warehouse, shop: str
) -> None:
    _, house = two
    for table in (*TABLES, *PARTS):
        if shop == "South" and table in PARTS:
            continue  # its weak cylinder is another
        mine, theirs = rows(house, table, shop), rows(alone, table, "")
        assert mine.height > 0 or theirs.height == 0, table
        assert mine.equals(theirs), table
    with house.reading() as connection:
        shops = connection.execute("SELECT DISTINCT shop FROM export.captures ORDER BY 1").fetchall()
        found = connection.execute(
            "SELECT shop, count(*) FROM export.elements WHERE deviation IS NULL GROUP BY ALL ORDER BY 1"
        ).fetchall()
    assert shops == [("",), ("North",), ("South",)]
    assert found == [("", 16), ("North", 16), ("South", 16)]


def test_dropping_again_changes_nothing_and_takes_back_one_shop_alone(two: tuple[Path, Warehouse]) -> None:
    folder, house = two
    before = {table: rows(house, table) for table in (*TABLES, *PARTS)}
    again = ingest(folder / "drop-North", house, jobs=1, shop="North")
    assert (again.worked_on, sum(table.added + table.changed for table in again.tables)) == (0, 0)
    changed = (folder / "drop-North/repair_orders.csv").read_text().replace("2026-03-09T12", "2026-03-09T15")
    (folder / "drop-North/repair_orders.csv").write_text(changed)
    news = ingest(folder / "drop-North", house, jobs=1, shop="North")
    (orders,) = [table for table in news.tables if table.name == "repair_orders"]
    assert (orders.added, orders.changed) == (0, 1)
    undo(house, news.batch)
    for table, frame in before.items():
        assert rows(house, table).equals(frame), table


def test_a_row_may_say_whose_it_is(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    families = FAMILIES.replace("sync_kind\n", "sync_kind,shop\n").replace(
        "coil_on_plug\n", "coil_on_plug,South\n"
    )
    (drop / "engine_families.csv").write_text(
        families + families.splitlines()[1].removesuffix("South") + "\n"
    )
    write_capture(drop / "a.csv", (1, 1, 1, 1), seed=1)
    write_capture(drop / "b.csv", (1, 1, 1, 1), seed=2)
    house = Warehouse(tmp_path / "w", create=True)
    first = ingest(drop, house, jobs=1, shop="North")  # no row yet: both wait, as the folder's own
    assert first.statuses == {"waiting": 2}
    body = "\n".join((f"{HEADER},shop", f"{log_row('a.csv')},", f"{log_row('b.csv')},South"))
    (drop / "captures.csv").write_text(body + "\n")
    second = ingest(drop, house, jobs=1, shop="North")
    assert second.statuses == {"read": 2}
    assert second.clean
    states = rows(house, "capture_state")
    assert states["capture_file"].to_list() == [f"North{MARK}a.csv", f"South{MARK}b.csv"]
    third = ingest(drop, house, jobs=1, shop="North")
    assert (third.worked_on, third.clean) == (0, True)


def test_a_row_of_two_shops_and_a_mark_in_a_name_are_refused(tmp_path: Path) -> None:
    table = tmp_path / "technicians.csv"
    table.write_text(
        f"technician,shop\nSouth{MARK}ada,North\n{MARK}bo,\na{MARK}b{MARK}c,\nCy,{'x' * 41}\nSouth{MARK}Di,\n"
    )
    read = read_table(table, SPECS["technicians"], shop="North")
    assert read.rows["technician"].to_list() == [f"South{MARK}Di"]
    reasons = [problem.reason for problem in read.problems]
    assert "two shops (North, South)" in reasons[0]
    assert all(f"holds {MARK}" in reason for reason in reasons[1:3])
    assert "no name for a shop" in reasons[3]
    drop = tmp_path / "drop"
    drop.mkdir()
    write_capture(drop / f"North{MARK}a.csv", (1, 1, 1, 1))
    found = ingest(drop, Warehouse(tmp_path / "w", create=True), jobs=1)
    assert MARK in found.troubles[0].reason


def test_the_folder_may_say_whose_it_is_and_a_slip_makes_no_second_shop(tmp_path: Path) -> None:
    drop, house = tmp_path / "drop", Warehouse(tmp_path / "w", create=True)
    small_drop(drop)
    (drop / "shop.json").write_text(json.dumps({"shop": "North"}))
    assert ingest(drop, house, jobs=1).clean
    assert house.frame("shops")["shop"].to_list() == ["North"]
    with pytest.raises(ShopspreadError, match="correct one of them"):
        ingest(drop, house, jobs=1, shop="South")
    (drop / "shop.json").write_text(json.dumps({"shop": "north"}))
    with pytest.raises(ShopspreadError, match="There is a shop 'North' already"):
        ingest(drop, house, jobs=1)
    (drop / "shop.json").write_text("North")
    with pytest.raises(ShopspreadError, match="cannot be read"):
        ingest(drop, house, jobs=1)
    assert house.frame("shops")["shop"].to_list() == ["North"]


def test_a_row_whose_shop_reads_like_another_is_refused(tmp_path: Path) -> None:
    drop, house = tmp_path / "drop", Warehouse(tmp_path / "w", create=True)
    drop.mkdir()
    (drop / "technicians.csv").write_text("technician,shop\nada,North\n")
    assert ingest(drop, house, jobs=1).clean
    (drop / "technicians.csv").write_text("technician,shop\nada,north\nbo,South\n")
    (technicians,) = ingest(drop, house, jobs=1).tables
    assert "shop 'north' reads the same as 'North'" in technicians.problems[0]
    assert house.frame("shops")["shop"].to_list() == ["North", "South"]


def test_what_is_written_out_and_dropped_again_changes_nothing(
    two: tuple[Path, Warehouse], tmp_path: Path
) -> None:
    _, house = two
    write_tables(house, tmp_path / "tables")
    assert MARK not in "".join(path.read_text() for path in (tmp_path / "tables").iterdir())
    again = ingest(tmp_path / "tables", house, jobs=1)
    assert [table.added + table.changed for table in again.tables] == [0] * len(TABLES)


def test_a_form_takes_the_shop_of_what_it_names(two: tuple[Path, Warehouse]) -> None:
    _, house = two
    entered = enter(
        house, "outcomes", {"repair_order": f"South{MARK}R2", "finding": "even", "method": "gauge"}, by="Ida"
    )
    assert rows(house, "outcome", "South")["repair_order"].to_list() == ["R1", "R2"]
    undo(house, entered.batch)
    assert rows(house, "outcome", "South")["repair_order"].to_list() == ["R1"]


def test_one_shops_name_is_taken_out_and_the_others_namesakes_stay(two: tuple[Path, Warehouse]) -> None:
    folder, house = two
    log_coaching(
        house,
        technician=f"North{MARK}ada",
        held_on=dt.date(2026, 3, 4),
        topic="hookup",
        by="mira",
        note="ada!",
    )
    others = {table: rows(house, table, "South") for table in TABLES}
    gone = people.forget(house, f"North{MARK}ada")
    assert shop_of(gone.pseudonym) == "North"
    for table, frame in others.items():
        assert rows(house, table, "South").equals(frame), table
    with house.reading() as connection:
        left = connection.execute(
            "SELECT (SELECT count(*) FROM coaching WHERE contains(concat_ws(' ', session, technician, note), 'ada') "
            "AND shop = 'North'), (SELECT count(*) FROM coaching WHERE contains(note, 'ada') AND shop <> 'North'), "
            "(SELECT count(*) FROM intake_log WHERE contains(concat_ws(' ', key, before, after), 'North▸ada'))"
        ).fetchone()
    assert left == (0, 2, 0)
    (again,) = [
        table
        for table in ingest(folder / "drop-North", house, jobs=1, shop="North").tables
        if table.name == "technicians"
    ]
    assert (again.added, again.changed) == (0, 0)  # the name comes again, and is the pseudonym


def test_an_order_is_never_taken_for_another_shops(tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    for shop in ("North", "South"):
        drop = tmp_path / shop
        drop.mkdir()
        (drop / "repair_orders.csv").write_text(
            ORDERS if shop == "North" else ORDERS.replace("R1,2026", "R3,2026")
        )
        found = ingest(drop, house, jobs=1, shop=shop)
        notes = " ".join(note for table in found.tables for note in table.notes)
    assert "comeback_of names 'South▸R1', which is no order on record" in notes
    assert "North" not in notes


def test_a_missing_file_is_not_looked_for_in_another_shop(tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    for shop in ("North", "South"):
        drop = tmp_path / shop
        drop.mkdir()
        (drop / "engine_families.csv").write_text(FAMILIES)
    write_capture(tmp_path / "North/week-1.csv", (1, 1, 1, 1))
    ingest(tmp_path / "North", house, jobs=1, shop="North")
    write_log(tmp_path / "South", log_row("week1.csv"))
    found = ingest(tmp_path / "South", house, jobs=1, shop="South")
    waits = {trouble.what: trouble.reason for trouble in found.troubles}
    assert "Is it" not in waits[f"South{MARK}week1.csv"]
