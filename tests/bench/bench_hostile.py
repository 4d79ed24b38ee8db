"""Fuzzed captures, hostile tables and folders, and memory: nothing may end in a fault or be dropped in silence.

    python -m tests.bench.bench_hostile --captures 10000 --tables 500

Captures: files of every format, each damaged in one to four random ways, are read as an ingest's worker reads
them; what comes of each is counted. Folders: good tables are damaged line by line, beside odd entries; every line
that was left alone must have landed with its values or be named with its number, every odd entry must be named,
every good capture must have landed. Memory: the highest use while one large file of each format is read, in a
process of its own, as a ratio to the file's size (unzipped, where it is zipped; peer: the bytes themselves), and
while a small file is refused that states far more than it holds.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import subprocess
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from pipelines.errors import UnreadableFile
from pipelines.intake.folder import printable
from pipelines.intake.ingest import ingest
from pipelines.intake.summary import IntakeSummary
from pipelines.intake.table_specs import COACHED
from pipelines.intake.work import Assignment, Task, run
from pipelines.kinds import EngineFamily, Hookup
from pipelines.readers import read_waveform
from pipelines.source import UNZIPPED_BYTES
from pipelines.warehouse.database import Warehouse
from tests.bench.hostile_files import bombs, damaged, files
from tests.small_shop import FAMILIES

OURS = "Shopspread failed"
# Times the file, or the bytes any small file may grow to.
MOST_MEMORY = 10


def captures(count: int, seed: int) -> tuple[Counter[str], list[str]]:
    """Read damaged captures as a worker does; outcomes, and faults."""
    rng = random.Random(seed)
    good = files(rng.choice([3.0, 5.0, 9.0]))
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
# The columns of each table, and its n-th good row.
TABLES: dict[str, tuple[str, Callable[[int], str]]] = {
    "technicians.csv": ("technician,started_on", lambda n: f"person {n},2025-01-{1 + n % 28:02d}"),
    "repair_orders.csv": (
        "repair_order,opened_at,closed_at,technician,vehicle,engine_family,complaint,scope_eligible",
        lambda n: f"R{n},2026-03-{1 + n % 28:02d},,person {n},v{n},plain-4,misfire,true",
    ),
    "captures.csv": (
        "capture_file,captured_at,technician,repair_order,vehicle,engine_family,test,purpose,ch1_signal,ch1_scale",
        lambda n: f"c{n}.csv,2026-03-{1 + n % 28:02d}T10:00,person {n},R{n},v{n},plain-4,relative_compression,drill,"
        "battery_voltage,1",
    ),
    "outcomes.csv": (
        "repair_order,confirmed_at,finding,confirmed_cylinders,method",
        lambda n: f"R{n},2026-03-28,odd,{1 + n % 4},gauge",
    ),
    "drills.csv": (
        "drill,technician,test,week_of,target",
        lambda n: f"D{n},person {n},relative_compression,2026-03-02,3",
    ),
    "coaching.csv": ("session,technician,held_on,topic", lambda n: f"S{n},person {n},2026-03-05,{TOPIC}"),
}  # fmt: skip
TOPIC = COACHED[0]
# What of a row must have landed as it stood: the warehouse's columns by table.
KEPT = {
    "technicians.csv": "SELECT technician, strftime(started_on, '%Y-%m-%d') FROM technician",
    "repair_orders.csv": "SELECT repair_order, technician, vehicle, complaint FROM repair_order",
    "captures.csv": "SELECT capture_file, technician, repair_order, vehicle FROM capture_log",
    "outcomes.csv": "SELECT repair_order, finding, method, confirmed_elements[1]::VARCHAR FROM outcome",
    "drills.csv": "SELECT drill, technician, target::VARCHAR FROM drill",
    "coaching.csv": "SELECT session, technician, topic FROM coaching",
}
MARKS = [
    '"', ",", ";", "\t", "'", "\u201c", "\x00", "\x1b", "\u202e", "0", "2062", "-", "=", "\\", "  ", "\u0430",
    "9" * 300, "\n", "\r", "NaN", "1e999", "\ud800", "\u00a0", "\ufeff",
]  # fmt: skip


def damaged_tables(drop: Path, rng: random.Random) -> dict[str, dict[int, int]]:
    """Write every table, some lines of it damaged; the lines left alone, as row to line number, by file."""
    alone: dict[str, dict[int, int]] = {}
    for file, (head, row) in TABLES.items():
        rows = [row(n) for n in range(ROWS)]
        touched = set(rng.sample(range(ROWS), rng.randrange(0, 8)))
        for n in touched:
            at = rng.randrange(len(rows[n]) + 1)
            rows[n] = rows[n][:at] + rng.choice(MARKS) + rows[n][at + rng.randrange(3) :]
        end = rng.choice(["\n", "\n", "", "\n\n\n"])
        encoding = rng.choice(["utf-8", "utf-8-sig", "utf-16", "utf-8"])
        delimiter = rng.choice([",", ",", ";", "\t"])
        break_ = rng.choice(["\n", "\r\n"])
        if delimiter != ",":
            rows = [line if n in touched else line.replace(",", delimiter) for n, line in enumerate(rows)]
            head = head.replace(",", delimiter)
        text = break_.join([head, *rows]) + end
        (drop / file).write_bytes(text.encode(encoding, errors="replace"))
        alone[file], line = {}, 2
        for n, words in enumerate(rows):
            if n not in touched:
                alone[file][n] = line
            line += 1 + words.replace("\r\n", "\n").count("\n") + words.replace("\r\n", "\n").count("\r")
    return alone


def odd_entries(drop: Path, rng: random.Random) -> set[str]:
    """Put some entries into the folder that cannot be used; their printable names."""
    made: dict[str, Callable[[Path], object]] = {
        "pipe.csv": os.mkfifo,
        "gone.csv": lambda p: p.symlink_to("nowhere"),
        "round": lambda p: p.symlink_to("round"),
        "up": lambda p: p.symlink_to(".."),
        "out.csv": lambda p: p.symlink_to("/etc/hostname"),
        "zero.wav": lambda p: p.symlink_to("/dev/zero"),
        "a:b.csv": Path.touch,
        "a\\b.csv": Path.touch,
        "esc\x1b[31m.csv": Path.touch,
        "line\nend.parquet": Path.touch,
        "right\u202eleft.csv": Path.touch,
        "stray\udcff.csv": Path.touch,
        "empty.csv": Path.touch,
        "words.csv": lambda p: p.write_text("hello"),
        "huge.csv": lambda p: (p.touch(), os.truncate(p, 1 << 40)),
    }
    folder = drop / "week 1"
    folder.mkdir(exist_ok=True)
    chosen = rng.sample(list(made), rng.randrange(0, len(made)))
    for name in chosen:
        made[name](folder / name)
    return {printable(f"week 1/{name}") for name in chosen}


def _given_way(summary: IntakeSummary, file: str, line: int) -> bool:
    """Whether a note says that a later line bears the same key (damage may turn one key into another)."""
    return any(
        note.startswith(f"{file}, line ") and f"stands on line {line} too" in note for note in summary.notes
    )


def tables(count: int, seed: int) -> tuple[Counter[str], list[str]]:
    """Ingest hostile folders; lines and entries landed and named, and those that are neither."""
    rng = random.Random(seed)
    lines: Counter[str] = Counter()
    faults = []
    capture = files(9.0)["a.csv"]
    for number in range(count):
        with tempfile.TemporaryDirectory() as scratch:
            drop = Path(scratch) / "drop"
            drop.mkdir()
            (drop / "engine_families.csv").write_text(FAMILIES)
            alone = damaged_tables(drop, rng)
            odd = odd_entries(drop, rng)
            (drop / "c1.csv").write_bytes(capture)
            where = f"folder {number} of seed {seed}"
            house = Warehouse(Path(scratch) / "w", create=True)
            try:
                summary = ingest(drop, house, jobs=1)
            except Exception as error:
                faults.append(f"{where}: {type(error).__name__}: {error}")
                continue
            named = {printable(trouble.what) for trouble in summary.troubles}
            faults += [f"{where}: {t.what}: {t.reason}" for t in summary.troubles if OURS in t.reason]
            faults += [f"{where}: {entry!r} is not named" for entry in odd - named]
            lines["odd entries"] += len(odd)
            with house.reading() as connection:
                state = connection.execute(
                    "SELECT waveform_sha256 FROM capture_state WHERE capture_file = 'c1.csv'"
                ).fetchone()
                faults += [] if state and state[0] else [f"{where}: the good capture is nowhere"]
                landed = {file: set(connection.execute(sql).fetchall()) for file, sql in KEPT.items()}
            for file, left in alone.items():
                cells = {tuple(cell for cell in row if cell is not None) for row in landed[file]}
                for n, line in left.items():
                    wanted = TABLES[file][1](n).split(",")
                    if any(row[0] == wanted[0] and set(row) <= set(wanted) for row in cells):
                        lines["landed"] += 1
                    elif f"{file}, line {line}" in named or file in named or _given_way(summary, file, line):
                        lines["named"] += 1
                    else:
                        faults.append(f"{where}: {file}, line {line} is nowhere")
                lines["damaged"] += ROWS - len(left)
    return lines, faults


def memory(megabytes: int) -> list[tuple[str, float, float]]:
    """For one large file of each format: MB of what it holds, and the highest memory while it is read, as a ratio."""
    found = []
    small = files(3.0)
    for name, content in small.items():
        unzipped = small["a.csv"] if name.endswith(".gz") else content
        seconds = min(590.0, 3e6 * megabytes / len(unzipped))
        large = files(seconds)
        size = len(large["a.csv"] if name.endswith(".gz") else large[name])
        found.append((name, size / 1e6, _peak(name, large[name], content) / size))
    return found


def burst() -> list[tuple[str, int, float]]:
    """For each small file that states far too much: its bytes, and MB of memory until it is refused."""
    small = files(3.0)
    return [
        (name, len(content), _peak(name, content, small[name]) / 1e6) for name, content in bombs().items()
    ]


def _peak(name: str, content: bytes, small: bytes) -> float:
    with tempfile.TemporaryDirectory() as folder:
        path, warm = Path(folder) / name, Path(folder) / f"warm-{name}"
        path.write_bytes(content)
        warm.write_bytes(small)
        # A process of its own: one that has held large things keeps their room, and shows no peak.
        words = [sys.executable, "-m", "tests.bench.bench_hostile", "--measure", str(path), str(warm)]
        return float(subprocess.run(words, capture_output=True, text=True, check=True).stdout)


def measure(path: Path, warm: Path) -> float:
    """Bytes by which the highest memory rises while a file is read, after a small one like it (Linux: proc(5))."""
    read_waveform(warm)
    Path("/proc/self/clear_refs").write_text("5")
    before = _peak_kb()
    with suppress(UnreadableFile):
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
    faults: list[str] = []
    for name, size, ratio in memory(arguments.megabytes) if arguments.megabytes else []:
        say(f"memory   {name:10s} {size:6.1f} MB file, peak {ratio:5.1f} x the file\n")
        faults += [f"{name}: {ratio:.1f} x the file"] if ratio >= MOST_MEMORY else []
    for name, size, peak in burst() if arguments.megabytes else []:
        say(f"burst    {name:10s} {size:9d} bytes, peak {peak:6.1f} MB\n")
        faults += [f"{name}: {peak:.0f} MB"] if peak * 1e6 >= MOST_MEMORY * max(size, UNZIPPED_BYTES) else []
    outcomes, found = captures(arguments.captures, arguments.seed)
    faults += found
    say(f"captures {sum(outcomes.values())}: {dict(outcomes)}\n")
    lines, more = tables(arguments.tables, arguments.seed)
    say(f"tables   {arguments.tables} folders: {dict(lines)} lines\n")
    faults += more
    say(f"faults   {len(faults)}\n" + "".join(f"  {fault}\n" for fault in faults[:20]))
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
