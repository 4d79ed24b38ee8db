"""What folders say about the text files in them: `text_format.json` there, or in the nearest folder above.

The sniffer finds out the shape of nearly every text file by itself. Where it is wrong, or where nothing in the
files says what they are (a bare column of numbers, say), this file says it once for all of a folder.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

from models.records.shops import own_name
from pipelines.errors import ShopspreadError
from pipelines.source import read_all
from pipelines.warehouse.settings import FOLDER_SETTINGS

NAME = "text_format.json"
_MOST_BYTES = 16_384


@dataclass(frozen=True, slots=True)
class TextFormats:
    """What was said, as canonical JSON by folder (below the drop folder, `""` the top), and what was wrong.

    `wrong`: the reason by folder; captures there are left as they are, new ones are guessed.
    `files`: the captures that lie in the drop folder; nothing is said of others.
    """

    told: Mapping[str, str | None] = field(default_factory=dict)
    wrong: Mapping[str, str] = field(default_factory=dict)
    files: frozenset[str] = frozenset()

    def of(self, capture_file: str, standing: str | None) -> str | None:
        """What holds for a capture; `standing` is what it was read with, kept where its folder's file is broken."""
        if capture_file not in self.files:
            return standing
        for folder in PurePosixPath(own_name(capture_file)).parents:
            name = "" if str(folder) == "." else str(folder)
            if name in self.wrong:
                return standing
            if name in self.told:
                return self.told[name]
        return None

    def renamed(self, names: Mapping[str, str]) -> TextFormats:
        """The same where some captures are called otherwise."""
        return replace(self, files=frozenset(names.get(name, name) for name in self.files))


def text_formats(says: Mapping[str, Path], captures: Collection[str]) -> TextFormats:
    """Read the files of that name, given by their folder, for the captures of a drop folder."""
    told: dict[str, str | None] = {}
    wrong: dict[str, str] = {}
    for folder, path in says.items():
        try:
            told[folder] = text_format(path)
        except (ShopspreadError, OSError) as error:
            wrong[folder] = (
                f"{error} Until it is right, what was read stands and new files below are guessed."
            )
    return TextFormats(told, wrong, frozenset(captures))


def text_format(path: Path) -> str | None:
    """What one such file says, as canonical JSON; None where it says nothing.

    Raises:
        ShopspreadError: when it cannot be read or may not stand.
    """
    if path.stat().st_size > _MOST_BYTES:
        raise ShopspreadError(f"{NAME} holds more than {_MOST_BYTES} bytes; it is a few lines of JSON.")
    try:
        value = json.loads(read_all(path).decode("utf-8-sig"))
    except ValueError as error:
        raise ShopspreadError(f"{NAME} is no JSON ({error}); correct it.") from error
    checked = FOLDER_SETTINGS["text_format"].check(value)
    return json.dumps(checked, sort_keys=True) if checked else None


def nearest(file: Path, tables: Collection[str]) -> Path | None:
    """The file that speaks for a capture outside an ingest: beside it, or above it in the same drop folder."""
    above = list(file.absolute().parents)
    top = next((n for n, folder in enumerate(above) if any((folder / name).is_file() for name in tables)), 0)
    return next((folder / NAME for folder in above[: top + 1] if (folder / NAME).is_file()), None)
