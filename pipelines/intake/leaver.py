"""Taking a leaver's name out of everything a warehouse keeps: its tables, and the files that came by the browser."""

from __future__ import annotations

import codecs
import hashlib
import re
import uuid
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.records.shops import own_name, qualified, shop_of
from pipelines.access.accounts import Accounts
from pipelines.errors import NotThisFormat, ShopspreadError, UnreadableFile
from pipelines.intake import uploads
from pipelines.readers import read_waveform
from pipelines.warehouse import log as intake_log
from pipelines.warehouse import people
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.names import forgotten
from pipelines.warehouse.people import Gone
from pipelines.warehouse.traces import finder, has
from pipelines.waveform import Waveform

_NOT_TEXT = re.compile(rb"[\x00-\x08\x0e-\x1f]")


@dataclass(frozen=True, slots=True)
class Left:
    """What became of a name.

    Attributes:
        gone: in the tables. files: uploaded files that were called after it, by how they are called now.
        rewritten: uploaded files it was taken out of. hold: those that still hold it, where a reader of their format
            would not read the same without.
        names: that were taken out, as the tables and the sign-in had them.
        signs_in: why they can still sign in, None where they cannot.
    """

    gone: Gone
    files: dict[str, str]
    rewritten: tuple[str, ...]
    hold: tuple[str, ...]
    names: tuple[str, ...]
    signs_in: str | None = None


def take_out(warehouse: Warehouse, technician: str, *, why: str = "at its owner's wish") -> Left:
    """Put a pseudonym in the place of a name everywhere, for good; all figures stay as they are.

    Names the same person signs in with go too, and their account with them.

    Args:
        why: in the log's words.

    Raises:
        ShopspreadError: when nobody of that name is on record, or a file cannot be written.
    """
    accounts = Accounts.of(warehouse.database)
    signed = accounts.names_of(technician)
    names = tuple(dict.fromkeys([own_name(technician), *signed]))
    gone = people.forget(warehouse, technician, also=names[1:], why=why)
    files = _renamed(warehouse, shop_of(technician))
    rewritten, hold = _rewritten(warehouse, names, gone.pseudonym)
    if files or rewritten or hold:
        said = (
            f"Of the uploaded files {len(files)} are called otherwise now, {len(rewritten)} no longer hold the name, "
            f"{len(hold)} still do."
        )
        with warehouse.transaction() as connection:
            row = LogRow("technicians.csv", gone.pseudonym, "changed", said)
            intake_log.write(connection, uuid.uuid4().hex[:12], [row])
    signs_in = None
    try:
        accounts.rename(technician, gone.pseudonym, by="forget")
    except ShopspreadError as error:
        signs_in = str(error)
    return Left(gone, files, rewritten, hold, names, signs_in)


def retire(warehouse: Warehouse) -> list[Left]:
    """Take out the names of those not heard of for as long as the setting `people_retention_months` says."""
    names, months = people.due(warehouse)
    why = f"by the setting people_retention_months ({months})"
    return [take_out(warehouse, name, why=why) for name in names]


def _kept(warehouse: Warehouse, shop: str) -> list[Path]:
    """Every uploaded file of a shop, those set aside too: another shop's may mean somebody else by the name."""
    return [path for path in uploads.of_shop(warehouse, shop) if path.is_file() and not path.is_symlink()]


def _renamed(warehouse: Warehouse, shop: str) -> dict[str, str]:
    """Call the files as their captures are called; two that would be one keep their names and are told of at ingest."""
    with warehouse.reading() as connection:
        names = forgotten(connection)
    found: dict[str, str] = {}
    for path in _kept(warehouse, shop):
        new = path.with_name(own_name(names.path(qualified(shop, path.name))))
        if new != path and not new.exists():
            _moved(path, new)
            found[path.name] = new.name
    return found


def _moved(path: Path, new: Path) -> None:
    try:
        path.rename(new)
    except OSError as error:
        raise ShopspreadError(
            f"{path} cannot be called otherwise ({error.strerror}), so it still bears the name; give permission and "
            "rename it by hand."
        ) from error


def _rewritten(
    warehouse: Warehouse, names: tuple[str, ...], pseudonym: str
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Take the name out of what the files hold besides samples, where a reader then reads the very same from them."""
    shop, alias = shop_of(pseudonym), own_name(pseudonym)
    done: list[str] = []
    hold: list[str] = []
    hashes: dict[str, tuple[str, int, int]] = {}
    for path in _kept(warehouse, shop):
        content = path.read_bytes()
        if not has(content, names):
            continue
        new = _without(content, names, alias)
        part = path.with_name(f".part-{uuid.uuid4().hex}{''.join(path.suffixes)}")
        try:
            part.write_bytes(new)
            if has(new, names) or not _alike(_read(path), _read(part)):
                hold.append(path.name)
                continue
            part.replace(path)
        except OSError as error:
            raise ShopspreadError(
                f"{path} cannot be written ({error.strerror}); it still holds the name."
            ) from error
        finally:
            part.unlink(missing_ok=True)
        done.append(path.name)
        stood = path.stat()
        hashes[_sha256(content)] = (_sha256(new), stood.st_size, stood.st_mtime_ns)
    if hashes:
        with warehouse.transaction() as connection:
            for old, now in hashes.items():
                connection.execute(
                    "UPDATE capture_state SET file_sha256 = ?, file_bytes = ?, file_mtime_ns = ? WHERE file_sha256 = ? "
                    "AND starts_with(capture_file, ?)",
                    [*now, old, qualified(shop, f"{uploads.FOLDER}/")],
                )
    return tuple(done), tuple(hold)


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _without(content: bytes, names: tuple[str, ...], pseudonym: str) -> bytes:
    find, wide = finder(names), content[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    if not wide and _NOT_TEXT.search(content):
        return content  # in other formats places and lengths are counted in bytes
    for encoding in ("utf-16",) if wide else ("utf-8", "latin-1"):
        try:
            text = content.decode(encoding)
            if find.search(text):
                return find.sub(pseudonym, text).encode(encoding)
        except (UnicodeDecodeError, UnicodeEncodeError):
            continue
    return content


def _read(path: Path) -> Waveform | None:
    try:
        return read_waveform(path)
    except (UnreadableFile, NotThisFormat):
        return None


def _alike(before: Waveform | None, after: Waveform | None) -> bool:
    if before is None or after is None:
        return before is after
    return (
        before.rate_hz == after.rate_hz
        and before.start_s == after.start_s
        and np.array_equal(before.samples, after.samples, equal_nan=True)
    )
