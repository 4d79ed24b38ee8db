"""The kind's own simulation, for the demo: invented wheels, labelled as invented."""

from __future__ import annotations

from pipelines.kinds.crank_cam_sensor.simulation.shelf import WheelSimulation

__all__ = ["WheelSimulation"]
