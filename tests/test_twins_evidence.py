"""Slow, obvious twins of what outcomes say of captures, on drawn records, figure for figure."""

from __future__ import annotations

from datetime import timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest

from models.thresholds.costs import Draw
from models.thresholds.curves import bootstrap_times, drawn_weights, healthy_weight, odd_weight, vehicle_codes
from models.thresholds.evidence import confirmation_weights, evidence
from models.thresholds.follow_up import (
    calibrated,
    enough_unflagged,
    looks_healthy,
    prevalence_of,
    shares_by_sort,
)
from models.thresholds.shares import costs_at, share_estimate
from models.thresholds.verification import SHARE, drawn_by_lot, verification_list
from tests.drawn_log import END, Log, Row, drawn_log

SEEDS = tuple(range(6))
LIMITS = {"f": 5.0, "g": 3.0}


@cache
def scored(seed: int) -> tuple[Log, list[Row]]:
    """A drawn log and one score a capture, flagged or not or nobody knows."""
    log = drawn_log(500 + seed, captures=160)
    rng = np.random.default_rng(seed)
    rows = [
        {
            "capture_file": row["capture_file"], "odd_pct": float(rng.choice([np.nan, 3.0, 5.0, *rng.gamma(2, 2, 6)])),
            "odd_element": [None, 1, 2, 3, 4][rng.integers(5)], "odd_companion": [None, None, 1, 4][rng.integers(4)],
            "flagged": [None, True, False][rng.integers(3)],
        }
        for row in log.captures if rng.random() < 0.95
    ]  # fmt: skip
    return log, rows


def _scores(rows: list[Row]) -> pl.DataFrame:
    types = {
        "capture_file": pl.String, "odd_pct": pl.Float64, "odd_element": pl.Int64, "odd_companion": pl.Int64,
        "flagged": pl.Boolean,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=types)


def _said(log: Log, row: Row) -> tuple[int, list[int]]:
    """What the outcome of its order says of a capture: 1 even, -1 odd, 0 nothing; and the confirmed elements."""
    for found in log.outcomes:
        if (found["repair_order"], found["test"]) == (row["repair_order"], row["test"]):
            if found["finding"] == "even":
                return 1, []
            before = (
                row["captured_at"].date() <= found["confirmed_at"].date() and row["purpose"] != "known_good"
            )
            if found["finding"] == "odd" and before:
                return -1, found["confirmed_elements"] or []
    return 0, []


def slow_evidence(log: Log, scores: list[Row]) -> list[Row]:
    by_file = {row["capture_file"]: row for row in scores}
    odd_orders = {found["repair_order"] for found in log.outcomes if found["finding"] == "odd"}
    rows = []
    for row in log.captures:
        score = by_file.get(row["capture_file"])
        if score is None or not np.isfinite(score["odd_pct"]):
            continue
        code, elements = _said(log, row)
        named: bool | None = None
        if code == -1 and elements and score["odd_element"] is not None:
            named = score["odd_element"] in elements or score["odd_companion"] in elements
        repaired = row["repair_order"] in odd_orders and code != -1
        rows.append({
            **{name: row[name] for name in ("capture_file", "group", "vehicle", "captured_at", "purpose", "call")},
            "odd_pct": score["odd_pct"], "flagged": score["flagged"], "confirmed": code, "named_right": named,
            "in_question": row["purpose"] == "diagnosis" and not repaired, "technician": row["technician"],
            "repair_order": row["repair_order"],
        })  # fmt: skip
    return rows


def _looks(row: Row) -> bool:
    flagged = row["flagged"] if row["flagged"] is not None else row["odd_pct"] >= LIMITS[row["group"]]
    return bool(row["in_question"] and not flagged and row["call"] != "odd")


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_known_of_each_capture(seed: int) -> None:
    log, scores = scored(seed)
    slow, found = slow_evidence(log, scores), evidence(_scores(scores), log.shop)
    columns = ("capture_file", "group", "vehicle", "captured_at", "purpose", "call", "odd_pct", "flagged", "confirmed",
               "named_right", "in_question")  # fmt: skip
    assert found.select(columns).rows() == [tuple(row[name] for name in columns) for row in slow]
    assert looks_healthy(found, LIMITS).tolist() == [_looks(row) for row in slow]
    judged = _scores(scores).with_columns(judged_pct=pl.col("odd_pct") / 2)
    assert evidence(judged, log.shop)["odd_pct"].to_list() == [row["odd_pct"] / 2 for row in slow]
    bare = evidence(_scores(scores).select("capture_file", "odd_pct"), log.shop)
    assert bare.select("flagged", "named_right").null_count().row(0) == (bare.height, bare.height)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("share", "days"), [(0.5, 14), (1.0, 30), (0.3, 40)])
def test_the_list_for_the_lead(seed: int, share: float, days: int) -> None:
    log, scores = scored(seed)
    slow = slow_evidence(log, scores)
    closed = {row["repair_order"]: row["closed_at"] for row in log.orders}
    wanted = []
    for row in slow:
        recent = END - timedelta(days=days) <= row["captured_at"] <= END
        lucky = drawn_by_lot(row["capture_file"], share=share, seed=3)
        if _looks(row) and row["confirmed"] == 0 and recent and lucky:
            until = closed.get(row["repair_order"])
            wanted.append((
                    row["capture_file"], row["repair_order"], row["vehicle"], row["group"], row["technician"],
                    row["captured_at"], until is None or until > END,
                ))  # fmt: skip
    wanted.sort(key=lambda row: row[0])
    wanted.sort(key=lambda row: row[5], reverse=True)
    found = verification_list(_scores(scores), log.shop, LIMITS, as_of=END, share=share, days=days, seed=3)
    assert found.captures.rows() == wanted
    known = sum(_looks(row) and row["confirmed"] != 0 for row in slow)
    assert (found.confirmed, found.needed) == (known, max(20 - known, 1))
    assert f"drawn by lot, {share:.0%} of such captures" in found.sentence
    assert (
        f"{known} captures that looked healthy were confirmed so far; about {found.needed} more"
        in found.sentence
    )


