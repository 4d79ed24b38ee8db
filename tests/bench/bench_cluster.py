"""Extraction on a cluster whose workers are killed all the while, against one worker that nobody disturbs.

    PYTHONPATH=<where DuckLake's packages are> python -m tests.bench.bench_cluster --captures 120 --kills 12

Captures of the invented shop go through `ingest --on` with four worker processes into a warehouse in PostgreSQL and
a shared folder (a DuckDB file where there is no PostgreSQL); every few captures a worker is ended with SIGKILL.
Printed: captures lost, doubled in the log or in a table, whether every element equals the undisturbed ingest's, and
what a capture costs in seconds of a processor and in bytes, from which a plan for many shops is made. Peer: one
undisturbed process.
"""

# ruff: noqa: T201
from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path

import psutil

from demo_warehouse import build
from pipelines.fit.run import fit_warehouse
from pipelines.intake.ingest import ingest
from pipelines.warehouse import keys
from pipelines.warehouse.database import Warehouse
from tests.throw_away_postgres import cluster, missing, new_shared


def bytes_below(folder: Path) -> int:
    """Size of every file below a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def disturbed(drop: Path, house: Warehouse, workers: int, kills: int, seed: int) -> tuple[float, int]:
    """Ingest on a cluster, killing workers; seconds taken and kills done."""
    rng, killed = random.Random(seed), 0

    def kill(done: int, of: int) -> None:
        nonlocal killed
        if killed < kills and done * kills >= (killed + 1) * of * 0.8:
            alive = [one for one in psutil.Process().children() if "spawn_main" in " ".join(one.cmdline())]
            if alive:
                rng.choice(alive).kill()
                killed += 1

    started = time.perf_counter()
    ingest(drop, house, on=f"dask://local/{workers}", progress=kill)
    return time.perf_counter() - started, killed


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--captures", type=int, default=120)
    parser.add_argument("--workers", type=int, default=4)
    parser.add_argument("--kills", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with ExitStack() as stack:
        root = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        build(root / "shop", captures=given.captures, jobs=1)
        drop = root / "shop" / "drop"
        alone = Warehouse(root / "alone", create=True)
        cpu, wall = time.process_time(), time.perf_counter()
        summary = ingest(drop, alone, jobs=1)
        cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
        captures = summary.worked_on
        print(f"one undisturbed process: {captures} captures, {captures / wall:.1f} a second")
        print(f"  {cpu / captures:.3f} s of a processor a capture, read and landed")
        fit_cpu = time.process_time()
        fit_warehouse(alone)
        print(
            f"  {(time.process_time() - fit_cpu) / captures:.3f} s more a capture for one fit of all of them"
        )
        print(f"  {bytes_below(alone.waveforms) / captures / 1e3:.1f} kB a capture of waveforms")
        print(f"  {bytes_below(drop) / captures / 1e3:.1f} kB a capture as dropped")
        if why := missing():
            print(f"no PostgreSQL, a DuckDB file instead: {why}")
            place = root / "cluster"
        else:
            place = new_shared(stack.enter_context(cluster()), "bench", root / "shared")
        house = Warehouse(place, create=True)
        wall, kills = disturbed(drop, house, given.workers, given.kills, given.seed)
        with house.reading() as connection:
            doubles = keys.doubled(connection)
        log = house.frame("intake_log", {"rows": 10**6}).filter(subject="waveform", action="added")
        twice = [name for name, times in Counter(log["key"]).items() if times > 1]
        want, have = (one.frames(("elements", "features", "checks")) for one in (alone, house))
        lost = set(alone.frame("captures")["capture_file"]) - set(house.frame("captures")["capture_file"])
        equal = all(want[name].equals(have[name]) for name in want)
        print(f"{given.workers} workers, {kills} killed: {captures / wall:.1f} a second")
        print(
            f"  lost {len(lost)}, logged twice {len(twice)}, doubled keys {doubles}, equal to undisturbed: {equal}"
        )
        if not missing():
            print(
                f"  {bytes_below(house.database.parent / 'tables') / captures / 1e3:.1f} kB a capture of tables"
            )


if __name__ == "__main__":
    main()
