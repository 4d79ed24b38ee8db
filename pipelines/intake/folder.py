"""What lies in a drop folder: tables, waveform files, and entries that cannot be used, each with its reason.

Nothing is opened here, so that a pipe or a device cannot hold anybody up, and no link leads out of the
folder or round in a circle.
"""

from __future__ import annotations

import os
import re
import stat
import unicodedata
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from models.records.shops import MARK
from pipelines.errors import ShopspreadError, UnreadableFile
from pipelines.intake.table_cells import capture_path
from pipelines.intake.text_formats import NAME as FORMATS

_KINDS = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)

# What operating systems, network drives and editors hide beside the files of others, whatever its ending
# (common practice, no source): Apple's doubles, editors' locks and copies, a removed file still open elsewhere.
_LEFTOVER = re.compile(r"\._|\.#|\.~|\.nfs[0-9a-f]|\.fuse_hidden|\.goutputstream-")
_LEFTOVER_FOLDER = re.compile(
    r"\.(Trash.*|Spotlight-V100|fseventsd|TemporaryItems|DocumentRevisions-V100|Apple(Double|Desktop|DB)"
    r"|snapshots?|zfs|git|svn|sync|stfolder|stversions|streamlit|cache)"
)
# So many entries of a hidden folder are looked at for a capture.
_MOST_HIDDEN = 10_000

_HIDDEN_FILE = (
    "Its name begins with a dot, which hides it; if it is meant to be read, rename it without the dot."
)
_HIDDEN_FOLDER = (
    "Its name begins with a dot, so the folder is not looked into, and files that look like captures lie in it; "
    "rename it without the dot."
)


@dataclass(frozen=True, slots=True)
class OddEntry:
    """An entry of the folder that was left alone; `name` can be shown anywhere.

    `passing`: the disk or the network would not show it, so another look may.
    """

    name: str
    reason: str
    passing: bool = False


@dataclass(frozen=True, slots=True)
class Contents:
    """A drop folder by what can be done with it.

    Attributes:
        tables: the shop's tables by file name.
        files: waveform files by their path below the folder, in its one spelling.
        odd: entries that cannot be used.
        ignored: how many plain files are no waveform files by their ending.
        formats: files that say how the text in their folder is written, by that folder's path.
        hidden: how many files and folders were left alone because their name begins with a dot, and nothing says
            that a capture or a table is among them.
    """

    tables: dict[str, Path]
    files: dict[str, Path]
    odd: tuple[OddEntry, ...]
    ignored: int
    formats: dict[str, Path] = field(default_factory=dict)
    hidden: int = 0


def printable(name: str) -> str:
    """A name without anything that a terminal or a page would act on: control codes and stray bytes escaped."""
    return "".join(
        char if _harmless(char) else char.encode("unicode_escape", "surrogatepass").decode("ascii")
        for char in name
    )


def _harmless(char: str) -> bool:
    # Cc control, Cf format (bidirectional marks), Cs stray bytes, Zl and Zp line ends (Unicode, chapter 4.5)
    return unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Zl", "Zp")


def look(
    drop: Path,
    tables: Collection[str],
    suffixes: tuple[str, ...],
    ours: Collection[Path],
    leave: Collection[str] = (),
) -> Contents:
    """Sort the folder's entries; of hidden ones those are odd that look like a capture or a table.

    Args:
        drop: the folder.
        tables: file names of the shop's tables, looked for at the top.
        suffixes: endings of waveform files, lower case.
        ours: folders of the warehouse, left alone should they stand inside.
        leave: entries to say nothing of this time, by their path below the folder.

    Raises:
        ShopspreadError: when the folder itself cannot be listed.
    """
    found = Contents({}, {}, (), 0)
    odd: list[OddEntry] = []
    ignored = hidden = 0
    root = Path(os.path.realpath(drop))
    skipped = {os.path.realpath(folder) for folder in ours}
    for relative, entry in _entries(drop, odd, skipped):
        if relative in leave:
            continue
        if entry.name.startswith("."):
            reason = _odd_if_hidden(entry, tables, suffixes, skipped)
            if reason is None:
                hidden += 1
            else:
                odd.append(OddEntry(printable(relative), reason))
            continue
        strange = _odd_by_kind(entry, root, printable(relative))
        table = relative in tables
        says_format = entry.name == FORMATS
        wanted = table or says_format or entry.name.lower().endswith(suffixes)
        if strange is None and wanted and (reason := odd_by_name(relative)) is not None:
            strange = OddEntry(printable(relative), reason)
        if strange is not None:
            odd.append(strange)
        elif table:
            found.tables[relative] = Path(entry.path)
        elif says_format:
            found.formats[capture_path(relative).rpartition("/")[0]] = Path(entry.path)
        elif not wanted:
            ignored += 1
        elif (name := capture_path(relative)) in found.files:
            other = found.files[name].name
            odd.append(
                OddEntry(printable(relative), f"Its name reads the same as that of {other!r}; rename one of them.")
            )  # fmt: skip
        else:
            found.files[name] = Path(entry.path)
    odd.sort(key=lambda entry: entry.name)
    return Contents(found.tables, found.files, tuple(odd), ignored, found.formats, hidden)