def test_the_lot_falls_on_one_in_ten_by_the_name_alone() -> None:
    """The first eight bytes of BLAKE2b of `seed:name`, as the standard library gives them, against the share."""
    from hashlib import blake2b

    assert SHARE == 0.1
    for i in range(300):
        number = int.from_bytes(blake2b(f"7:{i}.csv".encode(), digest_size=8).digest(), "big")
        assert drawn_by_lot(f"{i}.csv", share=0.25, seed=7) == (number < 0.25 * 2**64)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_given_limits_cost(seed: int) -> None:
    log, scores = scored(seed)
    rows = evidence(_scores(scores), log.shop)
    found = costs_at(_scores(scores), log.shop, LIMITS, draws=25, seed=4)
    weighting, looks = confirmation_weights(rows), looks_healthy(rows, LIMITS)
    times = bootstrap_times(vehicle_codes(rows), 25, 4)
    again = drawn_weights(rows, times, weighting)
    enough, quiet_in_shop = enough_unflagged(rows, looks)
    for name, limit in LIMITS.items():
        member = (rows["group"] == name).to_numpy()
        healthy, odd = healthy_weight(rows, weighting), odd_weight(rows, weighting)
        good, bad = np.flatnonzero(member & (healthy > 0)), np.flatnonzero(member & (odd > 0))
        asked = rows["in_question"].to_numpy()
        quiet = sum(looks[i] or not asked[i] for i in good)
        drawn = [healthy_weight(rows, one) * row for one, row in zip(again, times, strict=True)]
        alarm = share_estimate(rows["odd_pct"].to_numpy(), good, healthy, drawn, limit, "known healthy")
        drawn = [odd_weight(rows, one) * row for one, row in zip(again, times, strict=True)]
        finds = share_estimate(rows["odd_pct"].to_numpy(), bad, odd, drawn, limit, "confirmed odd")
        got = found[name]
        assert (got.false_alarm.n, got.detection.n) == (good.size, bad.size)
        if quiet < 5 <= good.size:
            assert f"Only {quiet} captures of this group" in (got.false_alarm.why or "")
        else:
            assert got.false_alarm == alarm
        if not enough and bad.size >= 5:
            assert f"Only {quiet_in_shop} captures of the shop" in (got.detection.why or "")
            assert "at least 20 " in (got.detection.why or "")
        else:
            assert got.detection == finds


# -- sorts --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_confirmed_captures_stand_for_their_sort(seed: int) -> None:
    """Weight of each healthy one: captures of its sort and group that are healthy over those confirmed so."""
    rng = np.random.default_rng(seed)
    n, groups = 80, 3
    group, looks = rng.integers(-1, groups, n), rng.random(n) < 0.6
    kind = rng.choice(["even", "odd", "none"], n, p=[0.45, 0.25, 0.3])
    good = rng.random(n) < 0.1
    asked = np.where(good, 0.0, (rng.random(n) < 0.85) * rng.integers(1, 3, n)).astype(float)
    weight = rng.uniform(1, 3, n)
    draw = Draw(
        np.where(good | (kind == "even"), weight, 0), np.where(~good & (kind == "odd"), weight, 0), asked
    )
    counts, shares = shares_by_sort(draw, group, groups, looks)
    for sort in (0, 1):
        for g in range(groups):
            assert counts[sort, g] == sum(asked[i] for i in range(n) if group[i] == g and looks[i] == sort)
    wanted_healthy, wanted_odd = draw.healthy.copy(), np.where((asked > 0) & (group >= 0), 0.0, draw.odd)
    for i in range(n):
        if asked[i] <= 0 or group[i] < 0 or good[i]:
            continue
        sort, g = int(looks[i]), int(group[i])
        like = [j for j in range(n) if asked[j] > 0 and looks[j] == looks[i] and not good[j]]
        own = [j for j in like if group[j] == g and draw.healthy[j] > 0]
        quiet = sum(
            bool(asked[j] > 0 and looks[j] and not good[j] and group[j] == g and draw.healthy[j] > 0)
            for j in range(n)
        )
        if draw.healthy[i] > 0:
            held = sum(draw.healthy[j] for j in own)
            scale = counts[sort, g] * (1 - shares[sort, g]) / held if quiet >= 3 else 0.0
            wanted_healthy[i] = draw.healthy[i] * scale
        if draw.odd[i] > 0:
            total = sum(draw.odd[j] for j in like if group[j] >= 0)
            wanted_odd[i] = draw.odd[i] * float((counts[sort] * shares[sort]).sum()) / total
    got = calibrated(draw, group, looks, counts, shares, known_good=good)
    assert got.healthy == pytest.approx(wanted_healthy)
    assert got.odd == pytest.approx(wanted_odd)
    assert got.asked is draw.asked
    total = counts.sum(axis=0)
    by_hand = [(counts[0, g] * shares[0, g] + counts[1, g] * shares[1, g]) / total[g] for g in range(groups)]
    assert prevalence_of(counts, shares) == pytest.approx(by_hand)
