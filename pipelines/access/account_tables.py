"""The tables of the accounts' file."""

from __future__ import annotations

import sqlite3
from contextlib import suppress

_SHOPS = "ALTER TABLE account ADD COLUMN shops TEXT NOT NULL DEFAULT ''"
"""Added later: the shops of somebody who is not of the whole group, `;` between them."""
SCHEMA = """
CREATE TABLE IF NOT EXISTS account (
    name TEXT PRIMARY KEY, shown TEXT NOT NULL, roles TEXT NOT NULL, technician TEXT NOT NULL DEFAULT '',
    email TEXT UNIQUE, password TEXT, bad_tries INTEGER NOT NULL DEFAULT 0, locked_until REAL NOT NULL DEFAULT 0,
    withdrawn INTEGER NOT NULL DEFAULT 0);
CREATE TABLE IF NOT EXISTS invitation (
    token TEXT PRIMARY KEY, name TEXT NOT NULL REFERENCES account (name), until REAL NOT NULL);
CREATE TABLE IF NOT EXISTS session (
    token TEXT PRIMARY KEY, name TEXT NOT NULL REFERENCES account (name), until REAL NOT NULL);
CREATE TABLE IF NOT EXISTS secret (value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS event (
    at REAL NOT NULL, by TEXT NOT NULL, name TEXT NOT NULL, what TEXT NOT NULL, detail TEXT NOT NULL DEFAULT '');
"""


def prepare(con: sqlite3.Connection) -> None:
    """Make what is not there yet, in a file of an earlier program too; outside a transaction."""
    con.executescript("PRAGMA foreign_keys = ON; PRAGMA secure_delete = ON;" + SCHEMA)
    if not any(row[1] == "shops" for row in con.execute("PRAGMA table_info(account)")):
        with suppress(sqlite3.OperationalError):  # another process has done it this very moment
            con.execute(_SHOPS)
