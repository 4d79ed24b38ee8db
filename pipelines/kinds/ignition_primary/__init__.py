"""Primary side of the ignition: voltage or current of the coils, each spark against the others."""

from pipelines.kinds.ignition_primary.kind import KIND

__all__ = ["KIND"]
