"""Waveform files: one module a format, each the same pair of functions, asked one after the other.

A reader module of this package defines

- `SUFFIXES`: the endings (lower case, with the dot) such files usually have,
- `recognise(head: bytes, path: Path) -> bool`: whether the first bytes look like this format,
- `read(path: Path) -> Waveform`: the samples, or UnreadableFile with the reason and what to do.

and may define `read_as(path, told) -> Waveform` where a file's shape has to be guessed and can be told instead,
and `RANK`: readers are asked in this order (0 where it is not defined), those that go by a mark of
the format before those that take whatever looks right, so that none is shadowed.

Modules whose name begins with `_` are helpers. A new format is a new file here; nothing else changes. Libraries
that only one format needs are imported in `read`.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Protocol, cast

from pipelines.errors import NotThisFormat, UnreadableFile
from pipelines.readers._form import NOTHING_TOLD, TextForm
from pipelines.source import GZIP_MAGIC, read_all, read_head
from pipelines.waveform import Waveform


class Reader(Protocol):
    """What every reader module offers."""

    SUFFIXES: tuple[str, ...]

    def recognise(self, head: bytes, path: Path) -> bool:
        """Whether the first bytes (unzipped) look like this format."""
        ...

    def read(self, path: Path) -> Waveform:
        """The file's samples.

        Raises:
            UnreadableFile: with the reason and what to do.
            NotThisFormat: when the file proves to be of another format after all.
        """
        ...


@cache
def readers() -> dict[str, Reader]:
    """Every reader module by name. An import error in one is an error here, never swallowed."""
    found: dict[str, Reader] = {}
    for module in pkgutil.iter_modules(__path__):
        if module.name.startswith("_"):
            continue
        reader = importlib.import_module(f"{__name__}.{module.name}")
        missing = [part for part in ("SUFFIXES", "recognise", "read") if not hasattr(reader, part)]
        if missing:
            raise TypeError(f"The reader module {module.name} lacks {', '.join(missing)}.")
        found[module.name] = cast(Reader, reader)
    return dict(sorted(found.items(), key=lambda item: (getattr(item[1], "RANK", 0), item[0])))


@cache
def known_suffixes() -> tuple[str, ...]:
    """The endings of files worth trying, lower case, zipped ones included."""
    plain = sorted({suffix for reader in readers().values() for suffix in reader.SUFFIXES})
    return (*plain, *(f"{suffix}.gz" for suffix in plain))


def _read_as(reader: Reader, path: Path, told: TextForm) -> Waveform:
    read: Callable[[Path, TextForm], Waveform] | None = getattr(reader, "read_as", None)
    return reader.read(path) if read is None else read(path, told)


def read_waveform(path: Path, told: TextForm = NOTHING_TOLD) -> Waveform:
    """Read one saved capture, whatever its format.

    Args:
        path: the file; its content decides the format, not its ending.
        told: what somebody has said about the shape of its text; formats that state their shape go by that.

    Returns:
        The waveform; `notes` say in sentences what had to be decided.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    head = read_head(path)
    if not head:
        raise UnreadableFile("The file is empty (0 bytes); save the capture again and copy it once more.")
    if not head.strip(b"\0"):
        raise UnreadableFile(
            "The file holds nothing but zero bytes, as after a copy that broke off; copy it once more."
        )
    if head == GZIP_MAGIC:
        read_all(path)  # a zip that cannot be unzipped: this names the reason
    for reader in readers().values():
        if reader.recognise(head, path):
            try:
                return reader.read(path) if told.untold else _read_as(reader, path, told)
            except NotThisFormat:
                continue
    raise UnreadableFile(
        f"This is no format Shopspread reads (there are: {', '.join(readers())}). "
        "Export the capture as delimited text (CSV) with a time column."
    )
