"""Ingest: a drop folder of saved captures and shop tables becomes rows in the warehouse."""

from __future__ import annotations

import difflib
import uuid
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from models.records.shops import qualified, shop_of
from pipelines import kinds
from pipelines.errors import ShopspreadError
from pipelines.intake import cluster, leaver, standing
from pipelines.intake.arrivals import arrivals, layout_notes
from pipelines.intake.folder import Contents
from pipelines.intake.landing import NOT_LOGGED, save_done, settle_waiting
from pipelines.intake.merge import TableIntake, merge_tables
from pipelines.intake.shops import claimed, settle_moved
from pipelines.intake.summary import IntakeSummary, Trouble, summed_up
from pipelines.intake.work import Assignment, Done, Task, tried_with
from pipelines.intake.workers import run_all
from pipelines.kinds import EngineFamily, Hookup, Kind
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse, query

# Readers of the warehouse wait while a transaction is open: many captures each, but not too many.
BATCH = 250
# Names compared for a near miss; beyond that the question costs more than it helps.
MOST_COMPARED = 20_000

Progress = Callable[[int, int], None]

# Names the capture at hand, below the waveforms folder.
AT_WORK = ".at-work"

NO_FILE = (
    "captures.csv names this file, but it has not arrived in the drop folder; put it there and ingest again."
)

GROWS = "Its file is still growing; it is read as soon as it stands still."


@dataclass(frozen=True, slots=True)
class _Row:
    """What the warehouse knows of one capture before this ingest."""

    logged: bool
    status: str | None
    file_sha256: str | None
    stamp: tuple[int, int] | None
    waveform: str | None
    read_from: str | None
    assignment: Assignment | None
    waits_for: str | None
    trouble: standing.Trouble | None = None
    told: str | None = None


def ingest(
    drop: Path | None,
    warehouse: Warehouse,
    *,
    reread: bool = False,
    jobs: int | None = None,
    progress: Progress | None = None,
    leave: Collection[str] = (),
    batch: str | None = None,
    apart: bool = False,
    on: str | None = None,
    shop: str = "",
) -> IntakeSummary:
    """Bring the warehouse to what the drop folder says; the folder itself is never changed.

    Args:
        drop: the folder, or None to work only on what the warehouse already holds.
        warehouse: where everything goes.
        reread: read every stored waveform again, with today's readers.
        jobs: worker processes; by default one per processor this process may use.
        progress: called with (captures done, captures to do).
        leave: paths below the folder to leave for another time (files that still grow).
        batch: names this ingest in the log, where it is part of a piece of work that has a name already.
        apart: read even a single file in a process of its own, because this one must live on whatever happens.
        on: the cluster that does the reading, `dask://HOST:PORT` or `dask://local/N`; see `cluster.py`.
        shop: whose the folder is, where several shops share the warehouse; the folder may say so itself (`shops.py`).

    Files that were uploaded in the browser lie in a folder of the warehouse's own, which belongs to every ingest.

    Raises:
        ShopspreadError: when the folder does not exist or is no folder.
        WarehouseError: when the warehouse cannot be written.
    """
    if drop is not None and not drop.is_dir():
        raise ShopspreadError(f"The drop folder {drop} does not exist or is no folder.")
    if on is not None:
        cluster.check_address(on)
    batch = batch or uuid.uuid4().hex[:12]
    _tidy(warehouse)
    contents, formats, shop = arrivals(drop, warehouse, batch, leave, shop)
    tables = tuple(merge_tables(contents.tables, warehouse, batch, shop=shop))
    files, moved = claimed(contents.files, tables, shop)
    settle_moved(warehouse, batch, moved)
    formats = formats.renamed(moved)
    known = _known(warehouse)
    waits = {name: row.waits_for for name, row in known.items() if row.waits_for is not None}
    copies = store.names(warehouse.waveforms)
    tasks: list[Task] = []
    for capture_file in sorted(files.keys() | known.keys()):
        path, row = files.get(capture_file), known.get(capture_file)
        told = formats.of(capture_file, row.told if row else None)
        task = _task(capture_file, path, row, warehouse.waveforms, copies, reread, told)
        if task is not None:
            tasks.append(task)
    if on is None:
        answers = run_all(tasks, jobs, warehouse.waveforms / AT_WORK, apart=apart)
    else:
        answers = cluster.run_on(tasks, on, warehouse.waveforms, drop)
    layouts, passing = _save(warehouse, batch, answers, waits, progress, len(tasks))
    if drop is not None:
        standing.forget_gone(warehouse, files.keys(), {shop, *map(shop_of, moved.values())})
    settle_waiting(warehouse, batch, _waiting(_known(warehouse), {qualified(shop, name) for name in leave}))
    notes = [note for table in tables for note in table.notes]
    if contents.ignored:
        notes.append(
            f"{contents.ignored} files in the drop folder are no waveform files by their ending and were left alone."
        )
    if contents.hidden:
        notes.append(
            f"Names that begin with a dot are hidden: {contents.hidden} such files or folders were left alone."
        )
    notes += layout_notes(layouts)
    warehouse.store.tidy()
    notes += _retired(warehouse)
    summary = summed_up(warehouse, batch, tables, len(tasks), len(files.keys() | known.keys()), notes)
    odd = tuple(Trouble(entry.name, "refused", entry.reason) for entry in contents.odd)
    return replace(summary, troubles=(*odd, *summary.troubles), passing=passing or _unseen(contents, tables))


