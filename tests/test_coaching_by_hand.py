"""The coaching list's charts, sessions and persons worked out by hand on a few rows."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.people.before_after import BeforeAfter, _allowing, before_after, coaching_effect
from models.people.coaching import Signal, _a_year_of, _Chart, _item, _sessions, _standing_out
from models.records import schemas
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from models.stats.control import false_alarm_chance, limit_for_false_alarms
from models.stats.intervals import newcombe_difference, wilson
from models.stats.shrinkage import pool_shares
from tests.simulated_shop import capture_row, captures_of, frame_of

MONDAY = datetime(2025, 3, 3, 9)
DAY = timedelta(days=1)
SETTINGS = PeopleSettings()
ODDS = {"odds_to_find": 4.0, "odds_in_control": 1.25}


def _work(trouble: list[bool], expected: float = 0.1) -> pl.DataFrame:
    n = len(trouble)
    return pl.DataFrame(
        {
            "at": [MONDAY + i * DAY for i in range(n)],
            "trouble": trouble,
            "expected": [expected] * n,
            "capture_file": [f"a{i}" for i in range(n)],
            "repair_order": [f"o{i}" for i in range(n)],
        }
    )


def _by_hand(trouble: list[bool], limit: float, restarts: tuple[int, ...] = ()) -> list[float]:
    """Steiner's weights for odds of 1.25 against 4 at a chance of 0.1, held at the limit."""
    up = np.log(4 * (0.9 + 1.25 * 0.1) / (1.25 * (0.9 + 4 * 0.1)))
    down = np.log((0.9 + 1.25 * 0.1) / (0.9 + 4 * 0.1))
    level, found = 0.0, []
    for i, bad in enumerate(trouble):
        level = 0.5 * limit if i in restarts else level
        level = min(max(0.0, level + (up if bad else down)), limit)
        found.append(level)
    return found


# -- one chart ----------------------------------------------------------------------------------------------------


def test_a_chart_that_stands() -> None:
    trouble = [False] * 20 + [True] * 8 + [False]
    moment = MONDAY + 30 * DAY
    chart = _Chart(_work(trouble), [], moment, 0.02, SETTINGS)
    year = round(29 * 365.25 / 30)
    limit = limit_for_false_alarms([0.1], chance=0.02, observations=year, **ODDS)
    assert chart.limit == pytest.approx(limit)
    by_hand = _by_hand(trouble, limit)
    assert chart.statistic.tolist() == pytest.approx(by_hand)
    first = next(i for i, level in enumerate(by_hand) if level == limit)
    assert 22 <= first <= 27
    assert chart.signal is not None
    assert (chart.signal.at, chart.signal.since) == (MONDAY + first * DAY, MONDAY + 20 * DAY)
    assert (chart.signal.n, chart.signal.trouble) == (9, 8)
    assert chart.signal.expected == pytest.approx(0.9)
    assert (chart.signal.statistic, chart.signal.limit) == pytest.approx((by_hand[-1], limit))
    assert chart.false_alarm_per_year == pytest.approx(
        false_alarm_chance([0.1], limit=limit, observations=year, **ODDS)
    )
    assert chart.past == []
    points = chart.points("a", "hookup")
    assert points.select("technician", "topic").unique().rows() == [("a", "hookup")]
    assert points["limit"].unique().to_list() == [chart.limit]


def test_a_chart_that_came_down_again_has_a_past() -> None:
    trouble = [False] * 5 + [True] * 8 + [False] * 30
    chart = _Chart(_work(trouble), [], MONDAY + 50 * DAY, 0.02, SETTINGS)
    by_hand = _by_hand(trouble, chart.limit)
    first = next(i for i, level in enumerate(by_hand) if level == chart.limit)
    ended = next(i for i in range(first, 43) if by_hand[i] < chart.limit / 2)
    assert chart.signal is None
    assert chart.past == [((MONDAY + day * DAY).date() for day in ())] or chart.past == [
        tuple((MONDAY + day * DAY).date() for day in (5, first, ended))
    ]


