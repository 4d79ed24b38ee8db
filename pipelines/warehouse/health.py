"""Whether a warehouse is well, in facts a monitor can watch: no names in them, and nobody is held up."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from pipelines import __version__
from pipelines.errors import ShopspreadError
from pipelines.warehouse.database import Warehouse, query

ADDRESS = "127.0.0.1"
# Below this a warehouse may not survive its next fit (which copies the database before an upgrade).
LEAST_FREE_BYTES = 512 << 20
Health = dict[str, Any]


def health(warehouse: Warehouse, watching: str | None = None) -> Health:
    """The facts, and under `problems` what is wrong in sentences; `ok` says that there are none.

    Args:
        watching: what the watcher says it does, None where none works.

    Raises:
        WarehouseError: when the warehouse cannot be opened or read.
    """
    with warehouse.reading() as connection:
        version = connection.execute("SELECT version FROM warehouse").fetchone()
        steps = connection.execute("SELECT count(*) FROM migration").fetchone()
        logged = connection.execute("SELECT max(logged_at) FROM intake_log").fetchone()
        statuses = connection.execute(
            "SELECT status, count(*) FROM capture_state GROUP BY ALL ORDER BY 1"
        ).fetchall()
        troubles = connection.execute(
            "SELECT what, count(*) FROM capture_trouble GROUP BY ALL ORDER BY 1"
        ).fetchall()
        fitted = query(connection, "last_fit").to_dicts()
    free = shutil.disk_usage(warehouse.database.parent).free
    standing = {str(what): int(count) for what, count in troubles}
    problems = []
    if free < LEAST_FREE_BYTES:
        problems.append(f"Only {free >> 20} MiB are free where the warehouse stands; make room.")
    if standing.get("copy"):
        problems.append(
            f"{standing['copy']} stored waveforms are damaged; shopspread check names them, the same files mend them."
        )
    return {
        "ok": not problems,
        "problems": problems,
        "program": __version__,
        "schema_steps": int(steps[0]) if steps else 0,
        "warehouse_version": int(version[0]) if version else 0,
        "last_logged_at": _iso(logged[0] if logged else None),
        "last_fit_at": _iso(fitted[0]["fitted_at"] if fitted else None),
        "captures": {str(status): int(count) for status, count in statuses},
        "troubles": standing,
        "watching": watching is not None,
        "free_bytes": free,
    }


def _iso(when: dt.datetime | None) -> str | None:
    return None if when is None else when.isoformat(timespec="seconds")


def serve(look: Callable[[], Health], port: int) -> ThreadingHTTPServer:
    """A server on this machine whose `/health` answers 200 with the facts, or 503 where something is wrong.

    The caller runs it (`serve_forever`); it looks anew at every request.

    Raises:
        ShopspreadError: when the port is taken.
    """

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            if self.path != "/health":
                self.send_error(HTTPStatus.NOT_FOUND)
                return
            try:
                facts = look()
            except ShopspreadError as error:
                facts = {"ok": False, "problems": [str(error)]}
            body = json.dumps(facts).encode("utf-8")
            self.send_response(HTTPStatus.OK if facts["ok"] else HTTPStatus.SERVICE_UNAVAILABLE)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Nothing: a monitor asks often."""

    try:
        return ThreadingHTTPServer((ADDRESS, port), Handler)
    except OSError as error:
        raise ShopspreadError(f"Port {port} on this machine is taken; give another with --port.") from error
