"""How slow the list is, and curves of a limit, put together slowly."""

from __future__ import annotations

from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest

from models.people.power import Delay, delays, pieces_until_found
from models.people.skill import TechnicianSkill
from models.records.people_settings import PeopleSettings
from models.stats.control import false_alarm_chance, limit_for_false_alarms
from models.thresholds.curves import band, bootstrap_times, curves, drawn_weights, vehicle_codes
from models.thresholds.evidence import confirmation_weights

MONDAY = datetime(2025, 3, 3, 9)
ODDS = {"odds_to_find": 4.0, "odds_in_control": 1.25}


@pytest.mark.parametrize("share", [0.5, 0.9])
@pytest.mark.parametrize("odds_true", [2.0, 4.0, 8.0])
def test_the_pieces_until_found_are_the_first_that_are_enough(share: float, odds_true: float) -> None:
    expected = np.array([0.1, 0.2, 0.2, 0.3])

    def chance(pieces: int) -> float:
        return false_alarm_chance(expected, limit=3.0, observations=pieces, odds_true=odds_true, **ODDS)

    found = pieces_until_found(expected, limit=3.0, odds_true=odds_true, share=share, **ODDS)
    assert found is not None
    assert chance(found) >= share > chance(found - 1)
    assert found == next(n for n in range(1, 400) if chance(n) >= share)


def test_at_once_and_never() -> None:
    always = np.array([0.9])
    assert pieces_until_found(always, limit=0.05, odds_true=50.0, share=0.5, **ODDS) == 1
    # not within 4096 pieces; one that takes 2048 to 4096 of them is found
    never = np.array([0.05])
    slow = pieces_until_found(never, limit=5.0, odds_true=1.6, share=0.9, **ODDS)
    chance = [
        false_alarm_chance(never, limit=5.0, observations=n, odds_true=1.6, **ODDS)
        for n in (2048, 4096, 8192)
    ]
    assert chance[0] < 0.9 <= chance[1]
    assert slow is not None
    assert 2048 < slow <= 4096
    assert false_alarm_chance(never, limit=6.0, observations=8192, odds_true=1.6, **ODDS) >= 0.9
    assert pieces_until_found(never, limit=6.0, odds_true=1.6, share=0.9, **ODDS) is None


def _points() -> pl.DataFrame:
    """Calls: 'a' 30 over 20 weeks, 'b' 8 over 16, 'c' 2 within a week (four weeks at least); hookup: 'a' 41 over 20."""
    end = MONDAY + timedelta(weeks=20)
    spans = {
        ("calls", "a"): (30, 20.0),
        ("calls", "b"): (8, 16.0),
        ("calls", "c"): (2, 1.0),
        ("hookup", "a"): (41, 20.0),
    }
    rows = [
        (topic, who, end - timedelta(weeks=span * (1 - i / (n - 1))), [0.05, 0.1, 0.15][i % 3])
        for (topic, who), (n, span) in spans.items()
        for i in range(n)
    ]
    return pl.DataFrame(rows, schema=["topic", "technician", "at", "expected"], orient="row")


def _delays(
    confirmed: tuple[int, int], judged: tuple[int, int], worse: float | None = None
) -> dict[str, Delay]:
    skills = [
        SimpleNamespace(confirmed=SimpleNamespace(n=n), counts={"calls": SimpleNamespace(trials=k)})
        for n, k in zip(confirmed, judged, strict=True)
    ]
    found = cast(Any, SimpleNamespace(chart_points=_points()))
    answers = delays(found, cast("list[TechnicianSkill]", skills), worse=worse)
    return {one.topic: one for one in answers}


def _weeks(expected: Any, a_week: float, odds_true: float, share: float, alarm_share: float) -> float | None:
    allowed = PeopleSettings().false_alarms_per_technician_year * alarm_share
    year = max(30, round(52.18 * a_week))
    limit = limit_for_false_alarms(expected, chance=allowed, observations=year, **ODDS)
    pieces = pieces_until_found(expected, limit=limit, odds_true=odds_true, share=share, **ODDS)
    return None if pieces is None or pieces / a_week > 260 else pieces / a_week


