"""Capture files that come through the browser: kept in a folder of the warehouse's own, which every ingest reads.

An uploaded file passes what a drop folder's passes: the same endings, names and limits, the same hash, the same
readers in a process of their own. The same bytes twice are one capture, whatever they are called, and whether the
first came by the browser or by the drop folder. Nothing that arrived is ever deleted; what is taken back is set aside.
"""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from models.records.shops import MARK, own_name, qualified, shop_column, shop_of
from pipelines.errors import ShopspreadError, WarehouseError
from pipelines.intake import folder
from pipelines.readers import known_suffixes
from pipelines.source import MAX_BYTES, TOO_LARGE
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.names import forgotten
from pipelines.whole import whole

UPLOAD = "upload"
FOLDER = "uploads"
_ASIDE = ".set-aside"
_MOST_ALIKE = 10_000


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one uploaded file.

    Attributes:
        name: as it was called. capture_file: the capture it is, None where it was refused.
        known: the same bytes were on record already, as `capture_file`.
        refused: why it was not taken, in a sentence that says what to do.
    """

    name: str
    capture_file: str | None = None
    known: bool = False
    refused: str | None = None


def place(warehouse: Warehouse) -> Path:
    """The folder uploaded files lie in."""
    return warehouse.waveforms.parent / FOLDER


def held(warehouse: Warehouse) -> dict[str, Path]:
    """The uploaded files by capture, those set aside left out."""
    where = place(warehouse)
    if not where.is_dir():
        return {}
    found = folder.look(where, (), known_suffixes(), ())
    return {_capture_of(name): path for name, path in found.files.items()}


def _capture_of(name: str) -> str:
    """The capture an uploaded file is, by its path below the folder; a named shop's lie in a folder of its own."""
    shop, _, bare = name.rpartition("/")
    return qualified(shop, f"{FOLDER}/{bare}")


def _path_of(warehouse: Warehouse, capture_file: str) -> Path:
    """Where the file of an uploaded capture lies."""
    return place(warehouse) / shop_of(capture_file) / own_name(capture_file).removeprefix(f"{FOLDER}/")


def of_shop(warehouse: Warehouse, shop: str) -> list[Path]:
    """Every file a shop uploaded, and those that were set aside, which lie together whosever they were."""
    where = place(warehouse)
    own = (where / shop).glob("*")
    return sorted([*own, *(where / _ASIDE).rglob("*")])


def keep(
    warehouse: Warehouse, files: Iterable[tuple[str, bytes]], *, by: str, batch: str, shop: str = ""
) -> tuple[Taken, ...]:
    """Write uploaded files where the next ingest finds them; those on record already are recognised.

    Args:
        files: each one's name and bytes. by: who uploads them. batch: of this piece of work in the log.
        shop: whose they are. The same bytes in another shop are another capture.

    Raises:
        WarehouseError: when the folder cannot be written; the message says why.
    """
    known = _hashes(warehouse, shop)
    taken: list[Taken] = []
    log: list[LogRow] = []
    for name, content in files:
        bare = name.replace("\\", "/").rsplit("/", 1)[-1].strip()
        reason = _reason(bare, content)
        if reason is not None:
            taken.append(Taken(name, refused=reason))
            log.append(LogRow(UPLOAD, folder.printable(bare), "refused", reason, by=by))
            continue
        digest = hashlib.sha256(content).hexdigest()
        if digest in known:
            _mend(warehouse, known[digest], content)
            taken.append(Taken(name, known[digest], known=True))
            continue
        capture_file = qualified(shop, f"{FOLDER}/{_written(place(warehouse) / shop, bare, content)}")
        known[digest] = capture_file
        taken.append(Taken(name, capture_file))
        about = {"capture_file": capture_file, "file_sha256": digest, "file_bytes": len(content)}
        log.append(LogRow(UPLOAD, capture_file, "added", f"uploaded as {bare!r}", None, about, by))
    if log:
        with warehouse.transaction() as connection:
            intake_log.write(connection, batch, log)
    return tuple(taken)


