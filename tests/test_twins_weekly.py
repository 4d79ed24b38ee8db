"""A weekly chart week by week, and what is left at the edges of the people's and jobs' figures."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest

from models.jobs.comparison import crude, group_of
from models.jobs.weekly import limit_for_run_length, watch_weeks
from models.people.before_after import _allowing
from models.people.coaching import _Chart, needs_coaching
from models.people.counts import Count
from models.people.funnels import funnel
from models.people.skill import TechnicianSkill
from models.people.watch import observations
from models.records import schemas
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from models.records.topics import TOPICS
from models.stats.intervals import newcombe_difference
from models.stats.shrinkage import pool_shares
from models.thresholds.verification import verification_list
from tests.simulated_shop import TEST, capture_row, captures_of, frame_of, skill_shop

MONDAY = datetime(2025, 3, 3, 9)
DAY = timedelta(days=1)


# -- a weekly share -----------------------------------------------------------------------------------------------


def _slow_chart(
    k: list[float], n: list[float], limit: float
) -> tuple[list[Any], list[Any], list[tuple[int, int, int]]]:
    """Standardised weeks, the moving average, and each change as (begin of its base, since, seen)."""
    z: list[Any] = [None] * len(k)
    level: list[Any] = [None] * len(k)
    changes = []
    begin, now = 0, 0.0
    up = down = 0.0
    up_run = down_run = 0
    known: list[int] = []
    for t in range(len(k)):
        before_k, before_n = sum(k[begin:t]), sum(n[begin:t])
        if before_n < 20:
            continue

        def angle(events: float, trials: float) -> float:
            return float(np.arcsin(np.sqrt((events + 0.375) / (trials + 0.75))))

        z[t] = (angle(k[t], n[t]) - angle(before_k, before_n)) / np.sqrt(
            0.25 / (n[t] + 0.5) + 0.25 / (before_n + 0.5)
        )
        now = 0.2 * z[t] + 0.8 * now
        level[t] = now
        known.append(t)
        up, down = max(0.0, up + z[t] - 0.5), max(0.0, down - z[t] - 0.5)
        up_run, down_run = (up_run + 1 if up > 0 else 0), (down_run + 1 if down > 0 else 0)
        if abs(now) > limit:
            run = max(up_run if now > 0 else down_run, 1)
            changes.append((begin, known[max(0, len(known) - run)], t))
            begin, now, up, down, up_run, down_run, known = t + 1, 0.0, 0.0, 0.0, 0, 0, []
    return z, level, changes


@pytest.mark.parametrize("seed", range(8))
def test_a_weekly_chart_of_several_changes_week_by_week(seed: int) -> None:
    rng = np.random.default_rng(seed)
    share = np.repeat(rng.choice([0.1, 0.3, 0.6, 0.9], 4), 18)
    trials = rng.integers(0, 14, share.size)
    events = rng.binomial(trials, share)
    monday = date(2025, 1, 6)
    weeks = pl.DataFrame(
        {"week": [monday + timedelta(weeks=i) for i in range(share.size)], "events": events, "trials": trials}
    )
    worked = [i for i in range(share.size) if trials[i] > 0]
    k, n = [float(events[i]) for i in worked], [float(trials[i]) for i in worked]
    limit = limit_for_run_length(520.0) * np.sqrt(0.2 / 1.8)
    z, level, changes = _slow_chart(k, n, limit)
    found = watch_weeks(weeks.sample(fraction=1.0, shuffle=True, seed=1))
    assert found.points["week"].to_list() == [weeks["week"][i] for i in worked]
    assert found.points["z"].to_list() == [None if v is None else pytest.approx(v) for v in z]
    assert found.points["statistic"].to_list() == [None if v is None else pytest.approx(v) for v in level]
    assert found.points["signal"].to_list() == [
        t in {seen for _, _, seen in changes} for t in range(len(worked))
    ]
    assert len(found.changes) == len(changes)
    for change, (begin, since, seen) in zip(found.changes, changes, strict=True):
        assert (change.since, change.seen_on) == (weeks["week"][worked[since]], weeks["week"][worked[seen]])
        counts = [int(sum(v[a:b])) for a, b in ((since, seen + 1), (begin, since)) for v in (k, n)]
        assert change.difference.n == counts[1] + counts[3]
        if min(counts[1], counts[3]) > 0:
            low, high = newcombe_difference(*counts)
            assert change.difference.estimate == pytest.approx(counts[0] / counts[1] - counts[2] / counts[3])
            assert (change.difference.low, change.difference.high) == pytest.approx((low, high))


# -- the comparison at its edges ----------------------------------------------------------------------------------


def _watched(scoped: list[bool], returned: list[bool], days: list[float]) -> pl.DataFrame:
    return pl.DataFrame({"scoped": scoped, "returned": returned, "days": days})


def test_two_groups_and_a_comeback_are_needed_to_tell_them_apart() -> None:
    both = _watched([True] * 6 + [False] * 6, [True, *[False] * 11], [5.0] + [40.0] * 11)
    assert crude(both, window_days=30).log_rank_p is not None
    late = both.with_columns(days=pl.lit(31.0))
    assert crude(late, window_days=30).log_rank_p is None  # nobody came back within the window
    assert crude(both.with_columns(days=pl.lit(30.0)), window_days=30).scoped.comebacks == 1
    for alone in (True, False):
        found = crude(both.with_columns(scoped=pl.lit(alone)), window_days=30)
        assert found.log_rank_p is None
        assert found.risk_difference.estimate is None
    # a comeback after the window is none, and its group is watched to the window's end
    mixed = both.with_columns(
        returned=pl.Series([True, True] + [False] * 10), days=pl.Series([5.0, 35.0] + [40.0] * 10)
    )
    assert crude(mixed, window_days=30).log_rank_p == crude(both, window_days=30).log_rank_p
    risks = [group_of(both.head(n), window_days=30).risk.estimate for n in (5, 4)]
    assert risks == [pytest.approx(0.2), None]


# -- people at their edges ----------------------------------------------------------------------------------------


def test_allowing_for_a_bad_spell_draw_by_draw() -> None:
    settings = PeopleSettings(draws=300, seed=9)
    work = pl.DataFrame(
        {"technician": [n for n in "abcde" for _ in range(8)], "trouble": [i % 3 == 0 for i in range(40)]}
    )
    counts = [(sum(work["trouble"][8 * i : 8 * i + 8]), 8) for i in range(5)]
    shop = pool_shares([k for k, _ in counts], [n for _, n in counts])
    rng = np.random.default_rng(9)
    before = rng.beta(shop.alpha + 4, shop.beta + 6, 1200)
    after = rng.beta(0.5 + 1, 0.5 + 8, 1200)
    found = _allowing(work, (4, 10), (1, 9), settings)
    low, high = np.quantile(after - before, [0.025, 0.975])
    assert (found.n, found.estimate) == (19, pytest.approx(float(np.mean(after - before))))
    assert (found.low, found.high) == pytest.approx((low, high))
    few = _allowing(work, (4, 10), (1, 5), settings)
    assert few.why == (
        "Too little to say: 5 pieces of work after and 10 before (without the last 28 days), at least 6 of each needed."
    )


@pytest.mark.parametrize("most", [1, 2, 40, 700])
def test_limits_of_a_funnel_are_drawn_at_about_a_hundred_counts(most: int) -> None:
    def skill(events: int, trials: int) -> TechnicianSkill:
        return cast(
            TechnicianSkill, SimpleNamespace(technician=f"{trials}", counts={"usable": Count(events, trials)})
        )

    found = funnel([skill(1, most), skill(0, 1)], "usable").limits["n"].to_list()
    assert found == sorted({round(float(v)) for v in np.geomspace(1, max(most, 2), 120)})


def test_the_list_is_made_of_its_charts() -> None:
    made = skill_shop(
        41, newcomer=True, people=5, coaching=(("tech a", "hookup", 120), ("tech b", "calls", 350))
    )
    moment = datetime(2026, 1, 4, 23, 59, 59, 999_999)
    settings = PeopleSettings()
    work = observations(made.shop, moment)
    skills = [SimpleNamespace(technician=name) for name in work["technician"].unique()]
    found = needs_coaching(cast(Any, skills), made.shop, as_of=made.as_of)
    held: dict[tuple[str, str], list[date]] = {}
    for who, topic, day in (
        made.shop.coaching.select("technician", "topic", "held_on").sort("held_on").iter_rows()
    ):
        held.setdefault((who, topic), []).append(day)
    rate, charts, watched, standing, past = 0.0, 0, set(), [], []
    for topic, name in sorted({(t, n) for t, n in work.select("topic", "technician").iter_rows()}):
        own = work.filter((pl.col("topic") == topic) & (pl.col("technician") == name))
        if own.height < 6:
            continue
        allowed = 0.05 * TOPICS[topic].alarm_share / sum(one.alarm_share for one in TOPICS.values())
        chart = _Chart(own, held.get((name, topic), []), moment, allowed, settings)
        rate, charts = rate + chart.false_alarm_per_year, charts + 1
        if topic != "scope use":
            watched.add(name)
        if chart.signal is not None:
            standing.append((name, topic, chart.signal.at))
        past += [(name, topic, *span) for span in chart.past]
        points = found.chart_points.filter((pl.col("topic") == topic) & (pl.col("technician") == name))
        assert points["statistic"].to_list() == chart.statistic.tolist()
    assert (found.charts, found.false_alarm_per_year) == (charts, pytest.approx(rate))
    assert found.unwatched == tuple(sorted({one.technician for one in skills} - watched))
    assert {(item.technician, item.topic, item.signal.at) for item in found.items} == set(standing)
    order = [(item.technician, list(TOPICS).index(item.topic)) for item in found.items]
    assert order == sorted(order)
    assert sorted(found.past.rows()) == sorted(past)
    assert f"With {charts} charts" in found.note
    assert f"{1.25:g} times the usual) about {rate:.2f} times a year at most" in found.note


def test_near_misses_alone_still_leave_one_more_to_confirm() -> None:
    """Twenty confirmed ones, all of the odder half: not enough, and what is asked for is at least one."""
    n = 60
    captures = [
        capture_row(
            f"{i:02}",
            repair_order=f"{i:02}",
            vehicle=f"{i}",
            captured_at=MONDAY,
            purpose="diagnosis",
            call="even",
        )
        for i in range(n)
    ]

    def listed(confirmed: range) -> Any:
        outcomes = [
            {"repair_order": f"{i:02}", "test": TEST, "confirmed_at": MONDAY + DAY, "finding": "even"}
            for i in confirmed
        ]
        shop = Shop(captures=captures_of(captures), outcomes=frame_of(schemas.OUTCOMES, outcomes))
        scores = pl.DataFrame(
            {"capture_file": [f"{i:02}" for i in range(n)], "odd_pct": [float(i) for i in range(n)]}
        )
        return verification_list(scores, shop, {"f": 99.0}, as_of=MONDAY + DAY, share=1.0)

    odder, mixed = listed(range(35, 57)), listed(range(25, 47))
    assert (odder.confirmed, odder.needed) == (22, 1)
    assert "about 1 more are needed" in odder.sentence
    assert (mixed.confirmed, mixed.needed) == (22, 0)
    assert "enough to weigh costs" in mixed.sentence
