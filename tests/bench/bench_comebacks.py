"""How often the comeback intervals hold the truth, over simulated shops whose harder jobs are scoped more.

    python tests/bench/bench_comebacks.py [--shops 100] [--orders 1500] [--seed 2000] [--peer]

Prints coverage of the adjusted and of the crude 95 % interval, bias, and the time a shop takes. `--peer`
also times the usual road with statsmodels on one shop (GLM standardisation, 200 bootstrap resamples) and
prints the ratio.
"""

from __future__ import annotations

import argparse
import sys
import time
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import statsmodels.api as sm

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from models.jobs.comebacks import comebacks
from models.jobs.returns import covariates, watched_orders
from models.records.people_settings import as_moment
from tests.simulated_shop import Comebacks, comeback_shop

AS_OF = date(2026, 1, 5)


def bootstrap_with_statsmodels(
    shop: Comebacks, *, resamples: int = 200, window: int = 30
) -> tuple[float, float]:
    """95 % interval of the standardised difference as it is usually had: refit, resample, repeat."""
    watched = watched_orders(shop.shop, as_moment(AS_OF))
    age = (pl.lit(as_moment(AS_OF)) - pl.col("closed_at")).dt.total_days()
    watched = watched.filter(age >= window)
    design = covariates(watched)
    x = design.x[design.cell]
    a = watched["scoped"].to_numpy().astype(float)
    y = (watched["returned"] & (watched["days"] <= window)).to_numpy().astype(float)
    rng = np.random.default_rng(0)
    found = []
    for _ in range(resamples):
        rows = rng.integers(0, y.size, y.size)
        fit = sm.GLM(y[rows], np.column_stack([x[rows], a[rows]]), family=sm.families.Binomial()).fit()
        one = fit.predict(np.column_stack([x[rows], np.ones(y.size)]))
        none = fit.predict(np.column_stack([x[rows], np.zeros(y.size)]))
        found.append(float(np.mean(one - none)))
    low, high = np.quantile(found, [0.025, 0.975])
    return float(low), float(high)


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shops", type=int, default=100)
    parser.add_argument("--orders", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=2000)
    parser.add_argument("--peer", action="store_true")
    chosen = parser.parse_args()
    errors: list[tuple[float, bool]] = []
    crude_errors: list[tuple[float, bool]] = []
    seconds = []
    for i in range(chosen.shops):
        shop = comeback_shop(chosen.seed + i, orders=chosen.orders)
        begin = time.perf_counter()
        result = comebacks(shop.shop, as_of=AS_OF)
        seconds.append(time.perf_counter() - begin)
        for estimate, into in (
            (result.adjusted.risk_difference, errors),
            (result.crude.risk_difference, crude_errors),
        ):
            if estimate.estimate is None or estimate.low is None or estimate.high is None:
                raise SystemExit(f"shop {i}: no figure ({estimate.why})")
            into.append((estimate.estimate - shop.truth, estimate.low <= shop.truth <= estimate.high))
    held, crude_held = sum(h for _, h in errors), sum(h for _, h in crude_errors)
    print(f"{chosen.shops} shops of {chosen.orders} orders, seeds from {chosen.seed}")  # noqa: T201
    print(f"adjusted interval holds the truth in {held}, crude in {crude_held}")  # noqa: T201
    bias = [100 * float(np.mean([e for e, _ in part])) for part in (errors, crude_errors)]
    print(f"mean error: adjusted {bias[0]:+.2f} points, crude {bias[1]:+.2f} points")  # noqa: T201
    print(f"median {1000 * float(np.median(seconds)):.0f} ms a shop, everything on the page included")  # noqa: T201
    if chosen.peer:
        shop = comeback_shop(chosen.seed, orders=chosen.orders)
        begin = time.perf_counter()
        bootstrap_with_statsmodels(shop)
        peer = time.perf_counter() - begin
        print(f"statsmodels GLM, 200 resamples: {peer:.1f} s, ratio {peer / float(np.median(seconds)):.0f}")  # noqa: T201


if __name__ == "__main__":
    main()
