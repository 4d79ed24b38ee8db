"""The schema's steps, the files of `sql/migrations/`, and how a warehouse is brought to the newest."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import cache
from importlib import resources

import duckdb


@cache
def migrations() -> tuple[tuple[str, str], ...]:
    """Every schema step in order, as (name, SQL): the files of `sql/migrations/`, by number."""
    folder = resources.files("pipelines.warehouse") / "sql" / "migrations"
    files = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".sql")), key=lambda e: e.name)
    return tuple((entry.name.removesuffix(".sql"), entry.read_text(encoding="utf-8")) for entry in files)


def apply_steps(
    connection: duckdb.DuckDBPyConnection, steps: Sequence[tuple[str, str]], as_taken: Callable[[str], str]
) -> None:
    """Apply the schema steps that are not on record yet, each in a transaction of its own.

    Args:
        as_taken: a step as the engine takes it (see `Store.step`).
    """
    connection.execute(
        as_taken(
            "CREATE TABLE IF NOT EXISTS migration (step INTEGER PRIMARY KEY, name VARCHAR, applied_at TIMESTAMP)"
        )
    )
    connection.execute("CREATE TABLE IF NOT EXISTS warehouse (version BIGINT NOT NULL)")
    for name, sql in steps:
        # By name, not by number: steps written side by side may land in another order than they count.
        if name in applied(connection):
            continue
        connection.execute("BEGIN")
        try:
            connection.execute(as_taken(sql))
            connection.execute(
                "INSERT INTO migration SELECT coalesce(max(step), 0) + 1, ?, ? FROM migration",
                [name, dt.datetime.now()],
            )
            if connection.execute("SELECT count(*) FROM warehouse").fetchone() == (0,):
                connection.execute("INSERT INTO warehouse VALUES (0)")
            connection.execute("UPDATE warehouse SET version = version + 1")
            connection.execute("COMMIT")
        except BaseException:
            with suppress(duckdb.Error):
                connection.execute("ROLLBACK")
            raise


def applied(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """The names of the schema steps a file has behind it."""
    known = connection.execute(
        "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'migration' AND database_name = 'warehouse_file'"
    ).fetchone()
    if not known or known[0] == 0:
        return set()
    return {name for (name,) in connection.execute("SELECT name FROM migration").fetchall()}
