"""Apache Parquet: a table with a time column, or with the sample rate in its metadata.

Format: apache.org, parquet-format 2; read with pyarrow. Units stand in the column names or in a field's
metadata `unit`; `rate_hz` or `interval_s` in the metadata of the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipelines.errors import UnreadableFile
from pipelines.readers._labelled import Labelled, library, too_large, waveform_of
from pipelines.source import read_all
from pipelines.waveform import Waveform

SUFFIXES = (".parquet", ".pq")
OUR_OWN = b"shopspread"


def recognise(head: bytes, path: Path) -> bool:  # noqa: ARG001
    """The format's mark at the very beginning."""
    return head[:4] == b"PAR1"


def read(path: Path) -> Waveform:
    """The samples of one file.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    content = read_all(path)
    with library("Parquet"):
        file = pq.ParquetFile(pa.BufferReader(content))
        too_large(file.metadata.num_rows * file.metadata.num_columns, len(content))
        table = file.read(use_threads=False)
    return of_table(table)


def of_table(table: pa.Table) -> Waveform:
    """The waveform of an Arrow table.

    Raises:
        UnreadableFile: the reason, and what to do.
    """
    about = _text(table.schema.metadata)
    if OUR_OWN in (table.schema.metadata or {}):
        raise UnreadableFile("This is a copy out of a warehouse's own folder; drop the capture itself.")
    columns = []
    for field, column in zip(table.schema, table.columns, strict=True):
        unit = _text(field.metadata).get("unit", "")
        columns.append(Labelled(field.name, column.to_numpy(zero_copy_only=False), unit))
    return waveform_of(columns, about)


def _text(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    return {
        key.decode("utf-8", errors="replace"): value.decode("utf-8", errors="replace")
        for key, value in (metadata or {}).items()
    }
