"""A capture with its retakes is one piece of work, and what nobody at the scope can help is nobody's."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import polars as pl

from models.jobs.adoption import adoption
from models.people.coaching import needs_coaching
from models.people.skill import technicians
from models.people.watch import observations
from models.records import schemas
from models.records.pieces import first_tries, last_calls, not_the_persons, pieces
from models.records.shop import Shop
from tests.simulated_shop import TEST, SkillShop, capture_row, captures_of, frame_of, skill_shop

AT = datetime(2025, 3, 3, 9)
END = datetime(2025, 6, 1)


def _capture(file: str, minutes: int, **other: object) -> dict[str, object]:
    return capture_row(file, **{"captured_at": AT + timedelta(minutes=minutes), "vehicle": "v", **other})


def _check(file: str, check: str, *, habit: bool, severity: str = "unusable") -> dict[str, object]:
    return {"capture_file": file, "check": check, "severity": severity, "detail": "Do.", "habit": habit}


def test_what_is_one_piece_of_work() -> None:
    same = [_capture(f"try {i}", i, status="unusable" if i < 2 else "read") for i in range(4)]
    apart = [
        _capture("other car", 10, vehicle="w"),
        _capture("no car", 11, vehicle=None),
        _capture("no car either", 12, vehicle=None),
        _capture("next day", 24 * 60),
        _capture("somebody else", 13, technician="u"),
        _capture("other test", 14, test="another"),
        _capture("other part", 15, group="pump"),
        _capture("after the repair", 16, purpose="known_good"),
    ]
    shop = Shop(captures=captures_of([*reversed(same), *apart]))
    found = pieces(shop, END)
    assert found.height == 1 + len(apart)
    first = found.filter(pl.col("capture_file") == "try 0").row(0, named=True)
    assert (first["usable"], first["tries"], first["succeeded_at"]) == (False, 4, 3)
    rest = found.filter(pl.col("capture_file") != "try 0")
    assert rest["usable"].all()
    assert set(rest["tries"]) == set(rest["succeeded_at"]) == {1}
    assert set(first_tries(shop.captures)["capture_file"]) == set(found["capture_file"])
    never = Shop(captures=captures_of([_capture(f"bad {i}", i, status="unusable") for i in range(3)]))
    assert pieces(never, END).select("usable", "tries", "succeeded_at").rows() == [(False, 3, None)]


def test_the_files_and_the_vehicles_fault_is_not_the_persons() -> None:
    captures = [
        _capture("weak", 0, status="unusable"),
        _capture("then good", 5),
        _capture("both", 0, status="unusable", vehicle="b"),
        _capture("silent", 0, status="unusable", vehicle="c"),
        _capture("only warned", 0, status="unusable", vehicle="d"),
    ]
    checks = [
        _check("weak", "weak_battery", habit=False),
        _check("both", "weak_battery", habit=False),
        _check("both", "too_short", habit=True),
        _check("only warned", "weak_battery", habit=False, severity="warning"),
        _check("then good", "weak_battery", habit=False),  # could be read all the same
    ]
    shop = Shop(captures=captures_of(captures), checks=frame_of(schemas.CHECKS, checks))
    assert not_the_persons(shop)["capture_file"].to_list() == ["weak"]
    found = dict(pieces(shop, END).select("capture_file", "usable").iter_rows())
    assert found == {"then good": True, "both": False, "silent": False, "only warned": False}
    (skill,) = technicians(shop, as_of=END)
    assert (skill.captures, skill.pieces, skill.counts["usable"].trials) == (5, 4, 4)
    assert skill.tries == {0: 3, 1: 1}


def test_one_call_an_order_is_judged() -> None:
    captures = [
        _capture("first thought", 0, repair_order="1", purpose="diagnosis", call="even"),
        _capture("final answer", 9, repair_order="1", purpose="diagnosis", call="odd", call_elements=[2]),
        _capture("practice", 3, call="even"),
        _capture("more practice", 4, call="even"),
    ]
    assert last_calls(captures_of(captures))["capture_file"].to_list() == [
        "practice",
        "more practice",
        "final answer",
    ]
    outcome = {
        "repair_order": "1", "test": TEST, "confirmed_at": AT + timedelta(days=1), "finding": "odd",
        "confirmed_elements": [2],
    }  # fmt: skip
    shop = Shop(captures=captures_of(captures), outcomes=frame_of(schemas.OUTCOMES, [outcome]))
    (skill,) = technicians(shop, as_of=END)
    assert (skill.counts["calls"].events, skill.counts["calls"].trials) == (1, 1)


def test_retakes_count_once_everywhere() -> None:
    once = [
        _capture(f"{i}", 60 * 24 * i, vehicle=f"v{i}", status="unusable" if i < 4 else "read")
        for i in range(10)
    ]
    again = [{**row, "capture_file": f"{row['capture_file']} again"} for row in once]
    checks = [_check(str(row["capture_file"]), "too_short", habit=True) for row in [*once[:4], *again[:4]]]
    asked = [{"drill": "d", "test": TEST, "week_of": AT.date(), "target": 9}]
    with_retakes = Shop(
        captures=captures_of([*once, *again]),
        checks=frame_of(schemas.CHECKS, checks),
        drills=frame_of(schemas.DRILLS, asked),
    )
    without = with_retakes.with_frames(captures=captures_of(once))
    (many,), (few,) = (technicians(shop, as_of=END) for shop in (with_retakes, without))
    assert many.captures == 2 * few.captures
    assert (many.usable, many.hookup, many.pieces) == (few.usable, few.hookup, few.pieces)
    assert (many.drills.done, many.drills.extra) == (few.drills.done, few.drills.extra) == (7, 3)
    assert many.usable_by_week.equals(few.usable_by_week)
    used = [adoption(shop, as_of=END) for shop in (with_retakes, without)]
    assert used[0].by_test.equals(used[1].by_test)
    assert used[0].by_test.rows() == [(TEST, 0, 10, 4)]
    assert used[0].practice_by_week.equals(used[1].practice_by_week)
    work = [observations(shop, END).drop("expected") for shop in (with_retakes, without)]
    assert work[0].equals(work[1])


def _named(shop: SkillShop) -> int:
    skills = technicians(shop.shop, as_of=shop.as_of)
    found = needs_coaching(skills, shop.shop, as_of=shop.as_of)
    past = found.past.select("technician", "topic").rows()
    alarms = {(item.technician, item.topic) for item in found.items} | set(past)
    return len({name for name, topic in alarms if topic in ("usable captures", "hookup")})


def test_retakes_name_no_ordinary_technician() -> None:
    """Four shop-years here; the whole count is in tests/bench/bench_retakes.py."""
    shops = [skill_shop(5000 + i, retakes=(0.9, 0.7)) for i in range(4)]
    assert sum(shop.shop.captures.height for shop in shops) > 1.2 * sum(
        pieces(shop.shop, datetime(2027, 1, 1)).height for shop in shops
    )
    # counted capture by capture: as if every retake had been another car
    alone = [s.shop.captures.with_columns(vehicle=pl.lit(None, pl.String)) for s in shops]
    one_by_one = [
        SkillShop(s.shop.with_frames(captures=captures), (), s.as_of)
        for s, captures in zip(shops, alone, strict=True)
    ]
    assert sum(map(_named, shops)) <= 2
    assert sum(map(_named, one_by_one)) >= sum(map(_named, shops)) + 2


def test_the_day_ends_a_piece_of_work() -> None:
    late = [
        _capture("evening", 14 * 60, status="unusable"),
        _capture("next morning", 24 * 60),
    ]
    shop = Shop(captures=captures_of(late))
    assert pieces(shop, END)["usable"].to_list() == [False, True]
    assert pieces(shop, datetime.combine(date(2025, 3, 3), AT.time()) + timedelta(hours=15)).height == 1
