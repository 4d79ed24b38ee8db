"""Shops beside each other: planted differences are found, and nothing is said where there is none."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from dashboard import access
from dashboard.launch import WAREHOUSE_VARIABLE
from dashboard.views.group import answer as group
from models.records.shops import MARK
from models.shops.beside import ShopsBeside, shops_beside
from pipelines.access.roles import Role, viewer_of
from pipelines.fit.beside import BESIDE_FRAMES, beside_of
from pipelines.fit.figures import load_beside, load_figures
from pipelines.fit.run import fit_warehouse
from pipelines.warehouse.database import Warehouse
from tests.page_driver import assert_sound, fresh_caches, opened, texts  # noqa: F401
from tests.two_shops import two_shops

pytestmark = pytest.mark.xdist_group("pages")
SHOPS = ("A", "B", "C")
DAY = dt.date(2026, 3, 31)


def drawn(
    rng: np.random.Generator, *, readable: tuple[float, ...], spread: tuple[float, ...]
) -> dict[str, pl.DataFrame]:
    """Three shops of a hundred captures each, with one family they share."""
    captures = pl.DataFrame(
        [
            {
                "capture_file": f"{shop}{MARK}{n}.csv", "test": "relative_compression", "group": f"{shop}{MARK}f",
                "captured_at": dt.datetime(2026, 3, 1) + dt.timedelta(hours=n),
                "status": "read" if rng.random() < share else "unusable", "ch_signals": "battery_voltage",
                "ch_scales": "1" if shop != "C" else "20", "rate_hz": 5000.0 if shop != "C" else 500.0,
            }
            for shop, share in zip(SHOPS, readable, strict=True)
            for n in range(100)
        ]
    )  # fmt: skip
    groups = pl.DataFrame(
        [
            {
                "test": "relative_compression", "group": f"{shop}{MARK}f", "family": "f (4 1-3-4-2)",
                "apart": "in D" if shop == "A" else None,
            }
            for shop in SHOPS
        ]
    )  # fmt: skip
    stats = pl.DataFrame(
        [
            {
                "test": "relative_compression", "measure": "relative_compression", "group": f"{shop}{MARK}f",
                "captures": 100, "spread_pct": sd, "spread_low": sd / 1.15, "spread_high": sd * 1.15, "own_weight": 0.7,
                "shop_weight": 0.2, "drift_element": 2, "drift_pct_per_month": -0.4 if shop == "B" else 0.1,
                "drift_low": -0.6 if shop == "B" else -0.2, "drift_high": -0.2 if shop == "B" else 0.4,
            }
            for shop, sd in zip(SHOPS, spread, strict=True)
        ]
    )  # fmt: skip
    key = ("test", "measure", "group")
    limits = stats.select(*key, threshold_pct=pl.col("spread_pct") * 4.0, source=pl.lit("proposed"))
    proposals = stats.select(
        *key,
        false_alarm_n=pl.lit(40),
        detection_n=pl.lit(6),
        cost_miss=pl.lit(600.0),
        cost_false_alarm=pl.lit(90.0),
    )
    checks = captures.filter(pl.col("capture_file").str.starts_with("C")).select(
        "capture_file", check=pl.lit("low_sample_rate")
    )
    return {
        "captures": captures, "checks": checks, "comparison_groups": groups, "all_group_stats": stats,
        "thresholds_in_force": limits, "all_proposals": proposals,
    }  # fmt: skip


def found(seed: int = 1, **planted: Any) -> ShopsBeside:
    usual: dict[str, Any] = {"readable": (0.9, 0.9, 0.6), "spread": (1.0, 1.0, 1.6)}
    return shops_beside(
        drawn(np.random.default_rng(seed), **usual | planted),
        {"A": (50, 40), "B": (50, 41), "C": (0, 0)},
        DAY,
    )


def test_the_shop_that_differs_is_named_with_its_n_and_interval() -> None:
    beside = found()
    shares = {row["shop"]: row for row in beside.readable.to_dicts()}
    assert (shares["A"]["n"], shares["A"]["others_n"]) == (100, 200)
    assert shares["C"]["low"] < shares["C"]["share"] < shares["C"]["high"] < shares["C"]["others_share"]
    assert shares["C"]["differs"]
    scoped = {row["shop"]: row for row in beside.scoped.to_dicts()}
    assert (scoped["A"]["share"], scoped["A"]["differs"]) == (0.8, False)
    assert (scoped["C"]["share"], scoped["C"]["differs"]) == (None, None)
    assert beside.drift.select("shop", "drift_low", "drift_high").rows() == [("B", -0.6, -0.2)]
    assert dict(beside.drift_looked.iter_rows()) == {"A": 1, "B": 1, "C": 1}
    spread = {row["shop"]: row for row in beside.spread.to_dicts()}
    assert spread["C"]["differs"]
    # C is among the others of A, half of them by weight: 1 / sqrt(1 * 1.6)
    assert spread["A"]["ratio"] == pytest.approx(1.6**-0.5)
    assert spread["C"]["ratio"] == pytest.approx(1.6)
    assert spread["C"]["ratio_low"] < 1.6 < spread["C"]["ratio_high"]
    setup = {row["shop"]: row for row in beside.setup.to_dicts()}
    assert (setup["C"]["rate_hz"], setup["C"]["scales"], setup["C"]["low_sample_rate"]) == (500.0, "20", 1.0)
    assert setup["A"]["low_sample_rate"] == 0.0
    limits = {row["shop"]: row for row in beside.limits.to_dicts()}
    assert "scatter 1.60 times" in limits["C"]["why"]
    assert "40 healthy and 6 odd captures of its own" in limits["C"]["why"]
    assert beside.apart.rows() == [("A", "relative_compression", f"A{MARK}f", "in D")]


def test_two_equal_weights_give_the_interval_worked_out_by_hand() -> None:
    """Log scale: each sd is ln(1.15) / 1.96, the others' mean of two has 1 / sqrt(2) of it; 1.6 against 1."""
    row = found().spread.filter(pl.col("shop") == "C").row(0, named=True)
    sd = np.log(1.15) / 1.959964
    half = 1.959964 * sd * np.sqrt(1.0 + 0.5)
    assert np.log(row["ratio_high"] / row["ratio"]) == pytest.approx(half, rel=1e-5)


