"""What the first page needs, got ready while nobody waits: the imports of the pages, and the stored figures.

Started by `dashboard.serve` in a thread of its own once the server answers, so that the first person who opens the
dashboard meets a warm one. Whatever goes wrong here is met again, and told, by the page that needs it.
"""

from __future__ import annotations

import gc
import importlib
import logging
import pkgutil
import threading
import time

LOG = logging.getLogger("shopspread.dashboard")
WAIT_S = 120.0


def start() -> threading.Thread:
    """Begin in the background; the thread ends by itself."""
    thread = threading.Thread(target=_run, name="warm", daemon=True)
    thread.start()
    return thread


def _run() -> None:
    from streamlit import runtime

    end = time.monotonic() + WAIT_S
    while not runtime.exists() and time.monotonic() < end:
        time.sleep(0.05)
    try:
        modules()
        figures()
    except Exception:
        LOG.debug("what the pages need could not be got ready", exc_info=True)
    settle()


def modules() -> list[str]:
    """Import whatever the pages import, and say what that was; the pages' own scripts are run by the server."""
    from dashboard import views

    names = ["altair", "pandas", "pyarrow"]
    for found in pkgutil.walk_packages(views.__path__, "dashboard.views."):
        leaf = found.name.rsplit(".", 2)
        if not found.ispkg and leaf[-1] != leaf[-2]:
            names.append(found.name)
    for name in names:
        importlib.import_module(name)
    return names


def settle() -> None:
    """Leave what stands now, programs above all, out of every later search for garbage.

    Streamlit makes a full search after each run of a script, those of a page's parts too, and holds everybody up
    meanwhile: with fifty people it was the most of the server's work.
    """
    gc.collect()
    gc.freeze()


def figures() -> None:
    """Read what the first page shows, so that it stands in the caches of this process."""
    from dashboard import data
    from dashboard.shared import people, written

    stamp = data.whole_stamp()
    if stamp and data.anything(stamp):
        people.figures(data.work_stamp(stamp), data.newest_day(stamp))
        data.whole_shop(stamp)
        data.settings(stamp)
        written.active(stamp)
