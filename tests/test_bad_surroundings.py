"""Full disks, foreign and broken files, odd paths: a sentence with what to do, status 2, nothing changed."""

from __future__ import annotations

import json
import math
import os
import shutil
import sqlite3
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import duckdb
import pytest

from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.intake.ingest import ingest
from pipelines.warehouse import database as module
from pipelines.warehouse import opening
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import read_settings
from pipelines.warehouse.settings import setting, standing
from tests.small_shop import small_drop

ROOT = Path(__file__).parents[1]
MAIN = "from pipelines.cli import main; main()"
posix = pytest.mark.skipif(os.name != "posix", reason="needs POSIX limits and permissions")


def shopspread(
    *words: str | Path, cwd: Path, before: str = "", wrap: tuple[str, ...] = ()
) -> tuple[int, str]:
    """Exit status and stderr of a call; `before` runs in its process first."""
    done = subprocess.run(
        [*wrap, sys.executable, "-c", f"{before}\n{MAIN}", *map(str, words)],
        cwd=cwd, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
        timeout=200,
    )  # fmt: skip
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stderr


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    small_drop(tmp_path / "drop")
    ingest(tmp_path / "drop", Warehouse(tmp_path / "w", create=True), jobs=1)
    return tmp_path


def state(warehouse: Path) -> tuple[int, int]:
    house = Warehouse(warehouse)
    return house.version(), house.frame("elements").height


@posix
@pytest.mark.parametrize("limit", [0, 30_000])
def test_a_full_disk_ends_in_a_sentence_and_changes_nothing(tmp_path: Path, limit: int) -> None:
    """A limit on the size of files stands in for the disk: writing beyond it fails in the same way."""
    small_drop(tmp_path / "drop")
    house = Warehouse(tmp_path / "w", create=True)
    before = house.version()
    fill = f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))"
    status, said = shopspread("ingest", "drop", "--warehouse", "w", "--jobs", "1", cwd=tmp_path, before=fill)
    assert status == 2
    assert "make room" in said
    assert house.frame("elements").height in (0, 16)
    assert house.version() >= before
    assert not list((tmp_path / "w").rglob("*.part"))
    # With room again, the same call does what it should.
    assert shopspread("ingest", "drop", "--warehouse", "w", "--jobs", "1", cwd=tmp_path)[0] == 0
    assert house.frame("elements").height == 16


@posix
def test_a_full_disk_elsewhere_is_named_and_takes_nothing_that_stood_there(shop: Path) -> None:
    """Where results are written to: each file there is the new one, the one before, or none, never half of one."""
    shown = ("export", "tables", "person")
    for words in (
        ("export", "export"),
        ("tables", "tables"),
        ("person", "ada", "person"),
        ("digest", "--output", "d.html"),
    ):
        assert shopspread(*words, "--warehouse", "w", cwd=shop)[0] == 0
    version = Warehouse(shop / "w").version()
    there = {path: path.read_bytes() for folder in (*shown, ".") for path in (shop / folder).rglob("*")
             if path.is_file() and (shop / "w") not in path.parents}  # fmt: skip
    fill = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))"
    for words, named in (
        (("export", "export"), "export"),
        (("export", "new"), "new"),
        (("tables", "tables"), "tables"),
        (("person", "ada", "person"), "person"),
        (("digest", "--output", "d.html"), "d.html"),
        (("backup", "copy"), "copy"),
    ):
        status, said = shopspread(*words, "--warehouse", "w", cwd=shop, before=fill)
        assert status == 2, said
        assert f" {named} cannot be written (" in said
        assert "make room" in said
    assert there == {path: path.read_bytes() for path in there}
    assert not list(shop.rglob("*.part"))
    assert not (shop / "copy").exists()
    assert not list((shop / "new").iterdir())
    assert Warehouse(shop / "w").version() == version


@posix
def test_an_export_broken_off_in_the_middle_of_a_file_says_why_in_plain_words(shop: Path) -> None:
    fill = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (512, 512))"
    status, said = shopspread("export", "out", "--warehouse", "w", cwd=shop, before=fill)
    assert status == 2
    assert "The folder out cannot be written (File too large)" in said
    assert not list((shop / "out").iterdir())


@pytest.mark.parametrize("content", [b"", b"not a database " * 4000])
def test_a_broken_database_is_named_and_left_alone(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "w").mkdir()
    file = tmp_path / "w" / module.DATABASE_NAME
    file.write_bytes(content)
    small_drop(tmp_path / "drop")
    for words in (("report",), ("ingest", "drop"), ("settings",)):
        status, said = shopspread(*words, "--warehouse", "w", cwd=tmp_path)
        assert status == 2
        assert "cannot be opened" in said
        assert "backup" in said
        assert file.read_bytes() == content


