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
from scipy import stats

from models.people.agreement import count_calls
from models.people.counts import all_calls, call_counts, counts_of, pooled, work_until
from models.people.drills import count_drills
from models.people.hookup import failing_checks, hookup_trouble
from models.people.repeatability import repeats
from models.people.skill import technicians
from models.people.standing_hookup import ASPECTS, compare, standing_hookups
from models.people.trends import change_a_month, weekly_counts
from models.people.watch import observations
from models.records.people_settings import PeopleSettings, StandingHookup
from models.stats.shrinkage import pool_shares
from tests.drawn_log import END, PEOPLE, Log, Row, drawn_log

SEEDS = tuple(range(6))
DECIDED = (StandingHookup("u", ("a", "b"), (1.0, 10.0), 2, 3000.0, 10.0),)


@cache
def log_of(seed: int) -> Log:
    return drawn_log(700 + seed, captures=90)


def _key(row: Row) -> tuple[Any, ...]:
    car = row["vehicle"] if row["vehicle"] is not None else ("alone", row["capture_file"])
    return (row["technician"], row["test"], row["group"], row["purpose"], car, row["captured_at"].date())


def _firsts(rows: list[Row]) -> list[Row]:
    """The first capture of each piece of work, in order of time."""
    found: dict[tuple[Any, ...], Row] = {}
    for row in rows:
        found.setdefault(_key(row), row)
    return list(found.values())


def _not_theirs(log: Log) -> set[str]:
    """Unusable captures whose every check that made them so is declared to be about no habit."""
    files = set()
    for row in log.captures:
        if row["status"] == "unusable":
            why = [
                c["habit"]
                for c in log.checks
                if c["capture_file"] == row["capture_file"] and c["severity"] == "unusable"
            ]
            if why and all(habit is False for habit in why):
                files.add(row["capture_file"])
    return files


def _pieces(log: Log) -> list[tuple[Row, list[bool]]]:
    """First try of each piece, and whether each of its tries could be read."""
    out: dict[tuple[Any, ...], tuple[Row, list[bool]]] = {}
    theirs = _not_theirs(log)
    for row in log.taken():
        if row["capture_file"] not in theirs:
            out.setdefault(_key(row), (row, []))[1].append(row["status"] == "read")
    return list(out.values())


def _judgeable(row: Row) -> bool:
    return row["status"] == "read" and row["call"] in ("even", "odd") and row["purpose"] != "known_good"


def _judged(log: Log) -> list[tuple[Row, Row, bool]]:
    """Capture, outcome and whether the call was right, of every call an outcome judges."""
    found = []
    for row in log.taken():
        for outcome in log.outcomes:
            if (
                _judgeable(row) and (row["repair_order"], row["test"]) == (outcome["repair_order"], outcome["test"])
                and outcome["finding"] != "other" and outcome["confirmed_at"] <= END
                and row["captured_at"].date() <= outcome["confirmed_at"].date()
            ):  # fmt: skip
                named, confirmed = set(row["call_elements"] or ()), set(outcome["confirmed_elements"] or ())
                right = row["call"] == outcome["finding"]
                right = right and (
                    row["call"] == "even" or not named or not confirmed or bool(named & confirmed)
                )
                found.append((row, outcome, right))
    return found


