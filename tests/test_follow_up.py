"""Following up only what was flagged must not move the limit; a few tests drawn by lot must."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.records import schemas
from models.thresholds.costs import Draw
from models.thresholds.evidence import confirmation_weights
from models.thresholds.follow_up import (
    MIN_UNFLAGGED,
    calibrated,
    enough_unflagged,
    looks_healthy,
    prevalence_of,
    shares_by_sort,
)
from models.thresholds.limits import shop_curves
from models.thresholds.proposal import Costs, Proposal, costs_at, evidence, propose
from models.thresholds.verification import drawn_by_lot, verification_list
from tests.follow_up_shop import Drawn, FollowUp, follow_up_shop

COSTS = Costs(miss=600.0, false_alarm=90.0)


def _proposals(drawn: Drawn, costs: Costs = COSTS, most: float = 0.05) -> tuple[Proposal, ...]:
    return propose(drawn.fit, drawn.scores, drawn.shop, costs, draws=40, most_healthy_flagged=most)


@pytest.fixture(scope="module")
def by_lot() -> Drawn:
    return follow_up_shop(3, FollowUp(at_random=0.15))


@pytest.mark.parametrize("how", [FollowUp(), FollowUp(near_miss=0.8)])
def test_following_up_the_odd_looking_alone_leaves_the_limit_on_normal_spread(how: FollowUp) -> None:
    drawn = follow_up_shop(1, how)
    found = _proposals(drawn)
    limits = drawn.fit.stats["odd_limit_pct"].to_list()
    for proposal, limit in zip(found, limits, strict=True):
        assert proposal.basis == "normal spread"
        assert proposal.threshold_pct == pytest.approx(limit, abs=0.051)
        assert drawn.healthy_flagged(proposal.group, proposal.threshold_pct) < 0.04
        assert "drawn at random" in proposal.why
        assert proposal.prevalence is None
        assert proposal.needs_look is None


def test_a_few_tests_by_lot_let_costs_be_weighed(by_lot: Drawn) -> None:
    found = _proposals(by_lot)
    weighed, spread = [], []
    for proposal, limit in zip(found, by_lot.fit.stats["odd_limit_pct"], strict=True):
        assert proposal.basis.startswith("outcomes")
        assert proposal.prevalence == pytest.approx(0.12, abs=0.06)
        assert "looked healthy were confirmed too" in proposal.why
        weighed.append(by_lot.cost(proposal.group, proposal.threshold_pct, miss=600.0, false_alarm=90.0))
        spread.append(by_lot.cost(proposal.group, limit, miss=600.0, false_alarm=90.0))
    assert np.mean(weighed) < np.mean(spread)


def test_a_group_without_tests_by_lot_borrows_what_the_others_found(by_lot: Drawn) -> None:
    rows = evidence(by_lot.scores, by_lot.shop)
    quiet = rows.filter((pl.col("group") == "group 1") & ~pl.col("flagged"))["capture_file"]
    outcomes = by_lot.shop.outcomes.filter(~pl.col("repair_order").is_in(quiet.to_list()))
    spoilt = Drawn(by_lot.shop.with_frames(outcomes=outcomes), by_lot.fit, by_lot.scores, by_lot.odd)
    first = _proposals(spoilt)[1]
    members = rows.filter(pl.col("group") == "group 1")["capture_file"]
    assert first.prevalence == pytest.approx(np.mean([by_lot.odd[name] for name in members]), abs=0.08)
    assert by_lot.healthy_flagged("group 1", first.threshold_pct) < 0.08
    # its confirmed healthy captures were all flagged: they say nothing of false alarms
    assert (first.false_alarm.estimate or 1.0) < 0.1
    # nor do the many of the group that scatters most: its false alarms are those of its normal spread
    wide = rows.filter((pl.col("group") == "group 0") & ~pl.col("flagged"))["capture_file"]
    without = by_lot.shop.outcomes.filter(~pl.col("repair_order").is_in(wide.to_list()))
    lone = Drawn(by_lot.shop.with_frames(outcomes=without), by_lot.fit, by_lot.scores, by_lot.odd)
    flagged = lone.shop.outcomes.filter(
        pl.col("repair_order").str.starts_with("0-") & (pl.col("finding") == "even")
    )
    assert flagged.height >= 5
    widest = _proposals(lone)[0]
    assert widest.false_alarm.n == round(by_lot.fit.stats["healthy_captures"][0])
    assert (widest.false_alarm.estimate or 1.0) < 0.2
    limit = {"group 1": 5.3, "group 2": 5.3}
    found = costs_at(by_lot.scores, spoilt.shop, limit, draws=40)
    assert found["group 1"].false_alarm.estimate is None


def test_what_was_followed_up_because_it_looked_odd_gives_no_shares() -> None:
    drawn = follow_up_shop(2, FollowUp())
    found = costs_at(drawn.scores, drawn.shop, {"group 0": 5.3}, draws=40)["group 0"]
    for figure in (found.false_alarm, found.detection):
        assert figure.estimate is None
        assert figure.why


def test_many_known_healthy_that_were_all_flagged_give_no_share() -> None:
    """At 3 % ten healthy captures of a group are flagged, tested and known: of the others nothing is known."""
    drawn = follow_up_shop(2, FollowUp(limit_pct=3.0))
    figure = costs_at(drawn.scores, drawn.shop, {"group 0": 3.0}, draws=20)["group 0"].false_alarm
    assert figure.n >= 5
    assert figure.estimate is None
    assert "looked healthy" in (figure.why or "")


def test_a_limit_that_flags_many_healthy_captures_asks_for_a_look(by_lot: Drawn) -> None:
    dear = Costs(miss=60_000.0, false_alarm=90.0)
    for proposal in _proposals(by_lot, dear):
        true = by_lot.healthy_flagged(proposal.group, proposal.threshold_pct)
        assert true > 0.2
        assert proposal.believed_healthy_flagged == pytest.approx(true, abs=0.25)
        assert proposal.needs_look is not None
        assert f"{proposal.threshold_pct:.1f} %" in proposal.needs_look
        assert "by hand" in proposal.needs_look
    assert all(proposal.needs_look is None for proposal in _proposals(by_lot, dear, most=1.0))


def test_enough_means_many_and_from_the_whole_range(by_lot: Drawn) -> None:
    rows = evidence(by_lot.scores, by_lot.shop)
    looks = looks_healthy(rows, {})
    enough, count = enough_unflagged(rows, looks)
    assert enough
    assert count == int((looks & (rows["confirmed"].to_numpy() != 0)).sum()) >= MIN_UNFLAGGED
    middle = float(np.median(rows["odd_pct"].to_numpy()[looks]))
    upper = rows.with_columns(
        confirmed=pl.when(pl.col("flagged") | (pl.col("odd_pct") > middle)).then("confirmed").otherwise(0)
    )
    assert enough_unflagged(upper, looks)[0] is False


def test_a_handful_is_not_enough_wherever_it_lies() -> None:
    rows = pl.DataFrame(
        {"odd_pct": np.linspace(0.0, 4.0, 200), "confirmed": [1 if i % 10 == 0 else 0 for i in range(200)]}
    )
    everyone = np.ones(200, dtype=bool)
    assert enough_unflagged(rows, everyone) == (True, MIN_UNFLAGGED)
    one_less = rows.with_columns(
        confirmed=pl.when(pl.int_range(pl.len()) == 190).then(0).otherwise("confirmed")
    )
    assert enough_unflagged(one_less, everyone) == (False, MIN_UNFLAGGED - 1)


def test_who_looks_healthy() -> None:
    rows = pl.DataFrame(
        {
            "group": ["a", "a", "a", "a", "b", "c"],
            "odd_pct": [1.0, 9.0, 1.0, 1.0, 4.0, 9.0],
            "flagged": [False, False, False, None, None, None],
            "call": [None, "even", "odd", "unsure", "even", None],
            "in_question": [True, True, True, True, True, True],
        }
    )
    # a flag that is on record counts; without one the limit does; without a limit nothing was flagged
    assert looks_healthy(rows, {"a": 5.0, "b": 3.0}).tolist() == [True, True, False, True, False, True]
    assert not looks_healthy(rows.with_columns(in_question=pl.lit(False)), {}).any()


def test_confirmed_captures_are_scaled_to_their_sort() -> None:
    # 10 looked odd (8 confirmed odd, 2 even), 90 looked healthy (9 confirmed even, 1 odd), one group
    looks = np.repeat([False, True], [10, 90])
    odd = np.concatenate([np.repeat(1.0, 8), np.zeros(2), [1.0], np.zeros(89)])
    healthy = np.concatenate([np.zeros(8), np.ones(2), [0.0], np.ones(9), np.zeros(80)])
    draw = Draw(healthy, odd, np.ones(100))
    group = np.zeros(100, dtype=np.int64)
    counts, shares = shares_by_sort(draw, group, 1, looks)
    assert counts[:, 0].tolist() == [10.0, 90.0]
    assert shares[0, 0] == pytest.approx(0.8, abs=0.06)
    assert shares[1, 0] == pytest.approx(0.1, abs=0.06)
    prevalence = prevalence_of(counts, shares)[0]
    assert prevalence == pytest.approx((10 * shares[0, 0] + 90 * shares[1, 0]) / 100)
    scaled = calibrated(draw, group, looks, counts, shares, known_good=np.zeros(100, dtype=bool))
    assert scaled.healthy[~looks].sum() == pytest.approx(10 * (1 - shares[0, 0]))
    assert scaled.healthy[looks].sum() == pytest.approx(90 * (1 - shares[1, 0]))
    assert scaled.odd.sum() == pytest.approx(100 * prevalence)
    good = np.arange(100) == 50
    kept = Draw(np.where(good, 1.0, healthy), odd, np.where(good, 0.0, 1.0))
    assert calibrated(kept, group, looks, counts, shares, known_good=good).healthy[50] == 1.0
    # two flagged ones alone would say that every healthy capture is a false alarm
    lone = Draw(np.where(looks, 0.0, healthy), odd, np.ones(100))
    assert calibrated(lone, group, looks, counts, shares, known_good=good).healthy.sum() == 0.0


def test_each_draw_takes_another_share_of_odd_captures(by_lot: Drawn) -> None:
    """The same captures each time: what differs is what is not known of each group's own share."""
    rows = evidence(by_lot.scores, by_lot.shop)
    names = by_lot.fit.stats["group"].to_list()
    same = np.ones((40, rows.height))
    found = shop_curves(rows, confirmation_weights(rows), same, looks_healthy(rows, {}), names, seed=1)
    spread = np.log(found.drawn_prevalence / (1 - found.drawn_prevalence)).std(axis=0)
    assert (spread > 0.1).all()
    middle = np.median(found.drawn_prevalence, axis=0)
    assert middle == pytest.approx(found.prevalence, abs=0.03)


