"""The tables of a drop folder merged into the warehouse: unchanged rows do nothing, changed ones are logged."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipelines.errors import BadTable, CannotOpen
from pipelines.intake.cross_checks import checked
from pipelines.intake.tables import SHEET_SUFFIX, SPECS, RowProblem, TableRead, TableSpec, read_table
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.people import without_forgotten

# The warehouse's table for each table of the drop folder.
TARGETS: dict[str, str] = {
    "engine_families": "engine_family",
    "technicians": "technician",
    "repair_orders": "repair_order",
    "captures": "capture_log",
    "outcomes": "outcome",
    "drills": "drill",
    "coaching": "coaching",
}


@dataclass(frozen=True, slots=True)
class TableIntake:
    """What one table of the drop folder brought.

    `problems` are sentences with file and line; `keys` what its good rows are about, by the first column of the key;
    `passing`: the disk or the network would not hand the file over, so that another attempt may succeed.
    """

    name: str
    rows: int
    added: int
    changed: int
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    keys: tuple[str, ...] = ()
    passing: bool = False


FORM_STANDS = (
    "What was entered in a form since is the later one and stands, and this table says otherwise: write the tables "
    "anew from the warehouse (`shopspread tables`), or change the row here"
)
ENTERED = "entered in a form"


def merge_tables(
    files: Mapping[str, Path], warehouse: Warehouse, batch: str, *, by: str | None = None, shop: str = ""
) -> list[TableIntake]:
    """Read the tables of a drop folder, given by file name, and bring the warehouse's rows to what they say.

    Bad rows are logged and left out; a wholly unusable table is logged and the others go on. A row that somebody has
    entered in a form since the table last said something new of it stands: the later one counts, and a table that
    lies there unchanged is not later.

    Args:
        by: who enters the rows, where they come from a form; one that may not stand then keeps all of them out.
        shop: whose rows they are that name no shop.
    """
    results = []
    known_until = last_day(warehouse)
    for name, spec in SPECS.items():
        path = files.get(spec.file) or files.get(sheet_name(spec))
        if path is None:
            continue
        try:
            if spec.file in files and sheet_name(spec) in files:
                raise BadTable(f"{sheet_name(spec)} lies beside it: which of the two counts? Remove one.")
            table = read_table(path, spec, known_until=known_until, shop=shop)
        except BadTable as error:
            with warehouse.transaction() as connection:
                said = [LogRow(spec.file, None, "refused", str(error), by=by)]
                intake_log.write(connection, batch, intake_log.unsaid(connection, said))
            passing = isinstance(error.__cause__, (OSError, CannotOpen))
            results.append(TableIntake(name, 0, 0, 0, (f"{spec.file}: {error}",), (), passing=passing))
            continue
        try:
            results.append(_merge(table, warehouse, batch, by))
        except _NotWhole as refused:
            results.append(refused.intake)
    return results


class _NotWhole(Exception):
    """Rows of a form of which one may not stand: none was written."""

    def __init__(self, intake: TableIntake) -> None:
        super().__init__(intake.name)
        self.intake = intake


def sheet_name(spec: TableSpec) -> str:
    """The file name of the table as a spreadsheet."""
    return Path(spec.file).with_suffix(SHEET_SUFFIX).name


def last_day(warehouse: Warehouse) -> dt.date | None:
    """The newest day on record, None in an empty warehouse."""
    return warehouse.frame("last_day")["last_day"].max()  # type: ignore[return-value]


def _merge(table: TableRead, warehouse: Warehouse, batch: str, by: str | None) -> TableIntake:
    target, name_of, own = TARGETS[table.spec.name], table.spec.name_of, table.spec.identity
    file = table.spec.file
    with warehouse.transaction() as connection:
        table = checked(table, connection)
        problems = tuple(f"{file}, line {p.line}: {p.reason}" for p in table.problems)
        if by is not None and problems:
            raise _NotWhole(TableIntake(table.spec.name, 0, 0, 0, problems, ()))
        current = connection.sql(f"SELECT * FROM {target}").pl()
        incoming = without_forgotten(_as_target(table.rows, current), connection)
        keys = incoming[table.spec.key[0]].to_list()
        before = {own(row): row for row in current.to_dicts()}
        if by is None:
            table, incoming = _without_older(table, incoming, connection)
        rows = incoming.to_dicts()
        is_news = [before.get(own(row)) != row for row in rows]
        fresh = [row for row, news in zip(rows, is_news, strict=True) if news]
        why = None if by is None else ENTERED
        log = [
            LogRow(file, name_of(row), "changed", why, before[own(row)], row, by)
            if own(row) in before
            else LogRow(file, name_of(row), "added", why, None, row, by)
            for row in fresh
        ]
        said = [LogRow(file, problem.key, "refused", problem.reason, by=by) for problem in table.problems]
        notes = [f"{file}, line {note.line}: {note.reason}" for note in table.notes]
        said += [LogRow(file, note.key, "noted", note.reason) for note in table.notes]
        if table.unknown_columns:
            notes.append(f"{file}: unknown columns kept out: {', '.join(table.unknown_columns)}.")
            said.append(LogRow(file, None, "noted", notes[-1]))
        intake_log.append(
            connection, target, incoming.filter(pl.Series(is_news, dtype=pl.Boolean)), replace=True
        )
        intake_log.write(connection, batch, log + intake_log.unsaid(connection, said))
    added = sum(1 for row in fresh if own(row) not in before)
    return TableIntake(
        name=table.spec.name,
        rows=table.rows.height,
        added=added,
        changed=len(fresh) - added,
        problems=problems,
        notes=tuple(notes),
        keys=tuple(keys),
    )


def _without_older(
    table: TableRead, incoming: pl.DataFrame, connection: duckdb.DuckDBPyConnection
) -> tuple[TableRead, pl.DataFrame]:
    """The rows without those that say again what the table said before somebody entered another in a form."""
    earlier = {
        row["key"]: _holds(json.loads(row["table_says"]))
        for row in query(connection, "disagreements").to_dicts()
        if row["name"] == table.spec.name and row["stands"] == "form" and row["table_says"]
    }
    if not earlier:
        return table, incoming
    name_of, older = table.spec.name_of, []
    keep = []
    for row in incoming.to_dicts():
        name = name_of(row)
        again = name in earlier and _holds(json.loads(intake_log.as_json(row) or "{}")) == earlier[name]
        keep.append(not again)
        if again:
            older.append(RowProblem(table.spec.file, table.lines.get(name, 1), name, f"{FORM_STANDS}."))
    noted = replace(table, notes=(*table.notes, *older))
    return noted, incoming.filter(pl.Series(keep, dtype=pl.Boolean))


def _holds(row: Mapping[str, Any]) -> dict[str, Any]:
    """What a row says: a column that is empty says nothing, so that one added later makes no difference."""
    return {name: value for name, value in row.items() if value not in (None, "", [])}


def _as_target(rows: pl.DataFrame, current: pl.DataFrame) -> pl.DataFrame:
    """The rows with exactly the warehouse table's columns and types; what is absent is empty."""
    columns: list[Any] = []
    for column, dtype in current.schema.items():
        given = pl.col(column) if column in rows.columns else pl.lit(None)
        columns.append(given.cast(dtype, strict=False).alias(column))
    return rows.select(columns) if rows.height else current.clear()
