"""Worker processes: a file that kills one costs itself, and none outlives the ingest that started it."""

from __future__ import annotations

import itertools
import multiprocessing
import os
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing import connection
from pathlib import Path
from types import ModuleType

from pipelines.intake.work import Done, Task, run

# Below this many captures a second process costs more to start than it saves.
PARALLEL_FROM = 12
# Tasks handed out at a time for each worker: enough that none is idle, few enough to try again one by one.
AHEAD = 3

DIED = (
    "Reading it ended the process that read it (out of memory, perhaps, or a fault of ours). The file is "
    "untouched; save the stretch that matters only, or report this with the file."
)


def run_all(
    tasks: Sequence[Task], jobs: int | None, marker: Path | None = None, *, apart: bool = False
) -> Iterator[Done]:
    """Do every task, in whatever order they come; each is answered exactly once.

    Args:
        marker: a file that names the capture at hand while no worker process is used. Should that capture
            end this very process, the next ingest finds the name and gives it a process of its own.
        apart: never use this process, however few tasks there are.

    Raises:
        WarehouseError: when a copy cannot be written.
    """
    workers = jobs or (
        len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    )
    if not apart and (workers <= 1 or len(tasks) < PARALLEL_FROM):
        yield from _here(tasks, marker)
        return
    if not tasks:
        return
    waiting = iter(tasks)
    while True:
        suspects: list[Task] = []
        yield from _until_one_dies(waiting, min(workers, len(tasks)), suspects)
        if not suspects:
            return
        # One of these ended its worker, and which is not said: each gets a process of its own.
        for task in suspects:
            yield from _alone(task)


def _here(tasks: Sequence[Task], marker: Path | None) -> Iterator[Done]:
    """Do the tasks in this process, except the one that ended it last time."""
    deadly = _left_by_the_last(marker)
    for task in tasks:
        if task.capture_file == deadly:
            yield from _alone(task)
            continue
        if marker is not None:
            with suppress(OSError):
                marker.write_text(task.capture_file, encoding="utf-8")
        done = run(task)
        if marker is not None:
            with suppress(OSError):
                marker.unlink()
        yield done


def _left_by_the_last(marker: Path | None) -> str | None:
    if marker is None:
        return None
    with suppress(OSError, UnicodeDecodeError):
        return marker.read_text(encoding="utf-8")
    return None


def _pool(workers: int) -> ProcessPoolExecutor:
    # Spawned, not forked: polars and DuckDB keep threads that a fork would leave half alive.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=context, initializer=end_with_parent)


def _submitted(pool: ProcessPoolExecutor, task: Task) -> Future[Done]:
    with _main_file_hidden():
        return pool.submit(run, task)


@contextmanager
def _main_file_hidden() -> Iterator[None]:
    """While workers start: a spawned process runs the main file again, which here may be a page of the
    dashboard (it would be drawn once more) or a file that is gone (every worker would die of it)."""
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


def _until_one_dies(waiting: Iterator[Task], workers: int, suspects: list[Task]) -> Iterator[Done]:
    """Work through the tasks; when a worker dies, those that were handed out become suspects."""
    pool = _pool(workers)
    out: dict[Future[Done], Task] = {}
    try:
        while True:
            for task in itertools.islice(waiting, workers * AHEAD - len(out)):
                try:
                    out[_submitted(pool, task)] = task
                except BrokenProcessPool:
                    suspects.append(task)
            if not out:
                return
            finished, _ = wait(out, return_when=FIRST_COMPLETED)
            for future in finished:
                task = out.pop(future)
                try:
                    done = future.result()
                except BrokenProcessPool:
                    suspects.append(task)
                    continue
                yield done
            if suspects:
                suspects.extend(out.values())
                return
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _alone(task: Task) -> Iterator[Done]:
    with _pool(1) as pool:
        try:
            yield _submitted(pool, task).result()
        except BrokenProcessPool:
            yield died(task)


def died(task: Task) -> Done:
    """What came of a task that ended the process it was done in."""
    size = mtime_ns = None
    if task.source is not None:
        with suppress(OSError):
            status = task.source.stat()
            size, mtime_ns = status.st_size, status.st_mtime_ns
    return Done(
        task.capture_file,
        refused=DIED,
        file_bytes=size,
        file_mtime_ns=mtime_ns,
        read_from=task.assignment.key() if task.assignment else None,
    )


def end_with_parent() -> None:
    """Started in each worker: leave as soon as the process that started it is gone, however it went."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return
    sentinel = parent.sentinel

    def watch() -> None:
        connection.wait([sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
