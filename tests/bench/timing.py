"""Wall times of several calls on one machine."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

RUNS = 25


def taken_ms(*calls: Callable[[], object], runs: int = RUNS) -> list[float]:
    """Median wall time of each call in ms; they take turns, so that all see the same machine."""
    taken: list[list[float]] = [[] for _ in calls]
    for _ in range(runs + 1):
        for call, times in zip(calls, taken, strict=True):
            start = time.perf_counter()
            call()
            times.append(1e3 * (time.perf_counter() - start))
    return [statistics.median(times[1:]) for times in taken]
