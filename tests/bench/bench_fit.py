"""Fit and report of one shop copied n times: seconds and peak memory, beside DuckDB handing over the same frames.

    python -m tests.bench.bench_fit [--copies 100] [--warehouse FOLDER]

The copies get other names of captures, vehicles and orders and are made in SQL, so that a million captures need no
waveform. Each figure is of a process of its own. The named peer is DuckDB reading the frames a fit starts from
(captures, elements, features) into polars and holding them: no fit can do with less.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb

from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.opening import STORAGE_VERSION

WHOLE = ("engine_family", "technician", "drill", "coaching", "setting", "intake_log")
COPIED = (
    "capture_state", "capture_log", "element_reading", "feature", "setup_check", "repair_order", "outcome",
)  # fmt: skip
RENAMED = {"capture_file", "repair_order", "vehicle", "comeback_of"}


def copied_shop(source: Path, folder: Path, copies: int, *, more: tuple[str, ...] = ()) -> None:
    """Write what the shop of one warehouse recorded, `copies` times under other names, into a new warehouse.

    Args:
        more: further tables to copy: what only pages look at.
    """
    target = Warehouse(folder, create=True).database
    with duckdb.connect() as connection:
        connection.execute("SET preserve_insertion_order = false")
        connection.execute(f"ATTACH '{source}' AS one (READ_ONLY)")
        connection.execute(f"ATTACH '{target}' AS many (STORAGE_VERSION '{STORAGE_VERSION}')")
        for table in WHOLE:
            connection.execute(f"INSERT INTO many.{table} BY NAME SELECT * FROM one.{table}")
        for table in (*COPIED, *more):
            columns = connection.sql(f"SELECT * FROM one.{table} LIMIT 0").columns
            chosen = ", ".join(
                f'copy || \'/\' || "{name}" AS "{name}"' if name in RENAMED else f'"{name}"'
                for name in columns
            )
            connection.execute(
                f"INSERT INTO many.{table} BY NAME SELECT {chosen} FROM one.{table}, "
                f"(SELECT lpad(CAST(range AS VARCHAR), 5, '0') AS copy FROM range({copies}))"
            )


def small_shop(folder: Path) -> Path:
    """A database of some sixty captures of the invented shop."""
    from demo_warehouse import build
    from pipelines.intake.ingest import ingest

    build(folder, captures=60, jobs=1)
    house = Warehouse(folder, create=True)
    ingest(folder / "drop", house, jobs=1)
    return house.database


def fit(house: Warehouse) -> None:
    """All of `shopspread fit`, storing the people's figures included."""
    from pipelines.fit.run import fit_warehouse

    fit_warehouse(house)


def report(house: Warehouse) -> None:
    """`shopspread report`, of the newest day."""
    from pipelines.reports.report import build_report

    build_report(house)


def frames(house: Warehouse) -> None:
    """The peer: DuckDB hands the frames over, and they are held."""
    house.frames(("captures", "elements", "features"))


WORK: dict[str, Callable[[Warehouse], None]] = {"frames": frames, "fit": fit, "report": report}


def measured(name: str, folder: Path) -> tuple[float, float]:
    """Seconds and peak GiB of one piece of work in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.bench_fit", "--warehouse", str(folder), "--work", name],
        capture_output=True,
        text=True,
        check=True,
    )
    seconds, peak_gib = done.stdout.split()
    return float(seconds), float(peak_gib)


def work(name: str, folder: Path) -> None:
    """Do one piece of work and print its seconds and this process's peak memory."""
    house = Warehouse(folder)
    started = time.perf_counter()
    WORK[name](house)
    seconds = time.perf_counter() - started
    # Linux says kilobytes, macOS bytes.
    unit = 2**30 if sys.platform == "darwin" else 2**20
    print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit)  # noqa: T201


def main() -> None:
    """Copy, measure, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--copies", type=int, default=100)
    parser.add_argument("--warehouse", type=Path, help="a warehouse to copy; default: a small invented shop")
    parser.add_argument("--work", choices=WORK, help="only this, on the warehouse as it is")
    chosen = parser.parse_args()
    if chosen.work:
        work(chosen.work, chosen.warehouse)
        return
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        if chosen.warehouse:
            source = Path(shutil.copy(Warehouse(chosen.warehouse).database, place / "given.duckdb"))
        else:
            source = small_shop(place / "one")
        copied_shop(source, place / "many", chosen.copies)
        taken = {one: measured(one, place / "many") for one in WORK}
    peer_s, peer_gib = taken["frames"]
    for one, (seconds, peak_gib) in taken.items():
        print(  # noqa: T201
            f"{one}: {seconds:.1f} s ({seconds / peer_s:.1f} of the frames' time), peak {peak_gib:.2f} GiB "
            f"({peak_gib / peer_gib:.2f} of theirs)"
        )


if __name__ == "__main__":
    main()
