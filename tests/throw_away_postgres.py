"""A PostgreSQL cluster of the tests' own: in a temporary folder, on a socket alone, gone with the tests.

PostgreSQL refuses to run as root, so that there it runs as an unprivileged user.
"""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipelines.warehouse.engine import installed

USER = "shop"


def binaries() -> Path | None:
    """The folder with the newest PostgreSQL's programs, None where there is none."""
    found = shutil.which("initdb")
    places = [Path(found).resolve().parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((place for place in places if (place / "postgres").exists()), None)


def missing() -> str | None:
    """Why a shared warehouse cannot be tested here, None where it can."""
    if (lacks := installed()) is not None:
        return f"no {lacks} (.ci/run installs it beside the environment)"
    return None if binaries() else "no PostgreSQL on this machine (apt install postgresql)"


def _unprivileged() -> dict[str, Any]:
    if os.getuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        try:
            user = pwd.getpwnam(name)
        except KeyError:
            continue
        return {"user": user.pw_uid, "group": user.pw_gid}
    raise RuntimeError("root, and no unprivileged user to run PostgreSQL as")


@contextmanager
def cluster() -> Iterator[Path]:
    """A running cluster; yields the folder of its socket, which is what `host=` takes."""
    place, programs = Path(tempfile.mkdtemp(prefix="shopspread-pg-")), binaries()
    assert programs is not None
    who = _unprivileged()
    if who:
        os.chown(place, who["user"], who["group"])
    place.chmod(0o755)
    given: dict[str, Any] = who | {
        "cwd": place, "env": {"PATH": os.environ["PATH"], "LC_ALL": "C"}, "check": True, "stdout": subprocess.DEVNULL,
    }  # fmt: skip
    data = str(place / "data")
    try:
        subprocess.run(
            [programs / "initdb", "-D", data, "-A", "trust", "-U", USER, "-E", "UTF8", "--no-sync"], **given
        )
        options = f"-c listen_addresses='' -c unix_socket_directories='{place}' -c fsync=off"
        start = [programs / "pg_ctl", "-D", data, "-w", "-l", str(place / "log"), "-o", options, "start"]
        subprocess.run(start, **given)
        yield place
    finally:
        subprocess.run(
            [programs / "pg_ctl", "-D", data, "-m", "immediate", "stop"], **(given | {"check": False})
        )
        shutil.rmtree(place, ignore_errors=True)


def new_shared(host: Path, name: str, folder: Path) -> Path:
    """The name of a shared warehouse on a new, empty database."""
    import psycopg

    with psycopg.connect(f"host={host} user={USER} dbname=postgres", autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
    return Path(f"ducklake:postgres:host={host} user={USER} dbname={name} folder='{folder}'")
