"""The dashboard as a person meets it: our own launcher in another folder, and a real headless Chromium."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).parents[1]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
START = "import sys; from pathlib import Path; from dashboard.launch import launch; "
WAIT_MS = 60_000
IN_A_BROWSER = [
    pytest.mark.xdist_group("browser"),
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; .ci/run installs it"),
]
"""The marks of a file whose tests need a browser; its fixtures stand in conftest."""


def free_port() -> int:
    """A port nobody listens at just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(
    warehouse: Path, folder: Path, port: int | None = None, *, packages: str = str(ROOT)
) -> Iterator[str]:
    """Serve a warehouse from `folder`; yields the address.

    Args:
        port: where it must be known beforehand, else a free one.
        packages: where Python looks for packages.

    Raises:
        TimeoutError: when the server does not answer within a minute; with what it said.
    """
    port = port or free_port()
    environment = dict(os.environ, PYTHONPATH=packages)
    log = folder / "server.log"
    with log.open("wb") as output:
        server = subprocess.Popen(
            [sys.executable, "-P", "-c", f"{START}launch(Path({str(warehouse)!r}), {port}, headless=True)"],
            cwd=folder,
            env=environment,
            stdout=output,
            stderr=subprocess.STDOUT,
        )
        try:
            address = f"http://127.0.0.1:{port}"
            await_server(f"{address}/_stcore/health", server, log)
            yield address
        finally:
            server.terminate()
            server.wait(timeout=20)


def await_server(url: str, server: subprocess.Popen[bytes], log: Path) -> None:
    """Wait until a server answers.

    Raises:
        TimeoutError: when it does not within a minute; with what it said.
    """
    end = time.monotonic() + 60
    while time.monotonic() < end and server.poll() is None:
        try:
            with urllib.request.urlopen(url, timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    raise TimeoutError(f"the dashboard did not start: {log.read_text(errors='replace')[-2000:]}")


@contextmanager
def chromium() -> Iterator[Browser]:
    """A headless Chromium."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        try:
            yield browser
        finally:
            browser.close()


def visit(page: Page, url: str) -> None:
    """Open a page of the dashboard and wait until its script has run to the end."""
    page.goto(url)
    page.wait_for_selector("h1", timeout=WAIT_MS)
    settle(page)


def settle(page: Page) -> None:
    """Wait until nothing runs any more."""
    page.wait_for_function(
        "() => document.querySelector('[data-testid=stApp]')"
        "?.getAttribute('data-test-script-state') === 'notRunning'",
        timeout=WAIT_MS,
    )
