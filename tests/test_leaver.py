"""A leaver's name is in nothing the warehouse keeps, every figure is what it was, and copies made before are named."""

from __future__ import annotations

import datetime as dt
import gzip
import json
import shutil
import zipfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.io import wavfile
from typer.testing import CliRunner

from models.records.shops import own_name, qualified
from pipelines.access.accounts import Accounts
from pipelines.access.roles import Role
from pipelines.cli.app import app
from pipelines.errors import WarehouseError
from pipelines.fit.run import fit_warehouse
from pipelines.intake import entry, form, leaver, uploads
from pipelines.intake.ingest import ingest
from pipelines.readers import read_waveform
from pipelines.warehouse import duckdb_file, traces
from pipelines.warehouse.backups import backup
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import set_setting
from pipelines.warehouse.people import UnknownPerson
from tests.small_shop import small_drop, write_capture

NAME, SIGNED = "Zorblax Quint", "Zora Q."
DAY = dt.date(2026, 3, 3)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("leaver")
    small_drop(folder / "drop")
    for file in ("captures.csv", "technicians.csv"):
        table = folder / "drop" / file
        table.write_text(table.read_text().replace("ada", NAME))
    house = Warehouse(folder / "w", create=True)
    ingest(folder / "drop", house, jobs=1)
    saved = folder / f"{NAME} 3.csv"
    write_capture(saved, (1, 1, 0.6, 1), seed=9)
    sound = folder / "sound.wav"
    wavfile.write(sound, 4000, np.zeros((4000, 2), dtype=np.int16))
    named = f"Operator,{NAME}\n".encode() + saved.read_bytes()
    chunk = b"LIST" + (4 + 8 + 14).to_bytes(4, "little") + b"INFOIART" + (14).to_bytes(4, "little")
    entry.upload(
        house,
        [(saved.name, named), ("sound.wav", sound.read_bytes() + chunk + NAME.encode() + b"\0")],
        by=SIGNED,
    )
    note = f"Told {NAME} to mind the leads; zorblax-quint's own words."
    entry.log_coaching(house, technician=NAME, held_on=DAY, topic="hookup", note=note, by="mira")
    job = {"repair_order": "R9", "opened_at": "2026-03-02", "technician": NAME, "vehicle": "v1"}
    form.enter(house, "repair_orders", job | {"complaint": f"misfire, ask {NAME}"}, by="mira")
    drill = {"technician": NAME, "test": "relative_compression", "week_of": "2026-03-02", "target": "3"}
    form.enter(house, "drills", drill | {"drill": f"{NAME} week 3"}, by=SIGNED)
    set_setting(house, "cost_miss", 500, set_by=SIGNED)
    fit_warehouse(house)
    return folder


@pytest.fixture
def shop(built: Path, tmp_path: Path) -> Path:
    shutil.copytree(built, tmp_path / "shop")
    return tmp_path / "shop"


def report(shop: Path) -> str:
    return CliRunner().invoke(app, ["report", "--json", "--warehouse", str(shop / "w")]).stdout


def bearing(folder: Path) -> list[str]:
    """Every file below that holds the name or the one it signed in with, read as bytes, or is called so."""
    return [
        path.name
        for path in folder.rglob("*")
        for name in (NAME, SIGNED)
        if name in path.name or (path.is_file() and name.encode() in path.read_bytes())
    ]


def test_the_name_is_in_no_file_of_ours_and_every_figure_is_the_same(shop: Path) -> None:
    house = Warehouse(shop / "w")
    assert {"shopspread.duckdb", f"{NAME} 3.csv", "sound.wav"} <= set(bearing(shop / "w"))
    before = json.loads(report(shop))
    samples = read_waveform(uploads.place(house) / f"{NAME} 3.csv")
    accounts = Accounts.of(house.database)
    accounts.invite("Olga", [Role.OWNER], by="test")
    accounts.invite(SIGNED, [Role.TECHNICIAN], technician=NAME, by="test")
    left = leaver.take_out(house, NAME)
    called = left.gone.pseudonym
    assert (left.files, left.rewritten) == ({f"{NAME} 3.csv": f"{called} 3.csv"}, (f"{called} 3.csv",))
    # A format that counts its bytes is left whole, and said.
    assert left.hold == ("sound.wav",)
    assert set(bearing(shop / "w")) == {"sound.wav"}
    now = read_waveform(uploads.place(house) / f"{called} 3.csv")
    assert np.array_equal(now.samples, samples.samples, equal_nan=True)
    assert uploads.damaged(house) == {}
    assert json.dumps(before).replace(NAME, called) == json.dumps(json.loads(report(shop)))
    fit_warehouse(house)
    assert json.dumps(before).replace(NAME, called) == json.dumps(json.loads(report(shop)))
    # First names alone may be anybody's: they are counted, not taken out.
    assert left.gone.left == {}
    said = " ".join(house.frame("intake_log", {"rows": 1000})["reason"].drop_nulls())
    assert "A name was taken out at its owner's wish." in said
    assert "1 no longer hold the name, 1 still do" in said
    # The drop folder still bears it, the uploads are known as they are: nothing comes back.
    (shop / "drop" / "technicians.csv").touch()
    assert ingest(shop / "drop", house, jobs=1).worked_on == 0
    assert set(bearing(shop / "w")) == {"sound.wav"}