def test_a_session_answers_an_alarm_and_gives_a_head_start() -> None:
    trouble = [False] * 5 + [True] * 8
    last = (MONDAY + 12 * DAY).date()
    moment = MONDAY + 40 * DAY
    before, same = (
        _Chart(_work(trouble), held, moment, 0.02, SETTINGS) for held in ([last - timedelta(days=40)], [last])
    )
    assert before.signal is not None  # a session before the first piece of work answers nothing later
    assert same.signal is None
    assert [span[2] for span in same.past] == [last]
    # the day of the session still belongs to the time before it; the day after begins at half the limit
    held = (MONDAY + 7 * DAY).date()
    again = _Chart(_work([False] * 5 + [True] * 3 + [False] * 5), [held], moment, 0.02, SETTINGS)
    by_hand = _by_hand([False] * 5 + [True] * 3 + [False] * 5, again.limit, (8,))
    assert again.statistic.tolist() == pytest.approx(by_hand)
    year = round(13 * 365.25 / 40)
    started = {"limit": again.limit, "observations": year, **ODDS}
    assert again.false_alarm_per_year == pytest.approx(
        false_alarm_chance([0.1], start=0.5 * again.limit, **started)
    )
    # a session more than a year ago gives no head start any more
    old = _Chart(_work([False] * 13), [held], MONDAY + 400 * DAY, 0.02, SETTINGS)
    assert old.false_alarm_per_year == pytest.approx(
        false_alarm_chance([0.1], limit=old.limit, observations=30, **ODDS)
    )


def test_a_years_work_at_this_pace() -> None:
    assert _a_year_of([MONDAY] * 100, MONDAY + 200 * DAY) == round(100 * 365.25 / 200)
    assert _a_year_of([MONDAY] * 10, MONDAY + 7 * DAY) == round(10 * 365.25 / 28)
    assert _a_year_of([MONDAY] * 2, MONDAY + 365 * DAY) == 30


def test_whose_sessions_end_a_chart() -> None:
    rows = [
        {"session": str(i), "technician": who, "held_on": (MONDAY + day * DAY).date(), "topic": topic}
        for i, (who, day, topic) in enumerate(
            [("a", 9, "calls"), ("a", 2, "calls"), ("b", 1, "calls"), ("a", 1, "hookup"), ("a", 10, "calls")]
        )
    ]
    held = _sessions(frame_of(schemas.COACHING, rows), "a", "calls", MONDAY + 9 * DAY)
    assert held == [(MONDAY + day * DAY).date() for day in (2, 9)]


# -- what stands out ----------------------------------------------------------------------------------------------


def _habits() -> pl.DataFrame:
    rows = [(f"a{i}", "clipped", "unusable") for i in range(3)] + [("b0", "clipped", "unusable")]
    rows += [(f"a{i}", "no_sync", "warning") for i in range(4)] + [
        (f"b{i}", "no_sync", "warning") for i in range(2)
    ]
    rows += [(f"a{i}", "ac_coupled", "unusable") for i in range(5)]
    rows += [(f"b{i}", "ac_coupled", "unusable") for i in range(10)]
    return pl.DataFrame(
        [(f, c, s, "Do.", True) for f, c, s in rows], schema=schemas.CHECKS.types, orient="row"
    )


def test_the_check_with_the_most_beyond_the_others_share() -> None:
    since, others = _work([True] * 10), pl.DataFrame({"capture_file": [f"b{i}" for i in range(20)]})
    # clipped 3 - 10 x 1/20 = 2.5, no_sync 4 - 10 x 2/20 = 3, ac_coupled 5 - 10 x 10/20 = 0
    check, where, words = _standing_out("hookup", since, _habits(), others)
    assert (check, where) == ("no_sync", frozenset({"a0", "a1", "a2", "a3"}))
    assert words == "; no sync stands out (4 of these 10 captures)"
    # of unusable captures only what made them unusable
    assert _standing_out("usable captures", since, _habits(), others)[0] == "clipped"
    assert _standing_out("calls", since, _habits(), others) == ("", frozenset(), "")
    usual = _habits().filter(pl.col("check") == "ac_coupled")
    assert _standing_out("hookup", since, usual, others) == ("", frozenset(), "")
    alone = _standing_out("hookup", since, _habits(), others.clear())
    assert alone[0] == "ac_coupled"


