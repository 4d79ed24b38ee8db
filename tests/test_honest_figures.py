"""What is shown of people where they behave like people: not more than the evidence holds."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from dashboard.shared import skills
from models.jobs.adoption import DIRECTION_WEEKS, adoption
from models.people.before_after import SPELL_DAYS, before_after, coaching_effect
from models.people.counts import FUNNELS, MEASURES
from models.people.hookup import EVIDENT, _holm, failing_checks
from models.people.skill import technicians
from models.records import schemas
from models.records.shop import Shop
from tests.simulated_shop import START, TEST, Trouble, capture_row, captures_of, frame_of, skill_shop

AT = datetime(2025, 3, 3, 9)


def test_found_odd_ones_are_corrected_for_who_gets_confirmed() -> None:
    """Nine in ten odd calls confirmed and one in twelve even ones: misses hardly ever come to light."""
    naive, corrected, held, right = [], [], 0, []
    for seed in range(3):
        made = skill_shop(
            60 + seed, between_sd=0.0, newcomer=False, right=0.75, captures_a_week=5.0, confirmed=(0.08, 0.9)
        )
        for skill in technicians(made.shop, as_of=made.as_of):
            figure = skill.corrected.sensitivity
            if figure.estimate is None or figure.low is None or figure.high is None:
                continue
            naive.append(skill.sensitivity.estimate or 0.0)
            corrected.append(figure.estimate)
            held += figure.low <= 0.75 <= figure.high
            right.append(skill.corrected.right.estimate or 0.0)
    assert len(corrected) > 15
    assert np.mean(naive) - 0.75 > 0.10
    assert abs(np.mean(corrected) - 0.75) < 0.06
    assert held / len(corrected) > 0.85
    assert np.mean(right) == pytest.approx(0.75, abs=0.05)
    # the uncorrected shares among confirmed odd and confirmed even ones are set side by side nowhere
    assert set(MEASURES) - set(FUNNELS) == {"sensitivity", "specificity"}
    assert set(skills.FUNNELS) == set(FUNNELS)


def _orders(shares: list[float], seed: int, size: int = 15) -> Shop:
    rng = np.random.default_rng(seed)
    orders, captures = [], []
    for week, share in enumerate(shares):
        for i in range(size):
            name, at = f"{week}-{i}", AT + timedelta(weeks=week)
            orders.append({
                "repair_order": name, "opened_at": at, "closed_at": at + timedelta(days=1), "technician": "t",
                "vehicle": name, "engine_family": "f", "complaint": "c", "scope_eligible": True,
            })  # fmt: skip
            if rng.random() < share:
                captures.append(capture_row(name, repair_order=name, purpose="diagnosis", captured_at=at))
    return Shop(captures=captures_of(captures), orders=frame_of(schemas.ORDERS, orders))


def test_use_is_called_rising_only_where_the_chart_has_seen_it() -> None:
    weeks, quiet = 40, 0
    end = (AT + timedelta(weeks=weeks)).date()
    for seed in range(12):
        quiet += adoption(_orders([0.4] * weeks, seed), as_of=end).direction != ""
    assert quiet <= 1
    grown = adoption(_orders([0.2] * (weeks - 6) + [0.7] * 6, 1), as_of=end)
    fallen = adoption(_orders([0.7] * (weeks - 6) + [0.2] * 6, 1), as_of=end)
    assert (grown.direction, fallen.direction) == ("rising", "falling")
    assert "Rising since the week of" in grown.direction_sentence
    assert "once in 10 years" in grown.direction_sentence
    later = adoption(
        _orders([0.2] * 20 + [0.7] * (20 + DIRECTION_WEEKS), 1), as_of=end + timedelta(weeks=DIRECTION_WEEKS)
    )
    assert later.direction == ""  # the new level is the usual one by now
    assert "No lasting change" in later.direction_sentence


def _session_after_a_bad_month(seed: int) -> tuple[Shop, date]:
    """Everybody is coached when a month was twice as bad as the shop; the session does nothing."""
    made = skill_shop(seed, between_sd=0.6, newcomer=False, captures_a_week=3.0, usable=0.85)
    bad = made.shop.captures.with_columns(
        trouble=pl.col("status") == "unusable", day=pl.col("captured_at").dt.date()
    )
    usual, sessions = float(bad["trouble"].mean() or 0.0), []  # type: ignore[arg-type]
    for name in bad["technician"].unique().sort():
        for day in range(120, 250, 7):
            end = START.date() + timedelta(days=day)
            month = bad.filter(
                (pl.col("technician") == name) & pl.col("day").is_between(end - timedelta(days=27), end)
            )
            if month.height >= 3 and float(month["trouble"].mean() or 0.0) >= 2 * usual:  # type: ignore[arg-type]
                sessions.append(
                    {
                        "session": name,
                        "technician": name,
                        "held_on": end,
                        "topic": "usable captures",
                        "test": TEST,
                    }
                )
                break
    return made.shop.with_frames(coaching=frame_of(schemas.COACHING, sessions)), made.as_of


def test_a_session_that_did_nothing_is_not_called_a_success() -> None:
    """A hundred sessions here; more in tests/bench/bench_sessions.py."""
    plain, honest, gain, total = 0, 0, [], 0
    for seed in range(300, 320):
        shop, as_of = _session_after_a_bad_month(seed)
        for row in before_after(shop, as_of=as_of):
            if row.change.high is None or row.change_allowing.high is None:
                continue
            total += 1
            plain += row.change.high < 0
            honest += row.change_allowing.high < 0
            gain.append((row.change.estimate or 0.0, row.change_allowing.estimate or 0.0))
            assert ("clearly less" in row.sentence) == (row.change_allowing.high < 0)
            assert row.calm.n < row.before.n
    assert total > 70
    assert honest <= 4
    assert plain > honest
    means = np.mean(gain, axis=0)
    assert means[0] < -0.01  # the spell passes by itself
    assert means[0] < means[1] < 0.03


def test_the_spell_before_a_session_is_left_out() -> None:
    shop, as_of = _session_after_a_bad_month(301)
    rows = before_after(shop, as_of=as_of)
    row = rows[0]
    own = shop.captures.filter(pl.col("technician") == row.technician)["captured_at"].dt.date()
    first, last = row.held_on - timedelta(weeks=row.weeks), row.held_on - timedelta(days=SPELL_DAYS)
    assert row.calm.n == int(((own > first) & (own <= last)).sum())
    effect = coaching_effect(rows)
    assert effect.odds_ratio.low is not None
    assert effect.odds_ratio.high is not None
    assert effect.odds_ratio.low < 1.0 < effect.odds_ratio.high


def test_a_check_is_told_to_somebody_only_where_it_is_evident() -> None:
    told = 0
    for seed in range(10):
        made = skill_shop(800 + seed, between_sd=0.0, newcomer=False)
        rows = failing_checks(made.shop, datetime(2027, 1, 1))
        assert (rows["excess"] > 1).any()  # somebody always has the most
        told += bool(rows["evident"].any())
    assert told <= 2
    made = skill_shop(33, (Trouble("tech b", "hookup", 0, 0.5),), newcomer=False)
    rows = failing_checks(made.shop, datetime(2027, 1, 1))
    assert rows.filter("evident").select("technician", "check").rows() == [("tech b", "reversed_leads")]


def test_evidence_is_fishers_test_with_holms_step_down() -> None:
    captures = [
        capture_row(f"{name}{i}", technician=name, captured_at=AT + timedelta(days=i), vehicle=f"{name}{i}")
        for name in "abc"
        for i in range(20)
    ]
    failed = [(f"a{i}", "reversed_leads", True) for i in range(9)] + [("b0", "reversed_leads", True)]
    failed += [(f"c{i}", "weak_battery", False) for i in range(12)]
    checks = [
        {"capture_file": f, "check": c, "severity": "warning", "detail": "Do.", "habit": h}
        for f, c, h in failed
    ]
    shop = Shop(captures=captures_of(captures), checks=frame_of(schemas.CHECKS, checks))
    rows = failing_checks(shop, AT + timedelta(days=90))
    row = rows.filter((pl.col("technician") == "a") & (pl.col("check") == "reversed_leads")).row(
        0, named=True
    )
    theirs = stats.fisher_exact([[9, 11], [1, 39]], alternative="greater").pvalue
    assert row["p_value"] == pytest.approx(theirs)
    assert theirs < EVIDENT / 3
    assert row["evident"]
    # a weak battery stands out on c's captures beyond chance, and is nobody's habit
    battery = rows.filter(pl.col("check") == "weak_battery").row(0, named=True)
    assert battery["p_value"] < EVIDENT / 3
    assert not battery["evident"]
    assert not rows.filter(pl.col("technician") == "b")["evident"].any()


def test_holm_steps_down_as_the_reference_library_does() -> None:
    rng = np.random.default_rng(5)
    for size in (1, 4, 12, 40):
        p_value = rng.beta(0.25, 1.5, size)
        theirs = multipletests(p_value, alpha=EVIDENT, method="holm")[0]
        assert _holm(p_value, EVIDENT).tolist() == theirs.tolist()
    # 0.005 and 0.01 pass 0.05/4 and 0.05/3; 0.03 does not pass 0.05/2, and ends it
    assert _holm(np.array([0.01, 0.04, 0.03, 0.005]), 0.05).tolist() == [True, False, False, True]
