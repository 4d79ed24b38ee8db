"""What the README says is what there is, and its commands run."""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipelines import kinds
from pipelines.cli.app import app
from pipelines.intake.tables import SPECS
from pipelines.warehouse.settings import SETTINGS
from tests.small_shop import small_drop

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = [
    command.name or command.callback.__name__ for command in app.registered_commands if command.callback
]


def table_rows(text: str, heading: str) -> dict[str, str]:
    """First cell (without back-ticks) to the rest, of the table under a heading."""
    section = text.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = re.findall(r"^\| `([^`]+)`(.*)$", section, flags=re.MULTILINE)
    return dict(rows)


def test_the_readme_opens_with_the_job_and_the_two_commands() -> None:
    paragraphs = README.split("\n\n")
    assert paragraphs[0] == "# Shopspread"
    for person in ("shop manager", "lead technician", "trainer"):
        assert person in paragraphs[1]
    starts = re.findall(r"^python3 -m venv .*$", README, flags=re.MULTILINE)
    assert len(starts) == 2
    assert all(" && " in line and not line.endswith("\\") for line in starts)


def test_ci_runs_exactly_the_readmes_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in script
    extract = re.search(r"test_command=\$\((.*)\)", script)
    assert extract
    shown = subprocess.run(["bash", "-c", extract[1]], cwd=ROOT, capture_output=True, text=True, check=True)
    command = shown.stdout.strip()
    assert command.startswith("python3 -m venv .venv")
    assert "pytest" in command
    assert f"\n{command}\n" in README


def test_every_command_is_in_the_readme() -> None:
    assert COMMANDS
    for name in COMMANDS:
        assert f"shopspread {name}" in README, name


def test_every_setting_and_check_is_in_the_readme_with_its_default() -> None:
    rows = table_rows(README, "Settings")
    assert set(rows) == set(SETTINGS)
    for name, setting in SETTINGS.items():
        shown = rows[name].split("|")[1].strip().strip("`")
        assert json.loads(shown) == setting.default
    assert set(table_rows(README, "Setup checks")) == set(kinds.checks())


def test_every_table_of_the_drop_folder_is_in_the_readme_with_its_columns() -> None:
    for spec in SPECS.values():
        line = next(line for line in README.splitlines() if f"`{spec.file}`" in line)
        for column in spec.columns:
            if not re.fullmatch(r"ch[3-8]_(signal|scale)|shop", column.name):
                assert f"`{column.name}`" in line, (spec.file, column.name)


def test_every_path_the_developers_page_names_exists() -> None:
    named = re.findall(r"`((?:pipelines|models|dashboard|demo_warehouse|tests|\.ci)/[\w./-]*)`", DEVELOPERS)
    assert len(named) > 10
    for path in named:
        assert (ROOT / path).exists(), path


def run(words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """One README line, with the checkout's own `shopspread` in place of the installed one."""
    command = words.replace(
        ".venv/bin/shopspread", f"{sys.executable} -c 'from pipelines.cli import main; main()'"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        ["bash", "-c", command],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("docs")
    small_drop(folder / "drop")
    return folder


def test_the_readmes_lines_for_a_shop_run_as_printed(shop: Path) -> None:
    lines = re.findall(r"^\s*(\.venv/bin/shopspread .*)$", README, flags=re.MULTILINE)
    assert ".venv/bin/shopspread ingest drop" in lines
    for line in lines:
        if line.endswith("shopspread dashboard"):
            continue  # runs until it is stopped: below
        done = run(line, shop)
        assert done.returncode == 0, (line, done.stderr)
        assert done.stdout.strip()


@pytest.fixture
def port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


@pytest.fixture
def running(shop: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    if not (shop / "shopspread_warehouse").exists():
        assert run(".venv/bin/shopspread ingest drop", shop).returncode == 0
    process = subprocess.Popen(
        [sys.executable, "-c", "from pipelines.cli import main; main()", "dashboard", "--port", str(port)],
        cwd=shop,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    yield process
    process.terminate()
    process.wait(timeout=30)


def test_the_dashboard_starts_in_any_folder_and_listens_on_this_machine_only(
    running: subprocess.Popen[bytes], port: int
) -> None:
    deadline = time.monotonic() + 120
    answer = b""
    while time.monotonic() < deadline and not answer:
        assert running.poll() is None
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2) as response:
                answer = response.read()
        except OSError:
            time.sleep(0.3)
    assert answer == b"ok"
    addresses = subprocess.run(["hostname", "-I"], capture_output=True, text=True, check=False).stdout.split()
    for address in (a for a in addresses if ":" not in a):
        with socket.socket() as caller:
            caller.settimeout(2)
            assert caller.connect_ex((address, port)) != 0


@pytest.mark.skipif(shutil.which("git") is None, reason="needs git")
def test_no_host_of_a_registry_and_no_path_of_a_machine_is_committed() -> None:
    files = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    if not files:
        pytest.skip("no checkout")
    pattern = re.compile(r"(files\.pythonhosted|pypi\.org|registry\.npmjs|/home/\w+/|/root/)")
    for name in files:
        path = ROOT / name
        if name == "tests/test_docs.py" or not path.is_file() or path.stat().st_size > 2_000_000:
            continue
        found = pattern.search(path.read_text(encoding="utf-8", errors="ignore"))
        assert found is None, (name, found)
