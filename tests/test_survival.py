"""Kaplan-Meier, log-rank and the risk at a window against published results."""

from __future__ import annotations

import numpy as np
import pytest

from models.stats.intervals import wilson
from models.stats.survival import cumulative_incidence, kaplan_meier, log_rank, risk_at

# Freireich E.J. et al. (1963) Blood 21:699-716: weeks in remission, + for censored
SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def _weeks(text: str) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    words = text.split()
    return np.array([float(w.rstrip("+")) for w in words]), np.array([not w.endswith("+") for w in words])


def test_the_weeks_were_typed_right() -> None:
    # 9 relapses in 359 weeks and 21 in 182
    for text, weeks, events in ((SIX_MP, 359, 9), (PLACEBO, 182, 21)):
        t, e = _weeks(text)
        assert (t.size, t.sum(), e.sum()) == (21, weeks, events)


def test_kaplan_meier_and_greenwood() -> None:
    # Kleinbaum & Klein, Survival Analysis: A Self-Learning Text, chapter 2
    curve = kaplan_meier(*_weeks(SIX_MP))
    assert curve["day"].to_list() == [6, 7, 10, 13, 16, 22, 23]
    assert curve["survival"].to_numpy() == pytest.approx(
        [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4
    )
    se = [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]
    assert curve["se"].to_numpy() == pytest.approx(se, abs=5e-5)
    assert curve["at_risk"].to_list() == [21, 17, 15, 12, 11, 7, 6]
    # medians 23 and 8
    assert curve.filter(curve["survival"] <= 0.5)["day"][0] == 23
    placebo = kaplan_meier(*_weeks(PLACEBO))
    assert placebo.filter(placebo["survival"] <= 0.5)["day"][0] == 8


def test_kaplan_and_meiers_own_example() -> None:
    # Kaplan & Meier (1958) JASA 53:457-481
    t = [0.8, 3.1, 5.4, 9.2, 1.0, 2.7, 7.0, 12.1]
    curve = kaplan_meier(t, [True] * 4 + [False] * 4)
    assert curve["survival"].to_numpy() == pytest.approx([0.875, 0.70, 0.525, 0.2625], abs=1e-12)


def test_log_rank() -> None:
    t1, e1 = _weeks(SIX_MP)
    t0, e0 = _weeks(PLACEBO)
    test = log_rank(np.concatenate([t1, t0]), np.concatenate([e1, e0]), np.repeat(["mp", "placebo"], 21))
    assert test.chi_squared == pytest.approx(16.79, abs=5e-3)
    assert test.freedom == 1
    assert test.p_value < 1e-4
    with pytest.raises(ValueError, match="two groups"):
        log_rank(t1, e1, np.zeros(21))


def test_risk_without_censoring_is_the_plain_share() -> None:
    t = np.concatenate([np.full(7, 10.0), np.full(33, 90.0)])
    e = np.concatenate([np.ones(7, dtype=bool), np.zeros(33, dtype=bool)])
    risk = risk_at(t, e, window=30)
    assert risk.estimate == pytest.approx(7 / 40)
    assert (risk.low, risk.high) == pytest.approx(wilson(7, 40), abs=1e-9)


def test_young_orders_are_not_counted_as_good() -> None:
    # twenty orders watched for 90 days, five came back at 20; a hundred more closed ten days ago
    old_t = np.concatenate([np.full(5, 20.0), np.full(15, 90.0)])
    old_e = np.concatenate([np.ones(5, dtype=bool), np.zeros(15, dtype=bool)])
    t, e = np.concatenate([old_t, np.full(100, 10.0)]), np.concatenate([old_e, np.zeros(100, dtype=bool)])
    risk = risk_at(t, e, window=30)
    assert risk.estimate == pytest.approx(0.25)  # not 5 of 120
    assert risk.n == 120
    # all that the young ones add is that none came back within ten days
    assert risk.low == pytest.approx(wilson(5, 20)[0], abs=0.01)


def test_later_returns_are_no_comebacks() -> None:
    risk = risk_at([40.0] * 10, [True] * 10, window=30)
    assert risk.estimate == 0.0
    assert risk.high == pytest.approx(wilson(0, 10)[1])


def test_nothing_watched_long_enough_says_so() -> None:
    assert "too young" in (risk_at([1.0] * 8, [False] * 8, window=30, least_n=5).why or "")
    assert "watched" in (risk_at([1.0, 2.0] * 5, [True, False] * 5, window=30).why or "")
    assert risk_at([], [], window=30).estimate is None
    with pytest.raises(ValueError, match="negative"):
        kaplan_meier([-1.0], [True])


def test_curve_begins_at_zero_and_ends_at_the_window() -> None:
    t, e = _weeks(PLACEBO)
    curve = cumulative_incidence(t, e, window=12)
    assert curve.row(0, named=True)["risk"] == 0
    assert curve["day"].max() == 12
    assert curve["risk"][-1] == pytest.approx(17 / 21)
    assert (curve["low"] <= curve["risk"]).all()
    assert (curve["risk"] <= curve["high"]).all()
    assert cumulative_incidence([], [], window=12).height == 1
