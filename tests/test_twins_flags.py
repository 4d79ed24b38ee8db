"""Slow, obvious twins of flags and of the check against the gauge, one capture at a time."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import polars as pl
import pytest
from scipy.stats import spearmanr

from models.records.measure import Direction, Measure
from models.records.shop import Shop
from models.thresholds.flags import flags
from models.thresholds.gauge import clustered_spearman, deviation_against_gauge
from tests.drawn_log import END, Row
from tests.simulated_shop import frame_of

# -- flags and the gauge ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("direction", ["low", "high", "either"])
def test_flags_one_capture_at_a_time(direction: Direction) -> None:
    rng = np.random.default_rng(4)
    measure = Measure("level", "level", "median", direction=direction)
    rows: list[Row] = []
    for i in range(60):
        group, count = [("g", 4), ("h", 5), ("none", 4)][i % 3]
        certainty = [None, 1.0, 0.5][rng.integers(3)]
        fault = np.where(
            np.arange(count) == rng.integers(count), rng.choice([-12.0, -4.0, 0.0, 6.0, 12.0]), 0.0
        )
        rows += [
            {
                "capture_file": f"{i:02}", "group": group, "position": p + 1, "element": [p + 1, None][i % 7 == 0],
                "companion": p + 3 if i % 5 == 0 else None, "deviation_pct": float(rng.normal(0, 1.5) + fault[p]),
                "certainty": certainty,
            }
            for p in range(count)
        ]  # fmt: skip
    types = {
        "capture_file": pl.String, "group": pl.String, "position": pl.Int32, "element": pl.Int32,
        "companion": pl.Int32, "deviation_pct": pl.Float64, "certainty": pl.Float64,
    }  # fmt: skip
    limits = {"g": 3.0, "h": 5.0}
    table = pl.DataFrame({"group": list(limits), "threshold_pct": list(limits.values()), "version": [2, 9]})
    found = {
        row["capture_file"]: row
        for row in flags(pl.DataFrame(rows, schema=types), table, measure).iter_rows(named=True)
    }
    judged = {row["capture_file"] for row in rows if row["group"] in limits}
    assert set(found) == judged
    for name in judged:
        own = sorted((row for row in rows if row["capture_file"] == name), key=lambda row: row["position"])
        share = 1.0 if own[0]["certainty"] is None else own[0]["certainty"]
        value = [share * row["deviation_pct"] for row in own]
        limit = limits[own[0]["group"]]

        def off(at: int, left: list[int], value: list[float] = value) -> float:
            below = float(np.median([value[j] for j in left if j != at])) - value[at]
            return {"low": below, "high": -below, "either": abs(below)}[direction]

        everyone = list(range(len(own)))
        odd = [off(at, everyone) for at in everyone]
        reach = {at for at in everyone if odd[at] >= limit}
        if direction == "either" and reach:
            left, taken = list(everyone), set()
            for _ in range((len(own) - 1) // 2):
                worst = max(left, key=lambda at: off(at, left))
                left, taken = [at for at in left if at != worst], taken | {worst}
                if all(off(at, left) < limit for at in left):
                    reach &= taken
                    break
        named = {at for at in reach if odd[at] >= 0.3 * max(odd)}
        got = found[name]
        assert got["odd_pct"] == pytest.approx(max(odd))
        assert (got["flagged"], got["threshold_pct"]) == (bool(named), limit)
        assert got["threshold_version"] == {"g": 2, "h": 9}[own[0]["group"]]
        assert got["flagged_positions"] == sorted(own[at]["position"] for at in named)
        both = {own[at][key] for at in named for key in ("element", "companion")} - {None}
        assert got["flagged_elements"] == sorted(both)


@pytest.mark.parametrize("against", ["highest", "median"])
def test_each_element_beside_its_gauge(against: Any) -> None:
    from models.records import schemas

    rng = np.random.default_rng(6)
    captures, outcomes, elements, cells = [], [], [], []
    for i in range(40):
        name, order = f"c{i:02}", f"o{i // 2}"
        late = i % 2 == 1 and i % 3 == 0
        captures.append({
            "capture_file": name, "test": "t", "group": "gh"[i % 2], "repair_order": order,
            "vehicle": None if i % 8 < 2 else f"v{i % 14}", "captured_at": END + timedelta(days=9 if late else 0),
            "purpose": ["diagnosis", "known_good"][i % 5 == 0],
        })  # fmt: skip
        for p in (1, 2, 3):
            who = p if i % 9 else None
            elements.append({
                "capture_file": name, "measure": "level", "position": p, "element": who, "relative_pct": 100.0,
                "se_pct": 0.5, "identified": "pair" if i % 11 == 3 else "sync",
            })  # fmt: skip
            cells.append((name, p, float(rng.normal())))
    for i in range(20):
        kpa = [float(v) for v in rng.integers(700, 1200, 3)]
        kpa = (
            [[], kpa[:2], [*kpa, 900.0], [kpa[0], float("nan"), kpa[2]], [0.0, *kpa[1:]]][i % 5]
            if i > 14
            else kpa
        )
        outcomes.append({
            "repair_order": f"o{i}", "test": "t", "confirmed_at": END + timedelta(days=2),
            "finding": ["odd", "even", "other"][i % 3], "confirmed_elements": [1], "method": "gauge", "gauge_kpa": kpa,
        })  # fmt: skip
    shop = Shop(
        captures=frame_of(schemas.CAPTURES, captures), outcomes=frame_of(schemas.OUTCOMES, outcomes),
        elements=frame_of(schemas.ELEMENTS, elements),
    )  # fmt: skip
    scores = pl.DataFrame(cells, schema=["capture_file", "position", "deviation_pct"], orient="row")
    scores = scores.with_columns(pl.col("position").cast(pl.Int32))
    found = deviation_against_gauge(
        cast(Any, SimpleNamespace(elements=scores)), shop, against=against, draws=30
    )
    wanted = []
    for i, row in enumerate(captures):
        outcome = outcomes[i // 2]
        kpa = outcome["gauge_kpa"]
        repaired = (
            row["purpose"] == "known_good" or row["captured_at"].date() > outcome["confirmed_at"].date()
        )
        if len(kpa) != 3 or not all(np.isfinite(v) and v > 0 for v in kpa) or i % 9 == 0 or i % 11 == 3:
            continue
        if outcome["finding"] == "odd" and repaired:
            continue
        best = max(kpa) if against == "highest" else sorted(kpa)[1]
        wanted += [
            (
                row["capture_file"], row["repair_order"], row["group"], p, cells[3 * i + p - 1][2],
                100 * (1 - kpa[p - 1] / best), row["vehicle"] or ("order", row["repair_order"]),
            )
            for p in (1, 2, 3)
        ]  # fmt: skip
    wanted.sort(key=lambda row: (row[2], row[0], row[3]))
    assert [row[:5] for row in found.points.iter_rows()] == [row[:5] for row in wanted]
    assert found.points["gauge_loss_pct"].to_list() == pytest.approx([row[5] for row in wanted])
    for group in "gh":
        own = [row for row in wanted if row[2] == group]
        figure = found.agreement[group]
        assert figure.n == len({row[6] for row in own})
        assert figure.estimate == pytest.approx(
            spearmanr([row[4] for row in own], [-row[5] for row in own]).statistic
        )


def test_the_interval_of_a_rank_correlation_draws_engines() -> None:
    rng = np.random.default_rng(3)
    engine = np.repeat(np.arange(6), 3)
    x, y = rng.normal(size=18), rng.normal(size=18)
    found = clustered_spearman(x, y, engine, draws=40, seed=11)
    again, drawn = np.random.default_rng(11), []
    for _ in range(40):
        rows = np.concatenate([np.flatnonzero(engine == one) for one in again.integers(0, 6, size=6)])
        drawn.append(spearmanr(x[rows], y[rows]).statistic)
    low, high = np.quantile(drawn, [0.025, 0.975])
    rho = spearmanr(x, y).statistic
    assert (found.n, found.estimate) == (6, pytest.approx(rho))
    assert (found.low, found.high) == pytest.approx((min(low, rho), max(high, rho)))
