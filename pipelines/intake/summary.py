"""What one ingest did, in counts, and everything that was refused or waits, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipelines.intake.merge import TableIntake
from pipelines.warehouse.database import Warehouse

NO_ORDER = (
    "There is no repair order {order} on record; the outcome is kept and counts as soon as that order, or a capture "
    "of it, arrives. Correct the row if the order is another."
)


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something refused or waiting: which file or row, and why with what to do."""

    what: str
    status: str
    reason: str


@dataclass(frozen=True, slots=True)
class IntakeSummary:
    """What one ingest did.

    `passing`: something could not be opened or listed, perhaps for a network's sake; another ingest may fare better.
    """

    batch: str
    tables: tuple[TableIntake, ...]
    worked_on: int
    unchanged: int
    statuses: dict[str, int]
    troubles: tuple[Trouble, ...]
    notes: tuple[str, ...] = field(default=())
    passing: bool = False

    @property
    def clean(self) -> bool:
        """Nothing was refused and nothing waits."""
        return not self.troubles


def summed_up(
    warehouse: Warehouse,
    batch: str,
    tables: tuple[TableIntake, ...],
    worked_on: int,
    total: int,
    notes: list[str],
) -> IntakeSummary:
    """Put together from what the ingest counted and what the warehouse says now."""
    captures = warehouse.frame("intake_captures")
    statuses = dict(captures.group_by("status").len().iter_rows())
    troubles = [
        Trouble(problem.split(":", 1)[0], "refused", problem.split(":", 1)[1].strip())
        for table in tables
        for problem in table.problems
    ]
    troubles += [
        Trouble(row["capture_file"], "refused", row["reason"])
        for row in warehouse.frame("capture_troubles").to_dicts()
    ]
    troubles += [
        Trouble(row["capture_file"], row["status"], row["reason"])
        for row in captures.filter(pl.col("status").is_in(["refused", "waiting"]))
        .sort("capture_file")
        .to_dicts()
    ]
    troubles += [
        Trouble(
            f"outcomes.csv: {row['repair_order']}",
            "waiting",
            NO_ORDER.format(order=repr(row["repair_order"])),
        )
        for row in warehouse.frame("orderless_outcomes").to_dicts()
    ]
    return IntakeSummary(
        batch=batch,
        tables=tables,
        worked_on=worked_on,
        unchanged=total - worked_on,
        statuses={str(status): int(count) for status, count in statuses.items() if status is not None},
        troubles=tuple(troubles),
        notes=tuple(notes),
    )
