"""What keeps it running: health for a monitor, logs without names, units and a container file that fit the command."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from pipelines.cli.app import app
from pipelines.errors import ShopspreadError
from pipelines.intake.check import check
from pipelines.intake.ingest import ingest
from pipelines.warehouse import health as module
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.health import health, serve
from tests.small_shop import small_drop

ROOT = Path(__file__).parents[1]
DEPLOY = ROOT / ".deploy"
NAME = "Ada Lovelace"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop whose only technician's name stands in its tables and in the path of a file that cannot be read."""
    folder = tmp_path_factory.mktemp("operations")
    small_drop(folder / "drop")
    log = (folder / "drop/captures.csv").read_text().replace("ada,", f"{NAME},")
    (folder / "drop/captures.csv").write_text(log)
    (folder / "drop" / NAME).mkdir()
    (folder / "drop" / NAME / "empty.csv").touch()
    ingest(folder / "drop", Warehouse(folder / "w", create=True), jobs=1)
    return folder


@pytest.fixture
def shop(built: Path, tmp_path: Path) -> Path:
    shutil.copytree(built, tmp_path / "shop")
    return tmp_path / "shop"


def command(shop: Path, *words: str, log: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from pipelines.cli import main; main()", *words, "--warehouse", "w"],
        cwd=shop, env=os.environ | {"PYTHONPATH": str(ROOT), "SHOPSPREAD_LOG": log}, capture_output=True, text=True,
        check=False,
    )  # fmt: skip


# -- health ----------------------------------------------------------------------------------------------


def test_health_says_what_there_is_and_names_nobody(shop: Path) -> None:
    found = health(Warehouse(shop / "w"))
    assert found["ok"]
    assert found["captures"] == {"read": 4, "refused": 1}
    assert found["last_logged_at"] is not None
    assert not found["watching"]
    assert "Ada" not in json.dumps(found)


