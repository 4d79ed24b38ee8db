"""NumPy's own files: `.npy` (one array) and `.npz` (several under names).

Format: NumPy Enhancement Proposal 1; read with numpy, never with pickled objects. A plain array has time in
its first row or column; a structured one is a table; in an `.npz` the arrays are the channels, and single
numbers such as `rate_hz` or `interval_s` are its attributes.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipelines.errors import NotThisFormat, UnreadableFile
from pipelines.readers._labelled import Labelled, library, too_large, waveform_of
from pipelines.source import read_all
from pipelines.waveform import MAX_CHANNELS, Waveform

SUFFIXES = (".npy", ".npz")
_ZIP = b"PK\x03\x04"


def recognise(head: bytes, path: Path) -> bool:
    """NumPy's mark, or a zip archive whose first member is a NumPy array."""
    return head[:6] == b"\x93NUMPY" or (head[:4] == _ZIP and (b".npy" in head[30:300] or _is_npz(path)))


def _is_npz(path: Path) -> bool:
    return path.name.lower().endswith((".npz", ".npz.gz"))


def read(path: Path) -> Waveform:
    """The samples of one file.

    Raises:
        UnreadableFile: the reason, and what to do.
        NotThisFormat: for a zip archive of other things.
    """
    content = read_all(path)
    named: dict[str, npt.NDArray[Any]] | None = None
    with library("NumPy"):
        if content[:4] == _ZIP:
            with zipfile.ZipFile(io.BytesIO(content)) as archive:
                members = archive.infolist()
                if not members or not all(member.filename.endswith(".npy") for member in members):
                    raise NotThisFormat(path.name)
                too_large(sum(member.file_size for member in members) // 4, len(content))
            with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
                named = {name: arrays[name] for name in arrays.files}
        else:
            array = np.load(io.BytesIO(content), allow_pickle=False)
    if named is not None:
        return _of_named(named)
    if array.dtype.names:
        return waveform_of([Labelled(name, array[name]) for name in array.dtype.names], {})
    return _of_plain(array)


def _of_named(arrays: dict[str, npt.NDArray[Any]]) -> Waveform:
    about = {name: array for name, array in arrays.items() if array.size == 1}
    columns = []
    for name, array in arrays.items():
        if name in about:
            continue
        if array.ndim == 2 and min(array.shape) <= MAX_CHANNELS:
            rows = array if array.shape[0] <= array.shape[1] else array.T
            columns += [Labelled(f"{name} {number}", row) for number, row in enumerate(rows, start=1)]
        else:
            columns.append(Labelled(name, array))
    return waveform_of(columns, about)


def _of_plain(array: npt.NDArray[Any]) -> Waveform:
    if array.ndim != 2 or array.dtype.kind not in "fiu" or min(array.shape) > MAX_CHANNELS + 1:
        raise UnreadableFile(
            f"The array has shape {array.shape}; save time and channels as columns (samples, 1 + channels), or an "
            ".npz with named channels and rate_hz."
        )
    rows = array.T if array.shape[0] >= array.shape[1] else array
    steps = np.diff(rows[0].astype(np.float64))
    if not (steps > 0).all():
        raise UnreadableFile(
            "The array's first column does not rise like time, and a plain array has no place for a sample "
            "rate; save an .npz with named channels and rate_hz."
        )
    channels = [Labelled(f"channel {number}", row) for number, row in enumerate(rows[1:], start=1)]
    note = "The first column of the array was read as seconds."
    return waveform_of([Labelled("time", rows[0], "s"), *channels], {}, [note])
