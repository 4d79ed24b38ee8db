"""The kind's own simulation, for the demo: invented alternators, labelled as invented."""

from __future__ import annotations

from pipelines.kinds.charging_ripple.simulation.shelf import AlternatorSimulation

__all__ = ["AlternatorSimulation"]