def damaged(warehouse: Warehouse) -> dict[str, str]:
    """Uploaded files that no longer hold what was uploaded: the reason by capture."""
    with warehouse.reading() as connection:
        names = forgotten(connection)
        rows = connection.execute(
            "SELECT capture_file, file_sha256 FROM capture_state WHERE regexp_matches(capture_file, ?) "
            "AND file_sha256 IS NOT NULL ORDER BY ALL",
            [f"^([^{MARK}]*{MARK})?{FOLDER}/"],
        ).fetchall()
    files = {names.path(name): path for name, path in held(warehouse).items()}
    return {
        capture_file: f"The uploaded file {capture_file} is damaged or missing; upload the same file again."
        for capture_file, digest in rows
        if capture_file not in files or not _holds(files[capture_file], digest)
    }


def _holds(path: Path, digest: str) -> bool:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest() == digest
    except OSError:
        return False


def _mend(warehouse: Warehouse, capture_file: str, content: bytes) -> None:
    """Write an uploaded file anew where it no longer holds what was uploaded; whole or not at all."""
    if capture_file not in damaged(warehouse):
        return
    with warehouse.reading() as connection:
        names = forgotten(connection)
    files = {names.path(name): path for name, path in held(warehouse).items()}
    path = files.get(capture_file, _path_of(warehouse, capture_file))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole(path) as part:
            part.write_bytes(content)
    except OSError as error:
        raise WarehouseError(
            f"The upload cannot be written to {path.parent} ({error.strerror}); make room or give permission."
        ) from error


def set_aside(warehouse: Warehouse, capture_file: str) -> None:
    """Move an uploaded file where no ingest looks; it stays whole.

    Raises:
        WarehouseError: when it cannot be moved.
    """
    where = place(warehouse)
    source = _path_of(warehouse, capture_file)
    if not source.exists():
        return
    try:
        target = where / _ASIDE / uuid.uuid4().hex[:8] / source.name
        target.parent.mkdir(parents=True, exist_ok=True)
        source.rename(target)
    except OSError as error:
        raise WarehouseError(
            f"{source} cannot be set aside ({error.strerror}); give permission. Nothing was changed."
        ) from error


def _reason(name: str, content: bytes) -> str | None:
    """Why a file of that name may not be taken, or None."""
    if not name or name.startswith("."):
        return "The file has no name; rename it."
    if not name.lower().endswith(known_suffixes()):
        return (
            "By its ending it is no waveform file (there are: "
            f"{', '.join(one for one in known_suffixes() if not one.endswith('.gz'))}, each also zipped as .gz); "
            "export the capture as delimited text (.csv)."
        )
    odd = folder.odd_by_name(name)
    if odd is not None:
        return odd
    if len(content) > MAX_BYTES:
        return TOO_LARGE
    if not content:
        return "The file is empty (0 bytes); save the capture again and upload it once more."
    return None


def _hashes(warehouse: Warehouse, shop: str) -> dict[str, str]:
    """Every capture of a shop whose file is known, by the hash of its bytes."""
    frame = warehouse.frame("intake_captures").select("file_sha256", "capture_file").drop_nulls()
    frame = frame.filter(shop_column("capture_file") == shop)
    return dict(frame.sort("capture_file", descending=True).iter_rows())


def _written(where: Path, name: str, content: bytes) -> str:
    """Write a file whole under its name, or a numbered one where another has it; returns the name it got."""
    part = where / f".part-{uuid.uuid4().hex}"
    try:
        where.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        for candidate in _names(name):
            target = where / candidate
            if target.exists() and target.read_bytes() == content:
                return candidate  # an upload that was broken off before it was logged
            try:
                os.link(part, target)  # atomic, and refused where the name is taken
            except FileExistsError:
                continue
            except OSError:  # no hard links on this disk
                if target.exists():
                    continue
                part.replace(target)
            return candidate
    except OSError as error:
        raise WarehouseError(
            f"The upload cannot be written to {where} ({error.strerror}); make room or give permission."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    raise ShopspreadError(f"There are too many files called like {name!r}; rename it.")


def _names(name: str) -> Sequence[str]:
    stem, dot, ending = name.partition(".")
    return [name, *(f"{stem}-{number}{dot}{ending}" for number in range(2, _MOST_ALIKE))]
