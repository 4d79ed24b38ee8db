"""The kind's own simulation, for the demo: invented pumps, labelled as invented."""

from __future__ import annotations

from pipelines.kinds.fuel_pump_current.simulation.shelf import PumpSimulation

__all__ = ["PumpSimulation"]
