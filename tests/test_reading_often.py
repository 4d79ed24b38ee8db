"""Whoever looks at a warehouse again and again pays for what is new and for nothing else, and never misses it."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import pytest

from pipelines.warehouse import opening
from pipelines.warehouse.database import Warehouse

HOUR_NS = 3_600_000_000_000


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    return Warehouse(tmp_path / "shop", create=True)


def aged(house: Warehouse) -> None:
    """As if nothing had been written for an hour."""
    then = house.database.stat().st_mtime_ns - HOUR_NS
    os.utime(house.database, ns=(then, then))


def land(house: Warehouse) -> None:
    with Warehouse(house.path).transaction():
        pass


def test_the_version_is_read_once_and_every_change_is_seen(
    house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = house.version()
    aged(house)
    assert house.version() == before
    with monkeypatch.context() as patched:
        patched.setattr(Warehouse, "reading", lambda _: pytest.fail("opened although nothing has changed"))
        assert house.version() == before
    for more in (1, 2, 3):
        land(house)
        assert house.version() == before + more
        aged(house)
        assert house.version() == before + more


def test_a_change_a_moment_ago_is_never_taken_for_the_one_before(house: Warehouse) -> None:
    """Where a file system counts in whole seconds, two writes bear one time and often one size."""
    before, stood = house.version(), house.database.stat()
    land(house)
    os.utime(house.database, ns=(stood.st_mtime_ns, stood.st_mtime_ns))
    assert house.version() == before + 1


def test_an_instance_is_used_again_and_holds_no_file_meanwhile(house: Warehouse) -> None:
    with house.reading() as first:
        assert first.execute("SELECT count(*) FROM capture_log").fetchone() == (0,)
    with house.reading() as again:
        assert again is first
    with pytest.raises(duckdb.Error):
        first.execute("SELECT count(*) FROM capture_log")
    land(house)  # would be refused while somebody held the file
    with pytest.raises(duckdb.Error, match="read-only"), house.reading() as connection:
        connection.execute("DELETE FROM capture_log")


def test_readers_at_once_have_an_instance_each(house: Warehouse) -> None:
    def look(_: int) -> int:
        with house.reading() as one:
            assert one.execute("SELECT count(*) FROM capture_log").fetchone() == (0,)
            return id(one)

    with ThreadPoolExecutor(8) as workers:
        assert len(list(workers.map(look, range(64)))) == 64
    assert len(opening._idle) <= opening._MOST_IDLE
    assert len({id(one) for _, one in opening._idle}) == len(opening._idle)


def test_an_instance_of_another_process_is_not_used(house: Warehouse) -> None:
    with house.reading() as first:
        pass
    opening._idle[:] = [(process + 1, one) for process, one in opening._idle]
    with house.reading() as second:
        assert second is not first
