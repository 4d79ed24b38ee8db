"""Until when anything in a table can have happened, told from the clock and from the table itself.

One slip of the pen (2062 for 2026) would move the whole shop's 'as of'. The computer's clock may be wrong
too, most often set back, so it is not believed against what most rows say.
"""

from __future__ import annotations

import datetime as dt

from pipelines.intake.table_cells import CellProblem, Form, any_instant, instant
from pipelines.intake.table_records import Records
from pipelines.intake.table_specs import TableSpec

# No clock that shows an earlier day can be right: this program did not exist.
RELEASED = dt.datetime(2026, 11, 1)
# A shop east of the computer's time zone, and a night shift, are ahead by less.
GRACE = dt.timedelta(days=2)
# So many rows outvote the clock; none may lie further than a year beyond nine tenths of the others.
ENOUGH_ROWS = 5
BEYOND = dt.timedelta(days=370)


def now() -> dt.datetime:
    """The computer's clock, without a zone."""
    return dt.datetime.now()


def latest_instant(records: Records, spec: TableSpec, known_until: dt.date | None) -> dt.datetime:
    """The latest moment a row of this table may speak of.

    Args:
        known_until: the newest day the warehouse has on record.
    """
    latest = max(now(), RELEASED)
    if known_until is not None:
        latest = max(latest, dt.datetime.combine(known_until, dt.time.max))
    latest += GRACE
    columns = {column.name for column in spec.columns if column.parse is instant}
    form = Form(records.delimiter)
    moments = []
    for place in (k for k, name in enumerate(records.header) if name in columns):
        for row in records.rows:
            if place < len(row.cells) and row.cells[place].strip():
                try:
                    moments.append(any_instant(row.cells[place].strip(), form))
                except CellProblem:
                    continue
    moments.sort()
    if len(moments) >= ENOUGH_ROWS and moments[len(moments) // 2] > latest:
        return moments[int(0.9 * (len(moments) - 1))] + BEYOND
    return latest
