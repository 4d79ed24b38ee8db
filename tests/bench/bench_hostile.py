"""Fuzzed captures, hostile tables and memory: nothing may end in a fault, and nothing may be dropped in silence.

    python -m tests.bench.bench_hostile --captures 10000 --tables 500

Captures: files of every format, each damaged in one to four random ways, are read as an ingest's worker reads
them; what comes of each is counted. Tables: a good drop folder whose tables are damaged line by line; every line
that was left alone must have landed or be named with its number. Memory: the highest use while one large file of
each format is read, in a process of its own, as a ratio to the file's size (peer: the bytes of the file itself).
"""

from __future__ import annotations

import argparse
import io
import os
import random
import resource
import subprocess
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet as pq
from scipy.io import wavfile

from pipelines.intake.ingest import ingest
from pipelines.intake.work import Assignment, Task, run
from pipelines.kinds import EngineFamily, Hookup
from pipelines.readers import read_waveform
from pipelines.warehouse.database import Warehouse
from tests.small_shop import FAMILIES, RATE_HZ, crank_voltage

OURS = "Shopspread failed"
SNIPPETS = (b'"', b"\xff\xfe", b"\x00", b"\n\n", b"\r", b"nan", b"1e999", b"--", b";", b",", b"\x1a")


def files(seconds: float) -> dict[str, bytes]:
    """One good capture in every format."""
    time_s, battery_v, primary_v = crank_voltage((1, 1, 0.9, 1), seconds=seconds)
    columns = np.column_stack([time_s, battery_v, primary_v])
    found: dict[str, bytes] = {}
    for name, delimiter, comma in (("a.csv", ",", False), ("b.csv", ";", True), ("c.txt", "\t", False)):
        stream = io.StringIO()
        np.savetxt(stream, columns, delimiter=delimiter, fmt="%.6g", header=delimiter.join(
            ["time (s)", "channel 1 (V)", "channel 2 (V)"]), comments="")  # fmt: skip
        text = stream.getvalue()
        found[name] = (text.replace(".", ",") if comma else text).encode()
    table = pa.table({"time (s)": time_s, "a (V)": battery_v, "b (V)": primary_v})
    sink: io.BytesIO
    writers: dict[str, Callable[[io.BytesIO], object]] = {
        "a.parquet": lambda out: pq.write_table(table, out),
        "a.arrow": lambda out: pyarrow.feather.write_feather(table, out, compression="uncompressed"),
        "a.npy": lambda out: np.save(out, columns),
        "a.npz": lambda out: np.savez(out, rate_hz=RATE_HZ, a=battery_v, b=primary_v),
        "a.wav": lambda out: wavfile.write(out, int(RATE_HZ), columns[:, 1:].astype(np.float32) / 400),
    }
    for name, write in writers.items():
        sink = io.BytesIO()
        write(sink)
        found[name] = sink.getvalue()
    return found


