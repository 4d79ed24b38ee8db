"""What the shop decides about its people's figures: settings with their defaults and reasons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

DAYS_A_MONTH = 365.25 / 12
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class StandingHookup:
    """The shop's standing hookup for one test; None where the shop leaves it free.

    Attributes:
        signals: signals in channel order. scales: multipliers in channel order.
        index_element: the number of the element the index lead goes on.
        min_rate_hz: least sample rate. min_duration_s: least length.
    """

    test: str
    signals: tuple[str, ...] | None = None
    scales: tuple[float, ...] | None = None
    index_element: int | None = None
    min_rate_hz: float | None = None
    min_duration_s: float | None = None


@dataclass(frozen=True, slots=True)
class PeopleSettings:
    """Settings of the pages about people and comebacks.

    Attributes:
        window_days: an order that returns within so many days of closing is a comeback.
        least_n: below so many observations a person's figure is 'too little to say'.
        hookups: the standing hookups decided; a test without one is held to the hookup most used in the shop.
        false_alarms_per_technician_year: how often the coaching list may name a technician whose
            work is ordinary, in a year; shared out over the topics by `Topic.alarm_share`.
        odds_in_control: odds of trouble up to this multiple of the usual technician's are ordinary
            differences between people.
        odds_to_find: the multiple the charts are tuned to find.
        draws, seed: posterior draws, and the seed that makes every figure repeatable.
    """

    window_days: int = 30
    least_n: int = 6
    hookups: tuple[StandingHookup, ...] = ()
    false_alarms_per_technician_year: float = 0.05
    odds_in_control: float = 1.25
    odds_to_find: float = 4.0
    draws: int = 1500
    seed: int = 20

    def __post_init__(self) -> None:
        if self.window_days < 1:
            raise ValueError(f"window_days is {self.window_days}; a comeback window lasts at least 1 day")
        if not 0 < self.false_alarms_per_technician_year < 1:
            raise ValueError("false_alarms_per_technician_year must lie between 0 and 1")
        if not 1 <= self.odds_in_control < self.odds_to_find:
            raise ValueError("odds_in_control must be at least 1 and below odds_to_find")


def as_moment(as_of: date | datetime) -> datetime:
    """The moment up to which the log is read: a date means to the end of that day (shop local time)."""
    if isinstance(as_of, datetime):
        return as_of.replace(tzinfo=None)
    return datetime.combine(as_of, time()) + timedelta(days=1) - timedelta(microseconds=1)
