"""Who needs coaching, in what, since when, on what evidence, and how often this list is wrong.

One risk-adjusted CUSUM a technician and topic (see `control`): it adds up how much more trouble there was
than an ordinary technician would have had on the same work, and names somebody once that is too much for
chance. The limit of each chart is computed from the false-alarm rate the settings allow. A chart starts
anew after a coaching session, with a head start of half its limit: if nothing changed, the name comes back
soon.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl

from models.people.before_after import BeforeAfter, CoachingEffect, before_after, coaching_effect
from models.people.hookup import habit_checks
from models.people.skill import TechnicianSkill
from models.people.watch import observations
from models.records.people_settings import DAYS_A_YEAR, PeopleSettings, as_moment
from models.records.shop import Shop
from models.records.topics import SCOPE_USE, TOPICS, USABLE
from models.stats.control import false_alarm_chance, limit_for_false_alarms, risk_adjusted_cusum
from models.stats.intervals import wilson

__all__ = [
    "BeforeAfter",
    "CoachingEffect",
    "CoachingItem",
    "CoachingList",
    "Signal",
    "before_after",
    "coaching_effect",
    "needs_coaching",
]


_LEAST_YEAR = 30  # a chart is set for a year's work of at least so many observations
_HEAD_START = 0.5
_SHOWN_CAPTURES = 3
_RECENT = timedelta(weeks=8)  # what somebody may still remember; older captures only where there is no other

CHART_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "technician": pl.String,
    "topic": pl.String,
    "at": pl.Datetime("us"),
    "trouble": pl.Boolean,
    "expected": pl.Float64,
    "statistic": pl.Float64,
    "limit": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Signal:
    """Why a name is on the list.

    Attributes:
        at: when the chart passed its limit. since: when the rise began.
        n, trouble, expected: work since then, how much of it had trouble, how much was to be expected.
        statistic, limit: of the chart now.
        false_alarm_per_year: chance of an ordinary technician's chart passing this limit in a year.
    """

    at: datetime
    since: datetime
    n: int
    trouble: int
    expected: float
    statistic: float
    limit: float
    false_alarm_per_year: float


@dataclass(frozen=True, slots=True)
class CoachingItem:
    """One line of the list.

    Attributes:
        topic: one of `topics.TOPICS`. detail: the check that stands out, or `""`.
        since: the day the trouble began. evidence: a sentence for the page.
        captures: two or three captures to sit down over, the newest first.
        orders: for scope use, orders to talk about instead.
    """

    technician: str
    topic: str
    detail: str
    since: date
    evidence: str
    captures: tuple[str, ...]
    orders: tuple[str, ...]
    signal: Signal


@dataclass(frozen=True, slots=True)
class CoachingList:
    """The list and its own error rate.

    Attributes:
        items: by technician's name, never by size of the figure.
        false_alarm_per_year: how many ordinary technicians this list would name in a year, expected.
        charts: how many charts were watched. unwatched: technicians with too few captures for any
            chart: too little to say, neither good nor bad.
        chart_points: every point of every chart, for drawing (`CHART_SCHEMA`).
        past: technician, topic, since, at, ended_on: alarms that have ended or were answered by a session.
        note: the false-alarm rate in a sentence.
    """

    items: tuple[CoachingItem, ...]
    false_alarm_per_year: float
    charts: int
    unwatched: tuple[str, ...]
    chart_points: pl.DataFrame
    past: pl.DataFrame
    note: str

    def reasons(self, technician: str) -> tuple[str, ...]:
        """Evidence sentences of one technician; empty where no coaching is needed."""
        return tuple(item.evidence for item in self.items if item.technician == technician)


_PAST_SCHEMA = {
    "technician": pl.String,
    "topic": pl.String,
    "since": pl.Date,
    "at": pl.Date,
    "ended_on": pl.Date,
}


def _a_year_of(at: Sequence[datetime], moment: datetime) -> int:
    """Observations a year at the technician's pace."""
    days = max((moment - at[0]).total_seconds() / 86400.0, 28.0)
    return max(_LEAST_YEAR, round(len(at) * DAYS_A_YEAR / days))


