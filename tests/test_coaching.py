"""The coaching list finds planted technicians, names few others, and lets go of those who improved."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.people.before_after import WEEKS
from models.people.coaching import CoachingList, before_after, coaching_effect, needs_coaching
from models.people.skill import technicians
from models.records import schemas
from models.records.people_settings import PeopleSettings
from models.records.shop import Shop
from tests.simulated_shop import START, SkillShop, Trouble, skill_shop

PLANTED = (
    Trouble("tech b", "hookup", 120, 0.5),
    Trouble("tech c", "calls", 0, 0.5),
    Trouble("tech d", "scope use", 0, 0.93),
)


def _list(shop: SkillShop, as_of: date | None = None, settings: PeopleSettings | None = None) -> CoachingList:
    day = as_of or shop.as_of
    return needs_coaching(technicians(shop.shop, as_of=day), shop.shop, as_of=day, settings=settings)


@pytest.fixture(scope="module")
def shop() -> SkillShop:
    return skill_shop(42, PLANTED, confirmed=(0.7, 0.9))


def test_planted_technicians_are_named_and_nobody_else(shop: SkillShop) -> None:
    found = _list(shop)
    assert [(i.technician, i.topic) for i in found.items] == [(t.technician, t.topic) for t in PLANTED]
    assert found.unwatched == ("tech h",)


def test_an_item_says_what_since_when_and_over_what(shop: SkillShop) -> None:
    hookup, calls, use = _list(shop).items
    assert hookup.detail == "reversed_leads"
    began = START.date() + timedelta(days=120)
    assert began - timedelta(days=10) < hookup.since < began + timedelta(days=45)
    assert 2 <= len(hookup.captures) <= 3
    failed = set(shop.shop.checks.filter(pl.col("check") == "reversed_leads")["capture_file"])
    assert set(hookup.captures) <= failed
    signal = hookup.signal
    assert f"{signal.trouble} of {signal.n} captures failed a hookup check since" in hookup.evidence
    assert "95 % interval" in hookup.evidence
    assert "reversed leads stands out" in hookup.evidence
    assert signal.expected < signal.trouble
    assert signal.since <= signal.at
    assert "judged calls were wrong" in calls.evidence
    assert (use.captures, len(use.orders)) == ((), 3)


def test_the_list_states_its_own_error(shop: SkillShop) -> None:
    found = _list(shop)
    allowed = PeopleSettings().false_alarms_per_technician_year
    people = len(set(found.chart_points["technician"]))
    assert 0.3 * allowed * people < found.false_alarm_per_year <= 1.1 * allowed * people
    assert f"{found.false_alarm_per_year:.2f}" in found.note
    strict = _list(shop, settings=PeopleSettings(false_alarms_per_technician_year=0.005))
    assert strict.false_alarm_per_year < found.false_alarm_per_year / 5
    limits = found.chart_points.group_by("technician", "topic").agg(pl.col("limit").n_unique())
    assert (limits["limit"] == 1).all()


def test_ordinary_shops_are_left_alone() -> None:
    named = sum(len(_list(skill_shop(900 + seed)).items) for seed in range(6))
    # stated: about 0.4 a year in each
    assert named <= 5


def test_who_improved_leaves_the_list() -> None:
    planted = (Trouble("tech b", "hookup", 60, 0.6, ends_day=200),)
    coached = skill_shop(8, planted, coaching=(("tech b", "hookup", 199),))
    before = _list(coached, START.date() + timedelta(days=195))
    assert [(i.technician, i.topic) for i in before.items] == [("tech b", "hookup")]
    after = _list(coached)
    assert after.items == ()
    past = after.past.filter((pl.col("technician") == "tech b") & (pl.col("topic") == "hookup"))
    assert past.height >= 1
    assert past["ended_on"][0] >= START.date() + timedelta(days=195)
    without = skill_shop(8, planted)
    assert ("tech b", "hookup") not in [(i.technician, i.topic) for i in _list(without).items]


def test_coaching_without_effect_brings_the_name_back() -> None:
    planted = (Trouble("tech b", "hookup", 60, 0.6),)
    coached = skill_shop(8, planted, coaching=(("tech b", "hookup", 150),))
    day = START.date() + timedelta(days=150)
    assert _list(coached, day).items == ()  # answered by the session
    assert [(i.technician, i.topic) for i in _list(coached).items] == [("tech b", "hookup")]
    assert _list(coached).items[0].since > day


def test_before_and_after() -> None:
    planted = (
        Trouble("tech b", "hookup", 60, 0.6, ends_day=200),
        Trouble("tech c", "hookup", 60, 0.6),
    )
    made = skill_shop(
        12, planted, coaching=(("tech b", "hookup", 199), ("tech c", "hookup", 199), ("tech h", "calls", 199))
    )
    better, same, nobody = before_after(made.shop, as_of=made.as_of)
    assert better.change.high is not None
    assert better.change.high < 0
    assert "clearly less" in better.sentence
    assert same.change.low is not None
    assert same.change.high is not None
    assert same.change.low < 0 < same.change.high
    assert nobody.change.estimate is None
    # drawn towards the shop, the share before is less bad and the gain smaller
    assert better.change_allowing.estimate is not None
    assert better.change.estimate is not None
    assert better.change.estimate < better.change_allowing.estimate < 0
    assert "comes by itself" in better.sentence
    effect = coaching_effect((better, same, nobody))
    assert effect.sessions == 3
    assert effect.odds_ratio.low is not None
    assert effect.odds_ratio.high is not None
    assert effect.odds_ratio.low < (effect.odds_ratio.estimate or 0) < effect.odds_ratio.high
    assert coaching_effect((better,)).odds_ratio.estimate is None
    with pytest.raises(ValueError, match="weeks"):
        before_after(made.shop, as_of=made.as_of, weeks=0)


def test_the_day_of_the_session_belongs_to_before() -> None:
    made = skill_shop(12, coaching=(("tech b", "usable captures", 100),))
    (row,) = before_after(made.shop, as_of=made.as_of)
    own = made.shop.captures.filter(pl.col("technician") == "tech b")["captured_at"].dt.date()
    day = START.date() + timedelta(days=100)
    assert row.before.n == int(((own <= day) & (own > day - timedelta(weeks=WEEKS))).sum())
    assert row.after.n == int(((own > day) & (own <= day + timedelta(weeks=WEEKS))).sum())


def test_an_empty_shop_has_an_empty_list() -> None:
    found = needs_coaching((), Shop(), as_of=date(2025, 1, 1))
    assert (found.items, found.charts, found.false_alarm_per_year) == ((), 0, 0.0)
    assert before_after(Shop(), as_of=date(2025, 1, 1)) == ()


def test_without_orders_scope_use_is_not_watched(shop: SkillShop) -> None:
    bare = shop.shop.with_frames(orders=schemas.ORDERS.empty())
    found = needs_coaching(technicians(bare, as_of=shop.as_of), bare, as_of=shop.as_of)
    assert set(found.chart_points["topic"]) == {"usable captures", "hookup", "calls"}
    assert found.reasons("tech b") == (found.items[0].evidence,)
    assert np.isfinite(found.chart_points["statistic"].to_numpy()).all()