def test_the_delay_of_a_shop_from_its_parts() -> None:
    found = _delays((40, 60), (30, 20))
    assert list(found) == ["hookup", "calls"]
    calls, points = found["calls"], _points().filter(pl.col("topic") == "calls")
    expected = points["expected"].to_numpy()
    # pieces a week: 30 / 20, 8 / 16 and 2 / 4
    assert (calls.people, calls.a_week) == (3, pytest.approx(0.5))
    usual = float(expected.mean())
    odds = usual / (1 - usual)
    assert calls.usual == pytest.approx(usual)
    assert calls.worse == pytest.approx(4 * odds / (1 + 4 * odds))
    assert calls.weeks == _weeks(expected, 0.5, 4.0, 0.5, 0.4)
    assert calls.weeks_nine_in_ten == _weeks(expected, 0.5, 4.0, 0.9, 0.4)
    # half of the 100 calls have an outcome
    assert calls.weeks_with_outcomes == _weeks(expected, 0.5 / 0.5, 4.0, 0.5, 0.4)
    assert calls.sentence == (
        f"Calls: at 0.5 pieces of work a week somebody whose trouble grows from {usual:.0%} to {calls.worse:.0%} is "
        f"named after {calls.weeks:.0f} weeks in half of the cases, after {calls.weeks_nine_in_ten:.0f} in nine of "
        "ten. 50% of the calls have an outcome; with an outcome entered for each it would be "
        f"{calls.weeks_with_outcomes:.0f} weeks."
    )
    hookup = found["hookup"]
    own = _points().filter(pl.col("topic") == "hookup")["expected"].to_numpy()
    assert (hookup.a_week, hookup.weeks) == (41 / 20, _weeks(own, 41 / 20, 4.0, 0.5, 0.25))
    assert hookup.weeks_with_outcomes is None
    assert hookup.sentence.endswith("in nine of ten.")


def test_what_is_to_be_found_may_be_given() -> None:
    calls = _delays((40, 60), (30, 20), worse=0.25)["calls"]
    expected = _points().filter(pl.col("topic") == "calls")["expected"].to_numpy()
    usual = float(expected.mean())
    odds_true = (0.25 / 0.75) / (usual / (1 - usual))
    assert (calls.worse, calls.weeks) == (0.25, _weeks(expected, 0.5, odds_true, 0.5, 0.4))
    barely = 1.25 * usual / (1 - usual)
    with pytest.raises(ValueError, match="no more than the usual"):
        _delays((40, 60), (30, 20), worse=barely / (1 + barely) - 1e-9)
    for wrong in (0.0, 1.0):
        with pytest.raises(ValueError, match="between 0 and 1"):
            _delays((40, 60), (30, 20), worse=wrong)
    # hardly more than ordinary: not within five years, and then nothing else is said
    for worse, told in ((0.17, True), (0.15, False)):
        slow = _delays((40, 60), (30, 20), worse=worse)["calls"]
        assert ((slow.weeks or 999.0) <= 260.0, slow.weeks_nine_in_ten) == (told, None)
        assert ("is not found within five years." in slow.sentence) is not told
        assert "in nine of ten" not in slow.sentence


@pytest.mark.parametrize(("judged", "quicker"), [((57, 37), True), ((57, 38), False), ((60, 40), False)])
def test_more_outcomes_help_while_fewer_than_95_in_100_calls_have_one(
    judged: tuple[int, int], quicker: bool
) -> None:
    calls = _delays((60, 40), judged)["calls"]
    assert (calls.weeks_with_outcomes is not None) is quicker
    assert ("have an outcome" in calls.sentence) is quicker


def test_without_a_call_nothing_can_be_confirmed() -> None:
    assert _delays((0, 0), (0, 0))["calls"].weeks_with_outcomes is None


