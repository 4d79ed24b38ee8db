"""Relative compression while cranking."""

from pipelines.kinds.relative_compression.kind import KIND

__all__ = ["KIND"]
