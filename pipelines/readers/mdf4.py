"""ASAM MDF 4 measurement files: the channel group with most samples.

Format: ASAM e.V., "MDF 4.2"; read with asammdf where it is installed. Units are the channels' own; time is the
group's master channel.
"""

from __future__ import annotations

import gc
import io
import logging
import sys
import traceback
from pathlib import Path
from typing import Any

import numpy as np

from pipelines.errors import UnreadableFile
from pipelines.readers._labelled import Labelled, library, missing, too_large, waveform_of
from pipelines.source import read_all
from pipelines.waveform import Waveform

SUFFIXES = (".mf4", ".mdf")


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """The identification block of a finished file, version 4."""
    return head[:8] == b"MDF     " and head[8:10] == b"4."


def read(path: Path) -> Waveform:
    """The samples of one file.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    try:
        from asammdf import MDF
    except ImportError as error:
        raise missing("MDF 4", "mdf") from error
    logging.getLogger("asammdf").setLevel(
        logging.CRITICAL + 1
    )  # what is wrong is said once, by the error below
    content = read_all(path)
    with library("MDF 4"):
        try:
            with MDF(io.BytesIO(content)) as file:
                columns, notes = _columns(file, len(content))
        except Exception as error:
            _let_go(error)
            raise
    return waveform_of(columns, {}, notes)


def _let_go(error: Exception) -> None:
    """Collect the library's half-built file now, in silence: it complains, with a traceback on stderr that says
    nothing to anybody, and would do so later in the middle of somebody else's work."""
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        traceback.clear_frames(error.__traceback__)
        gc.collect()
    finally:
        sys.unraisablehook = hook


def _columns(file: Any, file_bytes: int) -> tuple[list[Labelled], list[str]]:
    sizes = {number: int(group.channel_group.cycles_nr) for number, group in enumerate(file.groups)}
    sizes = {
        number: size for number, size in sizes.items() if size > 1 and len(file.groups[number].channels) > 1
    }
    if not sizes:
        raise UnreadableFile("The MDF file holds no samples; save the capture again.")
    chosen = max(sizes, key=lambda number: (sizes[number], -number))
    too_large(sizes[chosen] * len(file.groups[chosen].channels), file_bytes)
    # Further groups of the very same times belong to it (some writers give each channel a group of its own).
    time = np.asarray(file.get_master(chosen), dtype=np.float64)
    together = [
        number
        for number, size in sizes.items()
        if number == chosen or (size == sizes[chosen] and np.array_equal(file.get_master(number), time))
    ]
    columns = [Labelled("time", time, "s")]
    for number in together:
        master = file.masters_db.get(number)
        for index, channel in enumerate(file.groups[number].channels):
            if index != master:
                signal = file.get(group=number, index=index)
                columns.append(Labelled(channel.name, np.asarray(signal.samples), str(signal.unit or "")))
    left = len(sizes) - len(together)
    notes = [f"{left} channel groups over other times were left out."] if left else []
    return columns, notes
