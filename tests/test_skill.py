"""Each technician's figures on constructed logs, and 'too little to say' where there is too little."""

from __future__ import annotations

from dataclasses import fields
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.people.coaching import before_after, needs_coaching
from models.people.counts import MEASURES
from models.people.drills import count_drills
from models.people.funnels import funnel
from models.people.hookup import failing_checks
from models.people.repeatability import repeatability, repeats
from models.people.skill import TechnicianSkill, technicians
from models.people.standing_hookup import (
    ASPECTS,
    compare,
    decided_hookups,
    standing_hookups,
)
from models.records import schemas
from models.records.logbook import captures_until
from models.records.people_settings import PeopleSettings, StandingHookup, as_moment
from models.records.shop import Shop
from models.stats.results import Estimate
from tests.simulated_shop import TEST, Trouble, capture_row, captures_of, frame_of, skill_shop

MONDAY = datetime(2025, 3, 3, 9)


def _skills(shop: Shop, as_of: date, settings: PeopleSettings | None = None) -> dict[str, TechnicianSkill]:
    return {row.technician: row for row in technicians(shop, as_of=as_of, settings=settings)}


def _capture(file: str, **other: object) -> dict[str, object]:
    return capture_row(
        file, **{"vehicle": f"car {file}", "captured_at": MONDAY, "call_elements": [], **other}
    )


def test_an_empty_shop_says_nothing() -> None:
    assert _skills(Shop(), date(2025, 1, 1)) == {}
    for measure in MEASURES:
        drawn = funnel((), measure)
        assert (drawn.points.height, drawn.limits.height, drawn.overall) == (0, 0, None)


@pytest.fixture(scope="module")
def shop() -> tuple[Shop, date, dict[str, TechnicianSkill]]:
    made = skill_shop(
        31,
        (
            Trouble("tech b", "usable captures", 0, 0.45),
            Trouble("tech c", "calls", 0, 0.5),
            Trouble("tech d", "scope use", 0, 0.93),
        ),
        confirmed=(0.6, 0.8),
    )
    return made.shop, made.as_of, _skills(made.shop, made.as_of)


def test_three_captures_are_too_little_to_say(shop: tuple[Shop, date, dict[str, TechnicianSkill]]) -> None:
    newcomer = shop[2]["tech h"]
    assert newcomer.captures == 3
    assert newcomer.too_little
    for figure in (
        newcomer.usable,
        newcomer.calls,
        newcomer.sensitivity,
        newcomer.kappa,
        newcomer.usable_per_month,
    ):
        assert figure.estimate is None
        assert (figure.why or "").startswith("Too little to say")
    for measure in MEASURES:
        points = funnel(tuple(shop[2].values()), measure).points
        mine = points.filter(pl.col("technician") == "tech h")["standing"].to_list()
        assert mine in ([], ["too little to say"]) or measure == "adoption"


def test_figures_agree_with_the_raw_counts(shop: tuple[Shop, date, dict[str, TechnicianSkill]]) -> None:
    whole, _, skills = shop
    for name, skill in skills.items():
        own = whole.captures.filter(pl.col("technician") == name)
        assert skill.captures == own.height == skill.counts["usable"].trials
        weeks = 2 if name == "tech h" else 52
        assert skill.captures_a_week.estimate == pytest.approx(own.height / weeks, rel=0.03)
        assert (skill.captures_a_week.low or 0) < own.height / weeks < (skill.captures_a_week.high or 0)
        assert skill.counts["usable"].events == own.filter(pl.col("status") == "read").height
        if skill.usable.estimate is None:
            continue
        raw = skill.counts["usable"].events / skill.captures
        usual = skill.usual["usable"]
        # between the own share and the usual one, nearer to the own one
        assert min(raw, usual) - 1e-9 <= skill.usable.estimate <= max(raw, usual) + 1e-9
        assert abs(skill.usable.estimate - raw) < abs(skill.usable.estimate - usual) + 0.03
        assert skill.usable_by_week["trials"].sum() == skill.captures


def test_planted_technicians_stand_outside_the_funnel(
    shop: tuple[Shop, date, dict[str, TechnicianSkill]],
) -> None:
    skills = tuple(shop[2].values())
    outside = {
        measure: funnel(skills, measure).points.filter(pl.col("standing") == "below")["technician"].to_list()
        for measure in ("usable", "calls", "adoption")
    }
    assert outside["usable"] == ["tech b"]
    assert outside["calls"] == ["tech c"]
    assert outside["adoption"] == ["tech d"]
    with pytest.raises(ValueError, match="no funnel"):
        funnel(skills, "speed")


