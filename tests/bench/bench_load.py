"""Many signed-in people at once against the running dashboard: how long a page change takes, and what breaks.

    python -m tests.bench.bench_load WAREHOUSE_FOLDER [--people N] [--minutes M] [--think-s S] [--servers N] [--ingest]

Each person signs in by the door's own form, opens the live connection a browser opens (Streamlit's own messages, which
are the ones it sends), then changes the page at random moments (exponential, `--think-s` on average), to a page of the
list they are shown. The parts of a page that run again by themselves are asked for as a browser asks for them. The
five roles take turns. A page change is from the message to the end of the script. With `--ingest` captures are dropped
and read into the same warehouse meanwhile, so that every page's stored answer goes stale under them. With `--servers`
several servers share the warehouse behind nginx, which keeps a person at one of them by their cookie.

The named peer is one person alone on the same server in the same run, before the others come.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import numpy as np
import websockets
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.typing import Origin, Subprotocol

from dashboard.door.routes import SIGN_IN
from dashboard.launch import accounts_of
from pipelines.access.accounts import COOKIE
from pipelines.access.roles import Role
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import free_port, served

PASSWORD = "only for this bench"
NGINX = shutil.which("nginx", path="/usr/sbin:/usr/bin:/sbin:/bin")
PATIENCE_S = 120.0
ROLES = tuple(Role)
COMMAND = "import sys; from pipelines.cli import main; sys.exit(main())"
WRONG = ("could not be drawn", "went wrong")


@dataclass
class Seen:
    """What the people met: seconds of each page change by page, and what went wrong."""

    seconds: dict[str, list[float]] = field(default_factory=dict)
    first_s: list[float] = field(default_factory=list)
    wrong: Counter[str] = field(default_factory=Counter)

    @property
    def all_s(self) -> list[float]:
        """Seconds of every page change."""
        return [one for page in self.seconds.values() for one in page]


@dataclass
class Person:
    """One signed-in session, as its browser holds it.

    Attributes:
        address: of the server. cookie: the door's session token.
    """

    address: str
    cookie: str
    seen: Seen
    pages: dict[str, str] = field(default_factory=dict)
    again: dict[str, asyncio.Task[None]] = field(default_factory=dict)
    ended: asyncio.Event = field(default_factory=asyncio.Event)

    async def stay(self, until: float, think_s: float, dice: random.Random) -> None:
        """Look at page after page until the moment comes."""
        stream = self.address.replace("http", "ws", 1) + "/_stcore/stream"
        try:
            async with websockets.connect(
                stream,
                origin=Origin(self.address),
                additional_headers={"Cookie": f"{COOKIE}={self.cookie}"},
                subprotocols=[Subprotocol("streamlit")],
                max_size=None,
                open_timeout=PATIENCE_S,
            ) as line:
                self.line = line
                listening = asyncio.create_task(self._listen())
                try:
                    self.seen.first_s.append(await self._asked())
                    while time.monotonic() < until:
                        await asyncio.sleep(min(dice.expovariate(1 / think_s), 5 * think_s))
                        name = dice.choice(sorted(self.pages))
                        taken = await self._asked(page=self.pages[name])
                        self.seen.seconds.setdefault(name, []).append(taken)
                finally:
                    for task in (listening, *self.again.values()):
                        task.cancel()
        except (OSError, TimeoutError, websockets.WebSocketException) as error:
            self.seen.wrong[f"{type(error).__name__}: {error}"[:120]] += 1

    async def _asked(self, page: str = "") -> float:
        for task in self.again.values():
            task.cancel()
        self.again.clear()
        self.ended.clear()
        started = time.perf_counter()
        await self._send(page=page)
        await asyncio.wait_for(self.ended.wait(), PATIENCE_S)
        return time.perf_counter() - started

    async def _send(self, *, page: str = "", fragment: str = "") -> None:
        message = BackMsg()
        message.rerun_script.query_string = ""
        message.rerun_script.page_script_hash = page
        message.rerun_script.fragment_id = fragment
        message.rerun_script.is_auto_rerun = bool(fragment)
        await self.line.send(message.SerializeToString())

    async def _listen(self) -> None:
        async for data in self.line:
            message = ForwardMsg()
            message.ParseFromString(data)
            match message.WhichOneof("type"):
                case "navigation":
                    # the browser's own address of a page, not of one hidden from this person
                    shown = [page for page in message.navigation.app_pages if not page.is_hidden]
                    self.pages = {page.url_pathname: page.page_script_hash for page in shown}
                case "auto_rerun":
                    given = message.auto_rerun
                    if given.fragment_id not in self.again:
                        waiting = self._come_again(given.fragment_id, given.interval)
                        self.again[given.fragment_id] = asyncio.create_task(waiting)
                case "delta":
                    self._look(message)
                case "script_finished":
                    # 2: ended early because it runs again at once; 3: only a part of the page ran
                    if message.script_finished == ForwardMsg.FINISHED_SUCCESSFULLY:
                        self.ended.set()
                    elif message.script_finished == ForwardMsg.FINISHED_WITH_COMPILE_ERROR:
                        self.seen.wrong["a script that does not compile"] += 1

    async def _come_again(self, fragment: str, interval_s: float) -> None:
        while True:
            await asyncio.sleep(interval_s)
            await self._send(fragment=fragment)

    def _look(self, message: ForwardMsg) -> None:
        element = message.delta.new_element
        match element.WhichOneof("type"):
            case "exception":
                self.seen.wrong[f"exception: {element.exception.type} {element.exception.message}"[:120]] += 1
            case "alert" if any(sign in element.alert.body for sign in WRONG):
                self.seen.wrong[f"page: {element.alert.body}"[:120]] += 1


def admitted(warehouse: Path, people: int) -> list[str]:
    """Names of so many people who may sign in, the five roles in turn; technicians under names of the shop's own."""
    accounts = accounts_of(warehouse)
    technicians = sorted(set(Warehouse(warehouse).frame("captures")["technician"].drop_nulls()))
    known = {account.name for account in accounts.listing()}
    names = []
    for at in range(people):
        name, role = f"Load {at}", ROLES[at % len(ROLES)]
        names.append(name)
        if name.casefold() in {one.casefold() for one in known}:
            continue
        mine = technicians[at % len(technicians)] if role is Role.TECHNICIAN else ""
        accounts.accept(accounts.invite(name, [role], technician=mine, by="bench"), PASSWORD)
    return names


