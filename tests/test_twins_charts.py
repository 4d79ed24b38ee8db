"""Slow, obvious twins of failing checks, of what the charts watch and of trends, on drawn logs."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from functools import cache
from statistics import mean
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.people.hookup import failing_checks, hookup_trouble
from models.people.trends import change_a_month, weekly_counts
from models.people.watch import observations
from tests.drawn_log import (
    END,
    Log,
    Row,
    drawn_log,
    first_of_each,
    judged_one_by_one,
    last_of_each,
    pieces_one_by_one,
)

SEEDS = tuple(range(6))


@cache
def log_of(seed: int) -> Log:
    return drawn_log(700 + seed, captures=90)


# -- setup checks and what the charts watch -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_checks_that_fail(seed: int) -> None:
    log = log_of(seed)
    firsts = {row["capture_file"]: row["technician"] for row in first_of_each(log.taken())}
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

    for first, tries in pieces_one_by_one(log):
        add("usable captures", first, not tries[0])
    for row in first_of_each(log.taken()):
        add("hookup", row, row["capture_file"] in habits)
    for row, _, right in last_of_each(judged_one_by_one(log), of=lambda one: one[0]):
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
        trials = rng.integers(20, 60, 7)
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
        kept = wanted.setdefault(
            (row["technician"], row["captured_at"].date() - timedelta(days=row["captured_at"].weekday())),
            [0, 0],
        )
        kept[0] += row["status"] == "read"
        kept[1] += 1
    found = weekly_counts(frame, at="captured_at", event="good")
    assert found.rows() == [(*key, *wanted[key]) for key in sorted(wanted)]
