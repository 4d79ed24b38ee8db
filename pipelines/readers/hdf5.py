"""HDF5: the one-dimensional data sets of the group that holds most of them.

Format: The HDF Group, "HDF5 File Format Specification 3.0"; read with h5py where it is installed. A data
set's attribute `units` (or `unit`) is its unit; `rate_hz`, `interval_s` and `start_s` stand as attributes of the
file, the group or a data set, or as single numbers beside the channels.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from pipelines.errors import UnreadableFile
from pipelines.readers._labelled import Labelled, library, missing, too_large, waveform_of
from pipelines.source import read_all
from pipelines.waveform import MAX_CHANNELS, Waveform

SUFFIXES = (".h5", ".hdf5", ".hdf")


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """The format's signature."""
    return head[:8] == b"\x89HDF\r\n\x1a\n"


def read(path: Path) -> Waveform:
    """The samples of one file.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    try:
        import h5py
    except ImportError as error:
        raise missing("HDF5", "hdf5") from error
    content = read_all(path)
    with library("HDF5"), h5py.File(io.BytesIO(content), "r") as file:
        columns, about = _columns(file, h5py.Dataset, len(content))
    return waveform_of(columns, about)


def _columns(file: Any, dataset: Any, file_bytes: int) -> tuple[list[Labelled], dict[str, Any]]:
    groups: dict[str, list[Any]] = {}

    def note(_: str, item: Any) -> None:
        if isinstance(item, dataset) and item.dtype.kind in "fiub" and item.size:
            groups.setdefault(item.parent.name, []).append(item)

    file.visititems(note)
    if not groups:
        raise UnreadableFile("The HDF5 file holds no numbers; save the capture again.")
    name = max(groups, key=lambda key: (sum(item.size > 1 for item in groups[key]), -len(key)))
    about: dict[str, Any] = {**dict(file.attrs), **dict(file[name].attrs)}
    columns: list[Labelled] = []
    too_large(sum(item.size for item in groups[name]), file_bytes)
    for item in groups[name]:
        label = item.name.rsplit("/", 1)[-1]
        if item.size == 1:
            about[label] = item[()]
            continue
        for key, value in item.attrs.items():
            about.setdefault(key, value)
        unit = item.attrs.get("units", item.attrs.get("unit", ""))
        unit = unit.decode("utf-8", errors="replace") if isinstance(unit, bytes) else str(unit)
        values = item[()]
        if values.ndim == 2 and min(values.shape) <= MAX_CHANNELS:
            rows = values if values.shape[0] <= values.shape[1] else values.T
            columns += [Labelled(f"{label} {n}", row, unit) for n, row in enumerate(rows, start=1)]
        else:
            columns.append(Labelled(label, values, unit))
    # Data sets come in order of their names; time is looked for first, wherever it stands.
    return columns, about
