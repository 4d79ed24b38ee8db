"""Of the captures named in a week, how many were healthy? Against the rate asked for.

Run from the checkout root: `python -m tests.bench.bench_fdr [--shops 20]`. Whole shops go through the fit:
p-values of `odd_pct` and of the isolation forest, then Benjamini-Hochberg within each week.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import polars as pl

from models.outliers.discoveries import weekly_discoveries
from models.outliers.forest import fit_forest
from models.spread.fit import fit_groups, score_captures
from tests.groups_shop import MEASURE, TEST, make_shop

ODD_SHARE = 0.1


def false_discoveries(shops: int, per_group: int, known_good_share: float, *, seed: int = 1) -> pl.DataFrame:
    """One row a shop, score and q: share of healthy captures among those named (0 where none is), and power.

    Returns:
        DataFrame(score, q, fdr, power, named, reachable, bound): `bound` is pi0 * q.
    """
    rows = []
    for at in range(shops):
        shop = make_shop(
            seed * 1000 + at, [per_group] * 8, odd_share=ODD_SHARE, known_good_share=known_good_share
        )
        fit = fit_groups(shop.records, MEASURE)
        scores = score_captures(fit, shop.records)
        forest = fit_forest(shop.records, {TEST: scores}, {TEST: fit}, {}).scores
        table = (
            shop.records.captures.join(
                scores.captures.select("capture_file", "p_value", "p_floor"), on="capture_file"
            )
            .join(forest.select("capture_file", "outlier_p", "calibration_n"), on="capture_file")
            .filter(pl.col("purpose") == "diagnosis")
            .with_columns(week=pl.col("captured_at").dt.truncate("1w").dt.date())
        )
        odd = shop.is_odd(table["capture_file"])
        sizes = {
            "odd_pct": (1.0 / table["p_floor"] - 1.0).round().cast(pl.Int64).to_list(),
            "isolation forest": table["calibration_n"].to_list(),
        }
        for score, column in (("odd_pct", "p_value"), ("isolation forest", "outlier_p")):
            for q in (0.05, 0.1, 0.2):
                found = weekly_discoveries(
                    table[column].to_list(), table["week"].to_list(), q, calibration_n=sizes[score]
                )
                named = found["discovery"].to_numpy()
                by_week = [
                    float((named & ~odd & week).sum() / max((named & week).sum(), 1))
                    for week in (table["week"].to_numpy() == day for day in table["week"].unique().to_numpy())
                ]
                rows.append(
                    {
                        "score": score,
                        "q": q,
                        "fdr": float(np.mean(by_week)),
                        "power": float(named[odd].mean()),
                        "named": int(named.sum()),
                        "reachable": float(found["reachable"].mean()),  # type: ignore[arg-type]
                        "bound": q * float(np.mean(~odd)),
                    }
                )
    return pl.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=20)
    chosen = parser.parse_args()
    pl.Config.set_tbl_rows(-1)
    pl.Config.set_float_precision(3)
    for per_group, share in ((25, 0.0), (25, 0.5), (75, 0.5), (250, 0.5)):
        started = time.perf_counter()
        table = false_discoveries(chosen.shops, per_group, share)
        summary = (
            table.group_by("score", "q", maintain_order=True)
            .agg(
                pl.col("fdr").mean(),
                margin=2.0 * pl.col("fdr").std() / pl.len().sqrt(),
                bound=pl.col("bound").mean(),
                power=pl.col("power").mean(),
                reachable=pl.col("reachable").mean(),
            )
            .sort("score", "q")
        )
        print(f"{per_group} captures a group, {share:.0%} of the healthy ones known good")  # noqa: T201
        print(summary, f"{time.perf_counter() - started:.0f} s")  # noqa: T201


if __name__ == "__main__":
    main()
