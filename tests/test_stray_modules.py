"""A stray models.py in the folder a user stands in does not take the place of our package."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from dashboard.launch import environment

ROOT = Path(__file__).parents[1]
STRAY = "raise SystemExit('a stray module was imported')\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("models", "pipelines", "dashboard"):
        (tmp_path / f"{name}.py").write_text(STRAY, encoding="utf-8")
    return tmp_path


def test_the_command_runs_isolated_from_the_folder(folder: Path) -> None:
    command = shutil.which("shopspread", path=str(Path(sys.executable).parent))
    assert command, "the package is installed wherever its tests run"
    done = subprocess.run([command, "--version"], cwd=folder, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.split()[0]) == (0, "shopspread"), done.stderr


def test_so_does_the_server_of_the_pages(folder: Path) -> None:
    code = "import models; print(models.__file__)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        env=environment(folder / "wh"),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert Path(done.stdout.strip()) == ROOT / "models" / "__init__.py"


def test_without_that_care_the_stray_module_would_have_won(folder: Path) -> None:
    bare = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    done = subprocess.run(
        [sys.executable, "-c", "import models"],
        cwd=folder,
        env=bare,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "stray" in done.stderr
