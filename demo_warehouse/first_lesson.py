"""The test the invented shop's course begins with; the only place of the demo that says which one it is.

Everything else of the demo plans people and jobs, and asks this test's own simulation for captures.
"""

from __future__ import annotations

from pipelines.kinds.relative_compression.simulation import planted
from pipelines.kinds.relative_compression.simulation.planted import (
    BY_NAME,
    FAMILIES,
    Family,
    Fault,
    FaultKind,
)

__all__ = ["BY_NAME", "FAMILIES", "HOUSE_SETUP", "Family", "Fault", "FaultKind", "planted"]

HOUSE_SETUP = planted.HOUSE_SETUP
"""The standing hookup the invented shop has decided on, by test."""
