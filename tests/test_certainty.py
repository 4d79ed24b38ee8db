"""An uncertain figure is not a fault: the capture's own error enters what is judged, and nothing else changes."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.records.measure import Measure
from models.records.shop import Shop
from models.spread.fit import fit_groups, score_captures
from models.thresholds.flags import flags

MEASURE = Measure("m", "M", "the median element")


def drawn(seed: int, *, coarse_share: float = 0.3, coarse_se: float = 4.0) -> tuple[Shop, dict[str, bool]]:
    """Healthy captures of a group of eight, most read to 0.3 %, some so coarsely that they scatter by `coarse_se`."""
    rng = np.random.default_rng(seed)
    captures, elements, coarse = [], [], {}
    for at in range(150):
        name = f"{at}.csv"
        coarse[name] = bool(rng.random() < coarse_share)
        se = coarse_se if coarse[name] else 0.3
        value = 100.0 + rng.normal(0, 1.2, 8) + rng.normal(0, se, 8)
        value = 100.0 * value / np.median(value)
        when = dt.datetime(2026, 1, 1) + dt.timedelta(days=at)
        captures.append({"capture_file": name, "test": "t", "group": "g", "vehicle": name, "captured_at": when,
                         "purpose": "known_good" if not coarse[name] else "diagnosis", "status": "read"})  # fmt: skip
        elements += [
            {"capture_file": name, "measure": "m", "position": k + 1, "element": k + 1,
             "relative_pct": float(value[k]), "se_pct": se, "identified": "sync"}
            for k in range(8)
        ]  # fmt: skip
    groups = [{"test": "t", "group": "g", "elements": 8, "sequence": list(range(1, 9)), "uneven": False}]
    return Shop.made(
        captures=pl.DataFrame(captures), elements=pl.DataFrame(elements), groups=pl.DataFrame(groups)
    ), coarse


@pytest.fixture(scope="module")
def scored() -> tuple[pl.DataFrame, float]:
    parts, limit = [], 0.0
    for seed in range(3):
        shop, coarse = drawn(seed)
        fit = fit_groups(shop, MEASURE)
        limit = float(fit.stats["odd_limit_pct"][0])
        table = score_captures(fit, shop).captures
        parts.append(
            table.with_columns(
                coarse=pl.Series([coarse[name] for name in table["capture_file"]]), limit=limit
            )
        )
    return pl.concat(parts), limit


def test_coarse_healthy_captures_are_not_called_odd(scored: tuple[pl.DataFrame, float]) -> None:
    table, _ = scored
    coarse = table.filter(pl.col("coarse"))
    assert coarse.height > 100
    by_gap = (coarse["odd_pct"] >= coarse["limit"]).mean()
    judged = (coarse["judged_pct"] >= coarse["limit"]).mean()
    assert by_gap > 0.3  # what went wrong before: the gap alone
    assert judged <= 0.06
    assert (coarse["p_value"] < 0.05).mean() <= 0.12  # type: ignore[operator]


def test_captures_read_as_surely_as_usual_are_judged_by_their_gap(scored: tuple[pl.DataFrame, float]) -> None:
    table, _ = scored
    fine = table.filter(~pl.col("coarse"))
    np.testing.assert_array_equal(fine["judged_pct"], fine["odd_pct"])


def test_a_dead_element_is_still_odd_however_coarse_the_reading() -> None:
    shop, coarse = drawn(7)
    name = next(name for name, is_coarse in coarse.items() if is_coarse)
    dead = (pl.col("capture_file") == name) & (pl.col("position") == 3)
    shop = shop.with_frames(
        elements=shop.elements.with_columns(relative_pct=pl.when(dead).then(20.0).otherwise("relative_pct"))
    )
    fit = fit_groups(shop, MEASURE)
    row = score_captures(fit, shop).captures.filter(pl.col("capture_file") == name).row(0, named=True)
    assert row["odd_position"] == 3
    assert row["judged_pct"] > fit.stats["odd_limit_pct"][0]
    assert row["judged_pct"] < row["odd_pct"]


def test_a_flag_weighs_the_gap_by_the_certainty() -> None:
    cells = pl.DataFrame(
        {
            "capture_file": ["sure"] * 3 + ["unsure"] * 3,
            "group": ["g"] * 6,
            "position": [1, 2, 3] * 2,
            "element": [1, 2, 3] * 2,
            "companion": pl.Series([None] * 6, dtype=pl.Int64),
            "deviation_pct": [0.0, -10.0, 0.0] * 2,
            "certainty": [1.0] * 3 + [0.5] * 3,
        }
    )
    limits = pl.DataFrame({"group": ["g"], "threshold_pct": [8.0], "version": [1]})
    found = dict(flags(cells, limits, MEASURE).select("capture_file", "flagged").iter_rows())
    assert found == {"sure": True, "unsure": False}
