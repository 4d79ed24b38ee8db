"""How long reading a capture takes, against polars parsing the same text and against the two simple methods.

The reading starts from samples in memory; parsing is what polars `read_csv` needs with explicit types and nothing to
sniff. The goal is a ratio of at most 2 on a file of 400,000 rows. Accuracy per kind of capture, with the same two
methods beside it, is in `bench_accuracy.py`. Run from the checkout:

    python -m tests.bench.bench_reader
"""

# ruff: noqa: T201
from __future__ import annotations

import io
import statistics
import time
from collections.abc import Callable

import numpy as np
import polars as pl

from pipelines.kinds import kind
from tests.bench.baselines import dips_by_sync, local_extremes_line
from tests.constructed_crank import Scope, capture, crank, family

RUNS = 15


def taken_ms(*calls: Callable[[], object]) -> list[float]:
    """Median wall time of each call in ms; they take turns, so that all see the same machine."""
    taken: list[list[float]] = [[] for _ in calls]
    for _ in range(RUNS + 1):
        for call, times in zip(calls, taken, strict=True):
            start = time.perf_counter()
            call()
            times.append(1e3 * (time.perf_counter() - start))
    return [statistics.median(times[1:]) for times in taken]


def main() -> None:
    """Print one row a record size."""
    reader = kind("relative_compression")
    if reader is None:
        raise SystemExit("the test kind relative_compression is missing")
    engine = crank(family(6), np.array([1.0, 1.0, 0.7, 1.0, 1.0, 1.0]), crank_s=8.0, scatter=0.005)
    print("rows      parse ms  read ms  ratio  dips ms  line ms")
    for rate_hz in (2_000.0, 5_000.0, 20_000.0, 40_000.0, 200_000.0):
        wave, hookup, fam = capture(engine, Scope(rate_hz=rate_hz))
        rows = wave.samples.shape[1]
        frame = pl.DataFrame({"t": np.arange(rows) / rate_hz, "a": wave.samples[0], "b": wave.samples[1]})
        buffer = io.BytesIO()
        frame.write_csv(buffer, float_precision=5)
        text = buffer.getvalue()
        types = {"t": pl.Float64, "a": pl.Float32, "b": pl.Float32}

        def parse(text: bytes = text, types: dict[str, type[pl.DataType]] = types) -> object:
            return pl.read_csv(text, schema=types)

        parse_ms, read_ms, dips_ms, line_ms = taken_ms(
            parse,
            lambda w=wave, h=hookup, f=fam: reader.read(w, h, f),
            lambda w=wave, h=hookup, f=fam: dips_by_sync(w, h, f),
            lambda w=wave, h=hookup, f=fam: local_extremes_line(w, h, f),
        )
        print(
            f"{rows:<9} {parse_ms:8.1f} {read_ms:8.1f} {read_ms / parse_ms:6.2f} {dips_ms:8.1f} {line_ms:8.1f}"
        )


if __name__ == "__main__":
    main()
