"""The kind's own simulation, for the demo: invented injectors, labelled as invented."""

from __future__ import annotations

from pipelines.kinds.injector.simulation.captures import InjectorSimulation

__all__ = ["InjectorSimulation"]