def test_sensitivity_and_specificity_are_kept_apart() -> None:
    # one who calls everything even: right most of the time, finds nothing
    made = skill_shop(5, newcomer=False, confirmed=(0.9, 0.9))
    lazy = made.shop.captures.with_columns(
        call=pl.when(pl.col("technician") == "tech a").then(pl.lit("even")).otherwise("call"),
        call_elements=pl.when(pl.col("technician") == "tech a")
        .then(pl.lit([], dtype=pl.List(pl.Int32)))
        .otherwise("call_elements"),
    )
    skill = _skills(made.shop.with_frames(captures=lazy), made.as_of)["tech a"]
    assert skill.sensitivity.high is not None
    assert skill.specificity.low is not None
    assert skill.sensitivity.high < 0.35
    assert skill.specificity.low > 0.85
    assert skill.kappa.estimate is None or skill.kappa.estimate < 0.1


def test_adoption_allows_for_the_mix_of_jobs() -> None:
    # two technicians scope by the same rule (8 of 10 misfires, 2 of 10 lights), one gets the misfires
    rows, captures = [], []
    share = {"misfire": 0.8, "check_light": 0.2}
    mix = {"a": ("misfire", 80, 20), "b": ("check_light", 80, 20), "c": ("misfire", 50, 50)}
    for name, (main, n_main, n_other) in mix.items():
        other = "check_light" if main == "misfire" else "misfire"
        for complaint, n in ((main, n_main), (other, n_other)):
            for i in range(n):
                order = f"{name}{complaint}{i}"
                rows.append({
                    "repair_order": order, "opened_at": MONDAY, "closed_at": MONDAY + timedelta(days=1),
                    "technician": name, "vehicle": order, "engine_family": "f", "complaint": complaint,
                    "scope_eligible": True,
                })  # fmt: skip
                if i < share[complaint] * n:
                    captures.append(
                        _capture(f"{order}.csv", technician=name, repair_order=order, purpose="diagnosis")
                    )
    skills = _skills(
        Shop(captures=captures_of(captures), orders=frame_of(schemas.ORDERS, rows)), date(2025, 6, 1)
    )
    raw = {n: s.counts["adoption"].events / s.counts["adoption"].trials for n, s in skills.items()}
    assert raw == pytest.approx({"a": 0.68, "b": 0.32, "c": 0.5})
    adjusted = [s.adoption.estimate or 0.0 for s in skills.values()]
    assert max(adjusted) - min(adjusted) < 0.06
    assert adjusted == pytest.approx([0.5] * 3, abs=0.06)


def test_drills_are_counted_by_week() -> None:
    week = timedelta(weeks=1)
    asked = [
        ("d1", None, TEST, MONDAY.date(), 5),
        ("d2", "t", TEST, (MONDAY + week).date(), 5),
        ("d3", "t", "other_test", (MONDAY + week).date(), 2),
        ("d4", None, TEST, (MONDAY + 2 * week).date(), 5),  # still running
    ]
    captures = (
        [_capture(f"a{i}", captured_at=MONDAY + timedelta(hours=i)) for i in range(7)]
        + [_capture(f"b{i}", captured_at=MONDAY + week, status="unusable") for i in range(2)]
        + [_capture("paid", captured_at=MONDAY + week, purpose="diagnosis")]
        + [_capture("now", captured_at=MONDAY + 2 * week)]
    )
    first = {"t": date(2024, 1, 1), "late": date(2025, 3, 10)}
    shop = Shop(
        captures=captures_of(captures),
        drills=pl.DataFrame(asked, schema=schemas.DRILLS.types, orient="row"),
        technicians=pl.DataFrame(list(first.items()), schema=schemas.TECHNICIANS.types, orient="row"),
    )
    done = count_drills(shop, ("late", "t"), MONDAY + 2 * week + timedelta(days=2))
    # five done of five in the first week, two more do not make up for the three missed in the second
    assert (done["t"].target, done["t"].done, done["t"].extra) == (12, 7, 2)
    assert done["t"].by_week.rows() == [(MONDAY.date(), 5, 5, 2), ((MONDAY + week).date(), 7, 2, 0)]
    assert done["t"].by_test.rows() == [("other_test", 2, 0, 0), (TEST, 10, 7, 2)]
    assert (done["late"].target, done["late"].done) == (0, 0)


def _differs(compared: pl.DataFrame) -> dict[str, list[str]]:
    return {
        row["capture_file"]: [a for a in ASPECTS if row[a] is False]
        for row in compared.iter_rows(named=True)
        if not row["consistent"]
    }