def needs_coaching(
    skills: Sequence[TechnicianSkill],
    shop: Shop,
    *,
    as_of: date | datetime,
    settings: PeopleSettings | None = None,
) -> CoachingList:
    """The list of `as_of`.

    Args:
        skills: of `skill.technicians`; only these people are watched.
        shop: where it holds no repair order, scope use is not watched.

    Raises:
        models.stats.logistic.NotConverged: where the allowance for case mix does not settle.
    """
    chosen = settings or PeopleSettings()
    moment = as_moment(as_of)
    people = {skill.technician for skill in skills}
    work = observations(shop, moment).filter(pl.col("technician").is_in(people))
    watchable = [topic for topic in TOPICS.values() if topic.name != SCOPE_USE or shop.orders.height]
    per_share = chosen.false_alarms_per_technician_year / sum(topic.alarm_share for topic in watchable)
    items: list[CoachingItem] = []
    points: list[pl.DataFrame] = []
    past: list[tuple[str, str, date, date, date]] = []
    rate, charts, watched = 0.0, 0, set()
    for (topic, name), part in work.group_by(["topic", "technician"], maintain_order=True):
        if part.height < chosen.least_n:
            continue
        topic, name = str(topic), str(name)
        if topic != SCOPE_USE:
            watched.add(name)
        charts += 1
        allowed = TOPICS[topic].alarm_share * per_share
        chart = _Chart(part, _sessions(shop.coaching, name, topic, moment), moment, allowed, chosen)
        rate += chart.false_alarm_per_year
        points.append(chart.points(name, topic))
        past += [(name, topic, *span) for span in chart.past]
        if chart.signal is not None:
            others = work.filter((pl.col("topic") == topic) & (pl.col("technician") != name))
            items.append(_item(name, topic, part, chart.signal, habit_checks(shop), others, moment))
    shown = list(TOPICS)
    items.sort(key=lambda item: (item.technician, shown.index(item.topic)))
    return CoachingList(
        items=tuple(items),
        false_alarm_per_year=rate,
        charts=charts,
        unwatched=tuple(sorted(people - watched)),
        chart_points=pl.concat(points) if points else pl.DataFrame(schema=CHART_SCHEMA),
        past=pl.DataFrame(past, schema=_PAST_SCHEMA, orient="row").sort("at", "technician", "topic"),
        note=(
            f"With {charts} charts this list would name a technician whose work is ordinary (odds of trouble up to "
            f"{chosen.odds_in_control:g} times the usual) about {rate:.2f} times a year at most."
        ),
    )


def _sessions(coaching: pl.DataFrame, name: str, topic: str, moment: datetime) -> list[date]:
    return sorted(
        coaching.filter(
            (pl.col("technician") == name) & (pl.col("topic") == topic) & (pl.col("held_on") <= moment.date())
        )["held_on"].to_list()
    )


class _Chart:
    """One technician's chart of one topic, run to the present."""

    def __init__(
        self,
        work: pl.DataFrame,
        sessions: list[date],
        moment: datetime,
        allowed: float,
        chosen: PeopleSettings,
    ) -> None:
        self.work = work
        at: list[datetime] = work["at"].to_list()
        days = [t.date() for t in at]
        expected = work["expected"].to_numpy()
        year = _a_year_of(at, moment)
        odds = {"odds_to_find": chosen.odds_to_find, "odds_in_control": chosen.odds_in_control}
        self.limit = limit_for_false_alarms(expected, chance=allowed, observations=year, **odds)
        # a session's day itself still belongs to the time before it
        restart = np.array(
            [
                any(held < day and (i == 0 or days[i - 1] <= held) for held in sessions)
                for i, day in enumerate(days)
            ]
        )
        self.false_alarm_per_year = false_alarm_chance(expected, limit=self.limit, observations=year, **odds)
        if sessions and sessions[-1] > (moment - timedelta(days=DAYS_A_YEAR)).date():
            self.false_alarm_per_year = false_alarm_chance(
                expected, limit=self.limit, observations=year, start=_HEAD_START * self.limit, **odds
            )
        run = risk_adjusted_cusum(
            work["trouble"].to_numpy(),
            expected,
            limit=self.limit,
            restart=restart,
            restart_at=_HEAD_START * self.limit,
            **odds,
        )
        self.statistic = run.statistic
        self.past: list[tuple[date, date, date]] = []
        answered = bool(sessions) and bool(run.signal) and sessions[-1] >= days[-1]
        standing = run.alarmed and not answered
        for number, (i, begin) in enumerate(zip(run.signal, run.since, strict=True)):
            if standing and number == len(run.signal) - 1:
                continue
            below = np.flatnonzero((run.statistic[i:] < self.limit / 2) | restart[i:])
            # what neither fell nor began anew still stands, unless a session has answered it
            ended = days[i + int(below[0])] if below.size else sessions[-1]
            self.past.append((days[begin], days[i], ended))
        self.signal: Signal | None = None
        if standing:
            i, begin = run.signal[-1], run.since[-1]
            since = work[begin:]
            self.signal = Signal(
                at=at[i],
                since=at[begin],
                n=since.height,
                trouble=int(since["trouble"].sum()),
                expected=float(since["expected"].sum()),
                statistic=float(run.statistic[-1]),
                limit=self.limit,
                false_alarm_per_year=self.false_alarm_per_year,
            )

    def points(self, name: str, topic: str) -> pl.DataFrame:
        return self.work.select(
            pl.lit(name).alias("technician"),
            pl.lit(topic).alias("topic"),
            "at",
            "trouble",
            "expected",
            pl.Series("statistic", self.statistic, dtype=pl.Float64),
            pl.lit(self.limit).alias("limit"),
        )