def test_shops_that_are_alike_are_hardly_ever_told_apart() -> None:
    """300 drawn groups of three equal shops: at most 5 % of them name anybody (Bonferroni), give or take 2 sd."""
    said = [found(seed, readable=(0.8, 0.8, 0.8)).readable["differs"].any() for seed in range(300)]
    assert np.mean(said) <= 0.05 + 2.0 * np.sqrt(0.05 * 0.95 / 300)


def test_a_limit_somebody_set_and_other_costs_are_said() -> None:
    frames = drawn(np.random.default_rng(1), readable=(0.9, 0.9, 0.9), spread=(1.0, 1.0, 1.0))
    assert set(shops_beside(frames, {}, DAY).limits["why"]) == {""}
    of_a = pl.col("group").str.starts_with("A")
    frames["thresholds_in_force"] = frames["thresholds_in_force"].with_columns(
        threshold_pct=pl.when(of_a).then(9.0).otherwise("threshold_pct"),
        source=pl.when(of_a).then(pl.lit("set")).otherwise("source"),
    )
    frames["all_proposals"] = frames["all_proposals"].with_columns(
        cost_miss=pl.when(of_a).then(500.0).otherwise("cost_miss")
    )
    why = dict(shops_beside(frames, {}, DAY).limits.select("shop", "why").iter_rows())
    assert why["A"].startswith("somebody set it; it was proposed for other costs")
    assert why["B"].startswith("somebody set another elsewhere")


def test_what_stands_out_is_said_first_with_the_hookup_beside_it() -> None:
    said = group.stands_out(found(), jobs=False)
    assert said[0].startswith("**C**: ")
    assert "of its captures could be read" in said[0]
    assert "n = 100" in said[0]
    scatter = next(line for line in said if "scatter" in line)
    assert scatter.startswith(
        "**C**: healthy ones of f (4 1-3-4-2) (Relative compression while cranking) scatter 1.60 (1."
    )
    for sign in (
        "hooked up otherwise there: scales 20",
        "500 samples a second against 5",
        "low sample rate in 100 %",
    ):
        assert sign in scatter
    assert said[-1].startswith("Groups that drift, by shop: B 1;")
    alike = group.stands_out(found(readable=(0.9,) * 3, spread=(1.0,) * 3), jobs=False)
    assert alike[0] == "No shop clearly differs from the others in what is compared here."
    frames = drawn(np.random.default_rng(1), readable=(0.9,) * 3, spread=(1.0,) * 3)
    used = shops_beside(frames, {"A": (50, 10), "B": (50, 45), "C": (50, 44)}, DAY)
    assert any("**A**" in line and "scoped" in line for line in group.stands_out(used, jobs=True))
    assert not any("scoped" in line for line in group.stands_out(used, jobs=False))


