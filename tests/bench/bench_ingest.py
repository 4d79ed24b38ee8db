"""An ingest against the bare parse of the same files, and on one process against several, in one run.

    python -m tests.bench.bench_ingest --captures 500 --rows 100000

Peers: `polars.read_csv` of every file, one after the other (nothing hashed, kept, read or stored), and the same
ingest with one worker process. Both cores are in use when the second ratio nears the number of processes. Parse and
ingests take turns, `--rounds` times, and the medians count, so that other work on the machine meets all of them;
seconds of processor time, workers included, are printed beside those of the clock.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
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


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of the clock and of the processor, workers that ended included."""
    before, started = _processor_s(), time.perf_counter()
    work()
    return time.perf_counter() - started, _processor_s() - before


def _processor_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def parse(drop: Path) -> None:
    """The bare parse of every file."""
    schema = {"time (s)": pl.Float64, "channel 1 (V)": pl.Float32, "channel 2 (V)": pl.Float32}
    for path in sorted(drop.glob("capture-*.csv")):
        pl.read_csv(path, schema=schema)


def first_ingest(drop: Path, warehouse: Path, jobs: int) -> None:
    """Ingest into a new warehouse."""
    summary = ingest(drop, Warehouse(warehouse, create=True), jobs=jobs)
    shutil.rmtree(warehouse)
    if not summary.clean:
        raise SystemExit(f"the ingest was not clean: {summary.troubles[:3]}")


def main() -> int:
    """Print seconds and ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=500)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    processes = len(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory() as folder:
        drop, house = Path(folder) / "drop", Path(folder) / "house"
        size = write_drop(drop, arguments.captures, arguments.rows)
        ways: dict[str, Callable[[], object]] = {
            "polars.read_csv alone": lambda: parse(drop),
            "ingest, 1 process": lambda: first_ingest(drop, house, 1),
            f"ingest, {processes} processes": lambda: first_ingest(drop, house, processes),
        }
        taken = {name: [timed(work)] for name, work in ways.items()}
        for _ in range(1, arguments.rounds):
            for name, work in ways.items():
                taken[name].append(timed(work))
    sys.stdout.write(f"{arguments.captures} captures of {arguments.rows} rows, {size / 1e6:.0f} MB of text\n")
    clock_s, processor_s = (
        np.median([[run[k] for run in runs] for runs in taken.values()], axis=1) for k in (0, 1)
    )
    for name, wall, used in zip(taken, clock_s, processor_s, strict=True):
        sys.stdout.write(
            f"{name:24s} {wall:8.2f} s by the clock {wall / clock_s[0]:6.2f} x the parse; {used:8.2f} s of processor "
            f"{used / processor_s[0]:6.2f} x\n"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
