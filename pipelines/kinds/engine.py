"""What several kinds need to know of an engine: its cylinders, in which order they fire, and what a sync shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from pipelines.errors import BadFamily

SyncKind = Literal["coil_on_plug", "waste_spark", "distributor"]
SYNC_KINDS: tuple[SyncKind, ...] = ("coil_on_plug", "waste_spark", "distributor")
"""One pulse of one cylinder's coil in 720 degrees, in 360 degrees, or one for every cylinder."""


@dataclass(frozen=True, slots=True)
class EngineFamily:
    """What the shop knows of an engine before any capture.

    `firing_order` is a permutation of 1..cylinders, beginning with any cylinder;
    `firing_intervals_deg` are the crank angles from each firing to the next, in firing order,
    beginning at the firing of `firing_order[0]`, and sum to 720 for a four-stroke engine.

    Raises:
        BadFamily: when any of that does not hold.
    """

    name: str
    cylinders: int
    firing_order: tuple[int, ...]
    firing_intervals_deg: tuple[float, ...] = ()
    sync_kind: SyncKind = "coil_on_plug"

    def __post_init__(self) -> None:
        if not 3 <= self.cylinders <= 12:
            raise BadFamily(f"Engine family {self.name!r}: {self.cylinders} cylinders; 3 to 12 can be read.")
        if sorted(self.firing_order) != list(range(1, self.cylinders + 1)):
            order = "-".join(map(str, self.firing_order))
            raise BadFamily(
                f"Engine family {self.name!r}: firing order {order!r} does not name each of the cylinders "
                f"1 to {self.cylinders} exactly once; correct it in engine_families.csv."
            )
        if self.firing_intervals_deg:
            if len(self.firing_intervals_deg) != self.cylinders:
                raise BadFamily(
                    f"Engine family {self.name!r}: {len(self.firing_intervals_deg)} firing intervals for "
                    f"{self.cylinders} cylinders; give one interval a cylinder, or leave the cell empty for even."
                )
            if min(self.firing_intervals_deg) <= 0 or abs(sum(self.firing_intervals_deg) - 720.0) > 0.5:
                raise BadFamily(
                    f"Engine family {self.name!r}: the firing intervals sum to "
                    f"{sum(self.firing_intervals_deg):g} degrees instead of 720; correct them."
                )
        if self.sync_kind not in SYNC_KINDS:
            raise BadFamily(
                f"Engine family {self.name!r}: sync_kind {self.sync_kind!r} is none of {', '.join(SYNC_KINDS)}."
            )

    @classmethod
    def of_row(cls, row: Mapping[str, Any]) -> EngineFamily:
        """A family from its row of the table or the warehouse.

        Raises:
            BadFamily: as `of`.
        """
        return cls.of(
            str(row["engine_family"]),
            int(row["cylinders"]),
            str(row["firing_order"]),
            str(row["firing_intervals_deg"] or ""),
            str(row["sync_kind"]),
        )

    def without(self, sync_cylinder: int) -> str | None:
        """Why a sync cannot be on that cylinder, in words; None where it can."""
        if sync_cylinder in self.firing_order:
            return None
        return f"says sync_cylinder {sync_cylinder}, but {self.name!r} has {self.cylinders} cylinders"

    @property
    def intervals_deg(self) -> tuple[float, ...]:
        """Firing intervals with `even` spelled out, in degrees of crank angle."""
        return self.firing_intervals_deg or (720.0 / self.cylinders,) * self.cylinders

    @property
    def firing_angles_deg(self) -> tuple[float, ...]:
        """Crank angle of each firing position, the first at 0, in degrees."""
        return tuple(np.concatenate([[0.0], np.cumsum(self.intervals_deg)[:-1]]).tolist())

    @classmethod
    def of(
        cls, name: str, cylinders: int, firing_order: str, firing_intervals_deg: str, sync_kind: str
    ) -> EngineFamily:
        """A family from its cells: `1-3-4-2`, and `150-90-150-90-150-90` or empty for even.

        Raises:
            BadFamily: when the cells contradict each other or are no numbers.
        """
        try:
            order = tuple(int(part) for part in firing_order.split("-"))
            intervals = (
                tuple(float(part) for part in firing_intervals_deg.split("-")) if firing_intervals_deg else ()
            )
        except ValueError as error:
            raise BadFamily(
                f"Engine family {name!r}: {error}; write orders and intervals as numbers with `-`."
            ) from error
        return cls(name, cylinders, order, intervals, sync_kind)  # type: ignore[arg-type]
