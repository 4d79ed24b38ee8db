"""One bad entry of a drop folder stops nobody: it is named with its reason, and the rest lands."""

from __future__ import annotations

import gzip
import os
import resource
import signal
import socket
import subprocess
import sys
import textwrap
import time
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from types import ModuleType

import pytest

from pipelines.errors import UnreadableFile
from pipelines.intake import workers
from pipelines.intake.folder import look, printable
from pipelines.intake.ingest import ingest
from pipelines.intake.work import Done, Task
from pipelines.readers import read_waveform
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse
from tests.constructed_text import HEAD, lines, numbered
from tests.small_shop import log_row, small_drop, write_capture, write_log

ROOT = Path(__file__).parents[1]
posix = pytest.mark.skipif(os.name != "posix", reason="needs POSIX file kinds")


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    small_drop(tmp_path / "drop")
    return tmp_path / "drop"


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    return Warehouse(tmp_path / "warehouse", create=True)


@posix
def test_every_odd_entry_is_named_and_the_rest_lands(
    drop: Path, house: Warehouse, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    write_capture(outside / "secret.csv", (1, 1, 1, 1))
    os.mkfifo(drop / "pipe.csv")
    os.mkfifo(drop / "drills.csv")
    (drop / "dangling.csv").symlink_to("nowhere.csv")
    (drop / "loop.csv").symlink_to("loop.csv")
    (drop / "circle").symlink_to(".")
    (drop / "out.csv").symlink_to(outside / "secret.csv")
    (drop / "outfolder").symlink_to(outside)
    (drop / "again.csv").symlink_to("week1/even0.csv")  # a link inside the folder is a file like any other
    (drop / "zero.csv").symlink_to("/dev/zero")
    with socket.socket(socket.AF_UNIX) as server:
        monkeypatch.chdir(drop)  # a socket's whole path may be too long
        server.bind("socket.csv")
    bad = os.fsencode(drop) + b"/caf\xe9.csv"
    Path(os.fsdecode(bad)).write_text(lines(HEAD, numbered(50)))
    for name in ("back\\slash.csv", "c:drive.csv", "new\nline.csv", "esc\x1b[31m.csv"):
        (drop / name).write_text(lines(HEAD, numbered(50)))
    (drop / "twelve:30.csv").write_text(lines(HEAD, numbered(50)))
    summary = ingest(drop, house, jobs=1)
    named = {trouble.what: trouble.reason for trouble in summary.troubles}
    expected = {
        "pipe.csv": "a pipe",
        "drills.csv": "a pipe",
        "dangling.csv": "leads nowhere",
        "loop.csv": "leads nowhere",
        "circle": "not followed",
        "out.csv": "out of the drop folder",
        "outfolder": "not followed",
        "zero.csv": "out of the drop folder",
        "socket.csv": "a socket",
        "caf\\udce9.csv": "not valid UTF-8",
        "back\\slash.csv": "backslash",
        "c:drive.csv": "absolute path",
        "new\\nline.csv": "control character",
        "esc\\x1b[31m.csv": "control character",
        "again.csv": "captures.csv",
        "twelve:30.csv": "captures.csv",
    }
    assert set(named) == set(expected)
    for what, words in expected.items():
        assert words in named[what], (what, named[what])
    assert summary.statuses["read"] == 4
    log = house.frame("intake_log", {"rows": 1000})
    assert set(expected) - {"again.csv", "twelve:30.csv"} <= set(log["key"].to_list())
    # Named each time, logged once.
    assert len(ingest(drop, house, jobs=1).troubles) == len(expected)
    assert house.frame("intake_log", {"rows": 1000}).equals(log)


def test_names_that_read_the_same_are_not_taken_for_each_other(drop: Path, house: Warehouse) -> None:
    for name in ("w\u00e4rme.csv", "wa\u0308rme.csv"):
        write_capture(drop / name, (1, 1, 1, 1))
    if len(list(drop.glob("w*rme.csv"))) < 2:
        pytest.skip("this file system composes names")
    summary = ingest(drop, house, jobs=1)
    assert sum("reads the same" in trouble.reason for trouble in summary.troubles) == 1


def test_a_folder_that_cannot_be_listed_is_named(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.scandir
    write_capture(drop / "locked/a.csv", (1, 1, 1, 1))

    def scandir(path: os.PathLike[str]) -> object:
        if Path(path).name == "locked":
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    summary = ingest(drop, house, jobs=1)
    assert [(t.what, "cannot be listed" in t.reason) for t in summary.troubles] == [("locked", True)]
    assert summary.statuses == {"read": 4}


def test_a_warehouse_inside_the_drop_folder_is_left_alone(drop: Path) -> None:
    inner = Warehouse(drop / "warehouse", create=True)
    ingest(drop, inner, jobs=1)
    (inner.waveforms / "x.csv").write_text(lines(HEAD, numbered(50)))
    assert ingest(drop, inner, jobs=1).clean
    assert "week1/weak.csv" in look(drop, (), (".csv",), [inner.path]).files


def test_printable_names_hold_nothing_a_terminal_acts_on() -> None:
    assert printable("a\x1b[2J\u202eb\r\nc\x9b.csv") == "a\\x1b[2J\\u202eb\\r\\nc\\x9b.csv"
    assert printable("wärme 1.csv") == "wärme 1.csv"


# -- limits ----------------------------------------------------------------------------------------------


def peak_mib(path: Path) -> tuple[float, str]:
    """Memory (MiB, above what the imports take) and outcome of reading one file in a process of its own."""
    script = textwrap.dedent(
        """
        import resource, sys
        from pathlib import Path
        from pipelines.errors import UnreadableFile
        from pipelines.readers import read_waveform, readers
        readers(); before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        try:
            said = str(read_waveform(Path(sys.argv[1])).samples.shape)
        except UnreadableFile as error:
            said = str(error)
        print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024)
        print(said)
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(path)],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=200,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    used, said = done.stdout.split("\n", 1)
    return float(used), said.strip()


@posix
def test_a_line_without_end_is_refused_before_it_is_in_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_bytes(HEAD.encode() + b"\n" + b"1," * 30_000_000)
    used, said = peak_mib(path)
    assert "has a line of more than 65536 bytes" in said
    assert used < 16


@posix
def test_a_zip_made_to_burst_is_left_before_it_does(tmp_path: Path) -> None:
    rows = "".join(f"{row}\n" for row in numbered(20_000)).encode()
    for name, content in (
        ("flat.csv.gz", HEAD.encode() + b"\n" + b"1," * 400_000_000),
        ("same.csv.gz", HEAD.encode() + b"\n" + b"0.001,12.5,1\n" * 30_000_000),
        ("rows.csv.gz", HEAD.encode() + b"\n" + rows),
    ):
        with gzip.open(tmp_path / name, "wb", compresslevel=6) as file:
            file.write(content)
    used, said = peak_mib(tmp_path / "flat.csv.gz")
    assert "has a line of more than" in said
    assert used < 16
    used, said = peak_mib(tmp_path / "same.csv.gz")
    assert "grows to more than 100 times its size" in said
    assert used < 300
    assert peak_mib(tmp_path / "rows.csv.gz")[1] == "(2, 20000)"


def test_a_file_beyond_the_limit_is_refused_by_its_size_alone(tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as file:
        file.write(HEAD.encode() + b"\n0.1,1,2\n0.2,1,2\n")
        file.truncate(3 << 30)  # sparse: takes no room
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(UnreadableFile, match="more than 512 MiB"):
        read_waveform(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 64 * 1024


@posix
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(UnreadableFile, match="no plain file"):
        read_waveform(tmp_path / "pipe.csv")


# -- worker processes ------------------------------------------------------------------------------------


def deadly(task: Task) -> Done:
    """Stands in for a reader that takes its process with it on one file."""
    if task.capture_file == "killer":
        os.kill(os.getpid(), signal.SIGKILL)
    return Done(task.capture_file)


def harmless(task: Task) -> Done:
    """Stands in for a reader that finds nothing to say."""
    return Done(task.capture_file)


@posix
def test_a_dying_worker_costs_its_own_file_only(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(workers, "run", deadly)
    names = [f"file{number}" for number in range(30)]
    names.insert(11, "killer")
    tasks = [Task(name, None, None, tmp_path) for name in names]
    answers = list(workers.run_all(tasks, 2))
    assert sorted(done.capture_file for done in answers) == sorted(names)
    refused = {done.capture_file: done.refused for done in answers if done.refused}
    assert list(refused) == ["killer"]
    assert "ended the process" in str(refused["killer"])


def test_everything_handed_out_when_a_worker_dies_is_done_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others' answers may not have come yet when the first one says that the pool is broken."""

    class Pool:
        def __init__(self) -> None:
            self.given = 0

        def submit(self, *_: object) -> Future[Done]:
            future: Future[Done] = Future()
            if not self.given:
                future.set_exception(BrokenProcessPool())
            self.given += 1
            return future

        def shutdown(self, **_: object) -> None:
            pass

    monkeypatch.setattr(workers, "_pool", lambda _: Pool())
    waiting = iter([Task(f"{n}.csv", None, None, tmp_path) for n in range(20)])
    suspects: list[Task] = []
    assert list(workers._until_one_dies(waiting, 2, suspects)) == []
    left = [task.capture_file for task in waiting]
    assert sorted([*left, *(task.capture_file for task in suspects)]) == sorted(f"{n}.csv" for n in range(20))
    assert len(suspects) > 1


def test_workers_start_though_the_main_file_is_gone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A page of the dashboard is the main file while it is drawn; workers have no use for it."""
    main = ModuleType("__main__")
    main.__file__ = str(tmp_path / "gone.py")
    monkeypatch.setitem(sys.modules, "__main__", main)
    monkeypatch.setattr(workers, "run", harmless)
    names = [f"file{number}" for number in range(14)]
    answers = list(workers.run_all([Task(name, None, None, tmp_path) for name in names], 2))
    assert sorted(done.capture_file for done in answers) == sorted(names)
    assert not any(done.refused for done in answers)
    assert sys.modules["__main__"] is main


@posix
def test_a_worker_reads_without_libraries_no_reading_of_its_kind_needs(tmp_path: Path) -> None:
    """They cost each worker more than a dozen captures, its first one included."""
    write_capture(tmp_path / "a.csv", (1, 1, 0.9, 1))
    heavy = "{'sklearn', 'statsmodels', 'pandas', 'streamlit', 'duckdb', 'scipy'}"
    code = f"""
import sys
from pathlib import Path
from pipelines.intake.work import Assignment, Task, run
from pipelines.kinds import EngineFamily, Hookup
family = EngineFamily("plain-4", 4, (1, 3, 4, 2), (), "coil_on_plug")
hookup = Hookup(("battery_voltage", "ignition_primary"), (1.0, 1.0), 1)
folder = Path({str(tmp_path)!r})
done = run(Task("a.csv", folder / "a.csv", Assignment("relative_compression", hookup, family), folder / "w"))
print(done.reading.status, {heavy} & set(sys.modules))
"""
    root = Path(__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert done.stdout.strip() == "read set()", done.stdout


def test_a_file_that_ends_the_ingest_itself_is_named_by_the_next(drop: Path, tmp_path: Path) -> None:
    """A few files are read without worker processes: one that is deadly costs one run, not every one."""
    script = textwrap.dedent(
        """
        import os, signal, sys
        from pathlib import Path
        from pipelines.intake import work
        from pipelines.intake.ingest import ingest
        from pipelines.warehouse.database import Warehouse
        house = Warehouse(Path(sys.argv[2]), create=True)
        real = work.read_waveform
        def deadly(path, *more):
            if path.name == "weak.csv":
                os.kill(os.getpid(), signal.SIGKILL)
            return real(path, *more)
        work.read_waveform = deadly
        print(ingest(Path(sys.argv[1]), house).statuses)
        """
    )
    words = [sys.executable, "-c", script, str(drop), str(tmp_path / "w")]
    first = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False, timeout=100)
    assert first.returncode == -signal.SIGKILL
    assert (tmp_path / "w" / "waveforms" / ".at-work").read_text() == "week1/weak.csv"
    # In a process of its own the real reader reads it, of course; a deadly one would cost its own file only.
    second = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False, timeout=100)
    assert second.stdout == "{'read': 4}\n", second.stderr


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc").exists(), reason="needs /proc")
def test_workers_end_with_the_ingest_that_started_them_and_no_part_file_stays(tmp_path: Path) -> None:
    drop, house = tmp_path / "drop", tmp_path / "w"
    small_drop(drop)
    for number in range(40):
        write_capture(drop / f"more/{number}.csv", (1, 1, 1, 1), seed=50 + number)
    write_log(drop, *(log_row(f"more/{number}.csv") for number in range(40)))
    words = ["-c", "from pipelines.cli import main; main()", "ingest", str(drop), "--warehouse", str(house)]
    process = subprocess.Popen(
        [sys.executable, *words, "--jobs", "2"],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    children: list[int] = []
    deadline = time.monotonic() + 60
    waveforms = house / "waveforms"
    while time.monotonic() < deadline and not (len(children) >= 2 and list(waveforms.glob("*/*.parquet"))):
        text = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text()
        children = [int(word) for word in text.split()]
        time.sleep(0.05)
    assert len(children) >= 2
    process.kill()
    process.wait(timeout=30)
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline and any(map(alive, children)):
        time.sleep(0.1)
    assert not any(map(alive, children))
    left = next(waveforms.glob("*")) / f"x.{socket.gethostname()}.{process.pid}.part"
    left.write_bytes(b"half a copy")
    summary = ingest(drop, Warehouse(house, create=True), jobs=1)
    assert summary.statuses["read"] == 40
    assert not list(waveforms.rglob("*.part"))


def test_a_part_file_that_still_grows_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "ab").mkdir()
    mine = tmp_path / "ab" / f"x.{socket.gethostname()}.1.part"  # process 1 always lives
    other = tmp_path / "ab" / "x.another-computer.77.part"
    for part in (mine, other):
        part.write_bytes(b"half")
    assert store.sweep(tmp_path) == 0
    os.utime(other, (1, 1))
    assert store.sweep(tmp_path) == 1
    assert mine.exists()


@pytest.mark.parametrize(
    "name", ["a[1].csv", "a*.csv", "a?.csv", "a#b.csv", "a b%20c.csv", "{a,b}.csv", "a'b;c.csv"]
)
def test_marks_in_a_file_name_are_part_of_it(tmp_path: Path, name: str) -> None:
    """Large enough that the parser opens the file itself; a neighbour that a pattern would match is not read."""
    write_capture(tmp_path / name, (1, 1, 1, 1), seed=1)
    write_capture(tmp_path / "a1.csv", (1, 1, 0.5, 1), seed=2)
    plain = tmp_path / "plain.csv"
    plain.write_bytes((tmp_path / name).read_bytes())
    assert (read_waveform(tmp_path / name).samples == read_waveform(plain).samples).all()
