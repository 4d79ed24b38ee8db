"""The kind's own simulation, for the demo: invented coils and plugs, labelled as invented."""

from __future__ import annotations

from pipelines.kinds.ignition_primary.simulation.captures import IgnitionSimulation

__all__ = ["IgnitionSimulation"]
