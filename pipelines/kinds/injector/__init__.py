"""Injectors: on-time, current and pintle of each against the others."""

from pipelines.kinds.injector.kind import KIND

__all__ = ["KIND"]