def test_a_word_of_a_name_that_is_left_is_counted(shop: Path) -> None:
    house = Warehouse(shop / "w")
    entry.log_coaching(house, technician=NAME, held_on=DAY, topic="calls", note="Zorblax agreed", by="mira")
    assert leaver.take_out(house, NAME).gone.left == {"coaching.note": 1, "intake_log.after": 1}


@pytest.mark.parametrize(
    ("name", "text", "shown"),
    [
        ("ada", "ada and Ada, not Adam, adapter or Canada", "X and X, not Adam, adapter or Canada"),
        ("will", "will it? Will said so", "X it? X said so"),
        ("Ann Lee", "ANN_LEE's; ann-lee; Ann; Lee Ann", "X's; X; Ann; Lee Ann"),
        ("O'Neil", "ask O'Neil, ask oneil, O'Neill", "ask X, ask X, O'Neill"),
        ("J. (Jo)", "J. (Jo) did", "X did"),
    ],
)
def test_a_name_is_a_word_of_its_own(name: str, text: str, shown: str) -> None:
    assert traces.finder([name]).sub("X", text) == shown
    found = pl.select(pl.lit(text).str.replace_all(traces.pattern([name]), "${1}X${2}")).item()
    assert found == shown


def test_where_the_file_cannot_be_written_anew_the_tables_are_right_and_it_is_said(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house, looks = Warehouse(shop / "w"), iter(range(9))
    monkeypatch.setattr(duckdb_file, "_described", lambda *_: [next(looks)])
    with pytest.raises(WarehouseError, match="tables themselves are right"):
        leaver.take_out(house, NAME)
    assert NAME not in set(house.frame("technicians")["technician"])
    assert not list((shop / "w").glob("*.part"))


def test_copies_made_before_are_named(shop: Path) -> None:
    house, old = Warehouse(shop / "w"), shop / "old"
    old.mkdir()
    backup(house, old / "backup")
    (old / "digest.html").write_text(f"<p>{NAME.upper()} scoped</p>")
    (old / "digest of bo.html").write_text("<p>Zorblax Quintus scoped</p>")
    (old / "utf16.csv").write_text(NAME, encoding="utf-16")
    with gzip.open(old / "saved.csv.gz", "wb") as file:
        file.write(f"by {NAME}".encode())
    with zipfile.ZipFile(old / "tables.zip", "w", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("captures.csv", f"x,{NAME}")
    house.frame("captures").select("capture_file", "technician").write_parquet(old / "captures.parquet")
    (old / "torn.zip").write_bytes(b"PK")
    found = traces.holding(old, [NAME])
    assert {path.relative_to(old).as_posix() for path in found} == {
        "backup/shopspread.duckdb", "backup/backup.json", f"backup/uploads/{NAME} 3.csv", "backup/uploads/sound.wav",
        "digest.html", "utf16.csv", "saved.csv.gz", "tables.zip", "captures.parquet", "torn.zip",
    }  # fmt: skip
    assert "technician.technician" in found[old / "backup/shopspread.duckdb"]
    assert found[old / "captures.parquet"] == "capture_file, technician"
    assert "cannot be looked through" in found[old / "torn.zip"]
    accounts = Accounts.of(house.database)
    accounts.invite("Olga", [Role.OWNER], by="test")
    accounts.invite(SIGNED, [Role.TECHNICIAN], technician=NAME, by="test")
    command = ["forget", NAME, "--warehouse", str(shop / "w"), "--look-in", str(old), "--yes"]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    told = " ".join(done.stderr.split())
    assert f"{old / 'tables.zip'} still holds the name (its content)" in told
    assert "the uploaded file sound.wav holds the name inside" in told
    # What they signed in as went with their key in the tables.
    assert set(bearing(shop / "w")) == {"sound.wav"}
    # Once the name is gone, other folders can still be looked through.
    again = CliRunner().invoke(app, command)
    assert again.exit_code == 0, again.output
    assert str(old / "digest.html") in again.stderr
    assert isinstance(CliRunner().invoke(app, command[:4]).exception, UnknownPerson)


def test_uploads_of_another_shop_mean_somebody_else(tmp_path: Path) -> None:
    house = Warehouse(tmp_path / "w", create=True)
    saved = tmp_path / "saved.csv"
    write_capture(saved, (1, 1, 0.6, 1), seed=9)
    content = f"Operator,{NAME}\n".encode() + saved.read_bytes()
    for shop in ("North", "South"):
        form.enter(house, "technicians", {"technician": NAME}, by="mira", shop=shop)
        entry.upload(house, [(f"{NAME} 3.csv", content)], by="mira", shop=shop)
    left = leaver.take_out(house, qualified("North", NAME))
    called = own_name(left.gone.pseudonym)
    assert (left.files, left.rewritten) == ({f"{NAME} 3.csv": f"{called} 3.csv"}, (f"{called} 3.csv",))
    assert (uploads.place(house) / "South" / f"{NAME} 3.csv").read_bytes() == content
    assert NAME.encode() not in (uploads.place(house) / "North" / f"{called} 3.csv").read_bytes()
    # each is the capture it was, and no copy counts as damaged
    assert set(uploads.held(house)) == {
        qualified("North", f"uploads/{called} 3.csv"), qualified("South", f"uploads/{NAME} 3.csv"),
    }  # fmt: skip
    assert uploads.damaged(house) == {}
    assert house.frame("technicians")["technician"].to_list() == [
        left.gone.pseudonym,
        qualified("South", NAME),
    ]
