"""The first page of a started server: looked at once before anybody comes, its parts named ahead."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

import pytest

from dashboard.door.ahead import PARTS, SCRIPTS, Ahead, link
from dashboard.launch import environment
from dashboard.warm import Onlooker

LOOK = """
import asyncio
from dashboard import warm
from dashboard.door.asgi import app

async def main():
    async with app.lifespan()(app):
        print("elements", await asyncio.to_thread(warm.look, asyncio.get_running_loop()))

asyncio.run(main())
"""


def test_every_part_named_ahead_is_there() -> None:
    names = [one.partition(">")[0].removeprefix("</static/js/") for one in link().decode().split(", ")]
    assert len(names) >= len(PARTS)
    assert all((SCRIPTS / name).is_file() for name in names), names


@pytest.mark.parametrize(
    ("status", "kind", "told"),
    [(200, b"text/html; charset=utf-8", True), (200, b"text/javascript", False), (404, b"text/html", False)],
)
def test_parts_are_named_beside_the_document_alone(status: int, kind: bytes, told: bool) -> None:
    sent: list[MutableMapping[str, Any]] = []

    async def answers(scope: Any, receive: Any, send: Any) -> None:  # noqa: ARG001
        await send({"type": "http.response.start", "status": status, "headers": [(b"content-type", kind)]})
        await send({"type": "http.response.body", "body": b"as it was"})

    async def receive() -> MutableMapping[str, Any]:
        return {}

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    asyncio.run(Ahead(answers)({"type": "http"}, receive, send))
    assert ((b"link", link()) in sent[0]["headers"]) is told
    assert sent[1]["body"] == b"as it was"


def test_the_onlooker_rests_when_the_script_has_ended() -> None:
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

    onlooker, part, end = Onlooker(), ForwardMsg(), ForwardMsg()
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