# -- curves of a limit --------------------------------------------------------------------------------------------


def test_every_curve_point_by_point() -> None:
    rng = np.random.default_rng(12)
    n = 90
    odd = rng.gamma(2.0, 3.0, n).round(1)
    seen = rng.random(n) < np.where(odd > 8, 0.8, 0.35)
    rows = pl.DataFrame(
        {
            "capture_file": [f"{i}" for i in range(n)], "group": [["g", "h", None][i % 3] for i in range(n)],
            "vehicle": [f"{i // 3}" for i in range(n)],
            "purpose": ["known_good" if i % 11 == 0 else "diagnosis" for i in range(n)], "call": [None] * n,
            "odd_pct": odd, "flagged": odd > 8, "confirmed": np.where(seen, np.where(odd > 6, -1, 1), 0),
            "in_question": [i % 11 != 0 for i in range(n)],
        }
    )  # fmt: skip
    grid = np.array([3.0, 6.0, 9.0])
    found = curves(rows, grid_pct=grid, draws=50, seed=2)
    weighting = confirmation_weights(rows)
    times = bootstrap_times(vehicle_codes(rows), 50, 2)
    again = drawn_weights(rows, times, weighting)
    code, good = rows["confirmed"].to_numpy(), (rows["purpose"] == "known_good").to_numpy()
    asked = rows["in_question"].to_numpy()

    def weight(what: str, how: str, one: Any) -> Any:
        if how == "naive":
            return np.where((code == (-1 if what == "detection" else 1)) & asked, 1.0, 0.0)
        if what == "detection":
            return np.where(code == -1, one.weight, 0.0)
        return np.where(good & (code != -1), 1.0, np.where(code == 1, one.weight, 0.0))

    cells = {
        (r["group"], r["what"], r["how"], r["threshold_pct"]): r for r in found.curves.iter_rows(named=True)
    }
    assert len(cells) == 2 * 2 * 2 * 3 == found.curves.height
    for (group, what, how, x), cell in cells.items():
        own = (rows["group"] == group).fill_null(False).to_numpy()
        base = np.where(own, weight(what, how, weighting), 0.0)
        share = base[odd >= x].sum() / base.sum()
        drawn = []
        for one, row in zip(again, times, strict=True):
            # what weighs nothing in the data does not come in by a draw
            w = np.where(base > 0, weight(what, how, one), 0.0) * row
            drawn.append(w[odd >= x].sum() / w.sum() if w.sum() else np.nan)
        worth = base.sum() ** 2 / (base**2).sum()
        # a draw counts where it gives a share at every X
        low, high = band(np.array([share]), np.array(drawn)[:, None], worth)
        assert (cell["share"], cell["n"], cell["effective_n"]) == (
            pytest.approx(share), int((base > 0).sum()), pytest.approx(worth),
        )  # fmt: skip
        assert (cell["low"], cell["high"]) == pytest.approx((low[0], high[0]))
    shown = found.weights
    assert shown["capture_file"].to_list() == [f"{i}" for i in range(n) if weighting.weight[i] > 0]
    assert shown["weight"].to_list() == [w for w in weighting.weight if w > 0]
    assert shown["chance"].to_list() == [
        c for c, w in zip(weighting.chance, weighting.weight, strict=True) if w > 0
    ]


def test_draws_are_cut_to_the_rows_and_never_below_fifty() -> None:
    for rows, draws in ((25_000, 200), (25_001, 199), (99_999, 50), (200_000, 50)):
        assert bootstrap_times(np.zeros(rows, dtype=np.int64), 200, 1).shape == (draws, rows)
    times = bootstrap_times(np.arange(4), 3, 7)
    rng = np.random.default_rng(7)
    assert times.tolist() == [rng.multinomial(4, [0.25] * 4).tolist() for _ in range(3)]
    assert times.dtype == np.uint16