def test_captures_against_the_standing_hookup() -> None:
    rows = [_capture(f"same {i}") for i in range(6)]
    rows += [
        _capture("order", ch_signals="ignition_primary;battery_voltage"),
        _capture("scale", ch_scales="1;1"),
        _capture("written otherwise", ch_scales="1.0; 10"),
        _capture("sync", sync_cylinder=3),
        _capture("slow", rate_hz=1000.0),
        _capture("fast", rate_hz=50_000.0),
        _capture("short", duration_s=2.0),
        _capture("long", duration_s=30.0),
        _capture("unknown", rate_hz=None, duration_s=None),
    ]
    shop = Shop(captures=captures_of(rows))
    taken = captures_until(shop, as_moment(date(2025, 6, 1)))
    assert _differs(compare(taken, standing_hookups(taken, ()))) == {
        "order": ["channel order"],
        "scale": ["scale"],
        "sync": ["sync lead"],
        "slow": ["sample rate"],
        "short": ["length"],
    }
    decided = (StandingHookup(TEST, index_element=3, min_rate_hz=500.0),)
    by_setting = compare(taken, standing_hookups(taken, decided))
    assert by_setting.filter(pl.col("sync lead"))["capture_file"].to_list() == ["sync"]
    assert by_setting.filter(~pl.col("sample rate")).height == 0
    # what the settings leave open stays as it is mostly done
    assert by_setting.filter(~pl.col("channel order"))["capture_file"].to_list() == ["order"]


def test_a_free_channel_and_what_is_left_open() -> None:
    captures = captures_of(
        [
            _capture("free behind", ch_signals="battery_voltage;ignition_primary;;", ch_scales="1;10;1;1"),
            _capture("free between", ch_signals="battery_voltage;;ignition_primary", ch_scales="1;1;10"),
            _capture(
                "one more",
                ch_signals="battery_voltage;ignition_primary;starter_current",
                ch_scales="1;10;100",
            ),
            _capture("nothing said", ch_signals=None, ch_scales=None, sync_cylinder=None),
            _capture("no scale", ch_scales=None),
            _capture("other test", test="another", ch_signals="starter_current", ch_scales="100"),
        ]
    )
    standing = decided_hookups(
        (
            StandingHookup(
                TEST, ("battery_voltage", "ignition_primary", ""), (1.0, 10.0, 5.0), min_rate_hz=4000.0
            ),
        )
    )
    compared = compare(captures, standing)
    assert _differs(compared) == {
        "free between": ["channel order", "scale"],
        "one more": ["channel order", "scale"],
    }
    assert (
        compared["sync lead"].null_count() == compared["length"].null_count() == 6
    )  # the setup says nothing
    silent = compared.filter(pl.col("capture_file") == "nothing said").row(0, named=True)
    assert [silent[a] for a in ASPECTS] == [None, None, None, True, None]
    assert compared.filter(pl.col("capture_file") == "no scale")["scale"].to_list() == [None]
    other = compared.filter(pl.col("capture_file") == "other test").row(0, named=True)
    assert [other[a] for a in ASPECTS] == [None] * 5
    # as mostly done: a row with a free channel behind counts with those without
    usual = standing_hookups(captures, ())
    found = usual.filter(pl.col("test") == TEST).row(0, named=True)
    assert found["standing_signals"] == "battery_voltage;ignition_primary"


def test_failing_checks_against_the_others() -> None:
    captures = captures_of([_capture(f"{name}{i}", technician=name) for name in "ab" for i in range(10)])
    failed = [(f"a{i}", "reversed_leads", "warning", "Swap.", True) for i in range(6)]
    failed += [
        ("b0", "reversed_leads", "note", "Swap.", True),
        ("b0", "clipped", "unusable", "Attenuate.", True),
    ]
    shop = Shop(captures=captures, checks=pl.DataFrame(failed, schema=schemas.CHECKS.types, orient="row"))
    rows = failing_checks(shop, MONDAY)
    first = rows.row(0, named=True)
    assert (first["technician"], first["check"], first["captures"], first["of"]) == (
        "a",
        "reversed_leads",
        6,
        10,
    )
    assert (first["share_pct"], first["others_share_pct"], first["excess"]) == pytest.approx((60, 10, 5))
    assert rows.filter(pl.col("technician") == "b")["check"].to_list() == ["clipped", "reversed_leads"]
    assert failing_checks(shop.with_frames(checks=shop.checks.clear()), MONDAY).height == 0