def test_a_damaged_page_of_the_database_is_named(shop: Path) -> None:
    file = shop / "w" / module.DATABASE_NAME
    content = bytearray(file.read_bytes())
    content[20_000:24_000] = os.urandom(4000)
    content[300_000:340_000] = os.urandom(40_000)
    file.write_bytes(content)
    status, said = shopspread("check", "--warehouse", "w", cwd=shop)
    assert status == 2
    assert "shopspread:" in said


@pytest.mark.parametrize("kind", ["duckdb", "duckdb with a like table", "sqlite"])
def test_another_programs_database_is_left_alone(tmp_path: Path, kind: str) -> None:
    (tmp_path / "w").mkdir()
    file = tmp_path / "w" / module.DATABASE_NAME
    if kind == "sqlite":
        with sqlite3.connect(file) as other:
            other.execute("CREATE TABLE mine (a)")
        other.close()
    else:
        with duckdb.connect(str(file)) as connection:
            connection.execute("CREATE TABLE mine (a INTEGER)")
            if "like" in kind:
                connection.execute("CREATE TABLE migration (id INTEGER)")
    content = file.read_bytes()
    small_drop(tmp_path / "drop")
    status, said = shopspread("ingest", "drop", "--warehouse", "w", cwd=tmp_path)
    assert status == 2
    assert "another program" in said or "cannot be opened" in said
    assert "--warehouse" in said
    assert file.read_bytes() == content


def test_a_first_upgrade_that_was_broken_off_is_taken_up(tmp_path: Path) -> None:
    (tmp_path / "w").mkdir()
    file = tmp_path / "w" / module.DATABASE_NAME
    with opening.attached(file, read_only=False, patience_s=1) as connection:
        connection.execute(
            "CREATE TABLE migration (step INTEGER PRIMARY KEY, name VARCHAR, applied_at TIMESTAMP)"
        )
    assert Warehouse(tmp_path / "w").frame("technicians").height == 0


@pytest.mark.parametrize("content", [b"garbage " * 500, b"\x00", b""])
def test_a_garbage_lock_file_is_put_right(shop: Path, content: bytes) -> None:
    (shop / "w" / f"{module.DATABASE_NAME}.lock").write_bytes(content)
    assert state(shop / "w")[1] == 16
    assert shopspread("settings", "cost_miss", "500", "--by", "ada", "--warehouse", "w", cwd=shop)[0] == 0


def test_a_folder_in_the_place_of_the_lock_is_named(shop: Path) -> None:
    (shop / "w" / f"{module.DATABASE_NAME}.lock").unlink()
    (shop / "w" / f"{module.DATABASE_NAME}.lock").mkdir()
    status, said = shopspread("report", "--warehouse", "w", cwd=shop)
    assert status == 2
    assert "lock file" in said


@pytest.mark.parametrize(
    "name", ["a b#c", "50%20off", "it's", "w\u00e4rme", "-dash", 'semi;quo"te', "x.duckdb"]
)
def test_a_warehouse_may_stand_at_an_odd_path(tmp_path: Path, name: str) -> None:
    small_drop(tmp_path / "drop")
    shutil.rmtree(tmp_path / "drop" / "week1")
    house = Warehouse(tmp_path / name, create=True)
    ingest(tmp_path / "drop", house, jobs=1)
    assert house.frame("intake_captures").height == 4
    assert all(path.name.startswith((name, "drop")) for path in tmp_path.iterdir())


@pytest.mark.parametrize("name", ["a?b", "drop/captures.csv", "drop/captures.csv/w"])
def test_a_place_where_no_warehouse_can_stand_is_named(tmp_path: Path, name: str) -> None:
    small_drop(tmp_path / "drop")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    status, said = shopspread("ingest", "drop", f"--warehouse={name}", "--no-fit", cwd=tmp_path)
    assert status == 2
    assert "hoose another" in said
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


def test_a_fault_of_ours_is_a_sentence_and_its_traceback_is_had_on_demand(shop: Path) -> None:
    fault = "import pipelines.reports.report as r; r.build_report = lambda *a, **k: 1 / 0"
    status, said = shopspread("report", "--warehouse", "w", cwd=shop, before=fault)
    assert status == 2
    assert "a fault in this program" in said
    assert "ZeroDivisionError" in said


# -- settings, wherever they come from -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("cost_miss", "NaN"), ("cost_miss", "Infinity"), ("cost_miss", "-1"), ("cost_miss", "true"),
        ("comeback_window_days", "Infinity"), ("comeback_window_days", "30.5"), ("comeback_window_days", '"30"'),
        ("house_setup", "[]"), ("house_setup", '{"relative_compression": 3}'),
        ("house_setup", '{"relative_compression": {"signals": "battery_voltage"}}'),
        ("house_setup", '{"relative_compression": {"signals": []}}'),
        ("house_setup", '{"relative_compression": {"scales": [0]}}'),
        ("house_setup", '{"relative_compression": {"signals": ["a"], "scales": [1, 2]}}'),
        ("house_setup", '{"relative_compression": {"rate_hz": -5}}'),
        ("house_setup", '{"relative_compression": {"rate_hz": NaN}}'),
        ("house_setup", '{"relative_compression": {"sync_cylinder": 1.5}}'),
        ("house_setup", '{"relative_compression": {"colour": "red"}}'),
        ("cost_miss", "six hundred"),
    ],
)  # fmt: skip
def test_a_value_that_may_not_stand_is_refused_typed_or_stored(name: str, text: str) -> None:
    with pytest.raises(ShopspreadError, match=name):
        setting(name).parse(text)
    # Put into the file by another program or an earlier version, it has no effect either.
    value = standing({name: text})[name]
    assert value == setting(name).default
    assert not (isinstance(value, float) and math.isnan(value))


