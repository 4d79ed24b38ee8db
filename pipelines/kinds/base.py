"""What every test kind takes and gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt

from pipelines.errors import BadFamily
from pipelines.waveform import Waveform

SyncKind = Literal["coil_on_plug", "waste_spark", "distributor"]
Severity = Literal["note", "warning", "unusable"]
Identified = Literal["sync", "pair", "none"]

SYNC_KINDS: tuple[SyncKind, ...] = ("coil_on_plug", "waste_spark", "distributor")
CHECK_NAMES: tuple[str, ...] = (
    "no_sync",
    "wrong_sync_signal",
    "reversed_leads",
    "swapped_channels",
    "too_short",
    "engine_started",
    "weak_battery",
    "near_stall",
    "clipped",
    "ac_coupled",
    "coarse_resolution",
    "low_sample_rate",
    "family_doubtful",
    "off_house_setup",
)


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

    @property
    def intervals_deg(self) -> tuple[float, ...]:
        """Firing intervals with `even` spelled out, in degrees of crank angle."""
        return self.firing_intervals_deg or (720.0 / self.cylinders,) * self.cylinders

    @property
    def firing_angles_deg(self) -> tuple[float, ...]:
        """Crank angle of each firing position, the first at 0, in degrees."""
        return tuple(np.concatenate([[0.0], np.cumsum(self.intervals_deg)[:-1]]).tolist())


@dataclass(frozen=True, slots=True)
class Hookup:
    """How the scope was connected, as the capture log says.

    `signals` and `scales` are in channel order; a scale multiplies the file's number into V or A.
    """

    signals: tuple[str, ...]
    scales: tuple[float, ...]
    sync_cylinder: int = 1


@dataclass(frozen=True, slots=True)
class Check:
    """A setup check that failed: `detail` is a sentence that says what to do next time."""

    check: str
    severity: Severity
    detail: str


@dataclass(frozen=True, slots=True)
class CylinderReading:
    """One cylinder of one capture.

    Attributes:
        cylinder: cylinder number; None where `identified` is `none`.
        firing_position: 1-based place in the firing sequence (from the sync pulse where there is
            one, else from the first event of the cranking stretch).
        relative_pct: relative compression, 100 = this capture's median cylinder.
        se_pct: standard error of `relative_pct`, from the cycles.
        companion: the other candidate where `identified` is `pair`.
    """

    cylinder: int | None
    firing_position: int
    relative_pct: float
    se_pct: float
    identified: Identified
    companion: int | None = None


@dataclass(frozen=True, slots=True)
class Events:
    """What the reader saw, for drawing and for the known-good overlay.

    Attributes:
        crank_start_s, crank_end_s: the cranking stretch that was used, on the file's time axis.
        sync_s: times of the sync pulses used, in s.
        compression_s: times of the compression top dead centres, in s.
        position: 1-based firing position of each of `compression_s`.
        mean_cycle: mean ripple over the cycles on a uniform crank-angle grid over 720 deg starting at
            top dead centre of firing position 1, in parts of the mean peak-to-peak ripple, event
            valleys pointing down whatever the signal; empty where there is none.
    """

    crank_start_s: float
    crank_end_s: float
    sync_s: npt.NDArray[np.float64]
    compression_s: npt.NDArray[np.float64]
    position: npt.NDArray[np.int64]
    mean_cycle: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Reading:
    """All that one capture says.

    `status` is `read`, or `unusable` (no honest reading exists; `reason` says why and what to do).
    `features` are capture-level numbers by name with the unit in the name; a kind may add its own.
    For relative compression at least: cycles, crank_rpm, rest_v, crank_min_v (NaN where unknown).
    """

    status: Literal["read", "unusable"]
    reason: str
    features: dict[str, float]
    cylinders: tuple[CylinderReading, ...] = ()
    checks: tuple[Check, ...] = ()
    events: Events | None = None
    reader_version: int = 1
    notes: tuple[str, ...] = field(default=())


class TestKind(Protocol):
    """One test: which signals it needs, what to mind when hooking up, how to read it."""

    name: str
    title: str
    signals: tuple[str, ...]
    reader_version: int
    cautions: tuple[str, ...]

    def read(self, waveform: Waveform, hookup: Hookup, family: EngineFamily) -> Reading:
        """Read one capture. Never raises for a bad signal: that is status `unusable` with a reason.

        Raises:
            ShopspreadError: only where the call itself makes no sense (no usable signal named, say).
        """
        ...
