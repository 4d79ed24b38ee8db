"""The unit of work of an ingest: one capture file hashed, parsed, copied and read, in a worker process."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from pipelines import kinds
from pipelines.errors import ShopspreadError
from pipelines.kinds import EngineFamily, Hookup, Reading
from pipelines.readers import read_waveform
from pipelines.threads import one_thread
from pipelines.warehouse import waveforms as store
from pipelines.waveform import Waveform


@dataclass(frozen=True, slots=True)
class Assignment:
    """What a reading is made with: the test, the hookup and, where the test needs one, the engine family."""

    test: str
    hookup: Hookup
    family: EngineFamily | None = None

    def key(self) -> str:
        """Equal exactly when a reading made with one would be the reading made with the other."""
        family = None if self.family is None else asdict(self.family)
        text = json.dumps([self.test, asdict(self.hookup), family], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Task:
    """One capture to work on: from its dropped file, or from our own copy when `source` is None.

    `file_sha256`, `waveform` and `read_from` are what the warehouse has of it already; `again` asks
    for a fresh reading even where nothing changed.
    """

    capture_file: str
    source: Path | None
    assignment: Assignment | None
    folder: Path
    file_sha256: str | None = None
    waveform: str | None = None
    read_from: str | None = None
    again: bool = False


@dataclass(frozen=True, slots=True)
class Done:
    """What came of one task.

    `refused` is the reason no waveform could be had, else None; `same` says that the file is byte for
    byte the one already read, in the same way, so that only its time stamp is news.
    """

    capture_file: str
    refused: str | None = None
    file_sha256: str | None = None
    file_bytes: int | None = None
    file_mtime_ns: int | None = None
    waveform: str | None = None
    rate_hz: float | None = None
    duration_s: float | None = None
    channels: int | None = None
    notes: tuple[str, ...] = ()
    reading: Reading | None = None
    test: str | None = None
    read_from: str | None = None
    same: bool = False


def run(task: Task) -> Done:
    """Do one task. Never raises for a bad file: one bad capture must not stop the others."""
    sha256 = size = mtime_ns = None
    try:
        if task.source is not None:
            status = task.source.stat()
            size, mtime_ns = status.st_size, status.st_mtime_ns
            with task.source.open("rb") as file:
                sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        wanted = task.assignment.key() if task.assignment else None
        if task.source is not None and (sha256 != task.file_sha256 or task.waveform is None):
            waveform = read_waveform(task.source)
            name = store.save(waveform, task.folder)
        elif task.waveform is not None:
            name = task.waveform
            if wanted == task.read_from and not task.again:
                return Done(task.capture_file, None, sha256, size, mtime_ns, name, same=True)
            waveform = store.load(task.folder, name)
        else:
            raise ShopspreadError("The capture file has not arrived in the drop folder.")
        reading = read(waveform, task.assignment) if task.assignment else None
    except ShopspreadError as error:
        return Done(task.capture_file, str(error), sha256, size, mtime_ns)
    except OSError as error:
        return Done(
            task.capture_file, f"The file cannot be opened ({error.strerror}).", sha256, size, mtime_ns
        )
    except Exception as error:
        # A fault of ours, not of the file: named as such, so that it is reported and the rest goes on.
        reason = (
            f"Shopspread failed on this file ({type(error).__name__}: {error}). The file is untouched; "
            "please report this with the file, and ingest again after an update."
        )
        return Done(task.capture_file, reason, sha256, size, mtime_ns)
    return Done(
        capture_file=task.capture_file,
        file_sha256=sha256,
        file_bytes=size,
        file_mtime_ns=mtime_ns,
        waveform=name,
        rate_hz=waveform.rate_hz,
        duration_s=waveform.duration_s,
        channels=waveform.channels,
        notes=waveform.notes,
        reading=reading,
        test=task.assignment.test if task.assignment else None,
        read_from=wanted,
    )


def read(waveform: Waveform, assignment: Assignment) -> Reading:
    """Read a waveform with the test kind its assignment names.

    Raises:
        ShopspreadError: when there is no such kind; the message lists those there are.
    """
    kind = kinds.kind(assignment.test)
    if kind is None:
        raise ShopspreadError(
            f"There is no reader for the test {assignment.test!r} (there are: {', '.join(kinds.kinds())})."
        )
    with one_thread():
        return kind.read(waveform, assignment.hookup, assignment.family)
