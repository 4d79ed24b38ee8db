"""People's figures worked out by hand on a few rows: calls, funnels, hookup, repeats, drills, counts."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import cast

import numpy as np
import polars as pl
import pytest
from scipy import stats

from dashboard.views.technicians.answer import quiet_sentence
from models.people.agreement import CallCounts, corrected_for_confirmation, kappa
from models.people.coaching import needs_coaching
from models.people.counts import Count, all_calls, call_counts, counts_of, pooled, work_until
from models.people.drills import count_drills
from models.people.funnels import funnel
from models.people.hookup import failing_checks, hookup_trouble
from models.people.repeatability import repeatability, repeats
from models.people.skill import TechnicianSkill
from models.records import schemas
from models.records.shop import Shop
from models.stats.control import funnel_limit, over_dispersion
from models.stats.results import Estimate
from models.stats.shrinkage import pool_shares
from tests.simulated_shop import TEST, capture_row, captures_of, frame_of

MONDAY = datetime(2025, 3, 3, 9)


def _nearly(figure: Estimate, low: float, middle: float, high: float, off: float) -> None:
    assert (figure.low, figure.estimate, figure.high) == pytest.approx((low, middle, high), abs=off)


# -- calls --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", [((10, 0), (0, 10)), ((2, 0), (0, 8)), ((1, 0), (0, 5))])
def test_full_agreement_has_the_exact_limit_of_the_agreement(table: tuple[tuple[int, int], ...]) -> None:
    # n of n agree: the exact lower limit is 0.025^(1/n) (Clopper & Pearson 1934); kappa = (p - e)/(1 - e)
    even, odd = table[0][0], table[1][1]
    n, chance = even + odd, (even**2 + odd**2) / (even + odd) ** 2
    found = kappa(table, least_n=6)
    assert (found.n, found.estimate, found.high) == (n, 1.0, 1.0)
    assert found.low == pytest.approx((0.025 ** (1 / n) - chance) / (1 - chance))


def test_full_disagreement_lies_inside_its_interval() -> None:
    # 0 of 20 agree: the exact upper limit is 1 - 0.025^(1/20) = 0.1684; kappa of it (0.1684 - 0.5)/0.5
    found = kappa(((0, 10), (10, 0)), least_n=6)
    assert (found.estimate, found.low) == (-1.0, -1.0)
    assert found.high == pytest.approx(2 * (1 - 0.025 ** (1 / 20)) - 1)


def test_kappa_stays_within_its_range_and_asks_for_enough() -> None:
    # a kappa of -0.8 with an error of 0.13: its limit is cut off at -1
    low = kappa(((1, 9), (9, 1)), least_n=20)
    assert low.estimate == pytest.approx(-0.8)
    assert low.low == -1.0
    assert low.high is not None
    assert -0.8 < low.high < 0
    high = kappa(((9, 1), (1, 9)), least_n=20)
    assert high.high == 1.0
    assert kappa(((9, 1), (1, 9)), least_n=21).estimate is None
    for same in (((20, 0), (3, 0)), ((20, 3), (0, 0)), ((9, 0, 0), (9, 0, 0), (9, 0, 0))):
        assert kappa(same, least_n=6).estimate is None


def _table(found: int, wrong: int, even: int, missed: int, cleared: int) -> CallCounts:
    return CallCounts(
        judged=found + wrong + even + missed + cleared,
        right=found + cleared,
        odd=found + wrong + missed,
        found=found,
        even=even + cleared,
        cleared=cleared,
        table=((cleared, missed), (even, found + wrong)),
    )


def test_each_part_of_the_correction_has_its_jeffreys_interval() -> None:
    """All but one share known from ten million calls, so that each interval is that of one beta."""
    many, half, quantiles = 10_000_000, 5_000_000, np.array([0.025, 0.5, 0.975])
    draws = {"least_n": 6, "draws": 60_000, "seed": 3}
    # half of the calls are odd, no even call is ever a miss: 3 found, 1 on a wrong element, 1 even
    odd = corrected_for_confirmation(half, half, _table(3, 1, 1, 0, many), **draws)
    right = stats.beta.ppf(quantiles, 3.5, 1.25 + 0.5 + 1 * 0 + 1.0)
    _nearly(odd.right, *(0.5 + 0.5 * right), 0.008)
    _nearly(odd.sensitivity, *stats.beta.ppf(quantiles, 3.5, 1.25), 0.008)
    _nearly(odd.specificity, *(1 / (1 + stats.beta.ppf(quantiles[::-1], 1.5, 4.75))), 0.008)
    # every odd call is right; of the even ones 2 were odd and 4 even
    even = corrected_for_confirmation(half, half, _table(many, 0, 0, 2, 4), **draws)
    _nearly(even.right, *(0.5 + 0.5 * stats.beta.ppf(quantiles, 4.5, 2.5)), 0.008)
    _nearly(even.sensitivity, *(1 / (1 + stats.beta.ppf(quantiles[::-1], 2.5, 4.5))), 0.008)
    # every odd call right and every even one wrong: the share of right calls is that of odd calls, 3 of 8
    share = corrected_for_confirmation(3, 5, _table(many, 0, 0, many, 0), **draws)
    _nearly(share.right, *stats.beta.ppf(quantiles, 3.5, 5.5), 0.008)
    assert share.right.n == 8


def test_the_correction_needs_three_of_each_call_and_enough_together() -> None:
    def known(table: CallCounts, least: int = 6) -> bool:
        found = corrected_for_confirmation(50, 50, table, least_n=least, draws=50, seed=1)
        assert {found.right.n, found.sensitivity.n, found.specificity.n} == {100}
        return found.right.estimate is not None

    assert known(_table(2, 1, 0, 0, 3))
    assert not known(_table(2, 0, 0, 0, 4))
    assert not known(_table(4, 0, 0, 1, 1))
    assert not known(_table(2, 1, 0, 0, 3), least=7)


# -- funnels ------------------------------------------------------------------------------------------------------


def _skill(name: str, events: int, trials: int) -> TechnicianSkill:
    return cast(TechnicianSkill, SimpleNamespace(technician=name, counts={"usable": Count(events, trials)}))


def test_standing_is_the_exact_tail() -> None:
    """Beyond 99.9 of 100, two-sided: the binomial tail up to and including the own count below 0.0005."""
    ordinary = [_skill(f"t{i}", 8000, 10_000) for i in range(5)]
    for events in range(60, 101):
        drawn = funnel([*ordinary, _skill("x", events, 100)], "usable")
        assert drawn.dispersion == 1.0
        assert drawn.overall == pytest.approx((40_000 + events) / 50_100)
        below = stats.binom.cdf(events, 100, drawn.overall) < 0.0005
        above = stats.binom.sf(events - 1, 100, drawn.overall) < 0.0005
        expected = "below" if below else "above" if above else "inside"
        assert drawn.points.filter(pl.col("technician") == "x")["standing"].item() == expected, events
    few = funnel([*ordinary, _skill("x", 0, 5), _skill("y", 0, 6)], "usable").points
    assert few["standing"].to_list() == ["inside"] * 5 + ["too little to say", "below"]
    assert few.select("n", "events", "share").row(6) == (6, 0, 0.0)


def test_the_drawn_limits_are_the_exact_ones_stretched_on_the_arcsine_scale() -> None:
    plain = funnel([_skill(f"t{i}", 70, 100) for i in range(6)], "usable")
    n = plain.limits["n"].to_numpy()
    assert (n[0], n[-1], plain.dispersion) == (1, 100, 1.0)
    levels = {"low_95": 0.025, "high_95": 0.975, "low_999": 0.0005, "high_999": 0.9995}
    for name, level in levels.items():
        assert plain.limits[name].to_numpy() == pytest.approx(funnel_limit(0.7, n, level), abs=1e-9)
    counted = [(40, 100), (90, 100), (55, 100), (85, 100), (62, 100), (88, 100), (70, 100)]
    wide = funnel([*[_skill(f"t{i}", *c) for i, c in enumerate(counted)], _skill("few", 0, 3)], "usable")
    assert wide.overall is not None
    assert wide.dispersion > 3
    # whoever has too little to say widens nothing
    assert wide.dispersion == over_dispersion(*zip(*counted, strict=True), wide.overall)
    row = wide.limits.filter(pl.col("n") == 100).row(0, named=True)
    middle = np.arcsin(np.sqrt(wide.overall))
    for name, level in levels.items():
        exact = float(funnel_limit(wide.overall, 100, level))
        angle = middle + (np.arcsin(np.sqrt(exact)) - middle) * np.sqrt(wide.dispersion)
        assert row[name] == pytest.approx(np.sin(np.clip(angle, 0, np.pi / 2)) ** 2)
    z = stats.norm.isf(stats.binom.cdf(40, 100, wide.overall))
    inside = z / np.sqrt(wide.dispersion) < 3.2905
    assert (z > 3.2905, inside) == (True, True)
    assert wide.points["standing"].to_list() == ["inside"] * 7 + ["too little to say"]
    assert funnel([_skill("one", 1, 1), _skill("two", 0, 1)], "usable").limits["n"].to_list() == [1, 2]


@pytest.mark.parametrize("each", [0, 1])
def test_where_all_or_none_succeed_there_is_no_funnel(each: int) -> None:
    drawn = funnel([_skill("a", 6 * each, 6), _skill("b", 5 * each, 5), _skill("c", 0, 0)], "usable")
    assert (drawn.overall, drawn.dispersion, drawn.limits.height) == (each, 1.0, 0)
    assert drawn.points["standing"].to_list() == ["inside", "too little to say"]


# -- hookup -------------------------------------------------------------------------------------------------------


def _capture(file: str, technician: str = "a", **other: object) -> dict[str, object]:
    return capture_row(file, **{"technician": technician, "vehicle": file, "captured_at": MONDAY, **other})


def _checks(rows: list[tuple[str, str, str, bool | None]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(file, check, severity, "Do.", habit) for file, check, severity, habit in rows],
        schema=schemas.CHECKS.types,
        orient="row",
    )


def test_failing_checks_by_hand() -> None:
    captures = [_capture(f"a{i}") for i in range(8)] + [_capture(f"b{i}", "b") for i in range(12)]
    failed = [(f"a{i}", "clipped", "note", True) for i in range(6)]
    failed += [("a6", "clipped", "unusable", True), ("a0", "clipped", "warning", True)]
    failed += [("b0", "clipped", "warning", True), ("b1", "clipped", "warning", True)]
    failed += [(f"a{i}", "weak_battery", "warning", False) for i in range(8)]
    failed += [("b2", "no_sync", "warning", True), ("b3", "ac_coupled", "warning", None)]
    rows = failing_checks(Shop(captures=captures_of(captures), checks=_checks(failed)), MONDAY)
    # by name, then by how much more than the others' share: a 8 - 0 and 7 - 8 x 2/12; b 1 - 0 twice, 2 - 12 x 7/8
    assert rows.select("technician", "check", "severity", "captures", "of").rows() == [
        ("a", "weak_battery", "warning", 8, 8),
        ("a", "clipped", "unusable", 7, 8),
        ("b", "ac_coupled", "warning", 1, 12),
        ("b", "no_sync", "warning", 1, 12),
        ("b", "clipped", "warning", 2, 12),
    ]
    assert rows["excess"].to_list() == pytest.approx([8, 7 - 16 / 12, 1, 1, 2 - 10.5])
    assert rows["share_pct"].to_list() == pytest.approx([100, 87.5, 100 / 12, 100 / 12, 100 / 6])
    assert rows["others_share_pct"].to_list() == pytest.approx([0, 100 / 6, 0, 0, 87.5])
    # Wilson by the formula in the books: 7 of 8, and 8 of 8
    z2 = stats.norm.ppf(0.975) ** 2
    middle, half = (7 / 8 + z2 / 16) / (1 + z2 / 8), np.sqrt(z2 * 7 / 8 / 8 / 8 + z2**2 / 256) / (1 + z2 / 8)
    assert rows.select("low_pct", "high_pct").row(1) == pytest.approx(
        (100 * (middle - half), 100 * (middle + half))
    )
    assert rows.select("low_pct", "high_pct").row(0) == pytest.approx((100 * 8 / (8 + z2), 100))
    # Fisher's exact test, one-sided (scipy): 7 of 8 against 2 of 12, and the battery, which is nobody's habit
    theirs = stats.fisher_exact([[7, 1], [2, 10]], alternative="greater").pvalue
    assert rows["p_value"][1] == pytest.approx(theirs)
    assert rows["p_value"][0] == pytest.approx(
        stats.fisher_exact([[8, 0], [0, 12]], alternative="greater").pvalue
    )
    assert rows["evident"].to_list() == [False, True, False, False, False]
    alone = failing_checks(Shop(captures=captures_of(captures[:8]), checks=_checks(failed[:6])), MONDAY)
    assert alone["others_share_pct"].to_list() == [None]
    assert alone["excess"].to_list() == [6.0]


def test_a_retake_is_no_second_failure_and_no_fault_is_no_trouble() -> None:
    captures = [_capture(f"{i}", vehicle="v", captured_at=MONDAY + timedelta(minutes=i)) for i in range(3)]
    captures += [_capture("other", captured_at=MONDAY + timedelta(minutes=9))]
    shop = Shop(
        captures=captures_of(captures),
        checks=_checks([(f"{i}", "clipped", "warning", True) for i in range(3)]),
    )
    end = MONDAY + timedelta(hours=1)
    assert failing_checks(shop, end).select("captures", "of").row(0) == (1, 2)
    assert dict(hookup_trouble(shop, end).select("capture_file", "trouble").iter_rows()) == {
        "0": True,
        "other": False,
    }


# -- repeats ------------------------------------------------------------------------------------------------------


def _cells(file: str, values: tuple[float, ...], **other: object) -> list[dict[str, object]]:
    return [
        {
            "capture_file": file, "measure": "level", "position": i + 1, "element": i + 1, "relative_pct": value,
            "se_pct": 0.5, "identified": "sync", **other,
        }
        for i, value in enumerate(values)
    ]  # fmt: skip


def test_what_is_a_repeat() -> None:
    captures = [_capture(f, vehicle="v") for f in "abc"]
    captures += [_capture("d", vehicle="w"), _capture("e", vehicle="w", status="unusable")]
    captures += [_capture("f", vehicle="x"), _capture("g", vehicle="x", purpose="diagnosis")]
    captures += [_capture("h", vehicle=None), _capture("i", vehicle=None)]
    captures += [_capture("j", vehicle="y"), _capture("k", vehicle="y")]
    elements = [row for f in "defghi" for row in _cells(f, (100.0, 90.0, 110.0))]
    for file, values in (
        ("a", (99.0, 100.0, 101.0)),
        ("b", (100.0, 101.0, 99.0)),
        ("c", (104.0, 102.0, 94.0)),
    ):
        elements += _cells(file, values)
    elements += _cells("j", (100.0,)) + _cells("k", (108.0,))  # one element alone is its own median
    shop = Shop(captures=captures_of(captures), elements=frame_of(schemas.ELEMENTS, elements))
    (row,) = repeats(shop, MONDAY).iter_rows(named=True)
    # squares about the means 101, 101, 98: 4 + 1 + 9, 1 + 0 + 1, 9 + 1 + 16; (3 - 1)(3 - 1) degrees of freedom
    assert (row["squares"], row["freedom"], row["sets"], row["captures"]) == (42.0, 4, 1, 3)
    unnamed = [{**cell, "element": None} if cell["capture_file"] == "a" else cell for cell in elements]
    again = Shop(captures=captures_of(captures), elements=frame_of(schemas.ELEMENTS, unnamed))
    (row,) = repeats(again, MONDAY).iter_rows(named=True)
    assert (row["squares"], row["freedom"], row["captures"]) == (8 + 0.5 + 12.5, 2, 2)


def test_repeatability_needs_five_vehicles() -> None:
    assert repeatability(40.0, 10, 4, 8).estimate is None
    assert repeatability(40.0, 10, 4, 8).n == 8
    found = repeatability(40.0, 10, 5, 10)
    # chi-squared of 10 degrees of freedom: 3.247 and 20.483 (any table)
    _nearly(found, np.sqrt(40 / 20.483), 2.0, np.sqrt(40 / 3.247), 1e-3)
    assert found.n == 10


# -- drills -------------------------------------------------------------------------------------------------------


def test_who_is_asked_to_practise_and_what_counts_as_done() -> None:
    week = timedelta(weeks=1)
    asked = [
        {"drill": "1", "technician": None, "test": TEST, "week_of": (MONDAY + week).date(), "target": 3},
        {"drill": "2", "technician": "a", "test": TEST, "week_of": (MONDAY + week).date(), "target": 1},
        {
            "drill": "3",
            "technician": "a",
            "test": "other",
            "week_of": (MONDAY + 2 * week).date(),
            "target": 2,
        },
    ]
    begun = {"a": None, "b": (MONDAY + week).date(), "c": (MONDAY + week).date() + timedelta(days=1)}
    captures = [_capture(f"a{i}", captured_at=MONDAY + week + timedelta(hours=i)) for i in range(6)]
    captures += [_capture("again", vehicle="a0", captured_at=MONDAY + week + timedelta(hours=9))]
    captures += [_capture("b", "b", captured_at=MONDAY), _capture("c", "c", captured_at=MONDAY)]
    shop = Shop(
        captures=captures_of(captures),
        drills=frame_of(schemas.DRILLS, asked),
        technicians=frame_of(
            schemas.TECHNICIANS, [{"technician": t, "started_on": d} for t, d in begun.items()]
        ),
    )
    # on the third Monday itself the third week has begun and is not over
    done = count_drills(shop, "abc", MONDAY + 2 * week)
    counts = {name: (d.target, d.done, d.extra) for name, d in done.items()}
    assert counts == {"a": (4, 4, 2), "b": (3, 0, 1), "c": (0, 0, 1)}
    assert done["b"].by_week.rows() == [(MONDAY.date(), 0, 0, 1), ((MONDAY + week).date(), 3, 0, 0)]
    later = count_drills(shop, ["a"], MONDAY + 3 * week)["a"]
    assert later.by_test.rows() == [("other", 2, 0, 0), (TEST, 4, 4, 2)]


# -- counts -------------------------------------------------------------------------------------------------------


def test_raw_counts_by_person() -> None:
    given = {"purpose": "diagnosis", "call": "odd", "call_elements": [1]}
    captures = [
        _capture("a1", repair_order="1", **given),
        _capture("a2", repair_order="2", **given),
        _capture("a3", repair_order="3", **{**given, "call": "even", "call_elements": []}),
        _capture("a4", repair_order="4", **{**given, "call": "unsure"}),
        _capture("a5", repair_order="5", status="unusable", **given),
        _capture("a6", repair_order="6", **{**given, "call": None}),
        _capture("b1", "b", repair_order="7", **{**given, "purpose": "known_good"}),
    ]
    outcomes = [
        {
            "repair_order": order,
            "test": TEST,
            "confirmed_at": MONDAY,
            "finding": finding,
            "confirmed_elements": [1],
        }
        for order, finding in (("1", "odd"), ("2", "even"), ("5", "odd"))
    ]
    orders = [
        {
            "repair_order": str(i), "opened_at": MONDAY, "closed_at": MONDAY, "technician": who, "vehicle": str(i),
            "scope_eligible": True,
        }
        for i, who in ((1, "a"), (2, "a"), (8, "a"), (9, None))
    ]  # fmt: skip
    shop = Shop(
        captures=captures_of(captures),
        outcomes=frame_of(schemas.OUTCOMES, outcomes),
        orders=frame_of(schemas.ORDERS, orders),
        technicians=frame_of(schemas.TECHNICIANS, [{"technician": "c", "started_on": date(2025, 1, 1)}]),
    )
    work = work_until(shop, MONDAY, None)
    assert work.people == ("a", "b", "c")
    found = {measure: by["a"] for measure, by in counts_of(work, call_counts(work)).items()}
    assert found == {
        "usable": Count(5, 6),
        "calls": Count(1, 2),
        "sensitivity": Count(1, 1),
        "specificity": Count(0, 1),
        "hookup": Count(6, 6),
        "adoption": Count(2, 3),
        "unsure": Count(1, 4),
        "confirmed": Count(2, 3),
    }
    assert counts_of(work, call_counts(work))["confirmed"]["b"] == Count(0, 0)
    assert all_calls(work) == {"a": (2, 1)}


def test_pooled_shares_begin_at_the_least_number() -> None:
    counts = {"a": Count(5, 6), "b": Count(3, 5), "c": Count(0, 0), "d": Count(30, 40)}
    found, usual = pooled(counts, least_n=6, what="calls")
    shares = pool_shares([5, 3, 30], [6, 5, 40])
    assert usual == pytest.approx(shares.usual_mean)
    for name, i in (("a", 0), ("d", 2)):
        _nearly(found[name], float(shares.low[i]), float(shares.mean[i]), float(shares.high[i]), 1e-12)
    assert found["b"].why == "Too little to say: 5 calls, at least 6 needed."
    assert (found["c"].n, found["c"].estimate) == (0, None)
    assert pooled({"c": Count(0, 0)}, least_n=6, what="calls")[1] is None


# -- what somebody is told who sees their own work alone -----------------------------------------------------------


def test_an_empty_list_speaks_of_whose_work_was_looked_at() -> None:
    quiet = needs_coaching((), Shop(), as_of=MONDAY)
    thin = replace(quiet, unwatched=("a",))
    assert quiet_sentence(thin, own_work=False).startswith("Nobody's work stands out")
    assert quiet_sentence(quiet, own_work=True).startswith("Your work does not stand out")
    assert quiet_sentence(thin, own_work=True).startswith("Too little of your work")
