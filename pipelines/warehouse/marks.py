"""What people decide about the things that wait for them: done, dismissed with a reason, assigned to a name."""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass

from models.records.shops import qualified, shop_of
from pipelines.errors import ShopspreadError, WaitingConflict
from pipelines.warehouse.database import Warehouse

STATES = ("open", "done", "dismissed")


def flag_key(repair_order: str, test: str) -> str:
    """A flagged job without an outcome."""
    return f"flag|{test}|{repair_order}"


def file_key(capture_file: str, status: str, reason: str | None) -> str:
    """A file that waits or was refused; for another reason it is another thing, and comes back."""
    return f"file|{status}|{hashlib.sha256((reason or '').encode()).hexdigest()[:8]}|{capture_file}"


def row_key(table: str, key: str, reason: str | None) -> str:
    """A row of a table that was refused."""
    return f"row|{table}|{hashlib.sha256((reason or '').encode()).hexdigest()[:8]}|{key}"


def threshold_key(test: str, measure: str, group: str, proposed_version: int) -> str:
    """A proposed threshold; a newer proposal is another thing."""
    return f"threshold|{test}|{measure}|{group}|{proposed_version}"


def person_key(technician: str, topic: str, since: dt.date) -> str:
    """An alarm about somebody's work; a later one is another thing. No name in it, which may have to be forgotten."""
    name = qualified(shop_of(technician), hashlib.sha256(technician.encode()).hexdigest()[:12])
    return f"person|{topic}|{since.isoformat()}|{name}"


@dataclass(frozen=True, slots=True)
class Mark:
    """One decision about one thing.

    Attributes:
        state: one of `STATES`. assigned_to: whom it waits for, or None. reason: why it is dismissed, or None.
        version: 0 where nobody has decided anything.
    """

    state: str = "open"
    assigned_to: str | None = None
    reason: str | None = None
    entered_by: str = ""
    entered_at: dt.datetime | None = None
    version: int = 0


def marks(warehouse: Warehouse) -> dict[str, Mark]:
    """The newest decision about each thing, by its key."""
    return marks_in(warehouse.frame("waiting_marks").to_dicts())


def marks_in(rows: list[dict[str, object]]) -> dict[str, Mark]:
    """The same from the rows of the query `waiting_marks`."""
    return {str(row["item"]): Mark(**{k: v for k, v in row.items() if k != "item"}) for row in rows}  # type: ignore[arg-type]


def mark(
    warehouse: Warehouse,
    item: str,
    *,
    by: str,
    state: str = "open",
    assigned_to: str | None = None,
    reason: str | None = None,
    seen_version: int = 0,
) -> int:
    """Decide about a thing, as a new version; returns its number.

    Args:
        item: its key. by: who decides. assigned_to: whom it waits for from now on; None takes a name off.
        seen_version: the version the person was looking at; where there is a newer one, nothing is written.

    Raises:
        WaitingConflict: somebody else has decided since; the message says who and what.
        ShopspreadError: nobody is named, there is no such state, or something is dismissed without a reason.
    """
    who, why = " ".join(by.split()), " ".join((reason or "").split()) or None
    if not who:
        raise ShopspreadError("Say who decides this; the name is kept with it.")
    if state not in STATES:
        raise ShopspreadError(f"A thing is {', '.join(STATES)}; not {state!r}.")
    if state == "dismissed" and why is None:
        raise ShopspreadError("Say why it is dismissed; the reason is kept with it. Nothing was changed.")
    whom = " ".join((assigned_to or "").split()) or None
    with warehouse.transaction() as connection:
        newest = connection.execute(
            "SELECT version, state, entered_by, assigned_to FROM waiting_mark WHERE item = ? "
            "ORDER BY version DESC LIMIT 1",
            [item],
        ).fetchone()
        version = int(newest[0]) if newest else 0
        if newest and version != seen_version:
            given = f", assigned to {newest[3]}" if newest[3] else ""
            raise WaitingConflict(
                f"{newest[2]} has decided since you looked: {newest[1]}{given}. Nothing was changed; look at it again."
            )
        connection.execute(
            "INSERT INTO waiting_mark VALUES (?, ?, ?, ?, ?, ?, ?)",
            [item, version + 1, state, whom, why, who, dt.datetime.now()],
        )
    return version + 1
