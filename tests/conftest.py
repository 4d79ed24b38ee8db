"""What several test files share: one small shop, built once a test run by the same pipeline as a user's."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from filelock import FileLock

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

SMALL_SHOP_CAPTURES = 60


@pytest.fixture(scope="session")
def small_warehouse(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Folder of a warehouse with about sixty captures of the invented shop, read and fitted.

    Shared by every worker of a run: whoever comes first builds it. Never write to it; copy the folder.
    """
    from demo_warehouse import build
    from pipelines.fit.run import fit_warehouse
    from pipelines.intake.ingest import ingest
    from pipelines.warehouse.database import Warehouse

    base = tmp_path_factory.getbasetemp()
    root = base if worker_id == "master" else base.parent
    folder, done = root / "small-shop", root / "small-shop.done"
    with FileLock(root / "small-shop.lock"):
        if not done.exists():
            build(folder, captures=SMALL_SHOP_CAPTURES, jobs=1)
            warehouse = Warehouse(folder, create=True)
            ingest(folder / "drop", warehouse, jobs=1)
            fit_warehouse(warehouse)
            done.touch()
    return folder


@pytest.fixture(scope="session")
def worker_id(request: pytest.FixtureRequest) -> str:
    """Name of the xdist worker, `master` without xdist."""
    workerinput = getattr(request.config, "workerinput", None)
    return str(workerinput["workerid"]) if workerinput else "master"


@pytest.fixture
def own_copy(small_warehouse: Path, tmp_path: Path) -> Path:
    """The small shop, to write to."""
    folder = tmp_path / "shop"
    shutil.copytree(small_warehouse, folder, ignore=shutil.ignore_patterns("drop"))
    return folder


@pytest.fixture
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords hashed as cheaply as can be, where a test is about something else."""
    from argon2 import PasswordHasher

    from pipelines.access import passwords

    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(passwords, "hasher", lambda: cheap)
    monkeypatch.setattr(passwords, "nobody", lambda: cheap.hash("nobody"))


# -- in a real browser: a file says how large its window is by VIEWPORT, and how long it waits by TIMEOUT_MS ----------


@pytest.fixture(scope="module")
def shop(small_warehouse: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small shop's warehouse, a copy of a test file's own."""
    folder = tmp_path_factory.mktemp("shop") / "shop"
    shutil.copytree(small_warehouse, folder, ignore=shutil.ignore_patterns("drop"))
    return folder


@pytest.fixture(scope="module")
def address(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where the dashboard of `shop` answers, served from another folder."""
    from tests.browser_dashboard import served

    with served(shop, tmp_path_factory.mktemp("elsewhere")) as url:
        yield url


@pytest.fixture(scope="module")
def context(request: pytest.FixtureRequest) -> Iterator[BrowserContext]:
    """One browser for a file: what it has loaded once it need not load again."""
    from tests.browser_dashboard import chromium

    with chromium() as browser:
        yield browser.new_context(
            viewport=getattr(request.module, "VIEWPORT", {"width": 1400, "height": 2400})
        )


@pytest.fixture
def tab(request: pytest.FixtureRequest, context: BrowserContext) -> Iterator[Page]:
    """A tab of its own for each test."""
    from tests.browser_dashboard import WAIT_MS

    page = context.new_page()
    page.set_default_timeout(getattr(request.module, "TIMEOUT_MS", WAIT_MS))
    yield page
    page.close()
