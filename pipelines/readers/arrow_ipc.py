"""Apache Arrow IPC, as a file (also called Feather 2) or a stream: a table as in Parquet, uncompressed, lz4 or zstd.

Format: arrow.apache.org, columnar format 1.5, "IPC File Format" and "IPC Streaming Format"; read with pyarrow.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa

from pipelines.readers._labelled import library, too_large
from pipelines.readers.parquet import of_table
from pipelines.source import read_all
from pipelines.waveform import Waveform

SUFFIXES = (".arrow", ".arrows", ".feather", ".ipc")
FILE = b"ARROW1"
# A stream begins with a message: this mark, then its length as a little-endian 32-bit number.
MESSAGE = b"\xff\xff\xff\xff"
_LONGEST_MESSAGE = 1 << 24


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """The mark of a file, or of a stream's first message, at the very beginning."""
    stream = head[:4] == MESSAGE and 0 < int.from_bytes(head[4:8], "little") < _LONGEST_MESSAGE
    return stream or head[:6] == FILE


def read(path: Path) -> Waveform:
    """The samples of one file.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    content = read_all(path)
    with library("Arrow"), _opened(content) as source:
        batches, count = [], 0
        for batch in _batches(source):
            batches.append(batch)
            count += batch.num_rows * batch.num_columns
            too_large(count, len(content))
        table = pa.Table.from_batches(batches, source.schema)
    return of_table(table)


def _opened(content: bytes) -> pa.RecordBatchFileReader | pa.RecordBatchStreamReader:
    buffer = pa.py_buffer(content)
    return pa.ipc.open_file(buffer) if content[:6] == FILE else pa.ipc.open_stream(buffer)


def _batches(source: pa.RecordBatchFileReader | pa.RecordBatchStreamReader) -> Iterator[pa.RecordBatch]:
    if isinstance(source, pa.RecordBatchFileReader):
        yield from (source.get_batch(number) for number in range(source.num_record_batches))
    else:
        yield from source
