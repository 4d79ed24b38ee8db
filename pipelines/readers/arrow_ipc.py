"""Apache Arrow IPC files (also called Feather 2): a table as in Parquet, uncompressed or lz4 or zstd.

Format: arrow.apache.org, columnar format 1.5, "IPC File Format"; read with pyarrow.
"""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa

from pipelines.readers._labelled import library, too_large
from pipelines.readers.parquet import of_table
from pipelines.source import read_all
from pipelines.waveform import Waveform

SUFFIXES = (".arrow", ".feather", ".ipc")


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """The format's mark at the very beginning."""
    return head[:6] == b"ARROW1"


def read(path: Path) -> Waveform:
    """The samples of one file.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    content = read_all(path)
    with library("Arrow"), pa.ipc.open_file(pa.py_buffer(content)) as file:
        batches, count = [], 0
        for number in range(file.num_record_batches):
            batches.append(file.get_batch(number))
            count += batches[-1].num_rows * batches[-1].num_columns
            too_large(count, len(content))
        table = pa.Table.from_batches(batches, file.schema)
    return of_table(table)
