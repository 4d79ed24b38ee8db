"""What the shop's tables say of each other: contradictions are refused, likely slips are asked about.

A table is looked at just before it lands, against what the warehouse holds by then (families come first,
outcomes last), so that a row that cannot be true never takes the place of one that is.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import duckdb
import polars as pl

from models.records.shops import shop_of
from pipelines.intake.table_cells import near_miss
from pipelines.intake.tables import CURLY, SPECS, RowProblem, TableRead
from pipelines.kinds import GENERAL_NOUN, kind
from pipelines.warehouse.database import query


@dataclass
class _Found:
    """What is wrong or asked, by the key of its row."""

    refused: dict[str, str] = field(default_factory=dict)
    asked: list[tuple[str, str]] = field(default_factory=list)


def checked(table: TableRead, connection: duckdb.DuckDBPyConnection) -> TableRead:
    """The table without the rows that contradict the others, each named; questions become notes."""
    look = _CHECKS.get(table.spec.name)
    rows = table.rows.to_dicts()
    found = _Found()
    if look is not None:
        look(rows, connection, found)
    _shops(table, rows, connection, found)
    _look_alikes(table, rows, connection, found)
    _curly(table, rows, found)
    if not found.refused and not found.asked:
        return table
    file, name_of = table.spec.file, table.spec.name_of
    lines = table.lines
    problems = [RowProblem(file, lines.get(name, 1), name, why) for name, why in found.refused.items()]
    notes = [RowProblem(file, lines.get(name, 1), name, why) for name, why in found.asked]
    keep = [name_of(row) not in found.refused for row in rows]
    return replace(
        table,
        rows=table.rows.filter(pl.Series(keep, dtype=pl.Boolean)),
        problems=(*table.problems, *problems),
        notes=(*table.notes, *(note for note in notes if note.key not in found.refused)),
    )


def _column(connection: duckdb.DuckDBPyConnection, sql: str) -> set[str]:
    return {str(row[0]) for row in connection.execute(sql).fetchall() if row[0] is not None}


def _engines(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    return dict(connection.execute("SELECT engine_family, cylinders FROM engine_family").fetchall())


def _orders(rows: list[dict[str, Any]], connection: duckdb.DuckDBPyConnection, found: _Found) -> None:
    known = {
        row[0]: {"opened_at": row[1], "vehicle": row[2], "comeback_of": row[3]}
        for row in connection.execute(
            "SELECT repair_order, opened_at, vehicle, comeback_of FROM repair_order"
        ).fetchall()
    }
    known |= {row["repair_order"]: row for row in rows}
    for row in rows:
        name, earlier = row["repair_order"], row["comeback_of"]
        if earlier is None:
            continue
        before = known.get(earlier)
        if before is None:
            hint = _hint(earlier, known) or "; correct it, or add that order"
            found.asked.append((name, f"comeback_of names {earlier!r}, which is no order on record{hint}"))
        elif _later(before["opened_at"], row["opened_at"]):
            found.refused[name] = (
                f"comeback_of names {earlier!r}, which was opened later ({before['opened_at']}) than this order "
                f"({row['opened_at']}); correct one of them."
            )
        elif before["comeback_of"] == name:
            found.refused[name] = (
                f"comeback_of names {earlier!r}, which itself names this order as the earlier one; correct one of them."
            )  # fmt: skip
        elif row["vehicle"] and before["vehicle"] and row["vehicle"] != before["vehicle"]:
            found.asked.append(
                (name, f"comeback_of names {earlier!r}, but that was another vehicle ({before['vehicle']})")
            )  # fmt: skip


def _hint(order: str, known: Iterable[str]) -> str:
    """The order of the same shop that may be meant, as a question."""
    return near_miss(order, [name for name in known if shop_of(name) == shop_of(order)], cutoff=0.8)


def _later(one: dt.datetime | None, other: dt.datetime | None) -> bool:
    return one is not None and other is not None and one > other


def _on_engines(test: str | None) -> bool:
    """Whether the engine says how many elements there can be; of a test not named it does."""
    known = kind(test or "")
    return known.element.noun == GENERAL_NOUN if known else not test


def _captures(rows: list[dict[str, Any]], connection: duckdb.DuckDBPyConnection, found: _Found) -> None:
    engines = _engines(connection)
    orders = _column(connection, "SELECT repair_order FROM repair_order")
    for row in rows:
        name, have = row["capture_file"], engines.get(row["engine_family"] or "")
        called = max(row["call_elements"] or [0])
        if have is not None and called > have and _on_engines(row["test"]):
            found.refused[name] = (
                f"The call names {GENERAL_NOUN} {called}, but {row['engine_family']!r} has {have}; correct the row."
            )
        elif orders and row["repair_order"] and row["repair_order"] not in orders:
            hint = _hint(row["repair_order"], orders) or "; correct it, or add that order"
            found.asked.append(
                (name, f"repair_order {row['repair_order']!r} is no order on record{hint}")
            )  # fmt: skip


def _outcomes(rows: list[dict[str, Any]], connection: duckdb.DuckDBPyConnection, found: _Found) -> None:
    engines = _engines(connection)
    families: dict[str, set[str]] = defaultdict(set)
    for order, family in connection.execute(
        "SELECT repair_order, engine_family FROM repair_order UNION "
        "SELECT repair_order, engine_family FROM capture_log WHERE repair_order IS NOT NULL"
    ).fetchall():
        families[order].add(family)
    for row in rows:
        order, name = row["repair_order"], SPECS["outcomes"].name_of(row)
        if order not in families:
            hint = _hint(order, families) or "; correct it, or add that order"
            found.asked.append((name, f"There is no repair order {order!r} on record{hint}"))
            continue
        counts = [engines[family] for family in families[order] if family in engines]
        if not counts or not _on_engines(row["test"]):
            continue
        have, named = max(counts), max(row["confirmed_elements"] or [0])
        if named > have:
            found.refused[name] = (
                f"The finding names {GENERAL_NOUN} {named}, but the engine of this order has {have}; "
                "correct the row."
            )
        elif len(row.get("gauge_kpa") or []) > have:
            found.refused[name] = (
                f"gauge_kpa has {len(row['gauge_kpa'])} values, but the engine of this order has {have} "
                "of them; give one value each."
            )


# -- names that read the same ----------------------------------------------------------------------------

# Letters that look like Latin ones (after Unicode Technical Standard 39, confusables, typed from memory).
_LIKE = str.maketrans(
    "\u0430\u0432\u0435\u043a\u043c\u043d\u043e\u0440\u0441\u0442\u0443\u0445\u0456\u0458\u0455\u0501"
    "\u03b1\u03b2\u03b5\u03b7\u03b9\u03ba\u03bd\u03bf\u03c1\u03c4\u03c5\u03c7\u0131",
    "abekmhopctyxijsdabenikvoptuxi",
)
# Which columns name the same sort of thing, wherever they stand.
_NAMES: dict[str, tuple[str, ...]] = {
    "technician": ("technician", "repair_order", "capture_log", "drill", "coaching"),
    "engine_family": ("engine_family", "repair_order", "capture_log"),
    "vehicle": ("repair_order", "capture_log"),
    "repair_order": ("repair_order", "capture_log"),
}


def skeleton(name: str) -> str:
    """What is left of a name when case, width, blanks, invisible marks and look-alike letters do not count."""
    wide = unicodedata.normalize("NFKC", name).casefold().translate(_LIKE)
    kept = "".join(char for char in wide if unicodedata.category(char) not in ("Cf", "Cc"))
    return re.sub(r"\s+", "", kept)


def _look_alikes(
    table: TableRead, rows: list[dict[str, Any]], connection: duckdb.DuckDBPyConnection, found: _Found
) -> None:
    for column, tables in _NAMES.items():
        if column not in table.rows.columns:
            continue
        union = " UNION ".join(f"SELECT {column} FROM {name}" for name in tables)
        spellings: dict[str, dict[str, str]] = defaultdict(dict)
        for name in sorted(_column(connection, union)):
            spellings[skeleton(name)].setdefault(name, "")
        for row in rows:
            if row[column] is not None:
                spellings[skeleton(row[column])].setdefault(row[column], table.spec.name_of(row))
        for group in spellings.values():
            names = list(group)
            # Asked where the later spelling first comes; a pair already in the warehouse was asked before.
            for name in names[1:]:
                if group[name]:
                    found.asked.append((group[name], _question(column, names[0], name)))


def _shops(
    table: TableRead, rows: list[dict[str, Any]], connection: duckdb.DuckDBPyConnection, found: _Found
) -> None:
    """A new shop whose name reads like that of one there is would be two by a slip."""
    said = {row["shop"] for row in rows} - {""}
    known = set(query(connection, "shops")["shop"]) if said else set()
    for row in rows:
        alike = [name for name in known if skeleton(name) == skeleton(row["shop"])]
        if alike and row["shop"] not in known:
            found.refused[table.spec.name_of(row)] = (
                f"shop {row['shop']!r} reads the same as {alike[0]!r}, which there is; write both alike."
            )


def _curly(table: TableRead, rows: list[dict[str, Any]], found: _Found) -> None:
    """Typographic quotes hold no cell together, so they ended up inside the name."""
    for row in rows:
        for column, value in row.items():
            if isinstance(value, str) and value[:1] in CURLY:
                asked = f"{column} {value!r} begins with a typographic quote; if it is not part of it, leave it out"
                found.asked.append((table.spec.name_of(row), asked))


def _question(column: str, one: str, other: str) -> str:
    strange = [char for char in other if char not in one and not char.isascii()]
    shown = (
        f" (it holds {', '.join(unicodedata.name(c, repr(c)).lower() for c in strange)})" if strange else ""
    )
    return (
        f"{column} {other!r}{shown} reads the same as {one!r}; they are counted apart. "
        "If they are one, write both alike"
    )


_Check = Callable[[list[dict[str, Any]], duckdb.DuckDBPyConnection, _Found], None]
_CHECKS: dict[str, _Check] = {"repair_orders": _orders, "captures": _captures, "outcomes": _outcomes}
