"""The unit of work of an ingest on a cluster of computers, through dask.distributed.

Only the work goes out; what comes back is landed here, by the one ingest there is. A worker may die, join or do
a capture twice: each capture is answered once, its row is put in place by its key and its copy is named by what is in
it, so that nothing is lost and nothing doubled. Workers see the drop folder and the warehouse's folder under the same
paths, and run the same version.
"""

from __future__ import annotations

import itertools
import queue
import re
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines import __version__
from pipelines.errors import ShopspreadError
from pipelines.intake.work import Done, Task, run
from pipelines.intake.workers import AHEAD, died

# Workers of our own that may die while they have a capture, before it comes under suspicion.
FAILURES = 1
NO_WORKER_S = 600.0
_LOOK_S = 5.0
_CONNECT_S = 30.0
_REMOTE = re.compile(r"dask://(?P<host>[^/:\s]+|\[[^\]]+\]):(?P<port>\d+)/?")
_LOCAL = re.compile(r"dask://local(?:/(?P<workers>[1-9]\d*))?/?")
SEEN = ".cluster"


@dataclass(frozen=True, slots=True)
class Common:
    """What a worker must have in common with the ingest, or its answers would be wrong.

    Attributes:
        token: stands in a file of that name in the warehouse's folder, so that the same folder is known again.
        drop: the drop folder, None where there is none.
    """

    version: str
    token: Path
    drop: Path | None

    def lacking(self) -> str | None:
        """What is missing here, None where nothing is."""
        if self.version != __version__:
            return f"runs Shopspread {__version__}, not {self.version}"
        for path in (self.token, self.drop):
            if path is not None and not path.exists():
                return f"does not see {path.parent if path == self.token else path}"
        return None


def check_address(address: str) -> None:
    """Refuse what names no cluster.

    Raises:
        ShopspreadError: with what would.
    """
    if not (_REMOTE.fullmatch(address) or _LOCAL.fullmatch(address)):
        raise ShopspreadError(
            f"{address!r} names no cluster: say dask://HOST:PORT of a scheduler, or dask://local/N for N worker "
            "processes on this computer."
        )


def run_on(
    tasks: Sequence[Task],
    address: str,
    folder: Path,
    drop: Path | None,
    *,
    work: Callable[[Task], Done] = run,
) -> Iterator[Done]:
    """Do every task on a cluster, in whatever order they come; each is answered exactly once.

    Args:
        address: see `check_address`. folder: the warehouse's waveforms. work: the unit of work.

    Raises:
        ShopspreadError: there is no such cluster, it has no workers for long, it is stopped meanwhile, or a worker has
            not what it must have in common with this ingest. What had landed is whole.
        WarehouseError: when a copy cannot be written.
    """
    check_address(address)
    if not tasks:
        return
    with _token(folder) as token, _client(address) as client:
        yield from _through(client, tasks, Common(__version__, token, drop), work)


def _through(
    client: Any, tasks: Sequence[Task], common: Common, work: Callable[[Task], Done]
) -> Iterator[Done]:
    suspects: list[Task] = []
    for task, answer in _answers(client, tasks, common, work, ahead=AHEAD):
        if answer is None:
            suspects.append(task)
        else:
            yield answer
    # Whatever lay on a worker that died is blamed by the scheduler: only who ends workers all alone is guilty.
    for task in suspects:
        for _, answer in _answers(client, [task], common, work, ahead=0):
            yield answer or died(task)


