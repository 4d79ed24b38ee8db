"""The weekly chart: run length as stated, a planted change found, dated and started anew from."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.jobs.weekly import WEIGHT, limit_for_run_length, watch_weeks
from models.stats.control import ewma_run_length

MONDAY = date(2025, 1, 6)


def _weeks(events: list[int], trials: list[int]) -> pl.DataFrame:
    week = [MONDAY + timedelta(weeks=i) for i in range(len(events))]
    return pl.DataFrame({"week": week, "events": events, "trials": trials})


def _drawn(seed: int, shares: list[float], size: int = 25) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    trials = rng.poisson(size, len(shares))
    return _weeks(rng.binomial(trials, shares).tolist(), trials.tolist())


def test_limit_gives_the_published_run_length() -> None:
    # Lucas & Saccucci (1990) Technometrics 32:1-29: weight 0.20, limit 2.962, 500 weeks
    assert WEIGHT == 0.2
    assert limit_for_run_length(500.0) == pytest.approx(2.962, abs=1e-3)
    assert ewma_run_length(weight=WEIGHT, limit=limit_for_run_length(200.0)) == pytest.approx(200, rel=1e-3)


def test_false_alarms_are_as_rare_as_stated() -> None:
    # 150 quiet years: the chart starts from scratch in each, so alarms are a little rarer than 52/104
    alarms = sum(len(watch_weeks(_drawn(seed, [0.3] * 52), between=104.0).changes) for seed in range(150))
    assert 0.2 < alarms / 150 < 0.55


def test_a_planted_rise_is_found_and_dated() -> None:
    dated, early = [], 0
    for seed in range(40):
        chart = watch_weeks(_drawn(seed, [0.25] * 26 + [0.50] * 26))
        rises = [c for c in chart.changes if c.seen_on >= MONDAY + timedelta(weeks=26)]
        early += len(chart.changes) - len(rises)
        assert rises
        assert rises[0].seen_on >= rises[0].since
        assert (rises[0].difference.low or 0) > 0
        dated.append((rises[0].since - MONDAY).days / 7)
        # the new level is the new normal: no string of further alarms
        assert len(rises) <= 2
    assert early <= 5  # 40 times 26 weeks, 520 weeks between false alarms
    assert np.median(dated) == pytest.approx(26, abs=1)
    assert np.mean(np.abs(np.array(dated) - 26) <= 4) > 0.8


def test_a_fall_is_found_too() -> None:
    chart = watch_weeks(_drawn(3, [0.6] * 20 + [0.25] * 20))
    assert (chart.changes[0].difference.high or 0) < 0
    assert chart.points.filter("signal").height == len(chart.changes)


def test_quiet_and_empty_weeks() -> None:
    assert watch_weeks(_weeks([], [])).changes == ()
    few = watch_weeks(_weeks([1, 0, 0, 2], [2, 0, 1, 3]))
    assert few.points.height == 3
    assert few.points["z"].null_count() == 3
    all_scoped = watch_weeks(_weeks([10] * 30, [10] * 30))
    assert all_scoped.changes == ()