def _standing_out(
    topic: str, since: pl.DataFrame, habits: pl.DataFrame, others: pl.DataFrame
) -> tuple[str, frozenset[str], str]:
    """The check that fails most beyond what the others' captures have: its name, where, and in words."""
    if not TOPICS[topic].about_captures:
        return "", frozenset(), ""
    about = habits.filter(pl.col("severity") == "unusable") if topic == USABLE else habits
    seen = about.select("capture_file", "check").unique()
    own = seen.filter(pl.col("capture_file").is_in(since["capture_file"].to_list()))
    elsewhere = seen.filter(pl.col("capture_file").is_in(others["capture_file"].to_list()))
    rest = max(others.height, 1)
    usual: dict[str, int] = dict(elsewhere.group_by("check").len().iter_rows())
    counted = [
        (n - since.height * usual.get(check, 0) / rest, n, check)
        for check, n in own.group_by("check").len().sort("check").iter_rows()
    ]
    if not counted or max(counted)[0] <= 0:
        return "", frozenset(), ""
    _, n, check = max(counted)
    where = frozenset(own.filter(pl.col("check") == check)["capture_file"].to_list())
    return check, where, f"; {check.replace('_', ' ')} stands out ({n} of these {since.height} captures)"


def _item(
    name: str,
    topic: str,
    work: pl.DataFrame,
    signal: Signal,
    habits: pl.DataFrame,
    others: pl.DataFrame,
    moment: datetime,
) -> CoachingItem:
    since = work.filter(pl.col("at") >= signal.since)
    bad = since.filter("trouble").sort("at", descending=True)
    detail, where, detail_text = _standing_out(topic, since, habits, others)
    low, high = wilson(signal.trouble, signal.n)
    evidence = (
        f"{signal.trouble} of {signal.n} {TOPICS[topic].trouble} since {signal.since:%Y-%m-%d}, where "
        f"{signal.expected:.1f} would be usual on the same work "
        f"({100 * signal.trouble / signal.n:.0f} %, 95 % interval {100 * low:.0f} to {100 * high:.0f} %)"
        f"{detail_text}."
    )
    recent = bad.filter(pl.col("at") > moment - _RECENT)
    bad = recent if recent.height else bad.head(_SHOWN_CAPTURES)
    # the recent ones with the check that stands out; among them easy work that went wrong teaches most
    shown = (
        bad.with_columns(plain=~pl.col("capture_file").is_in(list(where)).fill_null(False))
        .sort("plain", maintain_order=True)
        .head(3 * _SHOWN_CAPTURES)
        .sort("plain", "expected", maintain_order=True)
        .head(_SHOWN_CAPTURES)
        .sort("at", descending=True)
    )
    return CoachingItem(
        technician=name,
        topic=topic,
        detail=detail,
        since=signal.since.date(),
        evidence=evidence,
        captures=tuple(shown["capture_file"].drop_nulls().to_list()),
        orders=tuple(shown["repair_order"].drop_nulls().to_list()) if topic == SCOPE_USE else (),
        signal=signal,
    )