def _answers(
    client: Any, tasks: Sequence[Task], common: Common, work: Callable[[Task], Done], *, ahead: int
) -> Iterator[tuple[Task, Done | None]]:
    """Each task with what came of it, None where too many workers died while they had it.

    Args:
        ahead: tasks handed out at a time for each worker; 0 for one at a time.
    """
    from distributed import CancelledError, KilledWorker

    waiting, out = iter(tasks), dict[Any, Task]()
    finished: queue.SimpleQueue[Any] = queue.SimpleQueue()
    try:
        while True:
            free = ahead * _threads(client) - len(out)
            for task in itertools.islice(waiting, max(free, 0 if out else 1)):
                # Not pure: a capture read again is to be read again.
                future = client.submit(_at_worker, work, task, common, pure=False, retries=0)
                out[future] = task
                future.add_done_callback(finished.put)
            if not out:
                return
            future = _next(client, finished)
            task = out.pop(future)
            try:
                answer = future.result()
            except KilledWorker:
                answer = None
            except (CancelledError, OSError) as error:
                raise ShopspreadError(
                    "The cluster was stopped meanwhile. What had landed is whole; ingest again for the rest."
                ) from error
            if isinstance(answer, str):
                raise ShopspreadError(
                    f"{answer}. What had landed is whole; mend that worker and ingest again."
                )
            yield task, answer
    finally:
        with suppress(Exception):  # the cluster may be gone
            client.cancel(list(out))


def _at_worker(work: Callable[[Task], Done], task: Task, common: Common) -> Done | str:
    """One task on a worker, or what this worker lacks for it."""
    lacking = common.lacking()
    if lacking is not None:
        import socket

        return f"The worker on {socket.gethostname()} {lacking}"
    return work(task)


def _next(client: Any, finished: queue.SimpleQueue[Any]) -> Any:
    """The next future that is done; workers may be away for a while."""
    since = time.monotonic()
    while True:
        try:
            return finished.get(timeout=_LOOK_S)
        except queue.Empty:
            if client.status != "running":
                raise ShopspreadError(
                    "The cluster's scheduler is gone. What had landed is whole; ingest again for the rest."
                ) from None
            if _threads(client):
                since = time.monotonic()
            elif client.cluster is not None:  # of our own: whoever was ended is started anew
                client.cluster.scale(len(client.cluster.worker_spec))
            elif time.monotonic() - since > NO_WORKER_S:
                raise ShopspreadError(
                    f"The cluster has had no worker for {NO_WORKER_S / 60:.0f} minutes. What had landed is whole; "
                    "start workers and ingest again."
                ) from None


def _threads(client: Any) -> int:
    return sum(int(threads) for threads in client.nthreads().values())


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise ShopspreadError(
            "Reading on a cluster needs dask.distributed, which is not installed: pip install 'shopspread[cluster]'"
        ) from error
    local = _LOCAL.fullmatch(address)
    with dask.config.set(
        {
            "distributed.scheduler.allowed-failures": FAILURES,
            "distributed.comm.timeouts.connect": _CONNECT_S,
            # On a busy computer a worker takes long to start; it is not to be given up meanwhile.
            "distributed.deploy.lost-worker-timeout": f"{NO_WORKER_S:.0f}s",
        }
    ):
        if local:
            with (
                LocalCluster(
                    n_workers=int(local["workers"]) if local["workers"] else None,
                    threads_per_worker=1,
                    memory_limit=0,
                    host="127.0.0.1",
                    dashboard_address="127.0.0.1:0",
                ) as cluster,
                Client(cluster) as client,
            ):
                yield client
            return
        found = _REMOTE.fullmatch(address)
        assert found is not None
        try:
            client = Client(f"tcp://{found['host']}:{found['port']}", timeout=_CONNECT_S)
        except (OSError, TimeoutError) as error:
            raise ShopspreadError(
                f"There is no cluster's scheduler at {address}; start one with: dask scheduler"
            ) from error
        with client:
            yield client


@contextmanager
def _token(folder: Path) -> Iterator[Path]:
    """A file in the warehouse's folder that only those see who see that folder."""
    token = folder / f"{SEEN}-{uuid.uuid4().hex}"
    folder.mkdir(parents=True, exist_ok=True)
    token.touch()
    try:
        yield token
    finally:
        with suppress(OSError):
            token.unlink()
