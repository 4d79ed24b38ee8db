"""One row entered by a person in a form: it takes the same road as a row of the shop's tables.

The row is written as a table of one row and read by the readers of the drop folder, so that a form can neither let
in what a table may not hold nor refuse what it may. The log says who entered it. Where a form and a table say
different things of the same row, the later one stands, and the log shows both.
"""

from __future__ import annotations

import csv
import tempfile
import uuid
from collections.abc import Mapping
from pathlib import Path

from pipelines.errors import ShopspreadError
from pipelines.intake.merge import merge_tables
from pipelines.intake.tables import SPECS
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow


def enter(warehouse: Warehouse, table: str, row: Mapping[str, str], *, by: str) -> tuple[str, ...]:
    """Bring one row into the warehouse.

    Args:
        table: its name among `SPECS`, such as `outcomes`.
        row: the row's cells as the table's file would hold them; a column that is left out is empty.
        by: who enters it.

    Returns:
        what was decided about the row, in sentences; mostly nothing.

    Raises:
        ShopspreadError: nobody is named, the table or a column is unknown, or the row may not stand; the message
            says why, and nothing was written.
    """
    who = by.strip()
    if not who:
        raise ShopspreadError("Say who enters this; the name is kept with it.")
    spec = SPECS.get(table)
    if spec is None:
        raise ShopspreadError(f"There is no table {table!r}; there are: {', '.join(SPECS)}.")
    unknown = set(row) - {column.name for column in spec.columns}
    if unknown:
        raise ShopspreadError(f"The table {table} has no column {', '.join(sorted(unknown))}.")
    batch = uuid.uuid4().hex[:12]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / spec.file
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(list(row))
            writer.writerow(list(row.values()))
        (taken,) = merge_tables({spec.file: path}, warehouse, batch)
    if taken.problems or not taken.rows:
        said = "; ".join(_without_place(problem) for problem in taken.problems)
        raise ShopspreadError(f"{said or 'The row is empty.'} Nothing was written.")
    key = spec.name_of(row)
    with warehouse.transaction() as connection:
        intake_log.write(
            connection, batch, [LogRow(spec.file, key, "noted", f"entered in the browser by {who}")]
        )
    return tuple(_without_place(note) for note in taken.notes)


def _without_place(sentence: str) -> str:
    """A sentence without the file and line of a table that nobody wrote."""
    place, _, rest = sentence.partition(": ")
    return rest if rest and "line" in place else sentence