def test_an_item_in_words_and_what_to_sit_down_over() -> None:
    work = _work([True] * 10 + [False] * 2).with_columns(
        expected=pl.Series([0.5, 0.1, 0.4, 0.3, 0.2, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1])
    )
    signal = Signal(MONDAY + 5 * DAY, MONDAY + DAY, 11, 9, 1.7, 3.0, 3.0, 0.02)
    others = pl.DataFrame({"capture_file": [f"b{i}" for i in range(20)]})
    item = _item("a", "hookup", work, signal, _habits(), others, MONDAY + 12 * DAY)
    low, high = wilson(9, 11)
    # of the eleven since then a1 ... a4 have clipped 2 - 0.55, no_sync 3 - 1.1, ac_coupled 4 - 5.5
    assert item.evidence == (
        "9 of 11 captures failed a hookup check since 2025-03-04, where 1.7 would be usual on the same work "
        f"(82 %, 95 % interval {100 * low:.0f} to {100 * high:.0f} %); no sync stands out (3 of these 11 captures)."
    )
    assert (item.detail, item.since, item.orders) == ("no_sync", date(2025, 3, 4), ())
    # those with the check, the newest first
    assert item.captures == ("a3", "a2", "a1")
    orders = _item(
        "a",
        "scope use",
        work.with_columns(capture_file=pl.lit(None, pl.String)),
        signal,
        _habits(),
        others,
        MONDAY + 12 * DAY,
    )
    # the nine latest ones; of these the easiest: o1 and o5 ... o9 alike, the newest of them
    assert (orders.captures, orders.orders, orders.detail) == ((), ("o9", "o8", "o7"), "")


# -- before and after ---------------------------------------------------------------------------------------------


def _capture(file: str, at: datetime, technician: str = "a", **other: object) -> dict[str, object]:
    return capture_row(file, **{"technician": technician, "vehicle": file, "captured_at": at, **other})


def _session(name: str, day: int, **other: object) -> dict[str, object]:
    held = (MONDAY + day * DAY).date()
    return {"session": name, "technician": "a", "held_on": held, "topic": "usable captures", **other}


def test_the_sides_of_a_session_to_the_day() -> None:
    # one capture a day from day -60 to day 60, bad on every third; the session on day 0, two weeks on either side
    rows = [
        _capture(f"{d}", MONDAY + d * DAY, status="unusable" if d % 3 == 0 else "read")
        for d in range(-60, 61)
    ]
    shop = Shop(captures=captures_of(rows), coaching=frame_of(schemas.COACHING, [_session("s", 0)]))
    end = MONDAY + 90 * DAY
    (row,) = before_after(shop, as_of=end, weeks=6)

    def bad(days: range) -> int:
        return sum(d % 3 == 0 for d in days)

    for side, days in ((row.before, range(-41, 1)), (row.after, range(1, 43)), (row.calm, range(-41, -27))):
        assert (side.n, side.estimate) == (len(days), pytest.approx(bad(days) / len(days)))
        assert (side.low, side.high) == pytest.approx(wilson(bad(days), len(days)))
    assert row.change.n == 84
    assert (row.change.low, row.change.high) == pytest.approx(newcombe_difference(14, 42, 14, 42))
    assert row.change_allowing.n == 14 + 42
    # a session of the same sort ends the sides; one about another test, another person or topic does not
    more = [_session("s", 0), _session("t", 10), _session("u", -20), _session("v", 5, technician="b")]
    more += [_session("w", 4, topic="hookup"), _session("x", 100)]
    found = {
        r.session: r
        for r in before_after(shop.with_frames(coaching=frame_of(schemas.COACHING, more)), as_of=end)
    }
    assert "x" not in found
    assert (found["s"].before.n, found["s"].after.n) == (20, 10)
    assert (found["t"].before.n, found["u"].after.n) == (10, 20)
    with pytest.raises(ValueError, match="at least 1"):
        before_after(shop, as_of=end, weeks=0)
    assert before_after(shop, as_of=end, weeks=1)[0].after.n == 7


