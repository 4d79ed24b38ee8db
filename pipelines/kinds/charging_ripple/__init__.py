"""Ripple of the charging system: voltage at battery or alternator, or the alternator's current by a clamp."""

from pipelines.kinds.charging_ripple.kind import KIND

__all__ = ["KIND"]
