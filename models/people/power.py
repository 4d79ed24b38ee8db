"""How slow the coaching list is: weeks until it names somebody whose work has become worse, and what helps.

A list that hardly ever names the wrong person is slow to name the right one. The weeks follow from the same
Markov chain that sets the limit of each chart (`models.stats.control`), run with more trouble than usual.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.people.coaching import CoachingList
from models.people.skill import TechnicianSkill
from models.records.people_settings import PeopleSettings
from models.records.topics import CALLS, TOPICS
from models.stats.arrays import Floats
from models.stats.control import false_alarm_chance, limit_for_false_alarms

_MOST = 4096  # pieces of work; what is not found by then is called not found
_MOST_WEEKS = 260.0  # a delay of more than five years is no delay: it is not found (a choice)


@dataclass(frozen=True, slots=True)
class Delay:
    """How soon one topic's charts find somebody whose trouble has grown.

    Attributes:
        topic: one of `topics.TOPICS`. people: charts behind it.
        a_week: pieces of work a week of the middle technician.
        usual, worse: chance of trouble as usual, and the one that is to be found, in parts of one.
        weeks, weeks_nine_in_ten: until half, and nine in ten, are found; None where not within five years.
        weeks_with_outcomes: for calls, `weeks` if every call were confirmed; None for the other topics and where
            nothing more can be confirmed.
        sentence: for the page.
    """

    topic: str
    people: int
    a_week: float
    usual: float
    worse: float
    weeks: float | None
    weeks_nine_in_ten: float | None
    weeks_with_outcomes: float | None
    sentence: str


def pieces_until_found(
    expected: Floats,
    *,
    limit: float,
    odds_to_find: float,
    odds_in_control: float,
    odds_true: float,
    share: float,
) -> int | None:
    """Pieces of work until a chart that starts at zero has found such a share of the people.

    Args:
        expected: chance of trouble as usual, in (0, 1), shape (n,). limit: of the chart.
        odds_true: odds of trouble as a multiple of the usual ones. share: 0.5 for the median.
    """

    def found(pieces: int) -> bool:
        chance = false_alarm_chance(
            expected, limit=limit, observations=pieces, odds_to_find=odds_to_find,
            odds_in_control=odds_in_control, odds_true=odds_true,
        )  # fmt: skip
        return chance >= share

    high = 1
    while not found(high):
        high *= 2
        if high > _MOST:
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if found(middle) else (middle, high)
    return high


def delays(
    found: CoachingList,
    skills: Sequence[TechnicianSkill],
    *,
    settings: PeopleSettings | None = None,
    worse: float | None = None,
) -> tuple[Delay, ...]:
    """How soon each topic's charts find trouble, at the pace of this shop's middle technician.

    Args:
        found: the coaching list, whose charts are asked. skills: of the same day.
        worse: chance of trouble that is to be found; default the odds the charts are tuned to
            (`PeopleSettings.odds_to_find` times the usual ones).

    Raises:
        ValueError: `worse` is no chance, or not above what is usual in a topic.
    """
    chosen = settings or PeopleSettings()
    if worse is not None and not 0.0 < worse < 1.0:
        raise ValueError(f"worse is a chance between 0 and 1, not {worse!r}")
    answers = []
    for topic in TOPICS:
        points = found.chart_points.filter(pl.col("topic") == topic)
        if points.height:
            answers.append(_delay(topic, points, skills, chosen, worse))
    return tuple(answers)


def _delay(
    topic: str,
    points: pl.DataFrame,
    skills: Sequence[TechnicianSkill],
    chosen: PeopleSettings,
    worse: float | None,
) -> Delay:
    last = points["at"].max()
    pace = points.group_by("technician").agg(
        pieces=pl.len(), weeks=((pl.lit(last) - pl.col("at").min()).dt.total_seconds() / 604_800.0).clip(4.0)
    )
    a_week = float(np.median((pace["pieces"] / pace["weeks"]).to_numpy()))
    expected = points["expected"].to_numpy()
    usual = float(expected.mean())
    odds = usual / (1 - usual)
    odds_true = chosen.odds_to_find if worse is None else worse / (1 - worse) / odds
    if odds_true <= chosen.odds_in_control:
        raise ValueError(f"{topic}: a chance of {worse} is no more than the usual {usual:.2f}")
    level = odds * odds_true / (1 + odds * odds_true) if worse is None else worse
    weeks, late = (_weeks(topic, expected, a_week, odds_true, share, chosen) for share in (0.5, 0.9))
    quicker = None
    confirmed = _confirmed_share(skills)
    if topic == CALLS and confirmed is not None and confirmed < 0.95:
        quicker = _weeks(topic, expected, a_week / confirmed, odds_true, 0.5, chosen)
    people = pace.height
    return Delay(
        topic, people, a_week, usual, level, weeks, late, quicker,
        _sentence(topic, a_week, usual, level, weeks, late, quicker, confirmed),
    )  # fmt: skip


def _weeks(
    topic: str, expected: Floats, a_week: float, odds_true: float, share: float, chosen: PeopleSettings
) -> float | None:
    """Weeks at this pace, with the limit such a chart would have."""
    allowed = chosen.false_alarms_per_technician_year * TOPICS[topic].alarm_share
    tuned = {"odds_to_find": chosen.odds_to_find, "odds_in_control": chosen.odds_in_control}
    year = max(30, round(52.18 * a_week))
    limit = limit_for_false_alarms(expected, chance=allowed, observations=year, **tuned)
    pieces = pieces_until_found(expected, limit=limit, odds_true=odds_true, share=share, **tuned)
    return None if pieces is None or pieces / a_week > _MOST_WEEKS else pieces / a_week


def _confirmed_share(skills: Sequence[TechnicianSkill]) -> float | None:
    """Share of the shop's calls that an outcome has judged."""
    calls = [(skill.confirmed.n, skill.counts["calls"].trials) for skill in skills]
    made = sum(n for n, _ in calls)
    return sum(k for _, k in calls) / made if made else None


def _sentence(
    topic: str,
    a_week: float,
    usual: float,
    level: float,
    weeks: float | None,
    late: float | None,
    quicker: float | None,
    confirmed: float | None,
) -> str:
    opening = (
        f"{topic.capitalize()}: at {a_week:.1f} pieces of work a week somebody whose trouble grows from {usual:.0%} to "
        f"{level:.0%}"
    )
    if weeks is None:
        return f"{opening} is not found within five years."
    text = f"{opening} is named after {weeks:.0f} weeks in half of the cases"
    text += f", after {late:.0f} in nine of ten." if late is not None else "."
    if quicker is not None and confirmed is not None:
        text += (
            f" {confirmed:.0%} of the calls have an outcome; with an outcome entered for each it would be "
            f"{quicker:.0f} weeks."
        )
    return text
