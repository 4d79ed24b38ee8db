"""Each technician's figures on constructed logs, and 'too little to say' where there is too little."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.people.drills import count_drills
from models.people.funnels import MEASURES, funnel
from models.people.hookup import ASPECTS, consistency, failing_checks
from models.people.repeatability import repeatability, repeats
from models.people.skill import TechnicianSkill, technicians
from models.records.people_settings import HouseSetup, PeopleSettings, as_moment
from models.stats.results import Estimate
from tests.simulated_shop import (
    CAPTURES,
    CHECKS,
    CYLINDERS,
    DRILLS,
    Frames,
    Trouble,
    empty_frames,
    skill_shop,
)

MONDAY = datetime(2025, 3, 3, 9)


def _skills(
    frames: Frames, as_of: date, settings: PeopleSettings | None = None
) -> dict[str, TechnicianSkill]:
    rows = technicians(
        frames.captures, frames.cylinders, frames.checks, frames.orders, frames.outcomes, frames.technicians,
        frames.drills, as_of=as_of, settings=settings,
    )  # fmt: skip
    return {row.technician: row for row in rows}


def _capture(file: str, **other: object) -> dict[str, object]:
    given = {
        "capture_file": file, "engine_family": "f", "technician": "t", "vehicle": "car", "captured_at": MONDAY,
        "test": "relative_compression", "purpose": "drill", "status": "read", "call_cylinders": [],
        "ch_signals": "battery_voltage;ignition_primary", "ch_scales": "1;10", "sync_cylinder": 1,
        "rate_hz": 4000.0, "duration_s": 8.0,
    }  # fmt: skip
    return {**dict.fromkeys(CAPTURES, None), **given, **other}


def test_an_empty_shop_says_nothing() -> None:
    assert _skills(empty_frames(), date(2025, 1, 1)) == {}
    for measure in MEASURES:
        drawn = funnel((), measure)
        assert (drawn.points.height, drawn.limits.height, drawn.house) == (0, 0, None)


@pytest.fixture(scope="module")
def shop() -> tuple[Frames, date, dict[str, TechnicianSkill]]:
    made = skill_shop(
        31,
        (
            Trouble("tech b", "usable captures", 0, 0.45),
            Trouble("tech c", "calls", 0, 0.5),
            Trouble("tech d", "scope use", 0, 0.93),
        ),
        confirmed=(0.6, 0.8),
    )
    return made.frames, made.as_of, _skills(made.frames, made.as_of)


def test_three_captures_are_too_little_to_say(shop: tuple[Frames, date, dict[str, TechnicianSkill]]) -> None:
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


def test_figures_agree_with_the_raw_counts(shop: tuple[Frames, date, dict[str, TechnicianSkill]]) -> None:
    frames, _, skills = shop
    for name, skill in skills.items():
        own = frames.captures.filter(pl.col("technician") == name)
        assert skill.captures == own.height == skill.counts["usable"].trials
        weeks = 2 if name == "tech h" else 52
        assert skill.captures_a_week.estimate == pytest.approx(own.height / weeks, rel=0.03)
        assert (skill.captures_a_week.low or 0) < own.height / weeks < (skill.captures_a_week.high or 0)
        assert skill.counts["usable"].events == own.filter(pl.col("status") == "read").height
        if skill.usable.estimate is None:
            continue
        raw = skill.counts["usable"].events / skill.captures
        house = skill.house["usable"]
        # between the own share and the house's, nearer to the own one
        assert min(raw, house) - 1e-9 <= skill.usable.estimate <= max(raw, house) + 1e-9
        assert abs(skill.usable.estimate - raw) < abs(skill.usable.estimate - house) + 0.03
        assert skill.usable_by_week["trials"].sum() == skill.captures


def test_planted_technicians_stand_outside_the_funnel(
    shop: tuple[Frames, date, dict[str, TechnicianSkill]],
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
    lazy = made.frames.captures.with_columns(
        call=pl.when(pl.col("technician") == "tech a").then(pl.lit("even")).otherwise("call"),
        call_cylinders=pl.when(pl.col("technician") == "tech a")
        .then(pl.lit([], dtype=pl.List(pl.Int64)))
        .otherwise("call_cylinders"),
    )
    skill = _skills(Frames(**{**made.frames.__dict__, "captures": lazy}), made.as_of)["tech a"]
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
                rows.append(
                    (
                        order,
                        MONDAY,
                        MONDAY + timedelta(days=1),
                        name,
                        order,
                        "f",
                        complaint,
                        True,
                        None,
                        1.0,
                        1.0,
                        0.0,
                    )
                )
                if i < share[complaint] * n:
                    captures.append(
                        _capture(f"{order}.csv", technician=name, repair_order=order, purpose="diagnosis")
                    )
    empty = empty_frames()
    frames = Frames(
        **{
            **empty.__dict__,
            "orders": pl.DataFrame(rows, schema=empty.orders.schema, orient="row"),
            "captures": pl.DataFrame(captures, schema=CAPTURES),
        }
    )
    skills = _skills(frames, date(2025, 6, 1))
    raw = {n: s.counts["adoption"].events / s.counts["adoption"].trials for n, s in skills.items()}
    assert raw == pytest.approx({"a": 0.68, "b": 0.32, "c": 0.5})
    adjusted = [s.adoption.estimate or 0.0 for s in skills.values()]
    assert max(adjusted) - min(adjusted) < 0.06
    assert adjusted == pytest.approx([0.5] * 3, abs=0.06)


def test_drills_are_counted_by_week() -> None:
    week = timedelta(weeks=1)
    drills = pl.DataFrame(
        [
            ("d1", None, "relative_compression", MONDAY.date(), 5),
            ("d2", "t", "relative_compression", (MONDAY + week).date(), 5),
            ("d3", "t", "other_test", (MONDAY + week).date(), 2),
            ("d4", None, "relative_compression", (MONDAY + 2 * week).date(), 5),  # still running
        ],
        schema=DRILLS,
        orient="row",
    )
    captures = pl.DataFrame(
        [_capture(f"a{i}", captured_at=MONDAY + timedelta(hours=i)) for i in range(7)]
        + [_capture(f"b{i}", captured_at=MONDAY + week, status="unusable") for i in range(2)]
        + [_capture("paid", captured_at=MONDAY + week, purpose="diagnosis")]
        + [_capture("now", captured_at=MONDAY + 2 * week)],
        schema=CAPTURES,
    )
    started = {"t": date(2024, 1, 1), "late": date(2025, 3, 10)}
    done = count_drills(drills, captures, started, ("late", "t"), MONDAY + 2 * week + timedelta(days=2))
    # five done of five in the first week, two more do not make up for the three missed in the second
    assert (done["t"].target, done["t"].done, done["t"].extra) == (12, 7, 2)
    assert done["t"].by_week.rows() == [(MONDAY.date(), 5, 5, 2), ((MONDAY + week).date(), 7, 2, 0)]
    assert (done["late"].target, done["late"].done) == (0, 0)


def test_hookup_against_the_house() -> None:
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
    captures = pl.DataFrame(rows, schema=CAPTURES)
    got = consistency(captures, ())
    differs = {
        row["capture_file"]: [a for a in ASPECTS if row[a] is False]
        for row in got.iter_rows(named=True)
        if not row["consistent"]
    }
    assert differs == {
        "order": ["channel order"],
        "scale": ["scale"],
        "sync": ["sync cylinder"],
        "slow": ["sample rate"],
        "short": ["length"],
    }
    house = HouseSetup("relative_compression", sync_cylinder=3, min_rate_hz=500.0)
    by_setting = consistency(captures, (house,)).filter(pl.col("sync cylinder"))
    assert by_setting["capture_file"].to_list() == ["sync"]
    assert consistency(captures, (house,)).filter(~pl.col("sample rate")).height == 0


def test_failing_checks_against_the_others() -> None:
    captures = pl.DataFrame(
        [_capture(f"{name}{i}", technician=name) for name in "ab" for i in range(10)], schema=CAPTURES
    )
    checks = pl.DataFrame(
        [(f"a{i}", "reversed_leads", "warning", "Swap.") for i in range(6)]
        + [("b0", "reversed_leads", "note", "Swap."), ("b0", "clipped", "unusable", "Use the attenuator.")],
        schema=CHECKS,
        orient="row",
    )
    rows = failing_checks(captures, checks)
    first = rows.row(0, named=True)
    assert (first["technician"], first["check"], first["captures"], first["of"]) == (
        "a",
        "reversed_leads",
        6,
        10,
    )
    assert (first["share_pct"], first["others_share_pct"], first["excess"]) == pytest.approx((60, 10, 5))
    assert rows.filter(pl.col("technician") == "b")["check"].to_list() == ["clipped", "reversed_leads"]
    assert failing_checks(captures, checks.clear()).height == 0


def test_repeatability_recovers_the_planted_spread() -> None:
    rng = np.random.default_rng(9)
    rows, cylinders = [], []
    for car in range(60):
        shape = 100 + rng.normal(0, 4, 6)  # the engine's own; cancels out
        for repeat in range(2):
            file = f"{car}-{repeat}"
            rows.append(
                _capture(file, vehicle=f"car {car}", captured_at=MONDAY + timedelta(days=car, hours=repeat))
            )
            noise = rng.normal(0, 1.2, 6)
            noise -= noise.mean()
            cylinders += [
                (file, c + 1, c + 1, float(shape[c] + noise[c]), 0.5, "sync", None) for c in range(6)
            ]
    captures = pl.DataFrame(rows, schema=CAPTURES)
    frame = pl.DataFrame(cylinders, schema=CYLINDERS, orient="row")
    row = repeats(captures, frame).row(0, named=True)
    assert (row["freedom"], row["sets"], row["captures"]) == (60 * 5, 60, 120)
    got = repeatability(row["squares"], row["freedom"], row["sets"], row["captures"])
    assert got.low is not None
    assert got.high is not None
    assert got.low < 1.2 < got.high
    assert got.high - got.low < 0.25
    apart = captures.with_columns(
        captured_at=pl.col("captured_at") + pl.duration(days=pl.int_range(pl.len()))
    )
    assert repeats(apart, frame).height == 0
    few: Estimate = repeatability(9.0, 20, 4, 8)
    assert few.estimate is None
    assert few.n == 8


def test_the_future_is_not_looked_at(shop: tuple[Frames, date, dict[str, TechnicianSkill]]) -> None:
    frames, as_of, _ = shop
    middle = as_of - timedelta(days=150)
    cut = frames.captures.filter(pl.col("captured_at") <= as_moment(middle))
    assert _skills(frames, middle)["tech a"].captures == cut.filter(pl.col("technician") == "tech a").height


def test_settings_refuse_nonsense() -> None:
    with pytest.raises(ValueError, match="false_alarms"):
        PeopleSettings(false_alarms_per_technician_year=0)
    with pytest.raises(ValueError, match="odds"):
        PeopleSettings(odds_in_control=5.0)