def test_a_damaged_copy_or_a_full_disk_is_not_well(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    house = Warehouse(shop / "w")
    name = next(iter(store.names(house.waveforms)))
    store.path_of(house.waveforms, name).unlink()
    check(house)
    assert [problem.split()[0] for problem in health(house)["problems"]] == ["1"]
    monkeypatch.setattr(module, "LEAST_FREE_BYTES", 1 << 62)
    found = health(house)
    assert not found["ok"]
    assert len(found["problems"]) == 2


def test_the_address_answers_200_or_503_and_looks_anew(shop: Path) -> None:
    house = Warehouse(shop / "w")
    state: dict[str, Any] = {"look": lambda: health(house)}
    with serve(lambda: state["look"](), 0) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        address, port = server.server_address[:2]
        assert address == "127.0.0.1"
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health") as answer:
            assert answer.status == 200
            assert json.load(answer)["captures"] == {"read": 4, "refused": 1}

        def broken() -> dict[str, Any]:
            raise ShopspreadError("The warehouse is gone.")

        state["look"] = broken
        for path, status in (("health", 503), ("other", 404)):
            with pytest.raises(urllib.error.HTTPError) as error:
                urllib.request.urlopen(f"http://127.0.0.1:{port}/{path}")
            assert error.value.code == status
            error.value.close()
        with pytest.raises(ShopspreadError, match="taken"):
            serve(broken, port)
        server.shutdown()


# -- what is done for good is asked for ------------------------------------------------------------------


def typed(shop: Path, answer: str, *words: str) -> tuple[int, str]:
    """The command at a terminal at which somebody types an answer: its exit status and all it showed."""
    keyboard, terminal = os.openpty()
    try:
        os.write(keyboard, answer.encode())
        done = subprocess.run(
            [sys.executable, "-c", "from pipelines.cli import main; main()", *words, "--warehouse", "w"],
            cwd=shop, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdin=terminal, capture_output=True, text=True,
            check=False, timeout=60,
        )  # fmt: skip
    finally:
        os.close(keyboard)
        os.close(terminal)
    return done.returncode, done.stdout + done.stderr


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_a_name_is_taken_out_only_when_it_was_typed_once_more(shop: Path) -> None:
    house = Warehouse(shop / "w")

    def names() -> set[str | None]:
        return set(house.frame("captures")["technician"].to_list())

    before, version = names(), house.version()
    for answer in ("yes\n", "\n", "ada lovelace\n", "\x04"):
        status, shown = typed(shop, answer, "forget", NAME)
        assert status == 2
        assert f"The name {NAME} is taken out for good" in shown
        assert "That was not the name; nothing was done." in shown
    done = command(shop, "forget", NAME)  # no terminal, as in a script
    assert done.returncode == 2
    assert "say --yes if that is meant" in done.stderr
    done = command(shop, "forget", "Grace Hopper")  # nobody is asked about a name that is not there
    assert done.returncode == 2
    assert "There is no technician 'Grace Hopper'" in done.stderr
    assert (names(), house.version()) == (before, version)
    status, shown = typed(shop, f"{NAME}\n", "forget", NAME)
    assert status == 0
    assert "From now on: person-" in shown
    assert NAME not in names()


def test_a_script_says_yes(shop: Path) -> None:
    done = command(shop, "forget", NAME, "--yes")
    assert done.returncode == 0, done.stderr
    assert NAME not in Warehouse(shop / "w").frame("captures")["technician"].to_list()


# -- logs ------------------------------------------------------------------------------------------------


def test_logs_at_info_level_are_json_lines_without_anybodys_name(shop: Path) -> None:
    done = command(shop, "ingest", "drop", "--no-fit", log="info")
    events = [json.loads(line) for line in done.stderr.splitlines()]
    assert [event["event"] for event in events] == ["start", "ingest", "end"]
    assert events[0]["command"] == "ingest"
    assert events[1]["captures"] == {"read": 4, "refused": 1}
    assert events[1]["troubles"] == 1
    assert events[2]["status"] == done.returncode == 1
    for name in ("Ada", "Lovelace", "empty.csv"):
        assert name not in done.stderr
    # What stops a command is said at debug level; here the word after the command is a name.
    done = command(shop, "forget", "Grace Hopper", log="info")
    assert "Hopper" not in done.stderr
    assert json.loads(done.stderr.splitlines()[-1])["status"] == 2


def test_logs_at_debug_level_hold_what_a_person_is_told(shop: Path) -> None:
    done = command(shop, "ingest", "drop", "--no-fit", log="debug")
    events = [json.loads(line) for line in done.stderr.splitlines()]
    said = [event["message"] for event in events if event["event"] == "said"]
    assert any(f"{NAME}/empty.csv" in message for message in said)
    assert {event["level"] for event in events} == {"info", "debug"}


# -- units and container file ----------------------------------------------------------------------------

UNITS = sorted(DEPLOY.glob("*.service"))


def names_of_commands() -> set[str]:
    return {one.name or one.callback.__name__ for one in app.registered_commands if one.name or one.callback}


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_units_start_commands_there_are(unit: Path) -> None:
    (line,) = re.findall(r"^ExecStart=(.*)$", unit.read_text(), flags=re.MULTILINE)
    words = shlex.split(line)
    assert words[0].endswith("/bin/shopspread")
    assert words[1] in names_of_commands()
    assert "SHOPSPREAD_WAREHOUSE=/var/lib/shopspread" in unit.read_text()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.stem)
def test_units_are_valid(unit: Path, tmp_path: Path) -> None:
    # The program they start stands elsewhere on this machine.
    text = re.sub(r"^ExecStart=\S+", f"ExecStart={sys.executable}", unit.read_text(), flags=re.MULTILINE)
    (tmp_path / unit.name).write_text(text)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(tmp_path / unit.name)], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    ours = [line for line in done.stderr.splitlines() if unit.stem in line]
    assert (done.returncode, ours) == (0, [])


def test_the_container_file_copies_what_the_program_needs() -> None:
    text = (DEPLOY / "Containerfile").read_text()
    copied = {
        word for line in re.findall(r"^COPY (.*)$", text, flags=re.MULTILINE) for word in line.split()[:-1]
    }
    assert copied == {
        "pyproject.toml",
        "README.md",
        "LICENSE",
        "pipelines",
        "models",
        "dashboard",
        "demo_warehouse",
    }
    assert all((ROOT / name).exists() for name in copied)
    extras = set(re.findall(r"\.\[([\w,]+)\]", text)[0].split(","))
    assert all(f"\n{extra} = [" in (ROOT / "pyproject.toml").read_text() for extra in extras)
    assert json.loads(re.findall(r"^ENTRYPOINT (.*)$", text, flags=re.MULTILINE)[0]) == ["shopspread"]
    assert (
        json.loads(re.findall(r"CMD (\[\"shopspread.*)$", text, flags=re.MULTILINE)[0])[1]
        in names_of_commands()
    )
