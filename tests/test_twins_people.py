"""Slow, obvious twins of what is counted of people, on drawn logs, figure for figure."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from functools import cache
from statistics import mean, median
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.people.agreement import count_calls
from models.people.counts import all_calls, call_counts, counts_of, pooled, work_until
from models.people.drills import count_drills
from models.people.repeatability import repeats
from models.people.skill import technicians
from models.people.standing_hookup import ASPECTS, compare, standing_hookups
from models.records.people_settings import PeopleSettings, StandingHookup
from models.stats.shrinkage import pool_shares
from tests.drawn_log import (
    END,
    PEOPLE,
    Log,
    Row,
    drawn_log,
    first_of_each,
    judgeable,
    judged_one_by_one,
    last_of_each,
    piece_key,
    pieces_one_by_one,
)

SEEDS = tuple(range(6))
DECIDED = (StandingHookup("u", ("a", "b"), (1.0, 10.0), 2, 3000.0, 10.0),)


@cache
def log_of(seed: int) -> Log:
    return drawn_log(700 + seed, captures=90)


# -- hookups ------------------------------------------------------------------------------------------------------


def _tidy(signals: str | None) -> str | None:
    return (signals.replace(" ", "").rstrip(";") or None) if signals is not None else None


def _standing(rows: list[Row], test: str) -> dict[str, Any]:
    """What is mostly done in one test, and what the settings say in its place."""
    own = [row for row in rows if row["test"] == test]

    def most(values: list[Any]) -> Any:
        counted = Counter(value for value in values if value is not None)
        return min(counted, key=lambda value: (-counted[value], value)) if counted else None

    rates = [row["rate_hz"] for row in own if row["rate_hz"] is not None]
    lengths = [row["duration_s"] for row in own if row["duration_s"] is not None]
    if test == "u":
        return {"signals": "a;b", "scales": "1;10", "index": 2, "rate": 3000.0, "length": 10.0}
    return {
        "signals": most([_tidy(row["ch_signals"]) for row in own]),
        "scales": most([row["ch_scales"] for row in own]),
        "index": most([row["sync_cylinder"] for row in own]),
        "rate": 2 / 3 * median(rates) if rates else None,
        "length": 0.7 * median(lengths) if lengths else None,
    }


def _same_scales(row: Row, standing: str | None) -> bool | None:
    own = row["ch_scales"]
    if (
        own is None
        or standing is None
        or not any(map(str.isdigit, own))
        or not any(map(str.isdigit, standing))
    ):
        return None
    signals = _tidy(row["ch_signals"])
    used = min(signals.count(";") + 1 if signals else 99, own.count(";") + 1, standing.count(";") + 1)
    numbers = [[float(part) for part in text.split(";")[:used]] for text in (own, standing)]
    return numbers[0] == numbers[1]


def _aspects(row: Row, standing: dict[str, Any]) -> list[bool | None]:
    def both(a: Any, b: Any, test: Any) -> bool | None:
        return None if a is None or b is None else bool(test(a, b))

    return [
        both(_tidy(row["ch_signals"]), standing["signals"], lambda a, b: a == b),
        _same_scales(row, standing["scales"]),
        both(row["sync_cylinder"], standing["index"], lambda a, b: a == b),
        both(row["rate_hz"], standing["rate"], lambda a, b: a >= b),
        both(row["duration_s"], standing["length"], lambda a, b: a >= b),
    ]


@pytest.mark.parametrize("seed", SEEDS)
def test_each_capture_against_the_standing_hookup(seed: int) -> None:
    log = log_of(seed)
    frame = log.shop.captures
    found = compare(frame, standing_hookups(frame, DECIDED))
    for row, one in zip(log.captures, found.iter_rows(named=True), strict=True):
        wanted = _aspects(row, _standing(log.captures, row["test"]))
        assert [one[name] for name in ASPECTS] == wanted, row
        assert one["consistent"] == (False not in wanted)


# -- counts -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_everybodys_counts(seed: int) -> None:
    log = log_of(seed)
    work = work_until(log.shop, END, PeopleSettings(hookups=DECIDED))
    counts = counts_of(work, call_counts(work))
    taken, judged = log.taken(), last_of_each(judged_one_by_one(log), of=lambda one: one[0])
    files = {row["capture_file"] for row, _, _ in judged}
    standing = {test: _standing(taken, test) for test in ("t", "u")}
    made = last_of_each([row for row in taken if row["status"] == "read" and row["call"] is not None])
    could = last_of_each([row for row in taken if judgeable(row)])
    assert work.people == ("ann", "bob", "cy", "nobody")
    for name in work.people:
        own = [one for one in judged if one[0]["technician"] == name]
        odd = [right for _, outcome, right in own if outcome["finding"] == "odd"]
        even = [right for _, outcome, right in own if outcome["finding"] == "even"]
        read = [tries for first, tries in pieces_one_by_one(log) if first["technician"] == name]
        alike = [
            _aspects(row, standing[row["test"]]) for row in first_of_each(taken) if row["technician"] == name
        ]
        calls = [row for row in made if row["technician"] == name]
        asked = [row for row in calls if judgeable(row)]
        wanted = {
            "usable": (sum(tries[0] for tries in read), len(read)),
            "calls": (sum(right for _, _, right in own), len(own)),
            "sensitivity": (sum(odd), len(odd)),
            "specificity": (sum(even), len(even)),
            "hookup": (sum(False not in aspects for aspects in alike), len(alike)),
            "unsure": (sum(row["call"] == "unsure" for row in calls), len(calls)),
            "confirmed": (sum(row["capture_file"] in files for row in asked), len(asked)),
        }
        assert {m: (counts[m][name].events, counts[m][name].trials) for m in wanted} == wanted
        sides = [row["call"] for row in could if row["technician"] == name]
        assert all_calls(work).get(name, (0, 0)) == (sides.count("odd"), sides.count("even"))
        table = tuple(
            tuple(sum((row["call"], outcome["finding"]) == (c, f) for row, outcome, _ in own) for f in ("even", "odd"))
            for c in ("even", "odd")
        )  # fmt: skip
        assert count_calls(work.judged.filter(pl.col("technician") == name)).table == table
    for measure in ("usable", "hookup"):
        shares, usual = pooled(counts[measure], least_n=6, what="pieces")
        with_work = [name for name in work.people if counts[measure][name].trials]
        theirs = pool_shares(
            [counts[measure][n].events for n in with_work], [counts[measure][n].trials for n in with_work]
        )
        assert usual == theirs.usual_mean
        for name in work.people:
            n, figure = counts[measure][name].trials, shares[name]
            if n < 6:
                assert figure.why == f"Too little to say: {n} pieces, at least 6 needed."
                continue
            i = with_work.index(name)
            assert (figure.n, figure.estimate, figure.low, figure.high) == (
                n, theirs.mean[i], theirs.low[i], theirs.high[i],
            )  # fmt: skip


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_each_persons_page(seed: int) -> None:
    log = log_of(seed)
    for skill in technicians(log.shop, as_of=END, settings=PeopleSettings(hookups=DECIDED, draws=60)):
        name = skill.technician
        own = [(first, tries) for first, tries in pieces_one_by_one(log) if first["technician"] == name]
        tries = Counter(tries.index(True) + 1 if True in tries else 0 for _, tries in own)
        taken = [row for row in log.taken() if row["technician"] == name]
        assert dict(skill.tries) == dict(tries)
        assert (skill.captures, skill.pieces, skill.too_little) == (len(taken), len(own), len(own) < 6)
        assert skill.practice == sum(row["purpose"] == "drill" for row in first_of_each(taken))
        alike = [_aspects(row, _standing(log.taken(), row["test"])) for row in first_of_each(taken)]
        assert skill.hookup_aspects.select("aspect", "agree", "of").rows() == [
            (aspect, sum(row[i] is True for row in alike), sum(row[i] is not None for row in alike))
            for i, aspect in enumerate(ASPECTS)
        ]
        for part in skill.tests:
            assert part.usable.n == sum(first["test"] == part.test for first, _ in own)
        weekly = Counter(first["captured_at"].date() - _since_monday(first) for first, _ in own)
        assert dict(skill.usable_by_week.select("week", "trials").iter_rows()) == dict(weekly)


def _since_monday(row: Row) -> timedelta:
    return timedelta(days=row["captured_at"].weekday())


# -- drills and repeats -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("moment", [END, END.replace(hour=0) + timedelta(days=2, microseconds=-1)])
def test_practice_asked_for_and_done(seed: int, moment: Any) -> None:
    """The second moment is the last of a Sunday: its week is over."""
    log = log_of(seed)
    this_week = (moment + timedelta(microseconds=1)).date()
    this_week -= timedelta(days=this_week.weekday())
    assert moment == END or this_week == (moment + timedelta(microseconds=1)).date()
    begun = {row["technician"]: row["started_on"] for row in log.technicians}
    people = (*PEOPLE, "nobody")
    rows = [row for row in log.captures if row["captured_at"] <= moment]
    rows = [row for row in rows if row["status"] in ("read", "unusable") and row["technician"] is not None]
    rows.sort(key=lambda row: (row["captured_at"], row["capture_file"]))
    done: Counter[tuple[str, str, date]] = Counter(
        (row["technician"], row["test"], row["captured_at"].date() - _since_monday(row))
        for row in first_of_each(rows) if row["purpose"] == "drill"
    )  # fmt: skip
    asked: Counter[tuple[str, str, date]] = Counter()
    for drill in log.drills:
        for name in people:
            told = drill["technician"] == name
            if drill["technician"] is None:
                told = begun[name] is None or begun[name] <= drill["week_of"]
            if told:
                asked[name, drill["test"], drill["week_of"]] += drill["target"]
    found = count_drills(log.shop, people, moment)
    for name in people:
        cells = {key for key in {*done, *asked} if key[0] == name and key[2] < this_week}
        sums = [(asked[key], min(asked[key], done[key]), max(0, done[key] - asked[key])) for key in cells]
        total = tuple(map(sum, zip(*sums, strict=True))) if sums else (0, 0, 0)
        assert (found[name].target, found[name].done, found[name].extra) == total
        for at, table in ((2, found[name].by_week), (1, found[name].by_test)):
            wanted: dict[Any, list[int]] = {}
            for key, row in zip(cells, sums, strict=True):
                kept = wanted.setdefault(key[at], [0, 0, 0])
                wanted[key[at]] = [a + b for a, b in zip(kept, row, strict=True)]
            assert table.rows() == [(key, *wanted[key]) for key in sorted(wanted)]


@pytest.mark.parametrize("seed", SEEDS)
def test_repeats_of_the_same_vehicle(seed: int) -> None:
    log = log_of(seed)
    cells: dict[Any, dict[str, list[float]]] = {}
    sets: dict[Any, list[Row]] = {}
    for row in log.taken():
        if row["status"] == "read" and row["vehicle"] is not None:
            sets.setdefault(piece_key(row), []).append(row)
    for key, rows in sets.items():
        for row in rows if len(rows) > 1 else ():
            for cell in log.elements:
                named = cell["element"] is not None and np.isfinite(cell["relative_pct"])
                if named and cell["capture_file"] == row["capture_file"]:
                    of = cells.setdefault((key, cell["measure"]), {})
                    of.setdefault(cell["element"], []).append(cell["relative_pct"])
    wanted: dict[Any, list[Any]] = {}
    for (key, measure), by_element in cells.items():
        again = {element: values for element, values in by_element.items() if len(values) > 1}
        if again:
            times = max(map(len, again.values()))
            freedom = (times - 1) * (len(again) - 1)
            squares = sum((v - mean(values)) ** 2 for values in again.values() for v in values)
            if freedom > 0:
                kept = wanted.setdefault((key[0], key[1], measure), [0.0, 0, 0, 0])
                wanted[key[0], key[1], measure] = [
                    a + b for a, b in zip(kept, (squares, freedom, 1, times), strict=True)
                ]
    found = repeats(log.shop, END)
    assert wanted or seed == 5
    assert found.select("technician", "test", "measure").rows() == sorted(wanted)
    for row in found.iter_rows():
        assert list(row[3:]) == pytest.approx(wanted[row[:3]])
