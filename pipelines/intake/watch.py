"""Watching a drop folder: an ingest as soon as what changed in it has stopped changing.

By polling, because a network folder tells nobody of changes. Nothing is kept between looks but what was seen:
after a restart the first look ingests whatever is new, and an ingest of what is known already does nothing.
"""

from __future__ import annotations

import json
import os
import stat
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from filelock import FileLock, Timeout

from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.intake.folder import leftover
from pipelines.intake.ingest import ingest
from pipelines.intake.summary import IntakeSummary
from pipelines.warehouse.database import Warehouse

# Looked at so often, and a file counts as whole when it stood still for so long.
EVERY_S = 5.0
STILL_S = 10.0
# What could not be opened is tried again after so long, then twice as long and so on.
AGAIN_S = 60.0
AGAIN_MOST_S = 3600.0
STATUS = "watch.json"
GONE = (
    "Nothing lies in the drop folder {drop} any more; what was read stands. If it is on a network, see whether it is "
    "mounted."
)

Seen = dict[str, tuple[int, int]]
Said = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Clock:
    """Time as the watcher sees it; tests hand in one of their own."""

    now: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


def watch(
    drop: Path,
    warehouse: Warehouse,
    *,
    landed: Callable[[IntakeSummary], None],
    say: Said,
    every_s: float = EVERY_S,
    still_s: float = STILL_S,
    clock: Clock | None = None,
    go_on: Callable[[], bool] = lambda: True,
    shop: str = "",
) -> None:
    """Ingest whenever the folder has changed and then stood still, until `go_on` says no.

    A folder that cannot be seen for a while (a network that is down) and a warehouse that is in use are waited
    for; a file still growing keeps nobody waiting but itself. What could not be opened is tried again, ever more
    seldom.

    Args:
        landed: called after each ingest.
        say: called with a sentence when something has to be waited for.
        shop: whose the folder is.
        every_s, still_s: how often to look, and how long a file has to stand still, in s.

    Raises:
        WarehouseError: when another watcher works for this warehouse.
    """
    clock = clock or Clock()
    watcher = _Watcher(drop, warehouse, landed, still_s, clock, shop)
    with only_one(warehouse):
        said = ""
        while go_on():
            try:
                why = watcher.step()
            except (ShopspreadError, OSError) as error:
                why = str(error)
                with suppress(OSError):  # perhaps it is the warehouse that cannot be written
                    _note(warehouse, drop, "held up", why=why)
            if why and why != said:
                say(why)
            said = why
            clock.sleep(every_s)


@dataclass(slots=True)
class _Watcher:
    """What is kept between two looks: what was seen when, and what an ingest has dealt with."""

    drop: Path
    warehouse: Warehouse
    landed: Callable[[IntakeSummary], None]
    still_s: float
    clock: Clock
    shop: str = ""
    done: Seen | None = None
    before: Seen = field(default_factory=dict)
    since: dict[str, float] = field(default_factory=dict)
    again_at: float | None = None
    again_in_s: float = AGAIN_S

    def step(self) -> str:
        """Look once, and ingest where it is time to; returns what has to be waited for, or nothing.

        Raises:
            ShopspreadError, OSError: when the folder cannot be seen or the warehouse cannot be had just now.
        """
        seen = look(self.drop, self.warehouse)
        growing = self._growing(seen)
        whole = {name: stamp for name, stamp in seen.items() if name not in growing}
        known = self.done or {}
        news = any(known.get(name) != stamp for name, stamp in whole.items())
        again = self.again_at is not None and self.clock.now() >= self.again_at
        if whole and (self.done is None or news or again):
            self._ingest(whole, growing)
        why = GONE.format(drop=self.drop) if known and not seen else ""
        _note(self.warehouse, self.drop, "held up" if why else "waiting", sorted(growing), why)
        return why

    def _growing(self, seen: Seen) -> set[str]:
        """Files that have not stood still for long enough; `seen` is brought up to date where it was not."""
        now = self.clock.now()
        kept = {name: at for name, at in self.since.items() if self.before.get(name) == seen.get(name)}
        self.since = {name: kept.get(name, now) for name in seen}
        known = self.done or {}
        for name, stamp in list(seen.items()):
            if known.get(name) != stamp:
                fresh = _asked(self.drop / name)
                if fresh is not None and fresh != stamp:
                    seen[name], self.since[name] = fresh, now
        self.before = dict(seen)
        return {name for name in seen if now - self.since[name] < self.still_s}

    def _ingest(self, whole: Seen, growing: set[str]) -> None:
        told_at = self.clock.now()
        _note(self.warehouse, self.drop, "reading", sorted(growing))

        def told(*_: int) -> None:
            nonlocal told_at
            if self.clock.now() - told_at >= EVERY_S:
                told_at = self.clock.now()
                _note(self.warehouse, self.drop, "reading", sorted(growing))

        summary = ingest(self.drop, self.warehouse, leave=growing, progress=told, shop=self.shop)
        self.landed(summary)
        self.done = whole
        self.again_in_s = min(2 * self.again_in_s, AGAIN_MOST_S) if self.again_at is not None else AGAIN_S
        self.again_at = self.clock.now() + self.again_in_s if summary.passing else None


