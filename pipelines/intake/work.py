"""The unit of work of an ingest: one capture file hashed, parsed, copied and read, in a worker process."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from pipelines import kinds
from pipelines.errors import CannotOpen, ShopspreadError, UnreadableFile, WarehouseError
from pipelines.kinds import EngineFamily, Hookup, Reading
from pipelines.readers import read_waveform
from pipelines.readers._form import text_form_of
from pipelines.source import MAX_BYTES, TOO_LARGE
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
    for a fresh reading even where nothing changed, `heal` for a look at our copy. `path` is the dropped
    file wherever there is one: a damaged copy is written again from it. `told` is what its folder says about
    its text (JSON), `parse` that this is news, so that the file is parsed again though its bytes are the same.
    """

    capture_file: str
    source: Path | None
    assignment: Assignment | None
    folder: Path
    file_sha256: str | None = None
    waveform: str | None = None
    read_from: str | None = None
    again: bool = False
    heal: bool = False
    path: Path | None = None
    told: str | None = None
    parse: bool = False


@dataclass(frozen=True, slots=True)
class Done:
    """What came of one task.

    `refused` is the reason no waveform or no reading could be had, else None, and `at_fault` whether the
    dropped file or our copy of it is to blame; without a file's size it is tried again at every ingest.
    `same` says that the file is byte for byte the one already read, in the same way, so that only its
    time stamp is news. `passing` says that the disk or the network would not hand the file over, or that it changed
    while it was read: the next attempt may fare better.
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
    at_fault: str = "file"
    told: str | None = None
    read_as: str | None = None
    passing: bool = False

    @property
    def tried_with(self) -> str | None:
        """Equal exactly when trying the same file again would tell nothing new."""
        return tried_with(self.read_from, self.told)


def tried_with(read_from: str | None, told: str | None) -> str | None:
    """A hash of hookup and family, with what the folder said about the file's text where it said something."""
    return f"{read_from or ''}|{told}" if told else read_from


class _Damaged(UnreadableFile):
    """Our own copy is missing or damaged, and the dropped file is not there to write it again."""


def run(task: Task) -> Done:
    """Do one task. Never raises for a bad file: one bad capture must not stop the others.

    Raises:
        WarehouseError: when our copy cannot be written; going on would only lose more.
    """
    asked = task.assignment
    done = Done(
        task.capture_file,
        test=asked.test if asked else None,
        read_from=asked.key() if asked else None,
        told=task.told,
    )
    try:
        if task.source is not None:
            status = task.source.stat()
            done = replace(done, file_bytes=status.st_size, file_mtime_ns=status.st_mtime_ns)
            if status.st_size > MAX_BYTES:
                raise UnreadableFile(TOO_LARGE)  # before it is hashed: that alone could take hours
            done = replace(done, file_sha256=_sha256(task.source))
        done, waveform = _obtain(task, done)
        if waveform is None or task.assignment is None:
            return done
        return replace(done, reading=read(waveform, task.assignment))
    except WarehouseError:
        raise
    except _Damaged as error:
        return replace(done, refused=str(error), at_fault="copy")
    except CannotOpen as error:
        return _tried_again(done, str(error))
    except ShopspreadError as error:
        # A library may call it a broken file when it was the network that broke off.
        if _stands_still(task, done):
            return replace(done, refused=str(error))
        return _tried_again(done, str(error))
    except OSError as error:
        reason = f"The file cannot be opened ({error.strerror}); check that it exists and may be read."
        return _tried_again(done, reason)
    except MemoryError:
        reason = (
            "Reading it takes more memory than this computer has free; save the stretch that matters only."
        )
        return replace(done, refused=reason, file_bytes=None, file_mtime_ns=None)
    except Exception as error:
        # A fault of ours, not of the file: named as such, so that it is reported and the rest goes on.
        reason = (
            f"Shopspread failed on this file ({type(error).__name__}: {error}). The file is untouched; "
            "please report this with the file, and ingest again with --reread after an update."
        )
        return replace(done, refused=reason)


def _tried_again(done: Done, reason: str) -> Done:
    """Perhaps only a permission or a network folder: no size is kept, so that every ingest tries it again."""
    return replace(done, refused=reason, file_bytes=None, file_mtime_ns=None, passing=True)


def _stands_still(task: Task, done: Done) -> bool:
    """Whether the dropped file reads to its end as it did before it was refused; so does one never hashed."""
    if task.source is None or done.file_sha256 is None:
        return True
    try:
        return _sha256(task.source) == done.file_sha256
    except OSError:
        return False


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _obtain(task: Task, done: Done) -> tuple[Done, Waveform | None]:
    """The task's waveform, kept as our copy; None where the reading made before is still the right one."""
    if task.source is not None and (
        done.file_sha256 != task.file_sha256 or task.waveform is None or task.parse
    ):
        return _keep(read_waveform(task.source, text_form_of(task.told)), task, done)
    if task.waveform is None:
        raise ShopspreadError("The capture file has not arrived in the drop folder.")
    if done.read_from != task.read_from or task.again:
        try:
            waveform = store.load(task.folder, task.waveform)
        except UnreadableFile as error:
            return _keep(_dropped(task, error), task, done)
        return _described(done, task.waveform, waveform), waveform
    if (task.source is not None or task.heal) and not store.sound(task.folder, task.waveform):
        done, again = _keep(_dropped(task, store.damaged(task.folder, task.waveform)), task, done)
        if done.waveform != task.waveform:
            return done, again  # today's reader makes another waveform of the same file
    return replace(done, same=True, waveform=task.waveform), None


def _dropped(task: Task, error: UnreadableFile) -> Waveform:
    """The waveform of the dropped file where it is still the file our damaged copy was made of."""
    if task.path is None or _sha256(task.path) != task.file_sha256:
        raise _Damaged(str(error)) from error
    return read_waveform(task.path, text_form_of(task.told))


def _keep(waveform: Waveform, task: Task, done: Done) -> tuple[Done, Waveform]:
    done = replace(done, read_as=waveform.read_as or None)
    return _described(done, store.save(waveform, task.folder), waveform), waveform


def _described(done: Done, name: str, waveform: Waveform) -> Done:
    return replace(
        done,
        waveform=name,
        rate_hz=waveform.rate_hz,
        duration_s=waveform.duration_s,
        channels=waveform.channels,
        notes=waveform.notes,
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
