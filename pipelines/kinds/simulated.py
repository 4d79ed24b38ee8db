"""What a kind's simulation gives to the demo and the tests: a recording as a scope would save it, and its truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Recording:
    """What the scope holds: the numbers that go into the file.

    Attributes:
        rate_hz, start_s: of the time axis.
        samples: shape (channels, samples), in `units`; NaN = lost, +-inf = off the screen.
        units: `V` or `A` per channel.
        step: smallest step of each channel's numbers.
    """

    rate_hz: float
    start_s: float
    samples: npt.NDArray[np.float64]
    units: tuple[str, ...]
    step: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Simulated:
    """One simulated capture.

    Attributes:
        signals, scales: the hookup as a careful technician would log it, in channel order.
        odd: positions or numbers of the elements that are at fault, as a look inside would name them; empty for a
            sound one and where the fault is not in one element.
    """

    recording: Recording
    signals: tuple[str, ...]
    scales: tuple[float, ...]
    odd: tuple[int, ...]


class Simulation(Protocol):
    """A kind's physical simulation, as the demo uses it for the later lessons of the course.

    Attributes:
        groups: components it brings along, with invented names.
        faults: what can be planted, by name; `""` is a sound one and always allowed.
        slips: mistakes of the hookup that can be planted, by the name of the setup check they should raise.
    """

    groups: tuple[str, ...]
    faults: tuple[str, ...]
    slips: tuple[str, ...]

    def capture(self, group: str, *, fault: str, slip: str, vehicle_seed: int, seed: int) -> Simulated:
        """Simulate one capture; the same arguments give the same recording.

        Args:
            vehicle_seed: draws what is the specimen's own; seed: what changes from capture to capture.

        Raises:
            KeyError: for a group, fault or slip it does not know.
        """
        ...