async def signed_in(address: str, name: str) -> str:
    """Sign in by the form; the session's token."""
    async with httpx.AsyncClient(timeout=PATIENCE_S) as caller:
        answer = await caller.post(
            address + SIGN_IN, data={"name": name, "password": PASSWORD}, headers={"Origin": address}
        )
        return answer.cookies[COOKIE]


async def crowd(address: str, names: list[str], minutes: float, think_s: float, seed: int) -> Seen:
    """All the people at once, coming within the first think time."""
    seen, dice = Seen(), random.Random(seed)
    until = time.monotonic() + minutes * 60

    async def one(name: str, wait_s: float, own: random.Random) -> None:
        await asyncio.sleep(wait_s)
        await Person(address, await signed_in(address, name), seen).stay(until, think_s, own)

    spread_s = think_s if len(names) > 1 else 0
    await asyncio.gather(
        *(one(name, dice.uniform(0, spread_s), random.Random(dice.random())) for name in names)
    )
    return seen


@contextlib.contextmanager
def behind_proxy(addresses: list[str], folder: Path) -> Iterator[str]:
    """nginx before several servers, a person always at the same one; yields its address."""
    port = free_port()
    servers = "".join(f"server {address.removeprefix('http://')};" for address in addresses)
    temporary = "".join(
        f"{kind}_temp_path {folder}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    (folder / "nginx.conf").write_text(
        f"daemon off; pid {folder}/nginx.pid; error_log {folder}/error.log; events {{}}\n"
        f"http {{ access_log off; {temporary}\n"
        f"upstream shop {{ hash $cookie_{COOKIE} consistent; {servers} }}\n"
        f"server {{ listen 127.0.0.1:{port}; location / {{ proxy_pass http://shop; proxy_http_version 1.1;\n"
        "proxy_set_header Host $http_host; proxy_set_header Upgrade $http_upgrade;\n"
        'proxy_set_header Connection "upgrade"; proxy_read_timeout 1h; proxy_buffering off; } } }\n'
    )
    server = subprocess.Popen([str(NGINX), "-c", str(folder / "nginx.conf")])
    try:
        while not (folder / "nginx.pid").exists():
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(timeout=20)


