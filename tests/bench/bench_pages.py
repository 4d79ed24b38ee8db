"""How long each page's script takes on a warehouse, cold and warm, beside an empty Streamlit page.

    python tests/bench/bench_pages.py WAREHOUSE_FOLDER

Cold is the first run of a page in a fresh process after a fit; warm is the median of five more. The peer
is a Streamlit page with a title and nothing else, run by the same harness in the same process.
"""

from __future__ import annotations

import os
import statistics
import sys
import time
from pathlib import Path

from streamlit.testing.v1 import AppTest

sys.path.insert(0, str(Path(__file__).parents[2]))

from dashboard.launch import APP, WAREHOUSE_VARIABLE

PAGES = ("shop", "spread", "thresholds", "known_good", "capture", "technicians", "intake")
WARM_RUNS = 5


def seconds(app: AppTest) -> float:
    start = time.perf_counter()
    app.run()
    if app.exception or any("could not be drawn" in str(error.value) for error in app.error):
        raise RuntimeError("the page failed; a time for it means nothing")
    return time.perf_counter() - start


def main(folder: str) -> None:
    os.environ[WAREHOUSE_VARIABLE] = folder
    blank = AppTest.from_string("import streamlit as st\nst.title('nothing')", default_timeout=60)
    seconds(blank)
    peer = statistics.median(seconds(blank) for _ in range(WARM_RUNS))
    sys.stdout.write(f"{'page':<14}{'cold s':>8}{'warm s':>8}{'warm / empty page':>20}\n")
    for page in PAGES:
        app = AppTest.from_file(str(APP), default_timeout=300)
        app.switch_page(f"views/{page}/{page}.py")
        cold = seconds(app)
        warm = statistics.median(seconds(app) for _ in range(WARM_RUNS))
        sys.stdout.write(f"{page:<14}{cold:>8.2f}{warm:>8.2f}{warm / peer:>20.1f}\n")
    sys.stdout.write(f"{'empty page':<14}{'':>8}{peer:>8.3f}{1.0:>20.1f}\n")


if __name__ == "__main__":
    main(sys.argv[1])