def _last(rows: list[Any], of: Any = lambda one: one) -> list[Any]:
    """The last of each technician, order and test; a capture without an order is alone."""
    found: dict[Any, Any] = {}
    for one in rows:
        row = of(one)
        order = row["repair_order"] if row["repair_order"] is not None else ("alone", row["capture_file"])
        found[row["technician"], row["test"], order] = one
    return list(found.values())


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
    taken, judged = log.taken(), _last(_judged(log), of=lambda one: one[0])
    files = {row["capture_file"] for row, _, _ in judged}
    standing = {test: _standing(taken, test) for test in ("t", "u")}
    made = _last([row for row in taken if row["status"] == "read" and row["call"] is not None])
    could = _last([row for row in taken if _judgeable(row)])
    assert work.people == ("ann", "bob", "cy", "nobody")
    for name in work.people:
        own = [one for one in judged if one[0]["technician"] == name]
        odd = [right for _, outcome, right in own if outcome["finding"] == "odd"]
        even = [right for _, outcome, right in own if outcome["finding"] == "even"]
        read = [tries for first, tries in _pieces(log) if first["technician"] == name]
        alike = [_aspects(row, standing[row["test"]]) for row in _firsts(taken) if row["technician"] == name]
        calls = [row for row in made if row["technician"] == name]
        asked = [row for row in calls if _judgeable(row)]
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
        own = [(first, tries) for first, tries in _pieces(log) if first["technician"] == name]
        tries = Counter(tries.index(True) + 1 if True in tries else 0 for _, tries in own)
        taken = [row for row in log.taken() if row["technician"] == name]
        assert dict(skill.tries) == dict(tries)
        assert (skill.captures, skill.pieces, skill.too_little) == (len(taken), len(own), len(own) < 6)
        assert skill.practice == sum(row["purpose"] == "drill" for row in _firsts(taken))
        alike = [_aspects(row, _standing(log.taken(), row["test"])) for row in _firsts(taken)]
        assert skill.hookup_aspects.rows() == [
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
        for row in _firsts(rows) if row["purpose"] == "drill"
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
            sets.setdefault(_key(row), []).append(row)
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


# -- setup checks and what the charts watch -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_checks_that_fail(seed: int) -> None:
    log = log_of(seed)
    firsts = {row["capture_file"]: row["technician"] for row in _firsts(log.taken())}
    worst = ("note", "warning", "unusable")
    cells: dict[tuple[str, str], list[Row]] = {}
    for check in log.checks:
        if check["capture_file"] in firsts:
            cells.setdefault((firsts[check["capture_file"]], check["check"]), []).append(check)
    of = Counter(firsts.values())
    wanted = []
    for (name, check), rows in cells.items():
        own = len({row["capture_file"] for row in rows})
        everywhere = sum(len({row["capture_file"] for row in cells.get((n, check), ())}) for n in of)
        rest = len(firsts) - of[name]
        others = 100 * (everywhere - own) / rest if rest else None
        p = stats.fisher_exact(
            [[own, of[name] - own], [everywhere - own, rest - everywhere + own]], "greater"
        ).pvalue
        wanted.append((
            name, check, max((row["severity"] for row in rows), key=worst.index), own, of[name], 100 * own / of[name],
            others, own - of[name] * (others or 0) / 100, p, any(row["habit"] for row in rows),
        ))  # fmt: skip
    found = failing_checks(log.shop, END)
    for row, one in zip(
        found.iter_rows(), sorted(wanted, key=lambda w: (w[0], -round(w[7], 9), w[1])), strict=True
    ):
        assert row[:5] == one[:5]
        assert row[5:9] == pytest.approx(one[5:9])
    level = sorted(w[8] for w in wanted)
    passed = next((i for i, p in enumerate(level) if p > 0.05 / (len(level) - i)), len(level))
    evident = {(w[0], w[1]) for w in wanted if w[8] in level[:passed] and w[9]}
    assert {(row[0], row[1]) for row in found.iter_rows() if row[9]} == evident
    habits = {check["capture_file"] for check in log.checks if check["habit"]}
    assert dict(hookup_trouble(log.shop, END).select("capture_file", "trouble").iter_rows()) == {
        file: file in habits for file in firsts
    }


@pytest.mark.parametrize("seed", SEEDS)
def test_what_each_chart_watches(seed: int) -> None:
    log = log_of(seed)
    habits = {check["capture_file"] for check in log.checks if check["habit"]}
    wanted: list[tuple[Any, ...]] = []

    def add(topic: str, row: Row, trouble: bool) -> None:
        at = row["captured_at"]
        wanted.append(
            (topic, row["test"], row["technician"], at, trouble, row["capture_file"], row["repair_order"])
        )

    for first, tries in _pieces(log):
        add("usable captures", first, not tries[0])
    for row in _firsts(log.taken()):
        add("hookup", row, row["capture_file"] in habits)
    for row, _, right in _last(_judged(log), of=lambda one: one[0]):
        add("calls", row, not right)
    jobs = [row for row in log.taken() if row["purpose"] != "drill" and row["repair_order"] is not None]
    for order in log.known_orders():
        if order["scope_eligible"] and order["closed_at"] is not None and order["technician"] is not None:
            name, closed = order["repair_order"], order["closed_at"]
            scoped = any(j["repair_order"] == name and j["captured_at"].date() <= closed.date() for j in jobs)
            wanted.append(("scope use", None, order["technician"], closed, not scoped, None, name))
    found = observations(log.shop, END)
    columns = ("topic", "test", "technician", "at", "trouble", "capture_file", "repair_order")
    assert Counter(found.select(columns).rows()) == Counter(wanted)
    assert found["expected"].is_between(0.02, 0.95).all()


# -- trends -------------------------------------------------------------------------------------------------------


def test_the_change_a_month_is_least_squares_with_hc2_errors() -> None:
    """One row a piece of work, two more a side of the middle (one of each sort), against the library's regression."""
    import statsmodels.api as sm

    rng = np.random.default_rng(8)
    for _ in range(10):
        months = np.sort(rng.uniform(-9, 0, 7))
        trials = rng.integers(1, 6, 7)
        events = rng.binomial(trials, 0.7)
        x, y = [], []
        for month, n, k in zip(months, trials, events, strict=True):
            x += [month] * n
            y += [1.0] * k + [0.0] * (n - k)
        middle, reach = mean(x), float(np.std(x))
        x += [middle - reach] * 2 + [middle + reach] * 2
        y += [0.0, 1.0, 0.0, 1.0]
        theirs = sm.OLS(y, sm.add_constant(x)).fit(cov_type="HC2", use_t=True)
        low, high = theirs.conf_int()[1]
        got = change_a_month(events.astype(float), trials.astype(float), months)
        assert got == pytest.approx((theirs.params[1], low, high))


def test_counts_a_week() -> None:
    log = log_of(0)
    rows = log.taken()
    frame = log.shop.captures.filter(pl.col("capture_file").is_in([row["capture_file"] for row in rows]))
    frame = frame.with_columns(good=pl.col("status") == "read")
    wanted: dict[tuple[str, date], list[int]] = {}
    for row in rows:
        kept = wanted.setdefault((row["technician"], row["captured_at"].date() - _since_monday(row)), [0, 0])
        kept[0] += row["status"] == "read"
        kept[1] += 1
    found = weekly_counts(frame, at="captured_at", event="good")
    assert found.rows() == [(*key, *wanted[key]) for key in sorted(wanted)]