def test_checks_on_either_side() -> None:
    rows = [_capture(f"{d}", MONDAY + d * DAY) for d in range(-9, 11)]
    failed = [(f"{d}", "clipped", "warning", "Do.", True) for d in (-3, -2, -1, 4)]
    failed += [("5", "no_sync", "warning", "Do.", True), ("6", "weak_battery", "warning", "Do.", False)]
    shop = Shop(
        captures=captures_of(rows),
        checks=pl.DataFrame(failed, schema=schemas.CHECKS.types, orient="row"),
        coaching=frame_of(schemas.COACHING, [_session("s", 0, topic="hookup")]),
    )
    (row,) = before_after(shop, as_of=MONDAY + 90 * DAY)
    assert row.checks.drop("low", "high").rows() == [
        ("clipped", 3, 10, 1, 10, pytest.approx(-0.2)),
        ("no_sync", 0, 10, 1, 10, pytest.approx(0.1)),
    ]
    assert row.checks.select("low", "high").row(0) == pytest.approx(newcombe_difference(1, 10, 3, 10))
    early = before_after(shop, as_of=MONDAY)[0]
    assert (early.after.n, early.checks.height) == (0, 0)


def test_allowing_is_the_difference_of_two_betas() -> None:
    work = pl.DataFrame(
        {"technician": [n for n in "abcd" for _ in range(10)], "trouble": [i % 4 == 0 for i in range(40)]}
    )
    found = _allowing(work, (5, 8), (2, 9), SETTINGS)
    counts = work.group_by("technician", maintain_order=True).agg(pl.col("trouble").sum(), n=pl.len())
    shop = pool_shares(counts["trouble"].to_numpy(), counts["n"].to_numpy())
    rng = np.random.default_rng(7)
    first = rng.beta(shop.alpha + 5, shop.beta + 3, 400_000)
    gap = rng.beta(2.5, 7.5, 400_000) - first
    assert found.n == 17
    assert found.estimate == pytest.approx(
        2.5 / 10 - (shop.alpha + 5) / (shop.alpha + shop.beta + 8), abs=0.006
    )
    assert (found.low, found.high) == pytest.approx(tuple(np.quantile(gap, [0.025, 0.975])), abs=0.015)
    assert _allowing(work, (1, 5), (1, 9), SETTINGS).estimate is None
    assert _allowing(work, (1, 6), (1, 6), SETTINGS).estimate is not None
    assert _allowing(work, (1, 9), (1, 5), SETTINGS).why is not None


def _one(calm: tuple[int, int], after: tuple[int, int]) -> BeforeAfter:
    from models.stats.intervals import share
    from models.stats.results import Estimate

    none = Estimate.nothing(0, "unused")
    return BeforeAfter(
        "s", "a", "hookup", None, MONDAY.date(), 26, none, share(*calm), share(*after), none,
        Estimate(calm[1] + after[1], 0.0, -1.0, 1.0), pl.DataFrame(), "",
    )  # fmt: skip


def test_the_pooled_odds_ratio_by_brute_force() -> None:
    """Two sessions: normal log odds ratios, mu ~ N(0, 1.5), tau ~ half-Cauchy(0.5), summed over a fine grid."""
    calm, after = ((12, 30), (9, 20)), ((5, 40), (6, 25))
    found = coaching_effect(tuple(_one(b, a) for b, a in zip(calm, after, strict=True)))
    effects, squares = [], []
    for (b, n0), (a, n1) in zip(calm, after, strict=True):
        effects.append(np.log((a + 0.5) / (n1 - a + 0.5)) - np.log((b + 0.5) / (n0 - b + 0.5)))
        squares.append(sum(1 / (c + 0.5) for c in (a, n1 - a, b, n0 - b)))
    mu, tau = np.linspace(-6, 6, 1201)[:, None], np.linspace(0.0005, 12, 6000)[None, :]
    density = np.exp(-0.5 * (mu / 1.5) ** 2) / (1 + (tau / 0.5) ** 2)
    for y, square in zip(effects, squares, strict=True):
        density = density * np.exp(-0.5 * (y - mu) ** 2 / (square + tau**2)) / np.sqrt(square + tau**2)
    weight = density.sum(axis=1) / density.sum()
    mean = float(weight @ mu[:, 0])
    sd = float(np.sqrt(weight @ (mu[:, 0] - mean) ** 2))
    got = found.odds_ratio
    assert (got.n, found.sessions) == (115, 2)
    assert got.estimate is not None
    assert np.log(got.estimate) == pytest.approx(mean, abs=0.02)
    assert got.estimate < 1
    assert (np.log(got.low or 1), np.log(got.high or 1)) == pytest.approx(
        (mean - 1.96 * sd, mean + 1.96 * sd), abs=0.05
    )