def test_the_standing_hookup_of_a_shop_may_stand(shop: Path) -> None:
    whole = {
        "relative_compression": {
            "signals": ["battery_voltage", "ignition_primary"], "scales": [1, 10.0], "sync_cylinder": 1,
            "rate_hz": 5000, "duration_s": 10,
        }
    }  # fmt: skip
    assert setting("house_setup").parse(json.dumps(whole)) == whole
    with Warehouse(shop / "w").transaction() as connection:
        connection.execute("INSERT INTO setting VALUES ('cost_miss', 'NaN', now()::TIMESTAMP, 'somebody')")
    assert read_settings(Warehouse(shop / "w"))["cost_miss"] == setting("cost_miss").default


# -- several users, outside readers ----------------------------------------------------------------------


def outside_reader(file: Path, seconds: float) -> subprocess.Popen[str]:
    """Another program that holds the file open to read, as a notebook would; returns once it does."""
    script = textwrap.dedent(
        """
        import sys, time, duckdb
        with duckdb.connect(sys.argv[1], read_only=True) as connection:
            connection.execute("SELECT count(*) FROM export.captures").fetchone()
            print("open", flush=True)
            time.sleep(float(sys.argv[2]))
        """
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(file), str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n"
    return process


def test_an_ingest_waits_for_an_outside_reader(shop: Path) -> None:
    house = Warehouse(shop / "w")
    before = house.version()
    reader = outside_reader(house.database, 2.0)
    with house.transaction() as connection:
        connection.execute("INSERT INTO technician (technician, started_on) VALUES ('bo', NULL)")
    assert house.version() == before + 1
    assert reader.wait(timeout=30) == 0


def test_an_outside_reader_that_never_ends_is_named(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LOCK_TIMEOUT_S", 1.0)
    house = Warehouse(shop / "w")
    reader = outside_reader(house.database, 60.0)
    started = time.monotonic()
    try:
        with (
            pytest.raises(WarehouseError, match=rf"process {reader.pid}.*close it there"),
            house.transaction(),
        ):
            pass
    finally:
        reader.kill()
        reader.wait(timeout=30)
    assert time.monotonic() - started < 20
    house.frame("technicians")


@posix
def test_what_is_written_in_a_shared_folder_is_the_groups_too(tmp_path: Path) -> None:
    small_drop(tmp_path / "drop")
    (tmp_path / "w").mkdir()
    (tmp_path / "w").chmod(0o2775)
    status, said = shopspread(
        "ingest", "drop", "--warehouse", "w", "--jobs", "1", cwd=tmp_path, before="import os; os.umask(0o022)"
    )
    assert status == 0, said
    for path in [path for path in (tmp_path / "w").rglob("*") if path.suffix != ".part"]:
        assert path.stat().st_mode & 0o060 == 0o060, path
    # A folder of one's own stays one's own.
    (tmp_path / "mine").mkdir(mode=0o755)
    shopspread(
        "ingest", "drop", "--warehouse", "mine", "--no-fit", cwd=tmp_path, before="import os; os.umask(0o022)"
    )
    assert not any(path.stat().st_mode & 0o020 for path in (tmp_path / "mine").rglob("*"))


SETPRIV = shutil.which("setpriv")


@posix
@pytest.mark.parametrize("lock", ["there", "gone"])
def test_a_folder_that_may_only_be_read_can_report(shop: Path, lock: str) -> None:
    if os.getuid() == 0 and SETPRIV is None:
        pytest.skip("root may write everything")
    wrap = (str(SETPRIV), "--bounding-set", "-dac_override,-dac_read_search") if os.getuid() == 0 else ()
    if lock == "gone":
        (shop / "w" / f"{module.DATABASE_NAME}.lock").unlink()
    for path in [*(shop / "w").rglob("*"), shop / "w"]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        status, said = shopspread("report", "--json", "--warehouse", "w", cwd=shop, wrap=wrap)
        assert status == 0, said
        status, said = shopspread("fit", "--warehouse", "w", cwd=shop, wrap=wrap)
        assert status == 2
        assert "permission" in said
    finally:
        for path in [shop / "w", *(shop / "w").rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)
