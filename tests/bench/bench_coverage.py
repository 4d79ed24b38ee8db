"""Do the 95 % intervals of normal spread cover 95 %? Many simulated shops, groups with 0 to 30 captures.

Run from the checkout root: `python -m tests.bench.bench_coverage [--shops 200] [--odd 0.25]`.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict

import numpy as np
import polars as pl

from models.spread.fit import fit_groups
from tests.groups_shop import MEASURE, healthy_readings, make_shop, to_median

COUNTS = (0, 1, 3, 10, 30)


def coverage(shops: int, *, odd_share: float, repeats: int = 1, seed: int = 1) -> pl.DataFrame:
    """Share of intervals that hold the truth, by captures in the group.

    Each shop has six groups of 40 captures and one group each of 0, 1, 3, 10 and 30.

    Returns:
        DataFrame(captures, what, covered, n, margin): margin is twice the binomial standard error, with
        shops (not elements) as the unit.
    """
    hits: dict[tuple[int, str], list[float]] = defaultdict(list)
    for shop_at in range(shops):
        rng = np.random.default_rng([seed, shop_at])
        sizes = [4, 6, 8, 4, 5, 6] + [int(rng.choice([3, 4, 5, 6, 8])) for _ in COUNTS]
        shop = make_shop(
            int(rng.integers(1 << 31)),
            [40] * 6 + list(COUNTS),
            odd_share=odd_share,
            repeats=repeats,
            sizes=sizes,
        )
        fit = fit_groups(shop.records, MEASURE)
        for at, count in enumerate(COUNTS):
            truth = shop.truth[f"group-{6 + at}"]
            stat = fit.stats.row(6 + at, named=True)
            hits[count, "spread"].append(float(stat["spread_low"] <= truth.spread_pct <= stat["spread_high"]))
            rows = fit.pattern.filter(pl.col("group") == truth.name).sort("element")
            low, high = rows["low"].to_numpy(), rows["high"].to_numpy()
            hits[count, "pattern"].append(
                float(np.mean((low <= truth.pattern_pct) & (truth.pattern_pct <= high)))
            )
            new = to_median(healthy_readings(rng, truth, 200))
            low, high = rows["predict_low"].to_numpy(), rows["predict_high"].to_numpy()
            hits[count, "new healthy capture"].append(float(np.mean((low <= new) & (new <= high))))
            gap = new - fit.pattern_of(truth.name)
            lowest = gap.min(axis=1)
            rest = np.sort(gap, axis=1)[:, 1:]
            odd = np.median(rest, axis=1) - lowest
            limit = fit.nulls[truth.name].quantile(0.95)
            hits[count, "odd_pct below its 95 % limit"].append(float(np.mean(odd <= limit)))
    rows_out = [
        (count, what, float(np.mean(values)), len(values), 2.0 * float(np.std(values)) / len(values) ** 0.5)
        for (count, what), values in hits.items()
    ]
    return pl.DataFrame(
        rows_out, schema=["captures", "what", "covered", "shops", "margin"], orient="row"
    ).sort("what", "captures")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=200)
    parser.add_argument("--odd", type=float, default=0.25)
    parser.add_argument("--repeats", type=int, default=1)
    chosen = parser.parse_args()
    started = time.perf_counter()
    table = coverage(chosen.shops, odd_share=chosen.odd, repeats=chosen.repeats)
    pl.Config.set_tbl_rows(-1)
    pl.Config.set_float_precision(3)
    print(table.pivot(on="captures", index="what", values="covered"))  # noqa: T201
    print(table.pivot(on="captures", index="what", values="margin"))  # noqa: T201
    print(f"{chosen.shops} shops, {time.perf_counter() - started:.0f} s")  # noqa: T201


if __name__ == "__main__":
    main()