def test_repeatability_recovers_the_planted_spread() -> None:
    rng = np.random.default_rng(9)
    rows, elements = [], []
    for car in range(60):
        shape = 100 + rng.normal(0, 4, 6)  # the engine's own; cancels out
        for repeat in range(2):
            file = f"{car}-{repeat}"
            rows.append(
                _capture(file, vehicle=f"car {car}", captured_at=MONDAY + timedelta(days=car, hours=repeat))
            )
            noise = rng.normal(0, 1.2, 6)
            noise -= noise.mean()
            for measure, wider in (("level", 1.0), ("second measure", 3.0)):
                elements += [
                    (file, measure, c + 1, c + 1, float(shape[c] + wider * noise[c]), 0.5, "sync", None)
                    for c in range(6)
                ]
    shop = Shop(
        captures=captures_of(rows),
        elements=pl.DataFrame(elements, schema=schemas.ELEMENTS.types, orient="row"),
    )
    end = MONDAY + timedelta(days=100)
    row, wide = repeats(shop, end).iter_rows(named=True)
    assert (row["measure"], wide["measure"]) == ("level", "second measure")
    assert wide["squares"] == pytest.approx(9 * row["squares"])
    assert (row["freedom"], row["sets"], row["captures"]) == (60 * 5, 60, 120)
    got = repeatability(row["squares"], row["freedom"], row["sets"], row["captures"])
    assert got.low is not None
    assert got.high is not None
    assert got.low < 1.2 < got.high
    assert got.high - got.low < 0.25
    days = pl.col("captured_at") + pl.duration(days=pl.int_range(pl.len()))
    apart = shop.with_frames(captures=shop.captures.with_columns(captured_at=days))
    assert repeats(apart, end + timedelta(days=400)).height == 0
    (skill,) = technicians(shop, as_of=end)
    assert skill.repeatability == got  # of the measure that comes first among those repeated equally often
    assert skill.tests[0].repeatability["level"] == got
    assert (skill.tests[0].repeatability["second measure"].estimate or 0) > 3
    few: Estimate = repeatability(9.0, 20, 4, 8)
    assert few.estimate is None
    assert few.n == 8


def test_the_future_is_not_looked_at(shop: tuple[Shop, date, dict[str, TechnicianSkill]]) -> None:
    whole, as_of, _ = shop
    middle = as_of - timedelta(days=150)
    cut = whole.captures.filter(pl.col("captured_at") <= as_moment(middle))
    assert _skills(whole, middle)["tech a"].captures == cut.filter(pl.col("technician") == "tech a").height


def test_settings_refuse_nonsense() -> None:
    with pytest.raises(ValueError, match="false_alarms"):
        PeopleSettings(false_alarms_per_technician_year=0)
    with pytest.raises(ValueError, match="odds"):
        PeopleSettings(odds_in_control=5.0)


def _renamed(shop: Shop, test: str) -> Shop:
    """The same shop's work as if another test had been made by the same people, on orders of its own."""
    keys = ("capture_file", "repair_order", "drill", "session")

    def other(frame: pl.DataFrame) -> pl.DataFrame:
        named = [(pl.lit("other ") + pl.col(k)).alias(k) for k in keys if k in frame.columns]
        return frame.with_columns(*named, *([pl.lit(test).alias("test")] if "test" in frame.columns else []))

    moved = {
        name: other(getattr(shop, name)) for name in ("captures", "elements", "checks", "outcomes", "drills")
    }
    return shop.with_frames(**moved)


def test_of_one_test_nothing_of_another_enters() -> None:
    one = skill_shop(31, confirmed=(0.6, 0.8), coaching=(("tech b", "hookup", 150),))
    other = _renamed(skill_shop(77, usable=0.6, right=0.6, confirmed=(0.6, 0.8)).shop, "another test")
    merged = {
        name: pl.concat([getattr(one.shop, name), getattr(other, name)])
        for name in ("captures", "elements", "checks", "outcomes", "drills")
    }
    both = one.shop.with_frames(**merged)
    alone, apart = technicians(one.shop, as_of=one.as_of), technicians(both.of_test(TEST), as_of=one.as_of)
    for mine, same in zip(alone, apart, strict=True):
        for entry in fields(TechnicianSkill):
            before, after = getattr(mine, entry.name), getattr(same, entry.name)
            if isinstance(before, pl.DataFrame):
                assert before.equals(after), entry.name
            elif entry.name == "drills":
                assert (before.target, before.done, before.extra) == (after.target, after.done, after.extra)
            else:
                assert before == after, entry.name
    together = technicians(both, as_of=one.as_of)
    for mine, person in zip(alone, together, strict=True):
        assert [part.test for part in person.tests] == ["another test", TEST]
        assert person.tests[1] == mine.tests[0]
        assert person.tests[1].usable == mine.usable
        assert person.tests[1].calls == mine.calls
        if mine.technician == "tech b":
            assert (person.tests[0].usable.estimate or 1) < (person.tests[1].usable.estimate or 0)
    found, lone = (
        needs_coaching(skills, whole, as_of=one.as_of)
        for skills, whole in ((apart, both.of_test(TEST)), (alone, one.shop))
    )
    assert found.chart_points.equals(lone.chart_points)
    now, then = (before_after(whole, as_of=one.as_of) for whole in (both, one.shop))
    # the session was about one test, so that the other's captures are in neither side of it
    assert (now[0].before, now[0].after) == (then[0].before, then[0].after)
