"""A person's data: written out as files, taken out by name wherever the name stands, kept no longer than is set."""

from __future__ import annotations

import base64
import datetime as dt
import json
import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipelines.access.accounts import Accounts
from pipelines.access.roles import Role
from pipelines.errors import ShopspreadError
from pipelines.fit.run import fit_warehouse
from pipelines.intake.entry import log_coaching
from pipelines.intake.ingest import ingest
from pipelines.warehouse import people
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import set_setting
from tests.small_shop import small_drop, write_capture


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("upkeep")
    small_drop(folder / "drop")
    house = Warehouse(folder / "w", create=True)
    assert ingest(folder / "drop", house, jobs=1).clean
    fit_warehouse(house)
    return folder


@pytest.fixture
def shop(built: Path, tmp_path: Path) -> Path:
    shutil.copytree(built, tmp_path / "shop")
    return tmp_path / "shop"


def everywhere(house: Warehouse, name: str) -> list[str]:
    """Tables in which any cell holds the name."""
    found = []
    with house.reading() as connection:
        tables = connection.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = 'warehouse_file'"
        ).fetchall()
        for (table,) in tables:
            rows = connection.execute(f'SELECT to_json(t)::VARCHAR FROM "{table}" AS t').fetchall()
            # Stored figures hold frames as base64.
            packed = [word for (text,) in rows for word in re.findall(r"[A-Za-z0-9+/]{40,}={0,2}", text)]
            opened = [
                base64.b64decode(word + "=" * (-len(word) % 4)) for word in packed if len(word) % 4 != 1
            ]
            escaped = json.dumps(name)[1:-1]
            if any(name in text or escaped in text for (text,) in rows) or any(
                name.encode() in b for b in opened
            ):
                found.append(table)
    return found


def test_a_forgotten_name_is_nowhere_and_stays_so(shop: Path) -> None:
    house, drop = Warehouse(shop / "w"), shop / "drop"
    name = "Ada O'Neil \u00fc"
    for file in ("captures.csv", "technicians.csv"):
        (drop / file).write_text((drop / file).read_text().replace("ada", name), encoding="utf-8")
    ingest(drop, house, jobs=1)
    set_setting(house, "cost_miss", 500, set_by=name)
    log_coaching(house, technician=name, held_on=dt.date(2026, 3, 3), topic="hookup", by="mira")
    before = house.frame("captures")
    assert {"technician", "capture_log", "setting", "coaching", "intake_log"} <= set(everywhere(house, name))
    fit_warehouse(house)
    assert "figure" in everywhere(house, name)
    gone = people.forget(house, name)
    pseudonym = gone.pseudonym
    assert everywhere(house, name) == []
    assert (gone.renamed, gone.stay) == ({}, [])
    after = house.frame("captures")
    assert after.drop("technician").equals(before.drop("technician"))
    assert set(after["technician"]) == {pseudonym}
    # The shop's tables still bear the name: the warehouse no longer takes it in.
    (drop / "technicians.csv").touch()
    ingest(drop, house, jobs=1)
    assert everywhere(house, name) == []
    assert set(house.frame("captures")["technician"]) == {pseudonym}
    with pytest.raises(ShopspreadError, match="no technician"):
        people.forget(house, name)


NAME = "Ada Lovelace"


def named_paths(drop: Path) -> dict[str, str]:
    """Move the shop's captures where their paths bear the name, in several spellings; where each should be found."""
    moves = {
        "week1/even0.csv": ("Ada Lovelace/even0.csv", "{}/even0.csv"),
        "week1/even1.csv": ("2026/ADA_LOVELACE-3.csv", "2026/{}-3.csv"),
        "week1/even2.csv": ("x/by ada.lovelace, adalovelaces.csv", "x/by {}, adalovelaces.csv"),
        "week1/weak.csv": ("adapter/Lovelace Ada.csv", "adapter/Lovelace Ada.csv"),
    }
    log = (drop / "captures.csv").read_text().replace("ada,", f"{NAME},")
    for old, (new, _) in moves.items():
        (drop / new).parent.mkdir(exist_ok=True)
        (drop / old).rename(drop / new)
        log = log.replace(old, f'"{new}"')
    (drop / "captures.csv").write_text(log)
    (drop / "technicians.csv").write_text(f"technician,started_on\n{NAME},2025-11-03\n")
    return dict(moves.values())