def test_the_list_is_drawn_by_lot_and_stands_still(by_lot: Drawn) -> None:
    end = by_lot.shop.captures["captured_at"].max()
    assert isinstance(end, datetime)
    wide = verification_list(by_lot.scores, by_lot.shop, {}, as_of=end, days=400)
    names = set(wide.captures["capture_file"])
    rows = evidence(by_lot.scores, by_lot.shop)
    open_ones = rows.filter(pl.Series(looks_healthy(rows, {})) & (pl.col("confirmed") == 0))
    assert 0.05 < len(names) / open_ones.height < 0.16
    assert names <= set(open_ones["capture_file"])
    assert wide.captures["captured_at"].is_sorted(descending=True)
    drawn = open_ones.filter(pl.col("capture_file").is_in(list(names)))["odd_pct"].mean()
    assert drawn == pytest.approx(open_ones["odd_pct"].mean(), abs=0.6)
    # a day earlier the same cars stood on it, as far as they were there
    day = verification_list(by_lot.scores, by_lot.shop, {}, as_of=end - timedelta(days=30), days=400)
    assert set(day.captures["capture_file"]) <= names
    short = verification_list(by_lot.scores, by_lot.shop, {}, as_of=end)
    assert (short.captures["captured_at"] >= end - timedelta(days=14)).all()
    assert (wide.needed, wide.confirmed >= MIN_UNFLAGGED) == (0, True)
    assert "enough to weigh costs" in wide.sentence
    assert 0.07 < np.mean([drawn_by_lot(f"{i}", share=0.1, seed=1) for i in range(2000)]) < 0.13
    with pytest.raises(ValueError, match="share"):
        verification_list(by_lot.scores, by_lot.shop, {}, as_of=date(2025, 12, 1), share=0.0)


def test_the_list_knows_closed_orders_and_what_is_still_needed() -> None:
    drawn = follow_up_shop(2, FollowUp(), groups=1)
    day = datetime(2025, 12, 1)
    orders = drawn.shop.captures.select(
        "repair_order",
        closed_at=pl.when(pl.int_range(pl.len()) % 2 == 0).then(pl.lit(day - timedelta(days=1))),
    )
    shop = drawn.shop.with_frames(orders=schemas.ORDERS.of(orders))
    found = verification_list(drawn.scores, shop, {}, as_of=day, days=400, share=1.0)
    assert found.captures["still_open"].sum() == pytest.approx(found.captures.height / 2, abs=10)
    assert found.needed == MIN_UNFLAGGED - found.confirmed == MIN_UNFLAGGED
    assert f"about {MIN_UNFLAGGED} more are needed" in found.sentence
