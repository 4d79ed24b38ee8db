"""Kill commands at random moments, again and again, and count what was lost, doubled or left behind.

    python -m tests.bench.bench_kills --kills 1000

One warehouse lives through all of it. Each operation (an ingest of new, changed and known files with and without
worker processes, a fit, a decision, an undo, an export, a backup, a check) runs in a process of its own that is
ended with SIGKILL after a random part of the time it usually takes; more than a third are the `shopspread` command as a
shop types it, killed with all it started. After each kill the warehouse is opened by another process, which looks for
halves: a capture with some of its elements, a row twice in the log as added, a version that went back. At the
end one whole ingest must bring what an ingest that nobody disturbed brings. Peer: that undisturbed ingest.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

# Imported before the first fork and used only after it: no thread of theirs is left half alive.
from pipelines.fit.run import fit_warehouse
from pipelines.intake.check import check
from pipelines.intake.ingest import ingest
from pipelines.intake.undo import undo
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.backups import backup
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import set_setting
from pipelines.warehouse.exporting import export
from tests.small_shop import FAMILIES, log_row, write_capture, write_log

CAPTURES = 14


def in_child(
    work: Callable[[], object], kill_after_s: float | None = None, *, fine: tuple[int, ...] = (0,)
) -> tuple[bool, float]:
    """Run something in a process of its own; whether it came to its end, and how long it took."""
    started = time.monotonic()
    pid = os.fork()
    if pid == 0:
        try:
            os.setpgid(0, 0)
            work()
            os._exit(0)
        except BaseException as error:
            sys.stderr.write(f"{type(error).__name__}: {error}\n")
            os._exit(1)
    if kill_after_s is not None:
        end = started + kill_after_s
        while time.monotonic() < end:
            if os.waitpid(pid, os.WNOHANG)[0]:
                return True, time.monotonic() - started
            time.sleep(0.002)
        with suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status) in fine, time.monotonic() - started


class Shop:
    """The folder, its warehouse, and what may be done to both."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.drop, self.place = folder, folder / "drop", folder / "w"
        self.rng = random.Random(seed)
        self.variant = [0] * CAPTURES
        self.present = 4
        self.drop.mkdir()
        (self.drop / "engine_families.csv").write_text(FAMILIES)
        pool = folder / "pool"
        for number in range(CAPTURES):
            for variant in range(2):
                write_capture(pool / f"{number}-{variant}.csv", (1, 1, 0.9, 1), seed=2 * number + variant)
        self.lay()

    def lay(self) -> None:
        """Put the folder as it should be now: some captures, each in one of two versions, and their rows."""
        for number in range(self.present):
            target = self.drop / f"c{number}.csv"
            shutil.copy(self.folder / "pool" / f"{number}-{self.variant[number]}.csv", target)
        rows = [log_row(f"c{n}.csv", vehicle=f"v{n}-{self.variant[n]}") for n in range(self.present)]
        write_log(self.drop, *rows)

    def change(self) -> None:
        """Something new in the folder: another capture, or another version of one."""
        if self.present < CAPTURES and self.rng.random() < 0.3:
            self.present += 1
        number = self.rng.randrange(self.present)
        self.variant[number] ^= 1
        self.lay()

    def house(self) -> Warehouse:
        return Warehouse(self.place, create=True)

    def operation(self, name: str) -> Callable[[], object]:
        """One operation by name; `change` has been made where it needs one."""
        stamp = time.monotonic_ns()
        return {
            "ingest": lambda: ingest(self.drop, self.house(), jobs=1),
            "reread": lambda: ingest(None, self.house(), reread=True, jobs=1),
            "fit": lambda: fit_warehouse(self.house()),
            "setting": lambda: set_setting(self.house(), "cost_miss", float(stamp % 9999), set_by="bench"),
            "undo": lambda: self._undo_last(),
            "export": lambda: export(self.house(), self.folder / "out"),
            "backup": lambda: backup(self.house(), self.folder / f"backup-{stamp}"),
            "check": lambda: check(self.house()),
        }[name]

    def command(self, name: str) -> Callable[[], object]:
        """The command for an operation, in the place of the child's process."""
        stamp = time.monotonic_ns()
        words = {
            "ingest": ["ingest", str(self.drop), "--jobs", "2"],
            "reread": ["ingest", "--reread"],
            "fit": ["fit"],
            "setting": ["settings", "cost_miss", str(stamp % 9999), "--by", "bench"],
            "export": ["export", str(self.folder / "out")],
            "backup": ["backup", str(self.folder / f"backup-{stamp}")],
            "check": ["check"],
        }[name]
        line = [sys.executable, "-c", "from pipelines.cli.app import main; main()", *words]

        def run() -> None:
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            os.execv(sys.executable, [*line, "--warehouse", str(self.place)])

        return run

    def _undo_last(self) -> None:
        house = self.house()
        log = house.frame("intake_log", {"rows": 400})
        ours = log["subject"].is_in(["waveform", "captures.csv"]) & log["action"].is_in(["added", "changed"])
        batches = log.filter(ours)["batch"].to_list()
        if batches:
            undo(house, batches[0])


