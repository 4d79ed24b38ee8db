"""The first page of a started server: looked at once before anybody comes."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from pathlib import Path

from dashboard import warm
from dashboard.launch import environment

LOOK = """
import asyncio
from dashboard import warm
from dashboard.door.asgi import app

async def main():
    async with app.lifespan()(app):
        print("elements", await asyncio.to_thread(warm.look, asyncio.get_running_loop()))

asyncio.run(main())
"""


def test_the_onlooker_rests_when_the_script_has_ended() -> None:
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

    onlooker, part, end = warm.Onlooker(), ForwardMsg(), ForwardMsg()
    part.delta.new_element.heading.body = "a title"
    end.script_finished = ForwardMsg.FINISHED_SUCCESSFULLY
    onlooker.write_forward_msg(part)
    assert (onlooker.elements, onlooker.rest.is_set()) == (1, False)
    onlooker.write_forward_msg(end)
    assert (onlooker.elements, onlooker.rest.is_set()) == (1, True)


def test_the_first_page_is_drawn_for_nobody(small_warehouse: Path) -> None:
    """All of it: more than the few elements of a page that says why there is nothing to see."""
    done = subprocess.run(
        [sys.executable, "-P", "-W", "ignore", "-c", LOOK],
        env={**environment(small_warehouse), "PATH": os.environ["PATH"]},
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    assert int(done.stdout.rpartition("elements ")[2]) > 60, done.stdout


def test_what_stands_is_left_out_of_every_later_search_for_garbage() -> None:
    standing = [{} for _ in range(1000)]
    try:
        warm.settle()
        assert gc.get_freeze_count() > 10_000
        assert not any(standing is one for one in gc.get_objects())
        later: list[object] = []
        assert any(later is one for one in gc.get_objects())
    finally:
        gc.unfreeze()
