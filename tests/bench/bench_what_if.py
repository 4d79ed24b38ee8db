"""Moving every limit over 100,000 captures: time, and the ratio to a plain polars filter in the same run.

Run from the checkout root: `python -m tests.bench.bench_what_if`. The goal is 200 ms for the whole history.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import polars as pl

from models.thresholds.whatif import what_if

CAPTURES = 100_000
GROUPS = 40


def best_ms(work: Callable[[], object], rounds: int = 15) -> float:
    """Shortest of some rounds, in ms, after one to warm up."""
    work()
    times = []
    for _ in range(rounds):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return 1000.0 * min(times)


def measure() -> tuple[float, float]:
    """Time of the what-if and of its peer, in ms."""
    rng = np.random.default_rng(1)
    odd = rng.gamma(2.0, 1.5, CAPTURES)
    group = rng.integers(0, GROUPS, CAPTURES)
    before, after = rng.uniform(4, 8, GROUPS), rng.uniform(4, 8, GROUPS)
    confirmed = rng.choice([-1, 0, 1], CAPTURES, p=[0.1, 0.8, 0.1])
    frame = pl.DataFrame({"odd": odd, "group": group, "confirmed": confirmed})
    limits = pl.DataFrame({"group": np.arange(GROUPS), "before": before, "after": after})

    def peer() -> pl.DataFrame:
        joined = frame.join(limits, on="group").with_columns(
            was=pl.col("odd") >= pl.col("before"), now=pl.col("odd") >= pl.col("after")
        )
        joined.filter(pl.col("was") != pl.col("now"))
        return joined.group_by("group").agg(pl.col("was").sum(), pl.col("now").sum())

    ours = what_if(odd, group, after, before, confirmed)
    assert ours.flagged_after.sum() == peer()["now"].sum()
    return best_ms(lambda: what_if(odd, group, after, before, confirmed)), best_ms(peer)


def main() -> None:
    """Measure and print."""
    mine, theirs = measure()
    print(  # noqa: T201
        f"what-if over {CAPTURES} captures: {mine:.1f} ms; polars join, filter and group: {theirs:.1f} ms; "
        f"ratio {mine / theirs:.2f}"
    )


if __name__ == "__main__":
    main()
