"""What people bring in by hand, each a piece of work with one name in the log, to be taken back as a whole."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pipelines.errors import ShopspreadError
from pipelines.intake import uploads
from pipelines.intake.form import Entered, enter_all, named, new_batch
from pipelines.intake.ingest import ingest
from pipelines.intake.uploads import Taken
from pipelines.warehouse.database import Warehouse


@dataclass(frozen=True, slots=True)
class Uploaded:
    """What came of an upload; `batch` takes it back.

    `troubles`: why a file that is kept could not be opened, by capture; all others wait for their label.
    """

    batch: str
    taken: tuple[Taken, ...]
    troubles: Mapping[str, str]


def upload(warehouse: Warehouse, files: Iterable[tuple[str, bytes]], *, by: str, shop: str = "") -> Uploaded:
    """Take in capture files from the browser; each waits, with its waveform kept, until it has a label.

    Raises:
        ShopspreadError: when nobody is named.
        WarehouseError: when the files cannot be written.
    """
    who, batch = named(by), new_batch()
    taken = uploads.keep(warehouse, files, by=who, batch=batch, shop=shop)
    if any(one.capture_file and not one.known for one in taken):
        ingest(None, warehouse, batch=batch, jobs=1, apart=True)
    refused = warehouse.frame("intake_captures").filter(status="refused").select("capture_file", "reason")
    return Uploaded(batch, taken, dict(refused.iter_rows()))


def label(warehouse: Warehouse, rows: Sequence[Mapping[str, str]], *, by: str) -> Entered:
    """Say what captures are (rows of captures.csv), all or none, and read those that waited for it.

    Raises:
        ShopspreadError: when nobody is named or a row may not stand; nothing was written then.
    """
    entered = enter_all(warehouse, "captures", rows, by=by)
    ingest(None, warehouse, batch=entered.batch, jobs=1, apart=True)
    return entered


def define_family(warehouse: Warehouse, row: Mapping[str, str], *, by: str, shop: str = "") -> Entered:
    """Define an engine family, and read the captures that waited for it.

    Raises:
        ShopspreadError: when nobody is named or the definition contradicts itself.
    """
    entered = enter_all(warehouse, "engine_families", [row], by=by, shop=shop)
    ingest(None, warehouse, batch=entered.batch, jobs=1, apart=True)
    return entered


def log_coaching(
    warehouse: Warehouse,
    *,
    technician: str,
    held_on: dt.date,
    topic: str,
    by: str,
    test: str | None = None,
    note: str = "",
) -> Entered:
    """Note that a coaching session was held.

    Raises:
        ShopspreadError: when nobody is named, the technician is not on record, or there is no such topic.
    """
    with warehouse.reading() as connection:
        known = connection.execute(
            "SELECT count(*) FROM (SELECT technician FROM technician UNION SELECT technician FROM capture_log) "
            "WHERE technician = ?",
            [technician],
        ).fetchone()
    if known == (0,):
        raise ShopspreadError(f"There is no technician {technician!r} in the warehouse.")
    cells = {
        # No name in the key, so that nothing is left of one that is to be forgotten.
        "session": f"{held_on.isoformat()}-{uuid.uuid4().hex[:6]}",
        "technician": technician,
        "held_on": held_on.isoformat(),
        "topic": topic,
        "test": test or "",
        "note": note,
    }
    return enter_all(warehouse, "coaching", [cells], by=by)


def set_drill(
    warehouse: Warehouse,
    *,
    technician: str,
    test: str,
    week_of: dt.date,
    target: int,
    by: str,
    shop: str = "",
) -> Entered:
    """Set a drill for one technician, or for everybody where none is named.

    Raises:
        ShopspreadError: when nobody is named or the row may not stand.
    """
    cells = {
        "drill": f"{week_of.isoformat()}-{test}-{uuid.uuid4().hex[:6]}",
        "technician": technician,
        "test": test,
        "week_of": week_of.isoformat(),
        "target": str(target),
    }
    return enter_all(warehouse, "drills", [cells], by=by, shop=shop)
