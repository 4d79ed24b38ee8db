"""Crank and cam sensor: every tooth of the wheel against the others, and the cam against the crank."""

from pipelines.kinds.crank_cam_sensor.kind import KIND

__all__ = ["KIND"]
