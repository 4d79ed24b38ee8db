"""How long each page takes on a warehouse beside an empty Streamlit page: its script, and in a real browser.

    python tests/bench/bench_pages.py WAREHOUSE_FOLDER [--browser] [--runs N] [--copies N]

Script: cold is the first run of a page after a new version, with nothing kept of the one before; warm is the median of
five more; CPU seconds beside them, because the machine may be busy. The peer is a Streamlit page with a title and
nothing else, run by the same harness in the same process. With `--copies` the shop is first copied so many times under
other names and fitted (83 copies of the demo are 100,000 captures), and that is measured.

Browser (`--browser`): from opening the address to a page at rest (its script has ended and the page has not changed
for a moment), in headless Chromium, our server and one with the empty page taking turns. First is the first page of a
server started a while ago; warm is the median of N more openings.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.testing.v1 import AppTest

sys.path.insert(0, str(Path(__file__).parents[2]))

from dashboard.launch import APP, SERVED, WAREHOUSE_VARIABLE, command
from dashboard.shared import pages
from pipelines.warehouse.database import Warehouse
from tests.bench.bench_fit import copied_shop, fit
from tests.browser_dashboard import WAIT_MS, await_server, chromium, free_port, served

PAGES = tuple(entry.name for entry in pages.PAGES)
WARM_RUNS = 5
STARTED_S = 20.0
AT_REST = """() => new Promise(done => {
  const still = () => document.querySelector('[data-testid=stApp]')
    ?.getAttribute('data-test-script-state') === 'notRunning' && document.querySelector('h1');
  let last = performance.now();
  const watch = new MutationObserver(() => { last = performance.now(); });
  watch.observe(document.body, {childList: true, subtree: true});
  const look = () => {
    if (still() && performance.now() - last > 250) { watch.disconnect(); done(last); }
    else setTimeout(look, 20);
  };
  look();
})"""


def seconds(app: AppTest) -> tuple[float, float]:
    """Seconds and CPU seconds of one run of a page's script."""
    start, busy = time.perf_counter(), time.process_time()
    app.run()
    if app.exception or any("could not be drawn" in str(error.value) for error in app.error):
        raise RuntimeError("the page failed; a time for it means nothing")
    return time.perf_counter() - start, time.process_time() - busy


def middle(app: AppTest) -> tuple[float, float]:
    """The median of several runs."""
    runs = [seconds(app) for _ in range(WARM_RUNS)]
    return statistics.median(run[0] for run in runs), statistics.median(run[1] for run in runs)


def scripts(folder: str) -> None:
    """Each page's script, cold and warm."""
    os.environ[WAREHOUSE_VARIABLE] = folder
    blank = AppTest.from_string("import streamlit as st\nst.title('nothing')", default_timeout=60)
    seconds(blank)
    peer, _ = middle(blank)
    house = Warehouse(Path(folder))
    titles = ("cold s", "cpu s", "warm s", "cpu s")
    sys.stdout.write(f"{'page':<14}{''.join(f'{title:>8}' for title in titles)}{'warm / empty page':>20}\n")
    for page in PAGES:
        app = AppTest.from_file(str(APP), default_timeout=600)
        app.switch_page(f"views/{page}/{page}.py")
        st.cache_resource.clear()
        with house.transaction():
            pass
        cold, (warm, warm_cpu) = seconds(app), middle(app)
        taken = "".join(f"{value:>8.2f}" for value in (*cold, warm, warm_cpu))
        sys.stdout.write(f"{page:<14}{taken}{warm / peer:>20.1f}\n")
    sys.stdout.write(f"{'empty page':<14}{'':>16}{peer:>8.3f}{'':>8}{1.0:>20.1f}\n")


def copied(folder: Path, copies: int, place: Path) -> Path:
    """The shop so many times over, fitted, with the waveforms of the one it was copied from."""
    one = Warehouse(folder)
    source = Path(shutil.copy(one.database, place / "given.duckdb"))
    copied_shop(source, place / "many", copies, more=("capture_drawing",))
    made = Warehouse(place / "many")
    if made.waveforms.is_dir():
        made.waveforms.rmdir()
    made.waveforms.symlink_to(one.waveforms.resolve())
    fit(made)
    return place / "many"


def opened_s(tab: Any, url: str) -> float:
    """From opening an address to a page at rest, by the page's own clock, in s."""
    tab.goto("about:blank")
    tab.goto(url)
    tab.wait_for_selector("h1", timeout=WAIT_MS)
    return float(tab.evaluate(AT_REST)) / 1e3


def browser(folder: str, runs: int) -> None:
    """Each page in a browser, beside the empty page."""
    with tempfile.TemporaryDirectory() as elsewhere, chromium() as chrome:
        script, port = Path(elsewhere) / "blank.py", free_port()
        script.write_text("import streamlit as st\nst.title('nothing')\n", encoding="utf-8")
        arguments = [str(script) if part == str(SERVED) else part for part in command(port, headless=True)]
        log = Path(elsewhere) / "blank.log"
        with log.open("wb") as output:
            peer_server = subprocess.Popen(arguments, stdout=output, stderr=subprocess.STDOUT, cwd=elsewhere)
        try:
            peer = f"http://127.0.0.1:{port}"
            await_server(f"{peer}/_stcore/health", peer_server, log)
            with served(Path(folder), Path(elsewhere)) as ours:
                time.sleep(STARTED_S)
                _table(chrome, peer, ours, runs)
        finally:
            peer_server.terminate()
            peer_server.wait(timeout=20)


def _table(chrome: Any, peer: str, ours: str, runs: int) -> None:
    tab = chrome.new_page(viewport={"width": 1400, "height": 1000})
    first_peer, first = opened_s(tab, peer), opened_s(tab, ours)
    sys.stdout.write(f"first page of a started server {first:.2f} s, empty page {first_peer:.2f} s: ")
    sys.stdout.write(f"{first / first_peer:.1f}\n{'page':<14}{'warm s':>8}{'empty s':>9}{'ratio':>8}\n")
    for entry in pages.PAGES:
        url = ours if entry is pages.PAGES[0] else f"{ours}/{entry.name}"
        opened_s(tab, url)
        took, empty = [], []
        for _ in range(runs):
            took.append(opened_s(tab, url))
            empty.append(opened_s(tab, peer))
        own, blank = statistics.median(took), statistics.median(empty)
        sys.stdout.write(f"{entry.name:<14}{own:>8.2f}{blank:>9.2f}{own / blank:>8.2f}\n")
        sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder")
    parser.add_argument("--browser", action="store_true")
    parser.add_argument("--runs", type=int, default=WARM_RUNS)
    parser.add_argument("--copies", type=int, default=1, help="measure the shop copied so many times")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = given.folder
        if given.copies > 1:
            folder = str(copied(Path(folder), given.copies, Path(name)))
        if given.browser:
            browser(folder, given.runs)
        else:
            scripts(folder)


if __name__ == "__main__":
    main()
