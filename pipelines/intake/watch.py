"""Watching a drop folder: an ingest as soon as what changed in it has stopped changing.

By polling, because a network folder tells nobody of changes. Nothing is kept between looks but what was seen:
after a restart the first look ingests whatever is new, and an ingest of what is known already does nothing.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.intake.folder import leftover
from pipelines.intake.ingest import IntakeSummary, ingest
from pipelines.warehouse.database import Warehouse

# Looked at so often, and a file counts as whole when it stood still for so long.
EVERY_S = 5.0
STILL_S = 10.0
STATUS = "watch.json"

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
    for; a file still growing keeps nobody waiting but itself.

    Args:
        landed: called after each ingest.
        say: called with a sentence when something has to be waited for.
        shop: whose the folder is.
        every_s, still_s: how often to look, and how long a file has to stand still, in s.

    Raises:
        WarehouseError: when another watcher works for this warehouse.
    """
    clock = clock or Clock()
    with only_one(warehouse):
        done: Seen | None = None
        since: dict[str, float] = {}
        before: Seen = {}
        waited_for = ""
        while go_on():
            try:
                seen = look(drop, warehouse)
                now = clock.now()
                since = {
                    name: since[name] if name in since and before.get(name) == stamp else now
                    for name, stamp in seen.items()
                }
                before = seen
                growing = {name for name in seen if now - since[name] < still_s}
                whole = {name: stamp for name, stamp in seen.items() if name not in growing}
                if whole and (done is None or any(done.get(name) != stamp for name, stamp in whole.items())):
                    _note(warehouse, drop, "reading", sorted(growing))
                    landed(ingest(drop, warehouse, leave=growing, shop=shop))
                    done = whole
                _note(warehouse, drop, "waiting", sorted(growing))
                waited_for = ""
            except (ShopspreadError, OSError) as error:
                if str(error) != waited_for:
                    say(str(error))
                    waited_for = str(error)
            clock.sleep(every_s)


def look(drop: Path, warehouse: Warehouse) -> Seen:
    """Every file below the folder with its size and time of change (ns); the warehouse's own do not count.

    Raises:
        ShopspreadError: when the folder itself cannot be seen.
    """
    if not drop.is_dir():
        raise ShopspreadError(f"The drop folder {drop} cannot be seen; waiting for it.")
    found: Seen = {}
    ours = {os.path.realpath(path) for path in (warehouse.database.parent, warehouse.waveforms)}
    for folder, folders, names in os.walk(drop):
        folders[:] = [
            name
            for name in folders
            if not name.startswith(".") and os.path.realpath(Path(folder) / name) not in ours
        ]
        for name in (name for name in names if not leftover(name)):
            path = Path(folder) / name
            with suppress(OSError):
                status = path.stat(follow_symlinks=False)
                found[path.relative_to(drop).as_posix()] = (status.st_size, status.st_mtime_ns)
    return found


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


def _note(warehouse: Warehouse, drop: Path, doing: str, growing: list[str]) -> None:
    """Say what is being done, for the dashboard: written beside and moved, so that nobody reads half of it."""
    file = status_file(warehouse.database)
    part = file.with_suffix(".part")
    about = {
        "drop": str(drop),
        "doing": doing,
        "growing": growing[:20],
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
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if doing == "reading":
        return f"Watching {drop}: reading what is new."
    if age_s > stale_s:
        return f"The watch of {drop} has not looked for {age_s / 60:.0f} minutes; start it again: shopspread watch."
    waits = f" {growing} files are still growing." if growing else ""
    return f"Watching {drop}; looked {max(age_s, 0):.0f} s ago.{waits}"
