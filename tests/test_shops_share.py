"""The same engine family in several shops: its normal spread is shared, and what only bears its name is not."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.records import schemas
from models.records.shops import MARK
from models.spread.fit import fit_groups
from models.spread.posterior import fit_posteriors, group_sums
from pipelines.kinds import kinds
from pipelines.warehouse.shop import comparison_groups
from tests.groups_shop import MEASURE
from tests.shop_in_warehouse import drawn

FAMILIES = {
    f"North{MARK}a": ("1-3-4-2", ""), f"South{MARK}a": ("1-3-4-2", ""), "a": ("1-3-4-2", ""),
    f"North{MARK}b": ("1-3-4-2", ""), f"South{MARK}b": ("1-2-4-3", ""), "c": ("1-3-4-2", ""),
}  # fmt: skip


def groups_of(families: dict[str, tuple[str, str]], components: dict[str, int]) -> pl.DataFrame:
    rows = [(name, 4, order, gaps, "coil_on_plug") for name, (order, gaps) in families.items()]
    names = ("engine_family", "cylinders", "firing_order", "firing_intervals_deg", "sync_kind")
    logged = [("relative_compression", name, name, None) for name in families]
    logged += [("fuel_pump_current", name, None, name) for name in components]
    return comparison_groups(
        pl.DataFrame(rows, schema=names, orient="row"),
        pl.DataFrame(logged, schema=("test", "group", "engine_family", "component"), orient="row"),
        pl.DataFrame(
            [("fuel_pump_current", name, count) for name, count in components.items()],
            schema={"test": pl.String, "group": pl.String, "elements": pl.Int64},
            orient="row",
        ),
    )


def test_one_name_and_one_definition_are_one_family_and_another_definition_is_named() -> None:
    pumps = {f"North{MARK}p": 8, f"South{MARK}p": 8, f"North{MARK}q": 8, f"South{MARK}q": 7}
    found = groups_of(FAMILIES, pumps)
    engines = {row["group"]: row for row in found.filter(test="relative_compression").to_dicts()}
    assert len({engines[name]["family"] for name in (f"North{MARK}a", f"South{MARK}a", "a")}) == 1
    assert engines["a"]["family"] == "a (4 1-3-4-2 coil_on_plug)"
    assert engines["a"]["apart"] is None
    assert [engines[f"{shop}{MARK}b"]["family"] for shop in ("North", "South")] == [None, None]
    assert [engines[f"{shop}{MARK}b"]["apart"] for shop in ("North", "South")] == ["in South", "in North"]
    assert (engines["c"]["family"], engines["c"]["apart"]) == (None, None)
    parts = {row["group"]: row for row in found.filter(test="fuel_pump_current").to_dicts()}
    assert parts[f"North{MARK}p"]["family"] == parts[f"South{MARK}p"]["family"] is not None
    assert parts[f"North{MARK}q"]["family"] is None
    assert parts[f"North{MARK}q"]["apart"] == "in South"
    assert "relative_compression" in kinds()


def sums(spread: float, vehicles: int, seed: int) -> object:
    rng = np.random.default_rng(seed)
    level = rng.normal(0.0, spread, (vehicles, 4))
    level -= level.mean(axis=1, keepdims=True)
    return group_sums(level, np.full((vehicles, 4), 0.3), np.ones(vehicles), np.arange(vehicles))


def test_a_thin_shop_borrows_from_the_same_family_elsewhere_and_the_shares_make_one() -> None:
    of = [sums(0.6, 60, 1), sums(0.6, 2, 2), sums(0.6, 40, 5), sums(2.2, 60, 3), sums(2.0, 60, 4)]
    stratum = np.zeros(5, dtype=np.int64)
    alone = fit_posteriors(of, stratum)  # type: ignore[arg-type]
    shared = fit_posteriors(of, stratum, family=np.array([0, 0, 0, 1, 2]))  # type: ignore[arg-type]
    thin, before = shared[1], alone[1]
    assert thin.shop_weight > 0.2
    assert before.shop_weight == 0.0
    assert 0.0 <= thin.own_weight + thin.shop_weight <= 1.0
    # nearer to what the family's other shops say, and surer of it
    assert abs(np.log(thin.sigma_quantile(0.5) / 0.6)) < abs(np.log(before.sigma_quantile(0.5) / 0.6))
    assert thin.sigma_quantile(0.975) / thin.sigma_quantile(0.025) < 0.7 * (
        before.sigma_quantile(0.975) / before.sigma_quantile(0.025)
    )
    assert shared[3].shop_weight == 0.0  # a family of one shop
    # a shop with much of its own hardly borrows
    assert shared[0].own_weight > 0.8
    assert shared[0].shop_weight < 0.1


def test_without_shops_every_figure_is_the_one_it_was() -> None:
    shop = drawn().records
    assert shop.groups["family"].null_count() == shop.groups.height
    plain = fit_groups(shop, MEASURE)
    named = fit_groups(
        shop.with_frames(groups=shop.groups.with_columns(family=pl.col("group"))), MEASURE
    )  # each alone in its family
    for column in plain.stats.columns:
        if column not in ("shop_weight", "why"):
            assert plain.stats[column].equals(named.stats[column]), column
    assert plain.stats["shop_weight"].null_count() == plain.stats.height
    assert named.stats["shop_weight"].to_list() == [0.0] * named.stats.height


def test_the_fit_says_how_much_comes_from_other_shops() -> None:
    shop = drawn().records
    first, second, third = shop.groups["group"].to_list()[0], shop.groups["group"].to_list()[2], "group-3"
    family = pl.when(pl.col("group").is_in([first, second])).then(pl.lit("f")).otherwise(pl.col("family"))
    apart = pl.when(pl.col("group") == third).then(pl.lit("in South"))
    groups = shop.groups.with_columns(family=family, apart=apart)
    alike = groups.filter(pl.col("group").is_in([first, second]))
    assert alike["elements"].n_unique() == 1
    found = fit_groups(shop.with_frames(groups=groups), MEASURE)
    stats = {row["group"]: row for row in found.stats.to_dicts()}
    assert stats[first]["shop_weight"] > 0.0
    assert "in other shops" in stats[first]["why"]
    assert stats[third]["shop_weight"] is None
    assert "Nothing is borrowed from what bears this name in South" in stats[third]["why"]
    assert schemas.GROUPS.types.names()[-2:] == ["family", "apart"]
    with pytest.raises(KeyError):
        stats["nobody"]
