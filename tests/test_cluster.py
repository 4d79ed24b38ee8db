"""Reading on a cluster: workers die and join, nothing is lost and nothing is doubled."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from pipelines.errors import ShopspreadError
from pipelines.intake import cluster
from pipelines.intake.cluster import Common, check_address, run_on
from pipelines.intake.ingest import ingest
from pipelines.intake.work import Done, Task
from pipelines.intake.workers import DIED
from pipelines.warehouse import waveforms as store
from pipelines.warehouse.database import Warehouse
from tests.small_shop import FAMILIES, log_row, write_capture, write_log

pytestmark = pytest.mark.xdist_group("cluster")
CAPTURES, WORKERS = 10, 2


@pytest.fixture(scope="module")
def local() -> Iterator[Any]:
    distributed, dask = pytest.importorskip("distributed"), pytest.importorskip("dask")
    # At the first death already a capture comes under suspicion, so that few workers have to be started anew.
    with (
        dask.config.set(
            {"distributed.scheduler.allowed-failures": 0, "distributed.deploy.lost-worker-timeout": "600s"}
        ),
        distributed.LocalCluster(
            n_workers=WORKERS,
            threads_per_worker=1,
            memory_limit=0,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
        ) as running,
    ):
        yield running


def address(running: Any) -> str:
    return str(running.scheduler_address).replace("tcp://", "dask://")


def kill_one(running: Any, number: int = 0) -> None:
    """End a worker process as a power cut would; its nanny starts another."""
    nannies = [
        nanny
        for nanny in running.workers.values()
        if nanny.process and nanny.process.status.name == "running"
    ]
    os.kill(nannies[number % len(nannies)].process.pid, signal.SIGKILL)


def frames(house: Warehouse) -> dict[str, Any]:
    return house.frames(("captures", "elements", "features", "checks"))


def test_workers_that_are_killed_lose_and_double_nothing(local: Any, tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "engine_families.csv").write_text(FAMILIES, encoding="utf-8")
    for number in range(CAPTURES):
        write_capture(drop / f"c{number}.csv", (1, 1, 1 - 0.02 * number, 1), seed=number)
    write_log(drop, *(log_row(f"c{number}.csv", vehicle=f"v{number}") for number in range(CAPTURES)))
    here, there = Warehouse(tmp_path / "here", create=True), Warehouse(tmp_path / "there", create=True)
    ingest(drop, here, jobs=1)
    killed = []

    def kill_meanwhile(done: int, _of: int) -> None:
        if done in (2, 6):
            kill_one(local, done)
            killed.append(done)

    summary = ingest(drop, there, progress=kill_meanwhile, on=address(local))
    assert killed == [2, 6]
    assert (summary.statuses, summary.worked_on) == ({"read": CAPTURES}, CAPTURES)
    log = there.frame("intake_log", {"rows": 1000}).filter(subject="waveform")
    assert sorted(log["key"]) == sorted(f"c{number}.csv" for number in range(CAPTURES))
    assert set(log["action"]) == {"added"}
    assert store.names(there.waveforms) == store.names(here.waveforms)
    assert not [path for path in there.waveforms.iterdir() if path.name.startswith(cluster.SEEN)]
    want, have = frames(here), frames(there)
    assert all(want[name].equals(have[name]) for name in want)
    again = ingest(drop, there, on=address(local))
    assert again.worked_on == 0


def tasks(folder: Path, *names: str) -> list[Task]:
    return [Task(name, None, None, folder) for name in names]


def deadly_or_done(task: Task) -> Done:
    """A capture that ends whoever reads it, beside some that do not."""
    if task.capture_file == "deadly":
        os._exit(9)
    time.sleep(0.05)
    return Done(task.capture_file, file_sha256="0")


def test_a_capture_that_ends_every_worker_is_refused_and_costs_itself_only(
    local: Any, tmp_path: Path
) -> None:
    names = ["a", "deadly", "b", "c", "d"]
    answers = list(run_on(tasks(tmp_path, *names), address(local), tmp_path, None, work=deadly_or_done))
    assert sorted(done.capture_file for done in answers) == sorted(names)
    assert {done.capture_file: done.refused for done in answers if done.refused} == {"deadly": DIED}


def lacks_the_folder(task: Task) -> Done:
    return Done(task.capture_file)


def test_a_worker_that_sees_another_folder_reads_nothing(local: Any, tmp_path: Path) -> None:
    gone = tmp_path / "not mounted"
    with pytest.raises(ShopspreadError, match=r"does not see .*not mounted.*What had landed is whole"):
        list(run_on(tasks(tmp_path, "a"), address(local), tmp_path, gone, work=lacks_the_folder))
    token = tmp_path / "token"
    token.touch()
    assert Common("0.0", token, None).lacking() is not None
    assert Common(cluster.__version__, token, tmp_path).lacking() is None
    assert (
        Common(cluster.__version__, tmp_path / "x" / "token", tmp_path).lacking()
        == f"does not see {tmp_path / 'x'}"
    )


@pytest.mark.parametrize(
    "wrong", ["dask://", "dask:local", "http://host:80", "dask://host", "dask://local/0"]
)
def test_what_names_no_cluster_is_refused(wrong: str, tmp_path: Path) -> None:
    with pytest.raises(ShopspreadError, match="names no cluster"):
        check_address(wrong)
    with pytest.raises(ShopspreadError, match="names no cluster"):
        ingest(None, Warehouse(tmp_path / "w", create=True), on=wrong)


def test_where_no_scheduler_answers_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "_CONNECT_S", 1.0)
    with pytest.raises(ShopspreadError, match="no cluster's scheduler"):
        list(run_on(tasks(tmp_path, "a"), "dask://127.0.0.1:9", tmp_path, None))


def test_a_cluster_of_ones_own_listens_on_this_computer_only_and_ends_with_the_work(tmp_path: Path) -> None:
    answers = run_on(tasks(tmp_path, "a", "b"), "dask://local/1", tmp_path, None, work=deadly_or_done)
    first = next(answers)
    own = psutil.Process()
    family = [own, *own.children(recursive=True)]
    listening = [
        one.laddr.ip
        for process in family
        for one in process.net_connections(kind="inet")
        if one.status == psutil.CONN_LISTEN
    ]
    assert len(listening) >= 3
    assert set(listening) == {"127.0.0.1"}
    here = set(psutil.Process().children(recursive=True))
    assert sorted([first.capture_file, *(done.capture_file for done in answers)]) == ["a", "b"]
    ended = here - set(psutil.Process().children(recursive=True))
    assert ended