def test_a_forgotten_name_is_out_of_paths_too_and_stays_out(tmp_path: Path) -> None:
    drop, house = tmp_path / "drop", Warehouse(tmp_path / "w", create=True)
    small_drop(drop)
    wanted = named_paths(drop)
    ingest(drop, house, jobs=1)
    fit_warehouse(house)
    before = house.frame("elements").sort("capture_file", "position")
    gone = people.forget(house, NAME)
    paths = {old: new.format(gone.pseudonym) for old, new in wanted.items()}
    assert gone.renamed == {old: new for old, new in paths.items() if old != new}
    assert gone.stay == []
    after = house.frame("elements")
    expected = before.with_columns(capture_file=pl.col("capture_file").replace(paths))
    assert after.sort(after.columns).equals(expected.sort(after.columns))
    left = ("ADA_LOVELACE", "Ada Lovelace", "ada.lovelace")
    assert [everywhere(house, name) for name in left] == [[], [], []]
    # The folder still bears it; nothing is read again under the old name, and a new file gets the new one.
    write_capture(drop / "ada lovelace/late.csv", (1, 1, 1, 1), seed=7)
    summary = ingest(drop, house, jobs=1)
    assert summary.worked_on == 1
    assert set(house.frame("intake_captures")["capture_file"]) == {
        *paths.values(),
        f"{gone.pseudonym}/late.csv",
    }
    assert [everywhere(house, name) for name in (*left, "ada lovelace")] == [[], [], [], []]


def test_two_files_that_differ_in_a_forgotten_name_only_are_named(tmp_path: Path) -> None:
    drop, house = tmp_path / "drop", Warehouse(tmp_path / "w", create=True)
    small_drop(drop)
    ingest(drop, house, jobs=1)
    people.forget(house, "ada")
    for name in ("ada", "Ada"):
        write_capture(drop / name / "a.csv", (1, 1, 1, 1), seed=7)
    troubles = [trouble for trouble in ingest(drop, house, jobs=1).troubles if trouble.status == "refused"]
    assert len(troubles) == 1
    assert "rename one of them" in troubles[0].reason
    assert "ada" not in troubles[0].what.lower()


def test_whoever_is_not_heard_of_for_long_becomes_a_pseudonym(shop: Path, quick_hashes: None) -> None:  # noqa: ARG001
    house, drop = Warehouse(shop / "w"), shop / "drop"
    (drop / "technicians.csv").write_text(
        "technician,started_on\nada,2025-11-03\nbo,2024-01-05\ncy,2025-03-02\n"
    )
    assert not ingest(drop, house, jobs=1).notes[1:]
    set_setting(house, "people_retention_months", 12, set_by="mira")
    accounts = Accounts.of(house.database)
    accounts.invite("Olga", [Role.OWNER], by="test")
    session = accounts.accept(
        accounts.invite("Bo B", [Role.TECHNICIAN], technician="bo", by="test"), "long enough to be one"
    )
    summary = ingest(drop, house, jobs=1)
    assert any("1 names became pseudonyms" in note for note in summary.notes)
    names = set(house.frame("technicians")["technician"])
    assert {"ada", "cy"} < names
    assert "bo" not in names
    assert len(names) == 3
    # nor can they sign in any more
    assert accounts.who(session) is None
    assert [one.name for one in accounts.listing()] == ["Olga"]
    reasons = house.frame("intake_log", {"rows": 1000})["reason"].to_list()
    assert "A name was taken out by the setting people_retention_months (12)." in reasons
    # The table still bears the name: it comes back as the same pseudonym, and is not taken out once more.
    assert not any("pseudonyms" in note for note in ingest(drop, house, jobs=1).notes)
    assert set(house.frame("technicians")["technician"]) == names


def test_a_persons_data_come_as_files(shop: Path) -> None:
    house = Warehouse(shop / "w")
    written = people.person(house, "ada", shop / "hers")
    assert {"capture_log.csv", "technician.csv", "element_reading.csv", "intake_log.csv"} <= set(written)
    mine = pl.read_csv(shop / "hers" / "capture_log.csv")
    assert mine.height == 4
    assert set(mine["technician"]) == {"ada"}
    assert written["element_reading.csv"] == 16
    copies = sorted(path.stem for path in (shop / "hers/waveforms").iterdir())
    assert copies == sorted(house.frame("intake_captures")["waveform_sha256"])
    assert store.load(house.waveforms, copies[0]).samples.shape[0] == 2
    assert written["waveforms/"] == 4
    assert house.frame("intake_log", {"rows": 1})["reason"][0] == "Their data were written out as files."
    with pytest.raises(ShopspreadError, match="no technician"):
        people.person(house, "nobody", shop / "none")