def servers_of_ours(port_of: list[str]) -> list[int]:
    """Process ids of the servers that listen at these addresses (Linux)."""
    ports = {address.rsplit(":", 1)[1] for address in port_of}
    found = []
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            words = place.read_bytes().decode(errors="replace").split("\0")
            if "--server.port" in words and words[words.index("--server.port") + 1] in ports:
                found.append(int(place.parent.name))
    return found


def used(process: int) -> tuple[float, float]:
    """CPU seconds and peak GiB of a process so far (Linux)."""
    words = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    ticks = int(words[11]) + int(words[12])
    peak = next(
        int(line.split()[1])
        for line in Path(f"/proc/{process}/status").read_text().splitlines()
        if line.startswith("VmHWM")
    )
    return ticks / os.sysconf("SC_CLK_TCK"), peak / 2**20


def ingesting(warehouse: Path, folder: Path) -> subprocess.Popen[bytes]:
    """A drop of sixty captures of the invented shop, read into the warehouse by the command."""
    from demo_warehouse import build

    build(folder / "shop", captures=60, jobs=1)
    words = ["-c", COMMAND, "ingest", str(folder / "shop" / "drop"), "--warehouse", str(warehouse)]
    return subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL)


def said(name: str, taken: list[float]) -> str:
    """One line: how many, and the median and the 95th of them."""
    if not taken:
        return f"{name:12} none"
    half, most, worst = np.quantile(taken, [0.5, 0.95, 1.0])
    return f"{name:12} {len(taken):5d} changes: median {half:.2f} s, p95 {most:.2f} s, longest {worst:.2f} s"


def main() -> None:
    """Serve, load, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("warehouse", type=Path)
    parser.add_argument("--people", type=int, default=50)
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--think-s", type=float, default=20.0)
    parser.add_argument("--servers", type=int, default=1)
    parser.add_argument("--ingest", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    names = admitted(chosen.warehouse, chosen.people)
    with contextlib.ExitStack() as stack:
        place = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        addresses = []
        for at in range(chosen.servers):
            (place / f"server{at}").mkdir()
            port = free_port()
            # every server admits the proxy's own address: all are names of this machine
            addresses.append(stack.enter_context(served(chosen.warehouse, place / f"server{at}", port)))
        front = addresses[0]
        if chosen.servers > 1:
            front = stack.enter_context(behind_proxy(addresses, place))
        alone = asyncio.run(crowd(front, names[:1], min(1.0, chosen.minutes), 1.0, chosen.seed))
        work = ingesting(chosen.warehouse, place) if chosen.ingest else None
        before = [used(process)[0] for process in servers_of_ours(addresses)]
        seen = asyncio.run(crowd(front, names, chosen.minutes, chosen.think_s, chosen.seed))
        after = [used(process) for process in servers_of_ours(addresses)]
        if work:
            print(f"the ingest {'ended' if work.poll() == 0 else 'goes on'}")  # noqa: T201
            work.wait()
    print(said("one alone", alone.all_s))  # noqa: T201
    for name in sorted(seen.seconds):
        print(said(name or "first page", seen.seconds[name]))  # noqa: T201
    print(said("opening", seen.first_s))  # noqa: T201
    print(said("all", seen.all_s))  # noqa: T201
    for (busy_s, peak_gib), began_s in zip(after, before, strict=True):
        share = (busy_s - began_s) / (chosen.minutes * 60)
        print(f"a server: {busy_s - began_s:.0f} CPU s ({share:.2f} of a core), peak {peak_gib:.2f} GiB")  # noqa: T201
    print(f"wrong: {dict(seen.wrong | alone.wrong) or 'nothing'}")  # noqa: T201


if __name__ == "__main__":
    main()
