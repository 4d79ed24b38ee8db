"""From a planned capture to its file: the physics of that vehicle on that day, the scope, the text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from demo_warehouse.first_lesson import planted
from demo_warehouse.plan import Planned
from demo_warehouse.textfiles import DIALECTS, TextDialect, write_text

BATCH = 40

SCOPES: tuple[tuple[int, tuple[str, ...]], ...] = (
    (12, ("plain", "units_row")),
    (10, ("semicolon_comma", "bare")),
    (14, ("interval_only", "tab_millivolts")),
)
"""The shop's three scopes: resolution in bits, and the shapes of text that they save."""


@dataclass(frozen=True, slots=True)
class Job:
    """One file to make."""

    file: str
    run: planted.Run
    setup: planted.ScopeSetup
    dialect: TextDialect


def scope_setup(capture: Planned) -> tuple[planted.ScopeSetup, TextDialect]:
    """The scope as the technician set it, and the text that scope saves."""
    rng = np.random.default_rng([capture.seed, 14])
    which = capture.technician.scope if rng.random() < 0.8 else int(rng.integers(len(SCOPES)))
    bits, shapes = SCOPES[which]
    names = {dialect.name: dialect for dialect in DIALECTS}
    dialect = names[shapes[int(rng.integers(len(shapes)))]]
    return planted.scope_setup(capture.wanted, bits, rng), dialect


def job(capture: Planned, file: str) -> Job:
    """Everything that makes the capture's file."""
    setup, dialect = scope_setup(capture)
    return Job(file, planted.run_of(capture.wanted), setup, dialect)


def suffix(dialect: TextDialect) -> str:
    """File ending that goes with a dialect."""
    return ".csv" if dialect.delimiter == "," else ".txt"


def _make(folder: Path, jobs: Sequence[Job]) -> list[planted.Made]:
    """Simulate and write a batch."""
    made = []
    for one, trace in zip(jobs, planted.simulate([one.run for one in jobs]), strict=True):
        path = folder / one.file
        write_text(path, planted.record(trace, one.setup), one.dialect)
        made.append(planted.truth_of(one.file, trace, path.stat().st_size))
    return made


def make_files(
    folder: Path, jobs: Sequence[Job], *, workers: int, progress: Callable[[int, int], None] | None
) -> dict[str, planted.Made]:
    """Write every file; `progress(done, total)` after each batch. Batches hold runs of like size."""
    order = sorted(jobs, key=lambda one: planted.likeness(one.run))
    batches = [order[begin : begin + BATCH] for begin in range(0, len(order), BATCH)]
    made: dict[str, planted.Made] = {}

    def note(done: list[planted.Made]) -> None:
        made.update({one.file: one for one in done})
        if progress is not None:
            progress(len(made), len(jobs))

    if workers <= 1 or len(batches) < 2:
        for batch in batches:
            note(_make(folder, batch))
        return made
    # the largest batches first, so that no worker is left alone with one at the end
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(_make, folder, batch) for batch in reversed(batches)]
        for future in as_completed(waiting):
            note(future.result())
    return made
