"""Kappa against published tables, and what counts as a right call."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from models.people.agreement import CallCounts, corrected_for_confirmation, count_calls, kappa, together
from models.records import schemas
from models.records.logbook import judged_calls
from models.records.shop import Shop
from tests.simulated_shop import TEST, capture_row, captures_of, frame_of


@pytest.mark.parametrize(
    ("table", "value", "error"),
    [
        # Fleiss, Statistical Methods for Rates and Proportions (chapter on agreement)
        (((75, 1, 4), (5, 4, 1), (0, 0, 10)), 0.6765, 0.0877),
        # Fleiss, Cohen & Everitt (1969) Psychol. Bull. 72:323-327
        (((106, 10, 4), (22, 28, 10), (2, 12, 6)), 0.4286, 0.0537),
    ],
)
def test_kappa_and_its_error_are_published(
    table: tuple[tuple[int, ...], ...], value: float, error: float
) -> None:
    got = kappa(table, least_n=6)
    assert got.estimate == pytest.approx(value, abs=5e-4)
    assert got.high is not None
    assert got.low is not None
    assert (got.high - got.low) / (2 * 1.96) == pytest.approx(error, abs=5e-4)


def test_kappa_of_cohen_and_the_paradox() -> None:
    # Cohen (1968) Psychol. Bull. 70:213-220, as counts of 100
    assert kappa(((44, 7, 9), (5, 20, 5), (1, 3, 6)), least_n=6).estimate == pytest.approx(0.492, abs=5e-4)
    # Feinstein & Cicchetti (1990) J. Clin. Epidemiol. 43:543-549: the same agreement, .70 and .32
    assert kappa(((40, 9), (6, 45)), least_n=6).estimate == pytest.approx(0.70, abs=5e-3)
    assert kappa(((80, 10), (5, 5)), least_n=6).estimate == pytest.approx(0.32, abs=5e-3)


def test_kappa_without_a_figure_says_why() -> None:
    assert "at least 6" in (kappa(((2, 0), (0, 1)), least_n=6).why or "")
    assert "all the same" in (kappa(((20, 3), (0, 0)), least_n=6).why or "")
    perfect = kappa(((10, 0), (0, 10)), least_n=6)
    assert perfect.estimate == 1.0
    assert perfect.low is not None
    assert 0.5 < perfect.low < 1.0


AT = datetime(2025, 3, 3, 10)


def _capture(
    file: str, order: str | None, call: str | None, named: list[int], **other: object
) -> dict[str, object]:
    given = {
        "repair_order": order,
        "captured_at": AT,
        "purpose": "diagnosis",
        "call": call,
        "call_elements": named,
    }
    return capture_row(file, **{**given, **other})


def _outcome(
    order: str, finding: str, elements: list[int], at: datetime = AT + timedelta(days=1), test: str = TEST
) -> dict[str, object]:
    return {
        "repair_order": order, "test": test, "confirmed_at": at, "finding": finding, "confirmed_elements": elements,
        "method": "gauge", "gauge_kpa": [],
    }  # fmt: skip


def _shop(captures: list[dict[str, object]], outcomes: list[dict[str, object]]) -> Shop:
    return Shop(captures=captures_of(captures), outcomes=frame_of(schemas.OUTCOMES, outcomes))


def _judged(captures: list[dict[str, object]], outcomes: list[dict[str, object]]) -> dict[str, bool]:
    rows = judged_calls(_shop(captures, outcomes), AT + timedelta(days=90))
    return dict(rows.select("capture_file", "right").iter_rows())


def test_what_is_a_right_call() -> None:
    captures = [
        _capture("right even", "1", "even", []),
        _capture("missed", "2", "even", []),
        _capture("right odd", "2", "odd", [3]),
        _capture("one of two", "3", "odd", [3]),
        _capture("wrong element", "2", "odd", [4]),
        _capture("no element", "2", "odd", []),
        _capture("false alarm", "1", "odd", [2]),
    ]
    outcomes = [_outcome("1", "even", []), _outcome("2", "odd", [3]), _outcome("3", "odd", [3, 4])]
    assert _judged(captures, outcomes) == {
        "right even": True,
        "missed": False,
        "right odd": True,
        "one of two": True,
        "wrong element": False,
        "no element": True,
        "false alarm": False,
    }


def test_what_cannot_be_judged() -> None:
    captures = [
        _capture("unsure", "1", "unsure", []),
        _capture("no call", "1", None, []),
        _capture("practice", None, "odd", [1], purpose="drill"),
        _capture("after the repair", "1", "even", [], purpose="known_good"),
        _capture("unusable", "1", "odd", [3], status="unusable"),
        _capture("after the finding", "1", "odd", [3], captured_at=AT + timedelta(days=5)),
        _capture("other fault", "2", "odd", [3]),
        _capture("not confirmed yet", "3", "odd", [3]),
        _capture("unknown order", "9", "odd", [3]),
    ]
    outcomes = [
        _outcome("1", "odd", [3]),
        _outcome("2", "other", []),
        _outcome("3", "odd", [3], at=AT + timedelta(days=400)),
    ]
    assert _judged(captures, outcomes) == {}


def test_a_finding_judges_its_own_test_alone() -> None:
    captures = [
        _capture("first", "1", "odd", [3]),
        _capture("second", "1", "odd", [3], test="second test"),
        _capture("unjudged", "1", "even", [], test="third test"),
    ]
    outcomes = [_outcome("1", "odd", [3]), _outcome("1", "odd", [5], test="second test")]
    assert _judged(captures, outcomes) == {"first": True, "second": False}


def test_counts_keep_the_two_mistakes_apart() -> None:
    captures = [_capture(f"e{i}", "even", "even" if i < 8 else "odd", []) for i in range(10)]
    captures += [
        _capture(f"o{i}", "odd", "odd" if i < 3 else "even", [3] if i < 2 else [1]) for i in range(5)
    ]
    outcomes = [_outcome("even", "even", []), _outcome("odd", "odd", [3])]
    counts = count_calls(judged_calls(_shop(captures, outcomes), AT + timedelta(days=9)))
    assert (counts.even, counts.cleared, counts.odd, counts.found) == (10, 8, 5, 2)
    assert counts.table == ((8, 2), (2, 3))
    assert (counts.judged, counts.right) == (15, 10)
    assert count_calls(judged_calls(Shop(), AT)).judged == 0


def test_correction_for_which_calls_are_confirmed() -> None:
    # Drum & Christacopoulos (1972) J. Nucl. Med. 13:908-915, the example of Begg & Greenes (1983) Biometrics
    # 39:207-215: 429 positive scans, 263 of them verified (231 diseased); 221 negative, 81 verified (27
    # diseased). Naive .895 and .628, corrected .836 and .738 (table from memory; it gives all four figures)
    counts = CallCounts(
        judged=344, right=231 + 54, odd=258, found=231, even=86, cleared=54, table=((54, 27), (32, 231))
    )
    assert (counts.found / counts.odd, counts.cleared / counts.even) == pytest.approx(
        (0.895, 0.628), abs=5e-4
    )
    got = corrected_for_confirmation(429, 221, counts, least_n=6, draws=40_000, seed=1)
    assert got.sensitivity.estimate == pytest.approx(0.836, abs=6e-3)
    assert got.specificity.estimate == pytest.approx(0.738, abs=6e-3)
    for figure in (got.sensitivity, got.specificity):
        assert figure.n == 650
        assert figure.low is not None
        assert figure.high is not None
        assert 0.03 < figure.high - figure.low < 0.2
    # confirmed alike, nothing is corrected
    even = CallCounts(
        judged=400, right=300, odd=200, found=150, even=200, cleared=150, table=((150, 50), (50, 150))
    )
    plain = corrected_for_confirmation(2000, 2000, even, least_n=6, draws=20_000, seed=1)
    assert plain.sensitivity.estimate == pytest.approx(0.75, abs=6e-3)
    few = CallCounts(judged=8, right=6, odd=7, found=6, even=1, cleared=0, table=((0, 1), (1, 6)))
    assert corrected_for_confirmation(20, 30, few, least_n=6, draws=500, seed=1).sensitivity.estimate is None


def test_several_people_together_are_the_sums_of_their_counts() -> None:
    one = CallCounts(9, 6, 4, 2, 5, 4, ((4, 1), (1, 3)))
    two = CallCounts(5, 5, 2, 2, 3, 3, ((3, 0), (0, 2)))
    assert together([one, two]) == CallCounts(14, 11, 6, 4, 8, 7, ((7, 1), (1, 5)))
    assert together([]) == CallCounts(0, 0, 0, 0, 0, 0, ((0, 0), (0, 0)))
