"""Slow, obvious twins of what is counted of jobs, on drawn logs, figure for figure."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.jobs.adoption import adoption
from models.jobs.comebacks import comebacks, order_quality
from models.jobs.comparison import has_begun, watched_weights
from models.jobs.listing import listed_jobs
from models.jobs.returns import covariates, recorded, watched_orders
from models.jobs.stepped import stepped_adoption
from models.records.pieces import pieces
from models.stats.intervals import mean_with_interval, share, share_difference
from tests.drawn_log import END, Log, Row, drawn_log

SEEDS = tuple(range(8))
DAY = timedelta(days=1)


@cache
def log_of(seed: int) -> Log:
    return drawn_log(900 + seed)


def _days(gap: timedelta) -> float:
    return gap.total_seconds() / 86400.0


def _monday(day: Any) -> date:
    found: date = day.date() - timedelta(days=day.weekday())
    return found


def _age(order: Row) -> str | None:
    if order["model_year"] is None:
        return None
    years = order["opened_at"].year - order["model_year"]
    words = ("0 to 4 years", "5 to 9 years", "10 to 14 years")
    return words[years // 5] if years < 15 else "15 years and more"


def slow_watched(log: Log) -> list[Row]:
    """Eligible closed orders, in order of opening, with everything `watched_orders` adds and the quality."""
    known, taken = log.known_orders(), log.taken()
    rows = []
    for order in known:
        if not order["scope_eligible"] or order["closed_at"] is None:
            continue
        name, closed = order["repair_order"], order["closed_at"]
        own = [
            c for c in taken
            if c["repair_order"] == name and c["purpose"] != "drill" and c["captured_at"].date() <= closed.date()
        ]  # fmt: skip
        returns = [o["opened_at"] for o in known if o["comeback_of"] == name]
        key = (order["opened_at"], name)
        earlier = sum(
            o["vehicle"] == order["vehicle"] and (o["opened_at"], o["repair_order"]) < key for o in known
        )
        earlier = 0 if order["vehicle"] is None else earlier
        until = min(returns) if returns else END
        readable = sum(c["status"] == "read" for c in own)
        rights = []
        for c in taken:
            if c["repair_order"] != name or c["status"] != "read" or c["call"] not in ("even", "odd"):
                continue
            if c["purpose"] == "known_good":
                continue
            for found in log.outcomes:
                if (found["repair_order"], found["test"]) != (name, c["test"]) or found["finding"] == "other":
                    continue
                if found["confirmed_at"] <= END and c["captured_at"].date() <= found["confirmed_at"].date():
                    named, confirmed = set(c["call_elements"] or ()), set(found["confirmed_elements"] or ())
                    meets = not named or not confirmed or bool(named & confirmed)
                    rights.append(c["call"] == found["finding"] and (found["finding"] == "even" or meets))
        quality = "no capture"
        if own:
            quality = (
                "right call" if rights and rights[-1] else "wrong call" if rights else "call not confirmed"
            )
            quality = quality if readable else "unusable capture"
        rows.append({
            **order, "scoped": bool(own), "captures": len(own), "readable": readable, "age": _age(order),
            "returned": bool(returns), "days": max(0.0, _days(until - closed)),
            "history": ("first_visit", "one_earlier", "two_earlier", "three_or_more")[min(earlier, 3)],
            "is_return": order["comeback_of"] is not None, "season": f"Q{(order['opened_at'].month + 2) // 3}",
            "quality": quality,
        })  # fmt: skip
    return sorted(rows, key=lambda o: (o["opened_at"], o["repair_order"]))


def _same(found: pl.DataFrame, wanted: list[Row], columns: tuple[str, ...]) -> None:
    assert found.height == len(wanted)
    for one, other in zip(found.select(columns).iter_rows(named=True), wanted, strict=True):
        assert {**one, "days": None} == {**{name: other[name] for name in columns}, "days": None}
        assert one["days"] == (other["days"] if other["days"] is None else pytest.approx(other["days"]))


@pytest.mark.parametrize("seed", SEEDS)
def test_orders_and_what_came_back(seed: int) -> None:
    log = log_of(seed)
    shop, slow = log.shop, slow_watched(log)
    found = order_quality(watched_orders(shop, END), shop, END)
    columns = (
        "repair_order", "opened_at", "closed_at", "technician", "vehicle", "scoped", "captures", "readable", "age",
        "returned", "days", "history", "is_return", "season", "quality",
    )  # fmt: skip
    _same(found, slow, columns)
    unknown = sum(row["age"] is None for row in slow)
    assert ("vehicle age" in recorded(found)[0]) == (unknown <= 0.1 * len(slow))
    begun = []
    for row in slow:
        first = [o["opened_at"] for o in slow if o["technician"] == row["technician"] and o["scoped"]]
        begun.append(bool(first) and row["opened_at"] > min(first))
    assert has_begun(found).tolist() == begun


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("window", [1, 5, 30])
def test_the_listing_of_jobs(seed: int, window: int) -> None:
    log = log_of(seed)
    slow = {row["repair_order"]: row for row in slow_watched(log)}
    wanted = []
    for order in log.known_orders():
        row = slow.get(order["repair_order"])
        back = row is not None and row["returned"] and row["days"] <= window
        returns = [
            (o["opened_at"], o["repair_order"])
            for o in log.known_orders()
            if o["comeback_of"] == order["repair_order"]
        ]
        wanted.append({
            **order, "counted": row is not None, "came_back": back, "scoped": row and row["scoped"],
            "quality": row and row["quality"], "days": row["days"] if row and back else None,
            "week": row and _monday(row["closed_at"]), "came_back_as": min(returns)[1] if returns else None,
        })  # fmt: skip
    wanted.sort(key=lambda o: (o["opened_at"], o["repair_order"]), reverse=True)
    _same(
        listed_jobs(log.shop, as_of=END, window_days=window),
        wanted,
        (
            "repair_order", "opened_at", "closed_at", "counted", "came_back", "scoped", "quality", "days", "week",
            "came_back_as",
        ),
    )  # fmt: skip


@pytest.mark.parametrize("seed", SEEDS)
def test_the_design_has_one_column_for_each_thing_that_varies(seed: int) -> None:
    slow = slow_watched(log_of(seed))
    design = covariates(watched_orders(log_of(seed).shop, END))
    names, columns = ["intercept"], [[1.0] * len(slow)]
    for column in ("complaint", "engine_family", "history", "season", "technician", "age"):
        values = ["(unknown)" if row[column] is None else row[column] for row in slow]
        for level in sorted(set(values))[1:]:
            names.append(f"{column}: {level}")
            columns.append([float(value == level) for value in values])
    again = [float(row["is_return"]) for row in slow]
    if 0 < sum(again) < len(again):
        names.append("is itself a comeback")
        columns.append(again)
    assert list(design.names) == names
    assert design.x[design.cell].T.tolist() == columns
    assert len({tuple(row) for row in design.x}) == design.x.shape[0]  # one row a combination
    assert design.penalty.tolist() == [0.0] + [0.05] * (len(names) - 1)
    for i, one in enumerate(slow):
        for j, other in enumerate(slow):
            same = i == j or (one["vehicle"] is not None and one["vehicle"] == other["vehicle"])
            assert (design.cluster[i] == design.cluster[j]) == same


@pytest.mark.parametrize("seed", SEEDS)
def test_what_comebacks_are_counted_by(seed: int) -> None:
    log, window = log_of(seed), 6
    slow, found = slow_watched(log), comebacks(log.shop, as_of=END, window_days=window)

    def back(row: Row) -> bool:
        return bool(row["returned"] and row["days"] <= window)

    whole = sum(back(row) or _days(END - row["closed_at"]) >= window for row in slow)
    assert found.watched_whole == whole
    for quality, row in zip(
        ("right call", "wrong call", "call not confirmed", "unusable capture", "no capture"),
        found.by_call_quality.iter_rows(named=True),
        strict=True,
    ):
        own = [o for o in slow if o["quality"] == quality]
        assert (row["quality"], row["orders"], row["comebacks"]) == (quality, len(own), sum(map(back, own)))
        assert (row["risk"] is None) == (row["why"] is not None)
    for name, scoped in (("scoped", True), ("not scoped", False)):
        own = [o for o in slow if o["scoped"] == scoped]
        group = found.crude.scoped if scoped else found.crude.not_scoped
        assert (group.orders, group.comebacks) == (len(own), sum(map(back, own)))
        (row,) = found.parts.filter(pl.col("group") == name).iter_rows(named=True)
        money = mean_with_interval([o["parts_cost"] for o in own if o["parts_cost"] is not None])
        assert (row["parts_cost_each"], row["low"], row["high"]) == (money.estimate, money.low, money.high)
        sent = [o["parts_returned"] for o in own if o["parts_returned"] is not None]
        returns = share(sum(n > 0 for n in sent), len(sent), least=6)
        assert (row["orders"], row["orders_with_returns"], row["parts_returned"]) == (
            len(own),
            sum(n > 0 for n in sent),
            sum(sent),
        )
        assert (row["returns_share"], row["returns_low"], row["returns_high"]) == (
            returns.estimate,
            returns.low,
            returns.high,
        )
    firsts = {}
    for order in sorted(log.known_orders(), key=lambda o: (o["opened_at"], o["repair_order"]), reverse=True):
        firsts[order["comeback_of"]] = order
    for row in found.cost.iter_rows(named=True):
        of = [o for o in slow if row["group"] == "all" or o["scoped"] == (row["group"] == "scoped")]
        again = [firsts[o["repair_order"]] for o in of if back(o)]
        hours = [o["labour_h"] for o in again if o["labour_h"] is not None]
        paid = [o["parts_cost"] for o in again if o["parts_cost"] is not None]
        assert (row["comebacks"], row["labour_h"], row["parts_cost"]) == (len(again), sum(hours), sum(paid))
        each, cost = mean_with_interval(hours), mean_with_interval(paid)
        assert (row["labour_h_each"], row["labour_low"], row["labour_high"]) == (
            each.estimate,
            each.low,
            each.high,
        )
        assert (row["parts_cost_each"], row["parts_low"], row["parts_high"]) == (
            cost.estimate,
            cost.low,
            cost.high,
        )
        per = pytest.approx(100 * sum(hours) / len(of)) if of else None
        assert row["labour_h_per_100_orders"] == per


@pytest.mark.parametrize("seed", SEEDS)
def test_before_and_after_each_technicians_first_scoped_job(seed: int) -> None:
    log, window = log_of(seed), 4
    slow, rows = slow_watched(log), watched_orders(log.shop, END)
    potential = [_days(END - row["closed_at"]) for row in slow]
    found = stepped_adoption(rows, np.array(potential), window_days=window, least_n=3).by_technician
    began: dict[str, Any] = {}
    for row in slow:
        if row["scoped"] and row["technician"] is not None:
            began[row["technician"]] = min(began.get(row["technician"], END), row["opened_at"])
    wanted = []
    for name in sorted(began):
        sides = []
        for after in (False, True):
            own = [
                row for row, days in zip(slow, potential, strict=True)
                if days >= window and row["technician"] == name and (row["opened_at"] >= began[name]) == after
            ]  # fmt: skip
            sides.append((sum(row["returned"] and row["days"] <= window for row in own), len(own)))
        (k0, n0), (k1, n1) = sides
        gap = share_difference(k1, n1, k0, n0, least=3)
        risks = [share(k, n, least=3).estimate for k, n in sides]
        wanted.append(
            (name, began[name], n0, k0, risks[0], n1, k1, risks[1], gap.estimate, gap.low, gap.high)
        )
    assert found.rows() == wanted


@pytest.mark.parametrize("seed", SEEDS)
def test_the_use_of_the_scope(seed: int) -> None:
    log = log_of(seed)
    slow, found = slow_watched(log), adoption(log.shop, as_of=END)
    assert (found.eligible, found.scoped) == (len(slow), sum(row["scoped"] for row in slow))
    whole = share(found.scoped, found.eligible)
    assert (found.overall.estimate, found.overall.low, found.overall.high) == (
        whole.estimate,
        whole.low,
        whole.high,
    )
    weeks: dict[date, list[bool]] = {}
    for row in slow:
        weeks.setdefault(_monday(row["closed_at"]), []).append(row["scoped"])
    wanted = []
    for week in sorted(weeks):
        one = share(sum(weeks[week]), len(weeks[week]))
        wanted.append((week, len(weeks[week]), sum(weeks[week]), one.estimate, one.low, one.high))
    assert found.by_week.rows() == wanted
    for row in found.by_technician.iter_rows(named=True):
        own = [o["scoped"] for o in slow if o["technician"] == row["technician"]]
        assert (row["eligible"], row["scoped"]) == (len(own), sum(own))
        assert row["share"] == (sum(own) / len(own) if own else None)
        assert (row["adjusted"] is not None) == (len(own) >= 6)
    names = {row["technician"] for row in log.technicians} | {row["technician"] for row in slow} - {None}
    assert found.by_technician["technician"].to_list() == sorted(names)
    firsts: dict[tuple[Any, ...], Row] = {}
    for row in log.taken():
        car = row["vehicle"] if row["vehicle"] is not None else ("alone", row["capture_file"])
        key = (row["technician"], row["test"], row["group"], row["purpose"], car, row["captured_at"].date())
        firsts.setdefault(key, row)
    failed = pieces(log.shop, END).filter(pl.col("succeeded_at").is_null())
    for row in found.by_test.iter_rows(named=True):
        own = [first for first in firsts.values() if first["test"] == row["test"]]
        practice = sum(first["purpose"] == "drill" for first in own)
        assert (row["paid"], row["practice"]) == (len(own) - practice, practice)
        assert row["unusable"] == failed.filter(pl.col("test") == row["test"]).height
    by_week: dict[date, list[int]] = {}
    for first in firsts.values():
        by_week.setdefault(_monday(first["captured_at"]), [0, 0])[first["purpose"] == "drill"] += 1
    assert found.practice_by_week.rows() == [(week, *by_week[week]) for week in sorted(by_week)]


def test_weights_of_having_been_watched_count_who_could_be() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        n = 12
        potential, end = rng.integers(0, 9, n).astype(float), rng.integers(0, 9, n).astype(float)
        seen, arm = rng.random(n) < 0.6, rng.random(n) < rng.choice([0.0, 0.5, 1.0])
        slow = []
        for i in range(n):
            like = [potential[j] for j in range(n) if arm[j] == arm[i]]
            could = max(sum(days >= end[i] for days in like), 1) / len(like)
            slow.append(1 / could if seen[i] else 0.0)
        assert watched_weights(potential, end, seen, arm) == pytest.approx(slow)
