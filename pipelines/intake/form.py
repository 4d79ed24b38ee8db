"""One row entered by a person in a form: it takes the same road as a row of the shop's tables.

The row is written as a table of one row and read by the readers of the drop folder, so that a form can neither let
in what a table may not hold nor refuse what it may. The log says who entered it, when, and what stood before. Where
a form and a table say different things of the same row, the later one stands: see `merge_tables`.
"""

from __future__ import annotations

import csv
import tempfile
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipelines.errors import ShopspreadError
from pipelines.intake.merge import merge_tables
from pipelines.intake.tables import SPECS
from pipelines.warehouse.database import Warehouse


@dataclass(frozen=True, slots=True)
class Entered:
    """What came of one row.

    Attributes:
        batch: names it in the log, and takes it back with `undo`; also where nothing was new.
        key: the row's key in words.
        news: whether the row was new or said something new.
        notes: what was decided about it, in sentences; mostly nothing.
    """

    batch: str
    key: str
    news: bool
    notes: tuple[str, ...] = ()


def new_batch() -> str:
    """A name for one piece of work in the log."""
    return uuid.uuid4().hex[:12]


def named(by: str) -> str:
    """Who does something, as the log keeps it: every write of a person comes through here.

    Raises:
        ShopspreadError: when nobody is named.
    """
    who = " ".join(by.split())
    if not who:
        raise ShopspreadError("Say who enters this; the name is kept with it.")
    return who


def enter(
    warehouse: Warehouse,
    table: str,
    row: Mapping[str, str],
    *,
    by: str,
    batch: str | None = None,
    shop: str = "",
) -> Entered:
    """Bring one row into the warehouse; see `enter_all`."""
    return enter_all(warehouse, table, [row], by=by, batch=batch, shop=shop)


def enter_all(
    warehouse: Warehouse,
    table: str,
    rows: Sequence[Mapping[str, str]],
    *,
    by: str,
    batch: str | None = None,
    shop: str = "",
) -> Entered:
    """Bring rows of one table into the warehouse, all or none.

    Args:
        table: its name among `SPECS`, such as `outcomes`.
        rows: each row's cells as the table's file would hold them; a column that is left out is empty.
        by: who enters them.
        batch: where they belong to a piece of work that is to be taken back as a whole.
        shop: whose they are, where neither a cell `shop` nor a name in them says.

    Raises:
        ShopspreadError: nobody is named, the table or a column is unknown, or a row may not stand; the message
            says why, and nothing was written.
    """
    who = named(by)
    spec = SPECS.get(table)
    if spec is None:
        raise ShopspreadError(f"There is no table {table!r}; there are: {', '.join(SPECS)}.")
    columns = list(dict.fromkeys(name for row in rows for name in row))
    unknown = set(columns) - {column.name for column in spec.columns}
    if unknown:
        raise ShopspreadError(f"The table {table} has no column {', '.join(sorted(unknown))}.")
    batch = batch or new_batch()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / spec.file
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, columns, restval="")
            writer.writeheader()
            writer.writerows(rows)
        (taken,) = merge_tables({spec.file: path}, warehouse, batch, by=who, shop=shop)
    if taken.problems or taken.rows < len(rows):
        said = "; ".join(dict.fromkeys(_without_place(problem) for problem in taken.problems))
        raise ShopspreadError(f"{said or 'A row is empty.'} Nothing was written.")
    key = ", ".join(spec.name_of(row) for row in rows)
    notes = tuple(dict.fromkeys(_without_place(note) for note in taken.notes))
    return Entered(batch, key, bool(taken.added or taken.changed), notes)


def _without_place(sentence: str) -> str:
    """A sentence without the file and line of a table that nobody wrote."""
    place, _, rest = sentence.partition(": ")
    return rest if rest and "line" in place else sentence
