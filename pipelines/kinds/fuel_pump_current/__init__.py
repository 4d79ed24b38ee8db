"""Current of an electric fuel pump, by a clamp around (or a shunt in) the loop at its fuse."""

from pipelines.kinds.fuel_pump_current.kind import KIND

__all__ = ["KIND"]