def faults(shop: Shop, out: Path) -> None:
    """Look for halves; writes a JSON list of what is wrong, and the version."""
    house = shop.house()
    wrong = []
    with house.reading() as connection:
        halves = connection.execute(
            "SELECT s.capture_file, count(e.capture_file) FROM capture_state s LEFT JOIN element_reading e "
            "USING (capture_file) WHERE s.status = 'read' GROUP BY ALL HAVING count(e.capture_file) <> 4"
        ).fetchall()
        wrong += [f"half a reading: {row}" for row in halves]
        doubled = connection.execute(
            "SELECT subject, key, batch, count(*) FROM intake_log WHERE action = 'added' GROUP BY ALL "
            "HAVING count(*) > 1"
        ).fetchall()
        wrong += [f"logged twice: {row}" for row in doubled]
        orphans = connection.execute(
            "SELECT count(*) FROM element_reading WHERE capture_file NOT IN (SELECT capture_file FROM capture_state)"
        ).fetchone()
        wrong += [f"readings of nothing: {orphans}"] if orphans != (0,) else []
        names = connection.execute("SELECT waveform_sha256 FROM capture_state").fetchall()
    wrong += [
        f"a copy is gone: {name}" for (name,) in names if name and not store.sound(house.waveforms, name)
    ]
    for manifest in shop.folder.glob("backup-*"):
        if not (manifest / "backup.json").exists() and manifest.suffix != ".part":
            wrong.append(f"half a backup: {manifest.name}")
        shutil.rmtree(manifest)
    out.write_text(json.dumps({"wrong": wrong, "version": house.version()}))


def figures(shop: Shop, place: Path, out: Path) -> None:
    """What a whole ingest of the folder as it is now says, element by element."""
    house = Warehouse(place, create=True)
    ingest(shop.drop, house, jobs=1)
    found = check(house)
    parts = [str(path) for path in place.rglob("*.part")]
    with house.reading() as connection:
        rows = connection.execute(
            "SELECT capture_file, position, element, round(relative_pct, 1), status, vehicle FROM element_reading "
            "JOIN capture_state USING (capture_file) JOIN capture_log USING (capture_file) ORDER BY ALL"
        ).fetchall()
    out.write_text(json.dumps({"rows": rows, "damaged": list(found.damaged), "parts": parts}, default=str))


def main() -> int:
    """Kill, look, and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    names = ["ingest"] * 5 + ["reread", "fit", "setting", "undo", "export", "backup", "check"]
    names += [
        f"{name} command" for name in ("ingest", "ingest", "reread", "fit", "setting", "export", "backup")
    ]
    usual: dict[str, float] = {}
    wrong: list[str] = []
    killed: Counter[str] = Counter()
    ended: Counter[str] = Counter()
    version = 0
    with tempfile.TemporaryDirectory() as scratch:
        shop = Shop(Path(scratch), arguments.seed)
        said = Path(scratch) / "said.json"
        in_child(shop.operation("ingest"))
        while sum(killed.values()) < arguments.kills:
            name = shop.rng.choice(names)
            plain = name.removesuffix(" command")
            if plain == "ingest":
                shop.change()
            work = shop.operation(plain) if plain == name else shop.command(plain)
            if name not in usual:
                fine, usual[name] = in_child(work, fine=(0,) if plain == name else (0, 1))
                wrong += [] if fine else [f"{name} failed undisturbed"]
                continue
            # The slower half of a command is the program being loaded, in which nothing can be lost.
            least = 0.0 if plain == name else 0.3
            fine, _ = in_child(work, shop.rng.uniform(least, 1.1) * usual[name])
            (ended if fine else killed)[name] += 1
            looked, _ = in_child(lambda: faults(shop, said))
            if not looked:
                wrong.append(f"after {name}: the warehouse could not be looked at")
                continue
            found = json.loads(said.read_text())
            wrong += [f"after {name}: {one}" for one in found["wrong"]]
            if found["version"] < version:
                wrong.append(f"after {name}: the version went back to {found['version']}")
            version = found["version"]
        survived, fresh = Path(scratch) / "survived.json", Path(scratch) / "fresh.json"
        in_child(lambda: figures(shop, shop.place, survived))
        in_child(lambda: figures(shop, Path(scratch) / "peer", fresh))
        mine, peer = json.loads(survived.read_text()), json.loads(fresh.read_text())
        if mine["rows"] != peer["rows"]:
            wrong.append(f"{len(mine['rows'])} element rows against {len(peer['rows'])}, or other figures")
        wrong += [f"left behind: {part}" for part in mine["parts"]] + [
            f"damaged: {n}" for n in mine["damaged"]
        ]
    sys.stdout.write(
        f"{sum(killed.values())} kills ({', '.join(f'{n} {k}' for n, k in sorted(killed.items()))}); "
        f"{sum(ended.values())} came to their end first; warehouse version {version}\n"
        f"lost, doubled, half or left behind: {len(wrong)}\n"
        f"figures after all of it equal to an undisturbed ingest's: {mine['rows'] == peer['rows']} "
        f"({len(peer['rows'])} element rows)\n" + "".join(f"  {one}\n" for one in wrong[:20])
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
