"""Names that were taken out, found again where they come back: in a column of a table, or in a file's path.

Only salted hashes of them are kept (scrypt), one of the name as it was written and one of its words in lower case.
A path is looked through word by word, so that `Week 1/ADA_lovelace/engine.csv` bears the name Ada Lovelace and
`adapter.csv` not the name Ada.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

import duckdb

from models.records.shops import own_name, qualified, shop_of
from pipelines.spelling import BETWEEN, WORD

# Before the hash of a name's words in lower case, by which it is found in paths.
_IN_PATHS = "path:"
_JOINED = re.compile(BETWEEN)
_MOST_WORDS = 5


def hashed(name: str, salt: str) -> str:
    """A name's hash (hex): scrypt (RFC 7914), because guessing names one by one has to cost something."""
    return hashlib.scrypt(name.encode("utf-8"), salt=bytes.fromhex(salt), n=2**12, r=8, p=1).hex()


def plain_words(name: str) -> str:
    """The words of a name in lower case, blanks between them."""
    return " ".join(WORD.findall(unicodedata.normalize("NFKC", name).casefold()))


def note_forgotten(connection: duckdb.DuckDBPyConnection, name: str, salt: str, pseudonym: str) -> None:
    """Keep what a name is found again by."""
    in_paths = qualified(shop_of(name), plain_words(own_name(name)))
    for name_hash in (hashed(name, salt), _IN_PATHS + hashed(in_paths, salt)):
        connection.execute(
            "INSERT INTO forgotten VALUES (?, ?, ?, now()::TIMESTAMP)", [name_hash, salt, pseudonym]
        )


@dataclass(slots=True)
class Forgotten:
    """Names that were taken out, as (hash, salt, pseudonym); what was looked up once is remembered."""

    rows: list[tuple[str, str, str]]
    _seen: dict[str, str | None] = field(default_factory=dict)

    def name(self, name: str) -> str:
        """The pseudonym of a name that was taken out, or the name itself."""
        return self._found(name, "") or name

    def path(self, path: str) -> str:
        """A path with pseudonyms for the names in it, of a named shop's path those of its own people."""
        if not self.rows:
            return path
        shop = shop_of(path)
        return qualified(shop, "/".join(self._component(part, shop) for part in own_name(path).split("/")))

    def _component(self, text: str, shop: str) -> str:
        words = list(WORD.finditer(text))
        start = 0
        while start < len(words):
            for end in range(min(len(words), start + _MOST_WORDS), start, -1):
                run = words[start:end]
                together = all(_JOINED.fullmatch(text, one.end(), two.start()) for one, two in pairwise(run))
                pseudonym = self._in_path([word.group() for word in run], shop) if together else None
                if pseudonym is not None:
                    rest = self._component(text[run[-1].end() :], shop)
                    return text[: run[0].start()] + own_name(pseudonym) + rest
            start += 1
        return text

    def _in_path(self, words: list[str], shop: str) -> str | None:
        # Most words of paths are numbers and dates: no name is made of those, and every look costs a hash.
        if all(char.isdigit() for word in words for char in word):
            return None
        return self._found(qualified(shop, plain_words(" ".join(words))), _IN_PATHS)

    def _found(self, name: str, mark: str) -> str | None:
        key = mark + name
        if key not in self._seen:
            self._seen[key] = next(
                (
                    pseudonym
                    for name_hash, salt, pseudonym in self.rows
                    if name_hash.startswith(_IN_PATHS) == bool(mark)
                    and name_hash == mark + hashed(name, salt)
                ),
                None,
            )
        return self._seen[key]


def forgotten(connection: duckdb.DuckDBPyConnection) -> Forgotten:
    """Every name that was taken out of the warehouse."""
    return Forgotten(connection.execute("SELECT name_hash, salt, pseudonym FROM forgotten").fetchall())


def rename_captures(
    connection: duckdb.DuckDBPyConnection, names: Forgotten
) -> tuple[dict[str, str], list[str]]:
    """Give every capture whose path bears a name that was taken out the path without it, in all tables and the log.

    Returns:
        The new path by the old one, and the paths that stay because the new one is another capture's.
    """
    tables = [
        table
        for (table,) in connection.execute(
            "SELECT table_name FROM duckdb_columns() WHERE column_name = 'capture_file' AND schema_name = 'main' "
            "AND database_name = 'warehouse_file' AND table_name IN "
            "(SELECT table_name FROM duckdb_tables() WHERE database_name = 'warehouse_file') ORDER BY 1"
        ).fetchall()
    ]
    union = " UNION ".join(f"SELECT capture_file FROM {table}" for table in tables)
    paths = {path for (path,) in connection.execute(union).fetchall() if path is not None}
    renamed: dict[str, str] = {}
    stay: list[str] = []
    for path in sorted(paths):
        new = names.path(path)
        if new == path:
            continue
        if new in paths or new in renamed.values():
            stay.append(path)
        else:
            renamed[path] = new
    _rename(connection, tables, renamed)
    return renamed, stay


def _rename(connection: duckdb.DuckDBPyConnection, tables: Iterable[str], renamed: dict[str, str]) -> None:
    for old, new in renamed.items():
        for table in tables:
            connection.execute(f"UPDATE {table} SET capture_file = ? WHERE capture_file = ?", [new, old])
        # The log names a path as a key, inside rows and inside sentences.
        connection.execute(
            "UPDATE intake_log SET key = replace(key, $old, $new), reason = replace(reason, $old, $new), "
            "before = replace(before, $old, $new), after = replace(after, $old, $new) "
            "WHERE contains(concat_ws(' ', key, reason, before, after), $old)",
            {"old": old, "new": new},
        )
