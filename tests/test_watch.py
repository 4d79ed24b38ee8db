"""Watching a drop folder: whole files come in by themselves, growing ones wait, one watcher a warehouse."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import WarehouseError
from pipelines.intake import watch as module
from pipelines.intake import work
from pipelines.intake.ingest import GROWS, ingest
from pipelines.intake.summary import IntakeSummary
from pipelines.intake.watch import Clock, only_one, status, status_file, watch
from pipelines.warehouse.database import Warehouse
from tests.page_driver import opened, texts
from tests.small_shop import log_row, small_drop, write_capture

ROOT = Path(__file__).parents[1]


class Day:
    """A clock that tests turn: each look takes 5 s, and before each something may happen in the folder."""

    def __init__(self, *happens: Callable[[], object] | None) -> None:
        self.happens, self.now_s = list(happens), 0.0

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def go_on(self) -> bool:
        if not self.happens:
            return False
        happening = self.happens.pop(0)
        if happening is not None:
            happening()
        return True


def run(
    drop: Path, house: Warehouse, *happens: Callable[[], object] | None
) -> tuple[list[IntakeSummary], list[str]]:
    day, landed, said = Day(*happens), [], []
    clock = Clock(lambda: day.now_s, day.sleep)
    watch(drop, house, landed=landed.append, say=said.append, clock=clock, go_on=day.go_on)
    return landed, said


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    small_drop(tmp_path / "drop")
    return tmp_path / "drop"


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    return Warehouse(tmp_path / "w", create=True)


def test_a_folder_is_read_once_it_stands_still_and_again_when_it_changes(
    drop: Path, house: Warehouse
) -> None:
    def more() -> None:
        write_capture(drop / "late.csv", (1, 1, 1, 1), seed=5)
        with (drop / "captures.csv").open("a") as file:
            file.write(log_row("late.csv") + "\n")

    landed, _ = run(drop, house, None, None, None, None, None, more, None, None, None, None)
    assert [summary.worked_on for summary in landed] == [4, 1]
    assert landed[-1].statuses == {"read": 5}


def test_a_file_that_still_grows_waits_and_keeps_nobody_waiting(drop: Path, house: Warehouse) -> None:
    write_capture(drop / "whole.csv", (1, 1, 1, 1), seed=6)
    whole = (drop / "whole.csv").read_bytes()
    (drop / "whole.csv").unlink()
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("whole.csv") + "\n")
    parts = [whole[: len(whole) * n // 6] for n in range(1, 7)]
    steps = [lambda part=part: (drop / "whole.csv").write_bytes(part) for part in parts]
    landed, _ = run(drop, house, *steps, None, None, None)
    # The others came while it grew; half of it was never read.
    assert [summary.statuses.get("read") for summary in landed] == [4, 5]
    assert "refused" not in landed[0].statuses
    log = house.frame("intake_log", {"rows": 1000})
    actions = log.filter((log["key"] == "whole.csv") & (log["subject"] == "waveform"))["action"].to_list()
    assert "changed" not in actions
    assert "added" in actions or "waiting" in actions


def test_a_folder_that_is_gone_for_a_while_is_waited_for(drop: Path, house: Warehouse) -> None:
    away = drop.with_name("away")
    landed, said = run(
        drop, house, None, None, None, lambda: drop.rename(away), None, lambda: away.rename(drop), None, None, None
    )  # fmt: skip
    assert len(said) == 1
    assert "cannot be seen" in said[0]
    assert house.frame("captures").height == 4
    assert sum(summary.worked_on for summary in landed) == 4


def test_a_folder_that_goes_away_while_it_is_read_is_read_when_it_is_back(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a network folder whose server goes: in the middle of an ingest every further file cannot be opened."""
    away = drop.with_name("away")
    read = work.read_waveform

    def gone_now(path: Path, *told: Any) -> Any:
        if drop.exists() and not said:
            said.append("went away")
            drop.rename(away)
        return read(path, *told)

    said: list[str] = []
    monkeypatch.setattr(work, "read_waveform", gone_now)
    back = lambda: away.rename(drop)  # noqa: E731
    minute = [None] * 13
    landed, waited = run(drop, house, None, None, None, None, None, back, *minute)
    assert [summary.statuses for summary in landed] == [{"refused": 4}, {"read": 4}]
    assert landed[0].passing
    assert "cannot be opened" in landed[0].troubles[0].reason
    assert not landed[1].troubles
    assert len(waited) == 1
    assert "cannot be seen" in waited[0]
    log = house.frame("intake_log", {"rows": 1000})
    assert log.filter(log["action"] == "refused").height == 4


