"""An ingest against the bare parse of the same files, and on one process against several, in one run.

    python -m tests.bench.bench_ingest --captures 500 --rows 100000

Peers: `polars.read_csv` of every file, one after the other (nothing hashed, kept, read or stored), and the same
ingest with one worker process. Both cores are in use when the second ratio nears the number of processes.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.intake.ingest import ingest
from pipelines.warehouse.database import Warehouse
from tests.small_shop import FAMILIES, RATE_HZ, crank_voltage, log_row, write_log


def write_drop(drop: Path, captures: int, rows: int) -> int:
    """A drop folder of constructed cranks; returns the bytes of its waveform files."""
    drop.mkdir(parents=True)
    (drop / "engine_families.csv").write_text(FAMILIES, encoding="utf-8")
    rng = np.random.default_rng(1)
    size = 0
    for number in range(captures):
        strengths = tuple(1 + 0.02 * rng.normal(size=4))
        time_s, battery_v, primary_v = crank_voltage(strengths, seconds=rows / RATE_HZ, seed=number)
        frame = pl.DataFrame({"time (s)": time_s, "channel 1 (V)": battery_v, "channel 2 (V)": primary_v})
        path = drop / f"capture-{number:04d}.csv"
        frame.write_csv(path, float_precision=5)
        size += path.stat().st_size
    write_log(drop, *(log_row(f"capture-{number:04d}.csv") for number in range(captures)))
    return size


def timed_ingest(drop: Path, warehouse: Path, jobs: int) -> float:
    """Wall seconds of a first ingest."""
    started = time.perf_counter()
    summary = ingest(drop, Warehouse(warehouse, create=True), jobs=jobs)
    if not summary.clean:
        raise SystemExit(f"the ingest was not clean: {summary.troubles[:3]}")
    return time.perf_counter() - started


def main() -> int:
    """Print wall seconds and ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=500)
    parser.add_argument("--rows", type=int, default=100_000)
    arguments = parser.parse_args()
    processes = len(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory() as folder:
        drop = Path(folder) / "drop"
        size = write_drop(drop, arguments.captures, arguments.rows)
        schema = {"time (s)": pl.Float64, "channel 1 (V)": pl.Float32, "channel 2 (V)": pl.Float32}
        started = time.perf_counter()
        for path in sorted(drop.glob("capture-*.csv")):
            pl.read_csv(path, schema=schema)
        parse_s = time.perf_counter() - started
        one_s = timed_ingest(drop, Path(folder) / "one", 1)
        many_s = timed_ingest(drop, Path(folder) / "many", processes)
    sys.stdout.write(
        f"{arguments.captures} captures of {arguments.rows} rows, {size / 1e6:.0f} MB of text\n"
        f"polars.read_csv alone          {parse_s:7.2f} s\n"
        f"ingest, 1 process              {one_s:7.2f} s   {one_s / parse_s:5.2f} x the parse\n"
        f"ingest, {processes} processes            {many_s:7.2f} s   {many_s / parse_s:5.2f} x the parse, "
        f"{one_s / many_s:4.2f} x faster than 1 process\n"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
