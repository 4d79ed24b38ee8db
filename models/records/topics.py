"""What a person can be coached in: the one list of topics, with everything else that is said of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Topic:
    """One coaching topic.

    Attributes:
        name: as `coaching.csv` and the charts say it.
        alarm_share: its part of the false alarms a list may have: calls are judged rarely and get the most,
            eligible orders are many and need the least.
        trouble: what a piece of work with trouble is, in words that follow '3 of 8'.
        about_captures: its pieces of work are captures, so that setup checks say what went wrong.
    """

    name: str
    alarm_share: float
    trouble: str
    about_captures: bool = False


USABLE, HOOKUP, CALLS, SCOPE_USE = "usable captures", "hookup", "calls", "scope use"

TOPICS: Mapping[str, Topic] = MappingProxyType(
    {
        topic.name: topic
        for topic in (
            Topic(USABLE, 0.25, "captures could not be used", about_captures=True),
            Topic(HOOKUP, 0.25, "captures failed a hookup check", about_captures=True),
            Topic(CALLS, 0.4, "judged calls were wrong"),
            Topic(SCOPE_USE, 0.1, "eligible orders were not scoped"),
        )
    }
)
"""By name, in the order they are shown."""
