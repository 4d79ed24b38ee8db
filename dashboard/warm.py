"""What the first page needs, got ready while nobody waits: imports, stored figures, and one look at the page itself.

Started by `dashboard.door.asgi` in a thread of its own once the server runs, so that the first person who opens the
dashboard meets a warm one. Whatever goes wrong here is met again, and told, by the page that needs it.
"""

from __future__ import annotations

import gc
import importlib
import logging
import pkgutil
import threading
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from asyncio import AbstractEventLoop

    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

LOG = logging.getLogger("shopspread.dashboard")
WAIT_S = 120.0


class Onlooker:
    """A session's other end that throws away what it is sent; `rest` is set when the script has ended."""

    client_context = None

    def __init__(self) -> None:
        self.rest = threading.Event()
        self.elements = 0

    def write_forward_msg(self, msg: ForwardMsg) -> None:
        """Take one message of the server's."""
        kind = msg.WhichOneof("type")
        self.elements += kind == "delta"
        if kind == "script_finished":
            self.rest.set()


def start(loop: AbstractEventLoop) -> threading.Thread:
    """Begin in the background; the thread ends by itself.

    Args:
        loop: where the server runs.
    """
    thread = threading.Thread(target=_run, args=(loop,), name="warm", daemon=True)
    thread.start()
    return thread


def _run(loop: AbstractEventLoop) -> None:
    from streamlit import runtime

    end = time.monotonic() + WAIT_S
    while not runtime.exists() and time.monotonic() < end:
        time.sleep(0.05)
    try:
        modules()
        figures()
        look(loop)
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


def look(loop: AbstractEventLoop) -> int:
    """Let the first page run once for nobody, so that its charts stand built; returns how many elements it sent.

    Where people sign in nobody is signed in here, so what runs is the page that says so.
    """
    from streamlit.proto.BackMsg_pb2 import BackMsg
    from streamlit.runtime import get_instance

    server, onlooker = get_instance(), Onlooker()
    opened = threading.Event()
    session: list[str] = []

    def begin() -> None:
        session.append(server.connect_session(onlooker, {}))
        asked = BackMsg()
        asked.rerun_script.query_string = ""
        server.handle_backmsg(session[0], asked)
        opened.set()

    loop.call_soon_threadsafe(begin)
    try:
        if opened.wait(WAIT_S):
            onlooker.rest.wait(WAIT_S)
    finally:
        if session:
            loop.call_soon_threadsafe(server.close_session, session[0])
    return onlooker.elements
