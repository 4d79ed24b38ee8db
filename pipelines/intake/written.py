"""The shop's tables as the warehouse has them, in the columns of the drop folder: files and forms never disagree.

What is written here and dropped again changes nothing (`tests/test_written_tables.py`).
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from models.records.shops import own_name
from pipelines.errors import WarehouseError
from pipelines.intake.merge import TARGETS
from pipelines.intake.table_specs import OF_A_SHOP
from pipelines.intake.tables import SPECS, TableSpec
from pipelines.warehouse.database import Warehouse
from pipelines.whole import whole


def tables(warehouse: Warehouse, shops: Collection[str] | None = None) -> dict[str, str]:
    """Every table that has a row, as the text of its file, by file name.

    Args:
        shops: only the rows of these.
    """
    made: dict[str, str] = {}
    with warehouse.reading() as connection:
        for name, spec in SPECS.items():
            keys = ", ".join(spec.key)
            rows = connection.sql(f"SELECT * FROM {TARGETS[name]} ORDER BY {keys}").pl().to_dicts()
            rows = [row for row in rows if shops is None or row["shop"] in shops]
            if rows:
                made[spec.file] = _text(spec, rows)
    return made


def write_tables(warehouse: Warehouse, folder: Path) -> dict[str, int]:
    """Write the tables into a folder, each replaced whole; returns rows by file.

    Raises:
        WarehouseError: when the folder cannot be written.
    """
    made = tables(warehouse)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for file, text in made.items():
            with whole(folder / file) as part:
                part.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise WarehouseError(
            f"The folder {folder} cannot be written ({error.strerror or error}); make room or name another."
        ) from error
    return {file: sum(1 for _ in csv.reader(io.StringIO(text))) - 1 for file, text in made.items()}


def _text(spec: TableSpec, rows: list[dict[str, Any]]) -> str:
    """One table; columns nobody fills are left out, except those every row needs."""
    cells = [dict(_cells(spec, row)) for row in rows]
    used = [
        column.name
        for column in spec.columns
        if column.required or any(row.get(column.name) for row in cells)
    ]
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, used, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(cells)
    return out.getvalue()


def _cells(spec: TableSpec, row: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    names = {column.name for column in spec.columns}
    for name, value in row.items():
        if name == "ch_signals":
            yield from ((f"ch{n}_signal", str(signal or "")) for n, signal in enumerate(value or [], 1))
        elif name == "ch_scales":
            yield from ((f"ch{n}_scale", cell(factor)) for n, factor in enumerate(value or [], 1))
        elif name in names:
            yield name, own_name(cell(value)) if name in OF_A_SHOP else cell(value)


def cell(value: Any) -> str:
    """A value as a cell of the table's file has it; empty for None."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.date):  # a moment is one too
        return value.isoformat()
    if isinstance(value, float):
        return f"{value!r}"
    if isinstance(value, list):
        return ";".join(cell(one) for one in value)
    return str(value)