def _entries(drop: Path, odd: list[OddEntry], skipped: set[str]) -> Iterator[tuple[str, os.DirEntry[str]]]:
    """Every entry that is no plain folder or is hidden, with its path below the drop folder; folders that cannot be
    listed are odd."""
    waiting = [""]
    while waiting:
        below = waiting.pop()
        try:
            with os.scandir(drop / below) as listing:
                entries = sorted(listing, key=lambda entry: entry.name)
        except OSError as error:
            if not below:
                raise ShopspreadError(
                    f"The drop folder {drop} cannot be listed ({error.strerror}); give permission to read it."
                ) from error
            reason = f"The folder cannot be listed ({error.strerror}); give permission to read it."
            odd.append(OddEntry(printable(below), reason, passing=True))
            continue
        for entry in entries:
            relative = f"{below}/{entry.name}" if below else entry.name
            if entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
                if os.path.realpath(entry.path) not in skipped:
                    waiting.append(relative)
            else:
                yield relative, entry


def leftover(name: str) -> bool:
    """Whether a name is that of a hidden file nobody means to be read."""
    return name.startswith(".") and _LEFTOVER.match(name) is not None


def _odd_if_hidden(
    entry: os.DirEntry[str], tables: Collection[str], suffixes: tuple[str, ...], skipped: set[str]
) -> str | None:
    """Why a hidden entry is worth a word, or None where it is nobody's concern."""
    if not entry.is_dir(follow_symlinks=False):
        return _HIDDEN_FILE if _meant(entry.name, tables, suffixes) else None
    if os.path.realpath(entry.path) in skipped or _LEFTOVER_FOLDER.fullmatch(entry.name):
        return None
    seen = 0
    for folder, folders, names in os.walk(entry.path):
        folders[:] = [name for name in folders if os.path.realpath(Path(folder) / name) not in skipped]
        if any(_meant(name, tables, suffixes) for name in names):
            return _HIDDEN_FOLDER
        seen += len(names) + len(folders)
        if seen > _MOST_HIDDEN:
            break
    return None


def _meant(name: str, tables: Collection[str], suffixes: tuple[str, ...]) -> bool:
    """Whether a name, its leading dots aside, is one that would be read."""
    bare = name.lstrip(".")
    return not leftover(name) and (bare in tables or bare == FORMATS or name.lower().endswith(suffixes))


def _odd_by_kind(entry: os.DirEntry[str], root: Path, name: str) -> OddEntry | None:
    """Why an entry is no plain file of this folder, or None; `name` is the one to show it by."""
    try:
        mode = entry.stat().st_mode  # of what a link leads to
    except OSError as error:
        if entry.is_symlink():
            reason = f"The link leads nowhere ({error.strerror}); put the file itself in its place."
            return OddEntry(name, reason)
        reason = f"It cannot be looked at ({error.strerror}); give permission to read it."
        return OddEntry(name, reason, passing=True)
    if entry.is_symlink():
        if stat.S_ISDIR(mode):
            return OddEntry(name, "A link to a folder is not followed; put the folder itself in its place.")
        if not Path(os.path.realpath(entry.path)).is_relative_to(root):
            return OddEntry(name, "The link leads out of the drop folder; put the file itself in its place.")
    for test, kind in _KINDS:
        if test(mode):
            return OddEntry(name, f"It is {kind}, not a file; only files are read.")
    return None


def odd_by_name(relative: str) -> str | None:
    """Why no row of captures.csv could name this file, or None."""
    try:
        relative.encode("utf-8")
    except UnicodeEncodeError:
        return "Its name is not valid UTF-8; rename it."
    if any(unicodedata.category(char) in ("Cc", "Zl", "Zp") for char in relative):
        return "Its name holds a control character; rename it."
    if MARK in relative:
        return f"Its name holds {MARK}, which stands between a shop and a name; rename it."
    if "\\" in relative:
        return "Its name holds a backslash, which separates folders elsewhere; rename it."
    try:
        capture_path(relative)
    except UnreadableFile as error:
        return f"No table can name it: {error}; rename it."
    return None
