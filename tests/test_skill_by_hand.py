"""One person's figures, hookups, trends and what the charts watch, worked out by hand on a few rows."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import polars as pl
import pytest

from dashboard.documents.sheet import _going_well
from dashboard.shared import words
from models.people.coaching import needs_coaching
from models.people.hookup import failing_checks
from models.people.skill import _most_repeated, _weeks_here, technicians
from models.people.standing_hookup import ASPECTS, compare, decided_hookups, usual_hookups
from models.people.trends import pooled_trends
from models.people.watch import observations
from models.records import schemas
from models.records.people_settings import StandingHookup
from models.records.shop import Shop
from models.stats.control import limit_for_false_alarms
from models.stats.intervals import poisson_exact
from pipelines.reports.report import _technician
from tests.simulated_shop import TEST, capture_row, captures_of, frame_of

MONDAY = datetime(2025, 3, 3, 9)
DAY = timedelta(days=1)


def _capture(file: str, at: datetime, technician: str = "a", **other: object) -> dict[str, object]:
    return capture_row(file, **{"technician": technician, "vehicle": file, "captured_at": at, **other})


# -- a person -----------------------------------------------------------------------------------------------------


def test_one_persons_figures_by_hand() -> None:
    rows = [_capture(f"d{i}", MONDAY + i * DAY) for i in range(5)]
    rows += [_capture(f"j{i}", MONDAY + i * DAY, purpose="diagnosis", repair_order=f"o{i}") for i in range(3)]
    rows += [_capture("x", MONDAY + 6 * DAY, vehicle="x", status="unusable")]
    rows += [_capture("y", MONDAY + 6 * DAY + timedelta(hours=1), vehicle="x")]
    rows += [_capture("z", MONDAY + 7 * DAY, status="unusable", sync_cylinder=3)]
    staff = [{"technician": "a", "started_on": (MONDAY - 20 * DAY).date()}]
    shop = Shop(captures=captures_of(rows), technicians=frame_of(schemas.TECHNICIANS, staff))
    (skill,) = technicians(shop, as_of=(MONDAY + 27 * DAY).date())
    # practice: five drills, the retaken one and the one that could not be read
    assert (skill.captures, skill.pieces, skill.practice, skill.too_little) == (11, 10, 7, False)
    assert skill.tries == {0: 1, 1: 8, 2: 1}
    # the log began on the Monday: four weeks of it
    low, high = poisson_exact(11)
    rate = skill.captures_a_week
    assert (rate.estimate, rate.low, rate.high) == pytest.approx((11 / 4, low / 4, high / 4))
    aspects = {name: (agree, of) for name, agree, of, *_ in skill.hookup_aspects.iter_rows()}
    ends = {
        name: own
        for name, *_, own in skill.hookup_aspects.select(
            "aspect", own=pl.concat_list("low_pct", "high_pct")
        ).iter_rows()
    }
    # Wilson's interval of 9 in 10: 59.6 to 98.2 %
    assert ends["sync lead"] == pytest.approx([59.6, 98.2], abs=0.05)
    assert aspects["sync lead"] == (9, 10)
    assert aspects["channel order"] == (10, 10)
    assert skill.adoption.why == "Too little to say: no eligible closed order."
    assert (skill.repeatability.n, skill.repeatability.estimate) == (0, None)
    assert skill.started_on == (MONDAY - 20 * DAY).date()


def test_weeks_here_begin_with_the_log_or_the_person() -> None:
    began, now = MONDAY, MONDAY + 20 * DAY
    assert _weeks_here(None, began, now) == 3.0
    assert _weeks_here((MONDAY + 7 * DAY).date(), began, now) == 2.0
    assert _weeks_here((MONDAY - 70 * DAY).date(), began, now) == 3.0
    assert _weeks_here((MONDAY + 70 * DAY).date(), began, now) == 0.0


def test_repeatability_is_of_the_test_most_often_repeated() -> None:
    rows = [("a", "t", "m", 6), ("b", "t", "m", 5), ("a", "u", "m", 9), ("b", "s", "m", 1)]
    sets = pl.DataFrame(
        [(who, test, measure, 40.0, 10, n, 2 * n) for who, test, measure, n in rows],
        schema=["technician", "test", "measure", "squares", "freedom", "sets", "captures"],
        orient="row",
    )
    found = _most_repeated(sets)
    assert {name: figure.n for name, figure in found.items()} == {"a": 12, "b": 10}
    assert _most_repeated(sets.filter(pl.col("test") == "u")).keys() == {"a"}
    assert _most_repeated(sets.clear()) == {}


def test_the_usual_hookup_is_the_most_used_and_ties_go_to_the_smaller() -> None:
    rows = [_capture(f"{i}", MONDAY, sync_cylinder=s) for i, s in enumerate([4, 4, 2, 2, 9, None])]
    rows = [
        {**row, "rate_hz": r, "duration_s": 10.0}
        for row, r in zip(rows, [3e3, 3e3, 3e3, 6e3, 6e3, 9e3], strict=True)
    ]
    captures = captures_of(rows)
    (usual,) = usual_hookups(captures).iter_rows(named=True)
    assert usual["standing_index"] == 2
    assert (usual["standing_min_rate_hz"], usual["standing_min_duration_s"]) == pytest.approx((3000.0, 7.0))
    exact = compare(captures.with_columns(duration_s=pl.lit(7.0)), usual_hookups(captures))
    assert exact["sample rate"].all()
    assert exact["length"].all()
    assert exact["sync lead"].to_list() == [False, False, True, True, False, None]
    assert exact["consistent"].to_list() == [False, False, True, True, False, True]
    assert not {name for name in exact.columns if name.startswith("standing_")}
    given = decided_hookups((StandingHookup(TEST, ("u", "v"), (1.0, 0.5), 3, 100.0, 2.0),))
    assert given.row(0) == (TEST, "u;v", "1;0.5", 3, 100.0, 2.0)
    assert set(ASPECTS) <= set(exact.columns)


def test_trends_need_six_pieces_over_six_weeks() -> None:
    def rows(name: str, days: list[int]) -> list[tuple[str, datetime, bool]]:
        return [(name, MONDAY + d * DAY, d % 2 == 0) for d in days]

    frame = pl.DataFrame(
        rows("few", [0, 20, 40, 60, 80]) + rows("short", list(range(42))) + rows("just", [0, 1, 2, 3, 4, 42])
        + rows("gone", [0] * 9),
        schema=["technician", "at", "good"], orient="row",
    )  # fmt: skip
    got = pooled_trends(
        frame, ("few", "short", "just", "none"), at="at", event="good", moment=MONDAY + 100 * DAY, least_n=6, draws=60,
        seed=1, what="captures",
    )  # fmt: skip
    why = {name: figure.why for name, figure in got.per_month.items()}
    assert why == {
        "few": "Too little to say: 5 captures, at least 6 needed.",
        "short": "Too little to say: all captures lie within 42 days.",
        "just": None,
        "none": "Too little to say: 0 captures, at least 6 needed.",
    }
    assert got.per_month["just"].n == 6
    curve = got.curves.filter(pl.col("technician") == "just")
    assert curve.select("week", "events", "trials", "share").rows() == [
        (MONDAY.date(), 3, 5, 0.6),
        ((MONDAY + 42 * DAY).date(), 1, 1, 1.0),
    ]
    assert curve.select("fitted", "low", "high").null_count().row(0) == (0, 0, 0)
    assert (curve["low"] < curve["fitted"]).all()
    assert (curve["fitted"] < curve["high"]).all()
    assert got.curves.filter(pl.col("technician") == "few")["fitted"].null_count() == 5
    assert "gone" not in got.curves["technician"]


def test_what_the_charts_watch() -> None:
    given = {"purpose": "diagnosis", "call": "odd", "call_elements": [1]}
    rows = [
        _capture("1", MONDAY, repair_order="1", **given),
        _capture("2", MONDAY + DAY, repair_order="2", **given),
        _capture("3", MONDAY + 2 * DAY, status="unusable"),
    ]
    orders = [
        {"repair_order": str(i), "opened_at": MONDAY, "closed_at": MONDAY + 5 * DAY, "technician": who,
         "vehicle": str(i), "scope_eligible": True}
        for i, who in ((1, "a"), (7, "a"), (8, None))
    ]  # fmt: skip
    outcomes = [
        {
            "repair_order": str(i),
            "test": TEST,
            "confirmed_at": MONDAY + 3 * DAY,
            "finding": f,
            "confirmed_elements": [1],
        }
        for i, f in ((1, "odd"), (2, "even"))
    ]
    checks = [("3", "clipped", "unusable", "Do.", True)]
    shop = Shop(
        captures=captures_of(rows),
        orders=frame_of(schemas.ORDERS, orders),
        outcomes=frame_of(schemas.OUTCOMES, outcomes),
        checks=pl.DataFrame(checks, schema=schemas.CHECKS.types, orient="row"),
    )
    found = observations(shop, MONDAY + 30 * DAY)
    assert found.select("topic", "capture_file", "repair_order", "trouble").rows() == [
        ("calls", "1", "1", False),
        ("calls", "2", "2", True),
        ("hookup", "1", "1", False),
        ("hookup", "2", "2", False),
        ("hookup", "3", None, True),
        ("scope use", None, "1", False),
        ("scope use", None, "7", True),
        ("usable captures", "1", "1", False),
        ("usable captures", "2", "2", False),
        ("usable captures", "3", None, True),
    ]
    never = observations(Shop(captures=captures_of([_capture(f"{i}", MONDAY) for i in range(400)])), MONDAY)
    always = captures_of([_capture(f"{i}", MONDAY, status="unusable") for i in range(400)])
    assert never["expected"].unique().to_list() == [0.02]
    assert (
        observations(Shop(captures=always), MONDAY).filter(topic="usable captures")["expected"].max() == 0.95
    )


def test_within_each_test_only_its_own_captures_count() -> None:
    rows = [_capture(f"{i}", MONDAY + i * DAY, status="unusable" if i < 2 else "read") for i in range(8)]
    rows += [_capture(f"u{i}", MONDAY + i * DAY, test="u") for i in range(6)]
    rows += [_capture("w", MONDAY, test="w", sync_cylinder=None, ch_signals=None, ch_scales=None)]
    (skill,) = technicians(Shop(captures=captures_of(rows)), as_of=MONDAY + 30 * DAY)
    assert [(part.test, part.usable.n) for part in skill.tests] == [(TEST, 8), ("u", 6), ("w", 1)]
    assert skill.tests[2].usable.estimate is None
    assert (skill.tests[0].usable.estimate or 0) < (skill.tests[1].usable.estimate or 0)
    assert (skill.corrected.right.n, skill.counts["usable"].trials) == (0, 15)
    differs = [_capture(f"{i}", MONDAY + i * DAY, technician="b", sync_cylinder=4) for i in range(3)]
    both = technicians(Shop(captures=captures_of(rows[:8] + differs)), as_of=MONDAY + 30 * DAY)
    aspects = [{name: (agree, of) for name, agree, of, *_ in who.hookup_aspects.iter_rows()} for who in both]
    assert (aspects[0]["sync lead"], aspects[1]["sync lead"]) == ((8, 8), (0, 3))


def _failing(failed: list[tuple[str, str, bool | None]], others: int = 8) -> list[tuple[object, ...]]:
    rows = [_capture(f"a{i}", MONDAY) for i in range(8)]
    rows += [_capture(f"b{i}", MONDAY, technician="b") for i in range(others)]
    checks = [(file, "clipped", severity, "Do.", habit) for file, severity, habit in failed]
    shop = Shop(
        captures=captures_of(rows),
        checks=pl.DataFrame(checks, schema=schemas.CHECKS.types, orient="row"),
    )
    return failing_checks(shop, MONDAY).select("severity", "captures", "evident").rows()


def test_the_worst_severity_and_what_is_evident() -> None:
    # two of eight against none of eight: one in four shops where nobody differs has that
    assert _failing([("a0", "warning", True), ("a1", "note", True)]) == [("warning", 2, False)]
    assert _failing([("a0", "unusable", True), ("a1", "warning", True)]) == [("unusable", 2, False)]
    assert _failing([(f"a{i}", "note", True) for i in range(7)]) == [("note", 7, True)]
    # what nobody declared a habit is nobody's
    assert _failing([(f"a{i}", "note", None) for i in range(7)]) == [("note", 7, False)]


def test_false_alarms_are_shared_out_over_what_is_watched() -> None:
    rows = [_capture(f"{i}", MONDAY + i * DAY) for i in range(10)]
    shop, end = Shop(captures=captures_of(rows)), MONDAY + 30 * DAY
    orders = [
        {"repair_order": "1", "opened_at": MONDAY, "technician": "a", "vehicle": "1", "scope_eligible": True}
    ]
    with_orders = shop.with_frames(orders=frame_of(schemas.ORDERS, orders))
    year = round(10 * 365.25 / 30)
    for whole, parts in ((shop, 0.9), (with_orders, 1.0)):
        found = needs_coaching(technicians(whole, as_of=end), whole, as_of=end)
        limit = limit_for_false_alarms(
            [0.02], chance=0.05 * 0.25 / parts, observations=year, odds_to_find=4.0, odds_in_control=1.25
        )
        assert found.charts == 2
        assert found.chart_points["limit"].unique().to_list() == [pytest.approx(limit)]
    assert found.unwatched == ()


def test_the_report_says_what_is_corrected_for_who_gets_confirmed() -> None:
    rows = [
        _capture(
            f"{i}", MONDAY + i * DAY, purpose="diagnosis", repair_order=f"{i}", call="odd" if i % 2 else "even",
            call_elements=[1] if i % 2 else [],
        )
        for i in range(40)
    ]  # fmt: skip
    # every odd call is confirmed and right, and four of the even ones, one of them a miss
    outcomes = [
        {"repair_order": f"{i}", "test": TEST, "confirmed_at": MONDAY + 50 * DAY,
         "finding": "odd" if i % 2 or i == 0 else "even", "confirmed_elements": [1]}
        for i in range(40) if i % 2 or i < 8
    ]  # fmt: skip
    shop = Shop(captures=captures_of(rows), outcomes=frame_of(schemas.OUTCOMES, outcomes))
    (skill,) = technicians(shop, as_of=MONDAY + 60 * DAY)
    document = _technician(skill, needs_coaching((skill,), shop, as_of=MONDAY + 60 * DAY))
    assert document["sensitivity"] == skill.corrected.sensitivity.to_dict()
    assert document["specificity"] == skill.corrected.specificity.to_dict()
    assert document["calls"] == skill.corrected.right.to_dict()
    assert document["among_confirmed"]["calls"] == skill.calls.to_dict()
    # the sheet praises by the same figure, held against the whole shop's, and not by what was confirmed alone
    assert skill.usual["right"] == skill.corrected.right.estimate
    assert f"Your calls are right: {words.share(skill.corrected.right)}." in _going_well(skill)
    assert (skill.calls.estimate or 0) > (skill.corrected.right.estimate or 0) + 0.05
    worse = replace(skill, usual={**skill.usual, "right": (skill.corrected.right.estimate or 0) + 0.01})
    assert not any("calls are right" in line for line in _going_well(worse))
    # 20 of 21 confirmed odd ones were found; of all, a quarter of the even calls is a miss: 20 of 25
    assert (skill.sensitivity.estimate or 0) > 0.9
    assert document["sensitivity"]["estimate"] == pytest.approx(0.78, abs=0.05)