def look(drop: Path, warehouse: Warehouse) -> Seen:
    """Every file below the folder with its size and time of change (ns); the warehouse's own do not count.

    Raises:
        ShopspreadError: when the folder itself cannot be seen or listed.
    """

    def failed(error: OSError) -> None:
        if error.filename == str(drop):  # a folder below is named by the ingest, and keeps nobody waiting
            raise _unseen(drop, error)

    try:
        if not stat.S_ISDIR(drop.stat().st_mode):
            raise ShopspreadError(f"The drop folder {drop} cannot be seen: it is no folder; waiting for it.")
    except OSError as error:
        raise _unseen(drop, error) from error
    found: Seen = {}
    ours = {os.path.realpath(path) for path in (warehouse.database.parent, warehouse.waveforms)}
    for folder, folders, names in os.walk(drop, onerror=failed):
        folders[:] = [
            name
            for name in folders
            if not name.startswith(".") and os.path.realpath(Path(folder) / name) not in ours
        ]
        for name in (name for name in names if not leftover(name)):
            path = Path(folder) / name
            with suppress(OSError):
                found[path.relative_to(drop).as_posix()] = _stamp(path)
    return found


def _unseen(drop: Path, error: OSError) -> ShopspreadError:
    return ShopspreadError(
        f"The drop folder {drop} cannot be seen ({error.strerror or error}); waiting for it. If it is on a network, "
        "see whether its server runs and it is mounted."
    )


def _stamp(path: Path) -> tuple[int, int]:
    status = path.stat(follow_symlinks=False)
    return status.st_size, status.st_mtime_ns


def _asked(path: Path) -> tuple[int, int] | None:
    """Size and time of change as the server has them now; None where the file cannot be looked at.

    What a listing says of a file on a network may be a minute old, so that one that grows seems to stand still. Opening
    it makes the client ask (close-to-open consistency, RFC 8881, section 10.3.1), reading a byte makes it forget what
    it knew; where it answers from memory all the same, the next look shows what it was told now.
    """
    with suppress(OSError):
        if stat.S_ISREG(path.stat(follow_symlinks=False).st_mode):
            with path.open("rb", buffering=0) as file:
                file.read(1)
        return _stamp(path)
    return None


@contextmanager
def only_one(warehouse: Warehouse) -> Iterator[None]:
    """Be the one watcher of a warehouse; the lock goes with the process, however it ends.

    Raises:
        WarehouseError: when there is one already.
    """
    lock = FileLock(warehouse.database.with_name(warehouse.database.name + ".watch.lock"))
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise WarehouseError(f"Another watch works for {warehouse.path} already; one is enough.") from error
    except OSError as error:
        raise WarehouseError(
            f"The warehouse {warehouse.path} cannot be written ({error.strerror})."
        ) from error
    try:
        yield
    finally:
        with suppress(OSError):
            status_file(warehouse.database).unlink(missing_ok=True)
        lock.release()


def status_file(database: Path) -> Path:
    """Where a watcher says what it does."""
    return database.with_name(STATUS)


def _note(warehouse: Warehouse, drop: Path, doing: str, growing: Sequence[str] = (), why: str = "") -> None:
    """Say what is being done, for the dashboard: written beside and moved, so that nobody reads half of it."""
    file = status_file(warehouse.database)
    part = file.with_suffix(".part")
    about = {
        "drop": str(drop),
        "doing": doing,
        "growing": list(growing)[:20],
        "why": why,
        "looked_at": time.time(),
        "pid": os.getpid(),
    }
    part.write_text(json.dumps(about), encoding="utf-8")
    part.replace(file)


def status(database: Path, *, stale_s: float = 120.0) -> str | None:
    """What the watcher of a warehouse does, as a sentence; None where none works."""
    try:
        about = json.loads(status_file(database).read_text(encoding="utf-8"))
        age_s = time.time() - float(about["looked_at"])
        drop, doing, growing = str(about["drop"]), str(about["doing"]), len(about["growing"])
        why = str(about.get("why", ""))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    # One large file of a slow network, or a fit over many years, may take a while.
    if age_s > (10 * stale_s if doing == "reading" else stale_s):
        return f"The watch of {drop} has not looked for {age_s / 60:.0f} minutes; start it again: shopspread watch."
    if doing == "reading":
        return f"Watching {drop}: reading what is new."
    if why:
        return f"Watching {drop}; looked {max(age_s, 0):.0f} s ago. {why}"
    waits = f" {growing} files are still growing." if growing else ""
    return f"Watching {drop}; looked {max(age_s, 0):.0f} s ago.{waits}"
