"""The one DuckDB instance a process keeps for each shared warehouse, with its extensions and its idle connections.

Loading the extensions takes a second, so that happens once; connections of the instance are cheap.
"""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from importlib import util
from pathlib import Path

import duckdb

from pipelines.warehouse.keys import CATALOG
from pipelines.warehouse.opening import CONFIG

EXTENSIONS = ("postgres_scanner", "ducklake")


def installed() -> str | None:
    """None where everything this engine needs is installed, else what is not."""
    if util.find_spec("psycopg") is None:
        return "psycopg"
    for name in EXTENSIONS:
        if not _extension(name).exists():
            return f"duckdb-extension-{name.replace('_', '-')} for DuckDB {duckdb.__version__}"
    return None


def _extension(name: str) -> Path:
    spec = util.find_spec(f"duckdb_extension_{name}")
    places = list(spec.submodule_search_locations or ()) if spec else []
    folder = Path(places[0]) if places else Path("no-package")
    return folder / "extensions" / f"v{duckdb.__version__}" / f"{name}.duckdb_extension"


class Engine:
    """The one DuckDB instance of this process for one warehouse, and its idle connections."""

    def __init__(self, catalog: str, tables: Path) -> None:
        self._catalog, self._tables = catalog, tables
        self._lock = threading.Lock()
        self._root: duckdb.DuckDBPyConnection | None = None
        self._idle: list[duckdb.DuckDBPyConnection] = []

    def take(self) -> duckdb.DuckDBPyConnection:
        """A connection with the warehouse's tables in use."""
        with self._lock:
            if self._root is None:
                self._root = _attached(self._catalog, self._tables)
            if self._idle:
                return self._idle.pop()
            connection = self._root.cursor()
            connection.execute(f"USE {CATALOG}")
            return connection

    def give_back(self, connection: duckdb.DuckDBPyConnection) -> None:
        """Keep a connection for the next who asks."""
        with self._lock:
            if self._root is not None:
                self._idle.append(connection)
                return
        connection.close()

    def close(self) -> None:
        """Let go of the catalog."""
        with self._lock:
            for connection in (*self._idle, *((self._root,) if self._root else ())):
                with suppress(duckdb.Error):
                    connection.close()
            self._idle, self._root = [], None


_engines: dict[tuple[int, str, str], Engine] = {}
_guard = threading.Lock()


def engine_of(catalog: str, tables: Path) -> Engine:
    """The instance for a catalog and its folder of tables."""
    # By process: an instance that came over a fork has lost its threads.
    with _guard:
        return _engines.setdefault((os.getpid(), catalog, str(tables)), Engine(catalog, tables))


def let_go(catalog: str, tables: Path) -> None:
    """Close the instance, should there be one; whoever asks next gets a new one."""
    with _guard:
        old = _engines.pop((os.getpid(), catalog, str(tables)), None)
    if old is not None:
        old.close()


def _attached(catalog: str, tables: Path) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(config=CONFIG)
    try:
        for name in EXTENSIONS:
            connection.execute(f"LOAD '{quoted(_extension(name))}'")
        # The folder may be mounted elsewhere on the computer that made it; the mark says that it is the same.
        connection.execute(
            f"ATTACH 'ducklake:postgres:{quoted(catalog)}' AS {CATALOG} "
            f"(DATA_PATH '{quoted(tables)}/', OVERRIDE_DATA_PATH true)"
        )
    except BaseException:
        connection.close()
        raise
    return connection


def quoted(text: object) -> str:
    """Text as it stands between quotes in SQL."""
    return str(text).replace("'", "''")