def _retired(warehouse: Warehouse) -> list[str]:
    retired = leaver.retire(warehouse)
    if not retired:
        return []
    said = [f"{len(retired)} names became pseudonyms, by the setting people_retention_months."]
    still = [left for left in retired if left.signs_in]
    return said + [f"{left.gone.pseudonym} can still sign in: {left.signs_in}" for left in still]


def _unseen(contents: Contents, tables: Iterable[TableIntake]) -> bool:
    """Whether the disk or the network would not show an entry, or hand a table over."""
    return any(entry.passing for entry in contents.odd) or any(table.passing for table in tables)


def _save(
    warehouse: Warehouse,
    batch: str,
    answers: Iterable[Done],
    waits: Mapping[str, str],
    progress: Progress | None,
    to_do: int,
) -> tuple[Counter[str], bool]:
    """Save what was read as it comes, so that an end at any moment loses little.

    Returns:
        How its text was read, counted, and whether any file could not be had this time.
    """
    pending: list[Done] = []
    layouts: Counter[str] = Counter()
    passing = False
    for done_count, done in enumerate(answers, start=1):
        pending.append(done)
        layouts[done.read_as or ""] += 1
        passing = passing or done.passing
        if progress is not None:
            progress(done_count, to_do)
        if len(pending) >= BATCH:
            save_done(warehouse, batch, pending, waits)
            pending = []
    save_done(warehouse, batch, pending, waits)
    return layouts, passing


def _tidy(warehouse: Warehouse) -> None:
    """Put away what an earlier, broken-off run or an earlier version left in the waveforms folder."""
    store.sweep(warehouse.waveforms)
    store.adopt(warehouse.database.with_suffix("") / "waveforms", warehouse.waveforms)


def _known(warehouse: Warehouse) -> dict[str, _Row]:
    """Every capture logged or seen, with what its reading would be made with."""
    with warehouse.reading() as connection:
        families_frame = query(connection, "families")
        captures = query(connection, "intake_captures")
        troubles = standing.troubles(connection)
    families = {row["engine_family"]: EngineFamily.of_row(row) for row in families_frame.to_dicts()}
    known: dict[str, _Row] = {}
    for row in captures.to_dicts():
        assignment, waits_for = _assignment(row, families) if row["logged"] else (None, NOT_LOGGED)
        stamp = (row["file_bytes"], row["file_mtime_ns"]) if row["file_bytes"] is not None else None
        known[row["capture_file"]] = _Row(
            logged=row["logged"],
            status=row["status"],
            file_sha256=row["file_sha256"],
            stamp=stamp,
            waveform=row["waveform_sha256"],
            read_from=row["read_from"],
            assignment=assignment,
            waits_for=waits_for,
            trouble=troubles.get(row["capture_file"]),
            told=row["told"],
        )
    return known