def test_one_file_that_cannot_be_had_is_tried_again_ever_more_seldom(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stale(path: Path) -> str:
        if path.name == "weak.csv" and fails:
            raise OSError(errno.ESTALE, os.strerror(errno.ESTALE), str(path))
        return hashed(path)

    hashed, fails = work._sha256, [True]
    monkeypatch.setattr(work, "_sha256", stale)
    five_minutes = [None] * 60
    landed, _ = run(drop, house, *five_minutes, fails.clear, *[None] * 60)
    # After 10 s, then 60, 120, 240 (still out of reach at 190, served at 430) s more.
    assert [summary.statuses for summary in landed] == [{"read": 3, "refused": 1}] * 3 + [{"read": 4}]
    log = house.frame("intake_log", {"rows": 1000})
    said = log.filter((log["key"] == "week1/weak.csv") & (log["action"] == "refused"))
    assert "Stale file handle" in said["reason"][0]


def test_a_listing_that_lags_behind_does_not_make_a_growing_file_whole(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As network clients do: sizes and times are remembered for 20 s, times are told in steps of 2 s, and only
    opening a file makes the client ask its server."""
    write_capture(drop / "whole.csv", (1, 1, 1, 1), seed=6)
    whole = (drop / "whole.csv").read_bytes()
    (drop / "whole.csv").unlink()
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("whole.csv") + "\n")
    remembered: dict[Path, tuple[int, tuple[int, int]]] = {}
    turns = [0]

    def server_says(path: Path) -> tuple[int, int]:
        status = path.stat()
        return status.st_size, status.st_mtime_ns // 2_000_000_000 * 2_000_000_000

    def client_says(path: Path) -> tuple[int, int]:
        if path not in remembered or turns[0] * 5 - remembered[path][0] >= 20:
            remembered[path] = (turns[0] * 5, server_says(path))
        return remembered[path][1]

    def opened_anew(path: Path) -> tuple[int, int]:
        remembered[path] = (turns[0] * 5, server_says(path))
        return remembered[path][1]

    monkeypatch.setattr(module, "_stamp", client_says)
    monkeypatch.setattr(module, "_asked", opened_anew)

    def write(part: bytes) -> None:
        (drop / "whole.csv").write_bytes(part)
        turns[0] += 1

    def wait() -> None:
        turns[0] += 1

    parts = [whole[: len(whole) * n // 6] for n in range(1, 7)]
    steps = [lambda part=part: write(part) for part in parts]
    landed, _ = run(drop, house, *steps, *[wait] * 6)
    assert [summary.statuses.get("read") for summary in landed] == [4, 5]
    assert "refused" not in landed[0].statuses
    growing = [trouble.reason for trouble in landed[0].troubles if trouble.what == "whole.csv"]
    assert growing == [GROWS]


def test_asking_opens_plain_files_alone(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("nowhere")
    (tmp_path / "file").write_bytes(b"abc")
    assert module._asked(tmp_path / "file") == (3, (tmp_path / "file").stat().st_mtime_ns)
    assert module._asked(tmp_path / "pipe") is not None  # without waiting for a writer
    assert module._asked(tmp_path / "link") is not None
    assert module._asked(tmp_path / "gone") is None


def test_an_empty_mount_point_is_named_and_takes_nothing_away(drop: Path, house: Warehouse) -> None:
    away = drop.with_name("away")

    def unmounted() -> None:
        drop.rename(away)
        drop.mkdir()

    seen: list[str | None] = []
    told = lambda: seen.append(status(house.database))  # noqa: E731
    landed, said = run(drop, house, None, None, None, None, unmounted, told, told)
    assert len(landed) == len(said) == 1
    assert "Nothing lies in the drop folder" in said[0]
    assert "see whether it is mounted" in str(seen[-1])
    assert house.frame("captures").height == 4


@pytest.mark.parametrize("number", [errno.ESTALE, errno.EIO, errno.ENOTCONN, errno.EHOSTDOWN])
def test_a_server_that_does_not_answer_is_waited_for_in_a_sentence(
    drop: Path, house: Warehouse, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(self: Path, **how: Any) -> os.stat_result:
        if self == drop and down:
            raise OSError(number, os.strerror(number), str(self))
        return stat(self, **how)

    stat, down, seen = Path.stat, [True], []
    monkeypatch.setattr(Path, "stat", gone)
    look = lambda: seen.append(status(house.database))  # noqa: E731
    landed, said = run(drop, house, None, look, down.clear, None, None, None)
    assert len(landed) == len(said) == 1
    assert said[0].startswith(
        f"The drop folder {drop} cannot be seen ({os.strerror(number)}); waiting for it."
    )
    assert said[0] in str(seen[0])


def test_a_restart_goes_on_where_it_was(drop: Path, house: Warehouse) -> None:
    run(drop, house, None, None, None, None)
    landed, _ = run(drop, house, None, None, None, None)
    assert [summary.worked_on for summary in landed] == [0]


def test_one_watcher_a_warehouse(drop: Path, house: Warehouse) -> None:
    with only_one(house), pytest.raises(WarehouseError, match="one is enough"):
        run(drop, house, None)
    run(drop, house, None)


def test_what_it_does_is_told_while_it_works(drop: Path, house: Warehouse) -> None:
    seen: list[str | None] = []
    look = lambda: seen.append(status(house.database))  # noqa: E731
    run(drop, house, look, look, look, look)
    assert seen[0] is None
    assert f"Watching {drop}; looked" in str(seen[-1])
    assert status(house.database) is None
    file = module.status_file(house.database)
    about = {"drop": "d", "doing": "waiting", "growing": ["a"], "looked_at": time.time() - 600, "pid": 1}
    file.write_text(json.dumps(about))
    assert "has not looked for 10 minutes" in str(status(house.database))
    file.write_text("{")
    assert status(house.database) is None


def test_the_intake_page_shows_what_the_watch_does(
    drop: Path, house: Warehouse, monkeypatch: pytest.MonkeyPatch
) -> None:
    ingest(drop, house, jobs=1)
    assert "Watching" not in texts(opened(monkeypatch, house.path, "intake"))
    mark = "![x](http://evil.example/x.png)"
    about = {"drop": f"/srv/{mark}", "doing": "waiting", "growing": ["a.csv"], "looked_at": time.time()}
    status_file(house.database).write_text(json.dumps(about))
    shown = texts(opened(monkeypatch, house.path, "intake"))
    assert "Watching" in shown
    assert "1 files are still growing" in shown
    assert mark not in shown


def test_a_warehouse_inside_the_folder_does_not_start_itself_again(drop: Path) -> None:
    inner = Warehouse(drop / "warehouse", create=True)
    landed, _ = run(drop, inner, *[None] * 8)
    assert len(landed) == 1


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
def test_the_command_survives_a_kill_and_ends_with_ctrl_c(drop: Path, tmp_path: Path) -> None:
    def start() -> subprocess.Popen[str]:
        words = ["watch", str(drop), "--warehouse", str(tmp_path / "w"), "--every", "0.5", "--still", "0.5"]
        return subprocess.Popen(
            [sys.executable, "-c", "from pipelines.cli import main; main()", *words],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

    def until(count: int) -> None:
        deadline = time.monotonic() + 120
        while time.monotonic() < deadline:
            file = tmp_path / "w" / "shopspread.duckdb"
            if file.exists() and Warehouse(tmp_path / "w").frame("elements").height >= count:
                return
            time.sleep(0.5)
        raise AssertionError("nothing came in")

    first = start()
    until(16)
    first.kill()
    first.communicate(timeout=30)
    shutil.copy(drop / "week1/weak.csv", drop / "more.csv")
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("more.csv") + "\n")
    second = start()
    until(20)
    second.send_signal(signal.SIGINT)
    _, said = second.communicate(timeout=60)
    assert "Traceback" not in said