def damaged(content: bytes, rng: random.Random) -> bytes:
    """The content after one random accident."""
    data = bytearray(content)
    place, length = rng.randrange(len(data) + 1), rng.randrange(1, 400)
    kind = rng.randrange(9)
    if kind == 0:
        return bytes(data[:place])
    if kind == 1:
        del data[place : place + length]
    elif kind == 2:
        data[place:place] = data[place // 2 : place // 2 + length]
    elif kind == 3:
        data[place:place] = bytes(length)
    elif kind == 4:
        for _ in range(rng.randrange(1, 20)):
            at = rng.randrange(len(data) or 1)
            if at < len(data):
                data[at] ^= 1 << rng.randrange(8)
    elif kind == 5:
        data[place:place] = rng.choice(
            [b'"', b"\xff\xfe", b"\x00", b"\n\n", b"\r", b"nan", b"1e999", b"--", b";", b",", b"\x1a"]
        )
    elif kind == 6:
        data[place:place] = rng.randbytes(length)
    elif kind == 7:
        return bytes(data).replace(b"\n", rng.choice([b"\r\n", b"\r", b"\n\r", b" \n"]))
    else:
        return bytes(data) + bytes(data[place : place + 20_000])
    return bytes(data)


def captures(count: int, seed: int) -> tuple[Counter[str], list[str]]:
    """Read damaged captures as a worker does; outcomes, and faults."""
    rng = random.Random(seed)
    good = files(3.0)
    family = EngineFamily("plain-4", 4, (1, 3, 4, 2), (), "coil_on_plug")
    assignment = Assignment(
        "relative_compression", Hookup(("battery_voltage", "ignition_primary"), (1.0, 1.0), 1), family
    )
    outcomes: Counter[str] = Counter()
    faults = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            name = rng.choice(list(good))
            content = good[name]
            for _ in range(rng.randrange(1, 5)):
                content = damaged(content, rng) or b"x"
            path = Path(folder) / name
            path.write_bytes(content)
            try:
                done = run(Task(name, path, assignment, Path(folder) / "w"))
            except Exception as error:
                faults.append(f"capture {number} of seed {seed}: {type(error).__name__}: {error}")
                continue
            if done.refused is None:
                outcomes[done.reading.status if done.reading else "no reading"] += 1
            else:
                outcomes["refused"] += 1
                if OURS in done.refused or len(done.refused) < 20:
                    faults.append(f"capture {number} of seed {seed}, {name}: {done.refused}")
    return outcomes, faults


ROWS = 40
HEADS = {
    "technicians.csv": "technician,started_on",
    "repair_orders.csv": "repair_order,opened_at,closed_at,technician,vehicle,engine_family,complaint,scope_eligible",
}
MARKS = [
    '"',
    ",",
    ";",
    "\t",
    "'",
    "\u201c",
    "\x00",
    "\x1b",
    "\u202e",
    "0",
    "2062",
    "-",
    "=",
    "\\",
    "  ",
    "\u0430",
    "9" * 300,
]


def row(file: str, n: int) -> str:
    """The n-th good row of a table."""
    if file == "technicians.csv":
        return f"person {n},2025-01-{1 + n % 28:02d}"
    return f"R{n},2026-03-{1 + n % 28:02d},,person {n},v{n},plain-4,misfire,true"


def tables(count: int, seed: int) -> tuple[Counter[str], list[str]]:
    """Ingest folders with damaged tables; lines landed and named, and lines left alone that are neither."""
    rng = random.Random(seed)
    lines: Counter[str] = Counter()
    faults = []
    for number in range(count):
        with tempfile.TemporaryDirectory() as scratch:
            drop = Path(scratch) / "drop"
            drop.mkdir()
            (drop / "engine_families.csv").write_text(FAMILIES)
            touched: dict[str, set[int]] = {}
            for file, head in HEADS.items():
                rows = [row(file, n) for n in range(ROWS)]
                touched[file] = set(rng.sample(range(ROWS), rng.randrange(0, 8)))
                for n in touched[file]:
                    at = rng.randrange(len(rows[n]) + 1)
                    rows[n] = rows[n][:at] + rng.choice(MARKS) + rows[n][at + rng.randrange(3) :]
                end = rng.choice(["\n", "\n", "", "\n\n\n"])
                encoding = rng.choice(["utf-8", "utf-8-sig", "utf-16", "utf-8"])
                text = "\n".join([head, *rows]) + end
                (drop / file).write_bytes(text.encode(encoding, errors="replace"))
            if rng.random() < 0.5:
                os.mkfifo(drop / "pipe.csv")
                (drop / "gone.csv").symlink_to("nowhere")
            house = Warehouse(Path(scratch) / "w", create=True)
            try:
                summary = ingest(drop, house, jobs=1)
            except Exception as error:
                faults.append(f"folder {number} of seed {seed}: {type(error).__name__}: {error}")
                continue
            landed = {
                "technicians.csv": set(house.frame("technicians")["technician"]),
                "repair_orders.csv": set(house.frame("orders")["repair_order"]),
            }
            named = {trouble.what for trouble in summary.troubles}
            for file in HEADS:
                for n in set(range(ROWS)) - touched[file]:
                    key = row(file, n).split(",")[0]
                    if key in landed[file]:
                        lines["landed"] += 1
                    elif f"{file}, line {n + 2}" in named or file in named:
                        lines["named"] += 1
                    else:
                        faults.append(f"folder {number} of seed {seed}: {file}, line {n + 2} is nowhere")
                lines["damaged"] += len(touched[file])
    return lines, faults


def memory(megabytes: int) -> list[tuple[str, float, float]]:
    """For one large file of each format: MB of the file, and the highest memory while it is read, as a ratio."""
    found = []
    small = files(3.0)
    for name, content in small.items():
        seconds = min(590.0, 3e6 * megabytes / len(content))
        with tempfile.TemporaryDirectory() as folder:
            path, warm = Path(folder) / name, Path(folder) / f"warm-{name}"
            path.write_bytes(files(seconds)[name])
            warm.write_bytes(content)
            # A process of its own: one that has held large things keeps their room, and shows no peak.
            words = [sys.executable, "-m", "tests.bench.bench_hostile", "--measure", str(path), str(warm)]
            used = float(subprocess.run(words, capture_output=True, text=True, check=True).stdout)
            size = path.stat().st_size
            found.append((name, size / 1e6, used / size))
    return found


def measure(path: Path, warm: Path) -> float:
    """Bytes by which the highest memory rises while a file is read, after a small one like it (Linux: proc(5))."""
    read_waveform(warm)
    Path("/proc/self/clear_refs").write_text("5")
    before = _peak_kb()
    read_waveform(path)
    return 1024.0 * (_peak_kb() - before)


def _peak_kb() -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1])
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def main() -> int:
    """Print outcomes, faults and ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=10_000)
    parser.add_argument("--tables", type=int, default=500)
    parser.add_argument("--megabytes", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--measure", nargs=2, type=Path, default=None, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.measure:
        sys.stdout.write(f"{measure(*arguments.measure)}")
        return 0
    say = sys.stdout.write
    warnings.simplefilter("ignore")  # of the libraries, about numbers that fuzz made too large
    for name, size, ratio in memory(arguments.megabytes):
        say(f"memory   {name:10s} {size:6.1f} MB file, peak {ratio:5.1f} x the file\n")
    outcomes, faults = captures(arguments.captures, arguments.seed)
    say(f"captures {sum(outcomes.values())}: {dict(outcomes)}\n")
    lines, more = tables(arguments.tables, arguments.seed)
    say(f"tables   {arguments.tables} folders: {dict(lines)} lines\n")
    faults += more
    say(f"faults   {len(faults)}\n" + "".join(f"  {fault}\n" for fault in faults[:20]))
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