def _assignment(
    row: Mapping[str, Any], families: Mapping[str, EngineFamily]
) -> tuple[Assignment | None, str | None]:
    """What a logged capture's reading is made with, or what it waits for."""
    test = row["test"]
    if not test:
        return None, "Its row in captures.csv names no test; fill in the column `test`."
    known = kinds.kind(str(test))
    if known is None:
        return None, (
            f"There is no reader for the test {test!r} yet (there are: {', '.join(kinds.kinds())}). "
            "The waveform is kept and is read as soon as there is one."
        )
    hookup = _hookup(row, known)
    if not known.needs_engine:
        return Assignment(known.name, hookup), None
    name = row["engine_family"]
    if not name:
        return None, "Its row in captures.csv names no engine family; fill in the column `engine_family`."
    if name not in families:
        return None, (
            f"Nobody has defined the engine family {name!r} yet; add it to engine_families.csv "
            "(or correct the name) and ingest again."
        )
    wrong = families[name].without(hookup.sync_cylinder)
    if wrong is not None:
        return None, f"Its row in captures.csv {wrong}; correct the row."
    return Assignment(known.name, hookup, families[name]), None


def _hookup(row: Mapping[str, Any], known: Kind) -> Hookup:
    """The hookup a row names, or the kind's usual one where it names none."""
    signals = row["ch_signals"] or known.hookup.signals
    scales = row["ch_scales"] or [1.0] * len(signals)
    return Hookup(
        signals=tuple(str(signal or "") for signal in signals),
        scales=tuple(float(scale if scale is not None else 1.0) for scale in scales),
        sync_cylinder=int(row["sync_cylinder"] or 1),
    )


def _stamp(path: Path) -> tuple[int, int] | None:
    """Bytes and time of change (ns) of a file; None where it cannot be looked at: reading it will say why."""
    with suppress(OSError):
        status = path.stat()
        return status.st_size, status.st_mtime_ns
    return None


def _task(
    capture_file: str,
    path: Path | None,
    row: _Row | None,
    waveforms: Path,
    copies: set[str],
    reread: bool,
    told: str | None,
) -> Task | None:
    """The work a capture needs now, or None when everything about it is as it was."""
    assignment = row.assignment if row else None
    wanted = assignment.key() if assignment else None
    trouble = row.trouble if row else None
    parse = row is not None and row.told != told
    source, known_bad = None, trouble is not None and trouble.what == "file"
    if path is not None:
        stamp = _stamp(path)
        tried = tried_with(wanted, told)
        known_bad = trouble is not None and trouble.settled_for(stamp, tried) and not reread
        if row is None or ((row.stamp != stamp or parse) and not known_bad):
            source = path
        elif row.waveform is None and reread:
            source = path  # refused before: today's readers may manage it
    if row is None or row.waveform is None:
        due = source is not None
        again = heal = False
    else:
        # A trouble that is not known to last is looked at again: its file or its row may be as it was.
        heal = row.waveform not in copies or (trouble is not None and not known_bad)
        # A capture that waited for its row or its family is read as soon as they are right again.
        again = assignment is not None and (reread or row.status == "waiting")
        due = source is not None or heal or again or wanted != row.read_from
    if not due:
        return None
    return Task(
        capture_file=capture_file,
        source=source,
        assignment=assignment,
        folder=waveforms,
        file_sha256=row.file_sha256 if row else None,
        waveform=row.waveform if row else None,
        read_from=row.read_from if row else None,
        again=again,
        heal=heal,
        path=path,
        told=told,
        parse=parse,
    )


def _waiting(known: dict[str, _Row], growing: Collection[str]) -> dict[str, str]:
    """What each capture that cannot be read yet waits for."""
    unlogged = [name for name, row in known.items() if row.waveform is not None and not row.logged]
    if sum(row.waveform is None for row in known.values()) * len(unlogged) > MOST_COMPARED:
        unlogged = []
    return {
        name: row.waits_for
        if row.waits_for is not None and row.waveform is not None
        else (GROWS if name in growing else NO_FILE + _perhaps(name, unlogged))
        for name, row in known.items()
        if row.status != "refused" and (row.waveform is None or row.waits_for is not None)
    }


def _perhaps(name: str, unlogged: list[str]) -> str:
    """The file without a row that a row without a file may mean, as a question; nothing where none is near."""
    own = [other for other in unlogged if shop_of(other) == shop_of(name)]
    near = difflib.get_close_matches(name, own, n=1, cutoff=0.8)
    return f" Is it {near[0]!r}, which has no row? Then correct the name." if near else ""