def test_a_shop_hooked_up_as_the_others_is_sent_to_its_scope() -> None:
    frames = drawn(np.random.default_rng(1), readable=(0.9,) * 3, spread=(1.0, 1.0, 1.6))
    frames["captures"] = frames["captures"].with_columns(rate_hz=pl.lit(5000.0), ch_scales=pl.lit("1"))
    frames["checks"] = frames["checks"].clear()
    lines = group.stands_out(shops_beside(frames, {}, DAY), jobs=False)
    assert "hooked up there as elsewhere" in next(line for line in lines if "scatter" in line)


def test_what_each_shop_borrowed_is_said_and_makes_one() -> None:
    rows = group.spread_rows(found(), "f (4 1-3-4-2)")
    weights = ["own evidence", "borrowed from the other shops", "from other families"]
    assert rows.select(weights).rows() == [("70 %", "20 %", "10 %")] * 3


def test_of_two_shops_one_says_that_they_differ() -> None:
    frames = drawn(np.random.default_rng(1), readable=(0.9, 0.9, 0.5), spread=(1.0, 1.0, 1.6))
    two = {
        name: rows.filter(
            ~pl.col("group" if "group" in rows.columns else "capture_file").str.starts_with("A")
        )
        for name, rows in frames.items()
    }
    said = group.stands_out(shops_beside(two, {}, DAY), jobs=False)
    for what in ("could be read", "scatter"):
        assert [line[:7] for line in said if what in line] == ["**B**: "], what


@pytest.fixture(scope="module")
def shared(small_warehouse: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("beside") / "group"
    shutil.copytree(small_warehouse, folder, ignore=shutil.ignore_patterns("drop", "demo.json"))
    two_shops(Warehouse(folder))
    fit_warehouse(Warehouse(folder))
    return folder


def test_the_fit_stores_it_and_the_page_says_it(shared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    house = Warehouse(shared)
    stored = load_beside(house)
    assert stored is not None
    used = {}
    for shop in ("North", "South"):
        figures = load_figures(house, shop=shop)
        assert figures is not None
        used[shop] = (figures.adoption.eligible, figures.adoption.scoped)
    again = beside_of(house.frames(BESIDE_FRAMES), used, house.frame("last_day")["last_day"].max())  # type: ignore[arg-type]
    for part in fields(ShopsBeside):
        assert getattr(stored, part.name).equals(getattr(again, part.name)), part.name
    assert stored.spread.height > 0
    assert set(stored.spread["shop"]) == {"North", "South"}
    assert stored.spread["shop_weight"].min() >= 0.0  # type: ignore[operator]
    app = opened(monkeypatch, shared, "group")
    assert_sound(app)
    assert not app.error, [error.value for error in app.error]
    tables = json.dumps([table.value.to_dict() for table in app.dataframe], default=str)
    assert "North" in tables
    assert "South" in tables
    assert "borrowed from the other shops" in tables


def test_one_shop_has_no_such_page(small_warehouse: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert load_beside(Warehouse(small_warehouse)) is None
    app = opened(monkeypatch, small_warehouse, "group")
    assert "There is one shop in sight" in texts(app)


def test_a_trainer_of_one_shop_sees_nothing_of_the_others_beside_it(
    shared: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(WAREHOUSE_VARIABLE, str(shared))
    monkeypatch.setattr(access, "viewer", lambda: viewer_of("T", [Role.TRAINER], shops=["North"]))
    app = opened(monkeypatch, shared, "group")
    assert "South" not in texts(app)
    assert not app.dataframe


def test_a_trainer_of_the_group_is_told_nothing_of_jobs(
    shared: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(access, "viewer", lambda: viewer_of("T", [Role.TRAINER]))
    app = opened(monkeypatch, shared, "group")
    assert_sound(app)
    tables = json.dumps([table.value.to_dict() for table in app.dataframe], default=str)
    assert "captures that could be read" in tables
    assert "jobs scoped" not in tables
