"""Where people's and jobs' figures turn: boundaries, counts of nothing and the words, worked out by hand."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.multitest import multipletests

from models.jobs.comebacks import LEAST_TO_COMPARE, _by_call_quality, comebacks
from models.jobs.comparison import _risk
from models.jobs.crossfit import cross_fitted
from models.jobs.returns import covariates
from models.jobs.stepped import stepped_adoption, without_levels
from models.jobs.wording import caution_sentence
from models.people.before_after import BeforeAfter, _sentence, coaching_effect
from models.people.coaching import CoachingItem, _Chart, _item, needs_coaching
from models.people.hookup import _holm, failing_checks
from models.people.skill import technicians
from models.records import schemas
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from models.stats.intervals import share
from models.stats.results import Estimate
from tests.simulated_shop import Trouble, capture_row, captures_of, frame_of, skill_shop

MONDAY = datetime(2025, 3, 3, 9)
DAY = timedelta(days=1)
NONE = Estimate.nothing(0, "unused")


def _row(
    calm: tuple[int, int], after: tuple[int, int], change: Estimate, before: tuple[int, int] = (6, 24)
) -> BeforeAfter:
    return BeforeAfter(
        "s", "a", "hookup", None, date(2025, 3, 3), 26, share(*before), share(*calm), share(*after), NONE, change,
        pl.DataFrame(), "",
    )  # fmt: skip


# -- a session in words -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "word"),
    [
        (-0.253, -0.006, "clearly less"),
        (-0.253, 0.0, "no clear change in"),
        (-0.253, 0.004, "no clear change in"),
        (0.0, 0.4, "no clear change in"),
        (0.006, 0.4, "clearly more"),
    ],
)
def test_a_change_is_clear_where_its_interval_lies_on_one_side_of_none(
    low: float, high: float, word: str
) -> None:
    said = _sentence(_row((2, 20), (3, 30), Estimate(50, -0.128, low, high)))
    assert said == (
        f"a, hookup: {word} trouble since 2025-03-03: 25 % of 24 before, 10 % of 30 after. Allowing for what comes "
        f"by itself after a bad spell: -13 points, 95 % interval {100 * low:+.0f} to {100 * high:+.0f}."
    )


def test_the_numbers_of_a_session_as_they_are_printed() -> None:
    said = _sentence(_row((2, 20), (3, 30), Estimate(50, -0.62, -0.81, -0.44)))
    assert said.endswith("-62 points, 95 % interval -81 to -44.")
    said = _sentence(_row((2, 20), (3, 30), Estimate(50, 0.62, 0.51, 0.94)))
    assert said.endswith("+62 points, 95 % interval +51 to +94.")
    few = _sentence(_row((2, 20), (3, 30), Estimate.nothing(3, "Too little to say: 3.")))
    assert few == "a, hookup: Too little to say: 3."


def test_one_session_alone_says_nothing_of_the_shop() -> None:
    enough = _row((4, 20), (3, 30), Estimate(50, -0.1, -0.2, 0.1))
    short = _row((1, 2), (0, 1), Estimate.nothing(3, "few"))
    alone = coaching_effect((enough, short))
    assert (alone.sessions, alone.odds_ratio.n, alone.odds_ratio.estimate) == (2, 50, None)
    assert alone.odds_ratio.why == "Too little to say: 1 sessions with enough work on both sides."
    assert coaching_effect((enough, enough, short)).odds_ratio.n == 100


# -- setup checks that stand out ----------------------------------------------------------------------------------


def test_holm_against_a_reference_library() -> None:
    """statsmodels' Holm on drawn p-values, and the worked case of Holm's own steps."""
    rng = np.random.default_rng(6)
    rejected = 0
    for size in (1, 2, 5, 12):
        for _ in range(5):
            p = rng.beta(0.3, 8.0, size)
            theirs = multipletests(p, alpha=0.05, method="holm")[0]
            assert _holm(p, 0.05).tolist() == theirs.tolist()
            rejected += int(theirs.sum())
    assert rejected > 10
    # thresholds 0.05/4, 0.05/3, 0.05/2, 0.05: the second fails, so the last two do although below their own
    assert _holm(np.array([0.04, 0.012, 0.02, 0.022]), 0.05).tolist() == [False, True, False, False]


def test_a_check_is_evident_by_how_many_there_were_to_choose_from() -> None:
    """Five of eight against none of eight: p = 8!/(3! 5!) / (16!/(11! 5!)) = 0.0128; evident alone, not among four."""

    def evident(checks: tuple[str, ...]) -> dict[str, bool]:
        rows = [
            capture_row(f"{w}{i}", technician=w, vehicle=f"{w}{i}", captured_at=MONDAY)
            for w in "ab"
            for i in range(8)
        ]
        failed = [(f"a{i}", "no_sync", "warning", "Do.", True) for i in range(5)]
        failed += [("b0", check, "note", "Do.", True) for check in checks]
        shop = Shop(
            captures=captures_of(rows), checks=pl.DataFrame(failed, schema=schemas.CHECKS.types, orient="row")
        )
        found = failing_checks(shop, MONDAY + DAY)
        return dict(found.select("check", "evident").iter_rows())

    assert evident(()) == {"no_sync": True}
    assert evident(("one", "two")) == {"no_sync": True, "one": False, "two": False}
    assert evident(("one", "two", "three"))["no_sync"] is False


# -- persons ------------------------------------------------------------------------------------------------------


def test_just_enough_pieces_are_enough_and_nobody_counts_as_nothing() -> None:
    least = PeopleSettings().least_n
    rows = [
        capture_row(f"{who}{i}", technician=who, vehicle=f"{who}{i}", captured_at=MONDAY + i * DAY)
        for who, n in (("enough", least), ("short", least - 1))
        for i in range(n)
    ]
    staff = [{"technician": who} for who in ("enough", "short", "nobody")]
    shop = Shop(captures=captures_of(rows), technicians=frame_of(schemas.TECHNICIANS, staff))
    found = {skill.technician: skill for skill in technicians(shop, as_of=(MONDAY + 30 * DAY).date())}
    assert {name: skill.too_little for name, skill in found.items()} == {
        "enough": False, "short": True, "nobody": True,
    }  # fmt: skip
    nobody = found["nobody"]
    assert (nobody.captures, nobody.pieces, nobody.practice, nobody.tries) == (0, 0, 0, {})
    assert (nobody.adoption.n, nobody.repeatability.n) == (0, 0)
    for estimate in (nobody.corrected.right, nobody.corrected.sensitivity, nobody.corrected.specificity):
        assert (estimate.n, estimate.estimate) == (0, None)


def _work(trouble: list[bool]) -> pl.DataFrame:
    n = len(trouble)
    return pl.DataFrame(
        {
            "at": [MONDAY + i * DAY for i in range(n)],
            "trouble": trouble,
            "expected": [0.1] * n,
            "capture_file": [f"a{i}" for i in range(n)],
            "repair_order": [f"o{i}" for i in range(n)],
        }
    )


def test_a_past_alarm_ends_with_the_chart_below_half_its_limit_or_with_a_session() -> None:
    day = [(MONDAY + i * DAY).date() for i in range(60)]
    came_down = _Chart(
        _work([False] * 5 + [True] * 8 + [False] * 30), [], MONDAY + 50 * DAY, 0.02, PeopleSettings()
    )
    # Steiner's weights: a piece without trouble lowers by log(1.3 / 1.025), so so many are needed from the limit
    # to below its half; the alarm stands at the limit until the last piece with trouble, on day 12
    down = np.log(1.3 / 1.025)
    needed = int(np.floor(0.5 * came_down.limit / down)) + 1
    ((since, at, ended),) = came_down.past
    assert (since, ended) == (day[5], day[12 + needed])
    assert day[5] < at <= day[12]
    # an alarm that stands when a session answers it ends with that session, however many there were before
    held = [day[2], day[20]]
    answered = _Chart(_work([False] * 5 + [True] * 8), held, MONDAY + 30 * DAY, 0.02, PeopleSettings())
    assert [span[2] for span in answered.past] == [day[20]]
    assert answered.signal is None


# -- jobs ---------------------------------------------------------------------------------------------------------


def test_a_comeback_on_the_last_day_of_the_window_counts() -> None:
    n = 12
    rows = pl.DataFrame(
        {
            "technician": ["a"] * n,
            "scoped": [i == 6 for i in range(n)],
            "opened_at": [MONDAY + i * DAY for i in range(n)],
            "returned": [i in (0, 1, 2, 8, 9) for i in range(n)],
            "days": [30.0, 30.001, 29.0, *[90.0] * 5, 30.0, 31.0, 90.0, 90.0],
        }
    )
    (row,) = stepped_adoption(rows, np.full(n, 90.0), window_days=30, least_n=5).by_technician.iter_rows(
        named=True
    )
    assert [row[f"{side}_{what}"] for side in ("before", "after") for what in ("orders", "comebacks")] == [
        6,
        2,
        6,
        1,
    ]


def test_levels_taken_out_are_the_residuals_of_least_squares() -> None:
    rng = np.random.default_rng(2)
    first, second, values = rng.integers(0, 4, 60), rng.integers(0, 3, 60), rng.normal(size=60)
    columns = np.hstack([np.eye(4)[first], np.eye(3)[second]])
    theirs = values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]
    assert without_levels(values, first, second) == pytest.approx(theirs, abs=1e-9)


def test_where_every_order_is_a_comeback_that_tells_them_apart_in_nothing() -> None:
    n = 6
    rows = pl.DataFrame(
        {
            **{
                c: [f"{i % 2}" for i in range(n)] for c in ("complaint", "engine_family", "history", "season")
            },
            "technician": ["a"] * n,
            "age": pl.Series([None] * n, dtype=pl.String),
            "vehicle": [f"v{i}" for i in range(n)],
            "repair_order": [f"o{i}" for i in range(n)],
        }
    )
    for flags, told in (([True] * n, False), ([False] * n, False), ([True] + [False] * (n - 1), True)):
        names = covariates(rows.with_columns(is_return=pl.Series(flags))).names
        assert ("is itself a comeback" in names) is told


@pytest.mark.parametrize(
    ("value", "word"), [(-0.004, "0.4 points less often"), (0.004, "0.4 points more often")]
)
def test_less_than_a_point_is_less_all_the_same(value: float, word: str) -> None:
    estimate = Estimate(900, value, *sorted((value / 2, 1.5 * value)))
    assert f"scoped ones came back {word}" in caution_sentence(estimate, None, 1.0)


# -- what is counted around the comparisons -----------------------------------------------------------------------


def _order(order: str, closed: datetime, **other: object) -> dict[str, object]:
    given = {
        "repair_order": order, "opened_at": closed - DAY, "closed_at": closed, "technician": "a", "vehicle": order,
        "engine_family": "f", "complaint": "misfire", "scope_eligible": True,
    }  # fmt: skip
    return {**given, **other}


def test_orders_watched_for_just_the_window_are_watched_whole() -> None:
    """As of the end of 31 May: closed at 0:00 on 2 May is 30 days before midnight."""
    end = datetime(2025, 6, 1)
    orders = [_order(f"{days}", end - timedelta(days=days)) for days in (10.0, 29.9, 30.0, 30.1, 200.0)]
    orders += [
        _order("back", end - timedelta(days=12)),
        _order("again", end - DAY, comeback_of="back", scope_eligible=False),
    ]
    found = comebacks(Shop(orders=frame_of(schemas.ORDERS, orders)), as_of=end, window_days=30)
    assert found.watched_whole == 4  # 30.0, 30.1, 200.0 and the one that came back
    assert found.crude.not_scoped.orders == 6
    assert found.crude.not_scoped.comebacks == 1


@pytest.mark.parametrize(("graded", "told"), [(LEAST_TO_COMPARE, True), (LEAST_TO_COMPARE - 1, False)])
def test_thirty_orders_of_a_quality_are_compared(graded: int, told: bool) -> None:
    n = 120
    rows = pl.DataFrame(
        {
            **{c: ["x"] * n for c in ("complaint", "engine_family", "season", "history", "technician")},
            "age": pl.Series([None] * n, dtype=pl.String),
            "scoped": [i == 0 or i > n - graded - 1 for i in range(n)],
            "quality": ["wrong call", *["no capture"] * (n - graded - 1), *["right call"] * graded],
            "returned": [i % 6 == 0 for i in range(n)],
            "days": [10.0 if i % 6 == 0 else 400.0 for i in range(n)],
            "is_return": False,
            "vehicle": [str(i) for i in range(n)],
            "repair_order": [str(i) for i in range(n)],
            "opened_at": [MONDAY + timedelta(minutes=i) for i in range(n)],
        }
    )
    found = _by_call_quality(rows, np.full(n, 400.0), 30, PeopleSettings())
    by_quality = {row["quality"]: row for row in found.iter_rows(named=True)}
    assert (by_quality["right call"]["difference"] is not None) is told
    assert by_quality["right call"]["orders"] == graded
    assert by_quality["wrong call"]["difference"] is None


def test_the_interval_of_one_arms_risk_is_from_its_influence() -> None:
    """Influence of one arm: (1, -2, 2, -1): root of the sum of squares over 4 orders is sqrt(10) / 4."""
    influence = np.array([[0.1, -0.2, 0.2, -0.1], [0.3, 0.1, -0.1, -0.3]])
    made = SimpleNamespace(treated=0.5, untreated=0.4, influence=influence)
    scoped, other = (_risk(cast(Any, made), arm, 9) for arm in (0, 1))
    half = [1.959964 * np.sqrt(0.1) / 4, 1.959964 * np.sqrt(0.2) / 4]
    assert (scoped.estimate, scoped.low, scoped.high) == pytest.approx((0.5, 0.5 - half[0], 0.5 + half[0]))
    assert (other.estimate, other.low, other.high, other.n) == pytest.approx(
        (0.4, 0.4 - half[1], 0.4 + half[1], 9)
    )


def test_predictions_know_which_arm_is_which() -> None:
    """One kind of order, scoped ones come back in 1 of 10, the others in 4 of 10: so say both predictions."""
    n = 400
    rows = pl.DataFrame(
        {
            **{c: ["x"] * n for c in ("complaint", "engine_family", "season", "history", "technician")},
            "age": pl.Series([None] * n, dtype=pl.String),
            "is_return": False,
            "vehicle": [str(i) for i in range(n)],
            "repair_order": [str(i) for i in range(n)],
        }
    )
    scoped = np.arange(n) % 4 == 0
    outcome = np.where(scoped, np.arange(n) // 4 % 10 < 1, np.arange(n) // 4 % 10 < 4).astype(float)
    found = cross_fitted(covariates(rows), scoped, outcome, np.ones(n), seed=1)
    assert found.if_scoped.mean() == pytest.approx(0.1, abs=0.01)
    assert found.if_not.mean() == pytest.approx(0.4, abs=0.01)
    assert found.chance.mean() == pytest.approx(0.25, abs=0.01)


def test_the_shops_use_of_the_scope_is_the_usual_one() -> None:
    orders = [_order(f"o{i}", MONDAY + (i + 1) * DAY, technician="ab"[i % 2]) for i in range(20)]
    captures = [
        capture_row(
            f"o{i}", repair_order=f"o{i}", captured_at=MONDAY + i * DAY, purpose="diagnosis", technician="a"
        )
        for i in range(0, 20, 4)
    ]
    shop = Shop(captures=captures_of(captures), orders=frame_of(schemas.ORDERS, orders))
    for skill in technicians(shop, as_of=(MONDAY + 60 * DAY).date()):
        assert skill.usual["adoption"] == 0.25


def test_a_name_is_told_against_the_others_work_of_the_same_topic(monkeypatch: pytest.MonkeyPatch) -> None:
    made = skill_shop(3, (Trouble("tech b", "hookup", 100, 0.7),), newcomer=False, people=3)
    seen: list[tuple[str, str, pl.DataFrame]] = []

    def listening(name: str, topic: str, work: pl.DataFrame, *rest: Any) -> CoachingItem:
        seen.append((name, topic, rest[2]))
        return _item(name, topic, work, *rest)

    monkeypatch.setattr("models.people.coaching._item", listening)
    needs_coaching(technicians(made.shop, as_of=made.as_of), made.shop, as_of=made.as_of)
    assert seen
    for name, topic, others in seen:
        assert others["topic"].unique().to_list() == [topic]
        assert set(others["technician"]) == {"tech a", "tech b", "tech c"} - {name}
