"""Captures from the browser: limits, hash and readers of a drop folder, and nothing is lost."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from pipelines import file_names
from pipelines.errors import ShopspreadError
from pipelines.intake import uploads
from pipelines.intake.entry import define_family, label, upload
from pipelines.intake.ingest import ingest
from pipelines.intake.undo import undo
from pipelines.intake.workers import run_all
from pipelines.warehouse.database import Warehouse
from tests.small_shop import FAMILIES, write_capture

LABEL = {
    "captured_at": "2026-03-02T10:00:00",
    "technician": "ada",
    "engine_family": "plain-4",
    "test": "relative_compression",
    "purpose": "drill",
    "ch1_signal": "battery_voltage",
    "ch2_signal": "ignition_primary",
}


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("file") / "a.csv"
    write_capture(path, (1.0, 0.97, 0.6, 1.02))
    return path.read_bytes()


@pytest.fixture
def house(tmp_path: Path) -> Warehouse:
    (tmp_path / "drop").mkdir()
    (tmp_path / "drop" / "engine_families.csv").write_text(FAMILIES, encoding="utf-8")
    made = Warehouse(tmp_path / "wh", create=True)
    ingest(tmp_path / "drop", made, jobs=1)
    return made


@pytest.fixture(autouse=True)
def in_this_process(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A process of its own for each file is slow to start: the first test has one, the others do without."""
    if request.function is test_an_upload_waits_for_its_label_and_is_read_with_it:
        return
    module = sys.modules["pipelines.intake.ingest"]
    monkeypatch.setattr(module, "run_all", lambda tasks, jobs, marker, **_: run_all(tasks, jobs, marker))


def state(house: Warehouse, name: str) -> dict[str, object]:
    return house.frame("captures").filter(capture_file=name).row(0, named=True)


def test_an_upload_waits_for_its_label_and_is_read_with_it(
    house: Warehouse, capture: bytes, tmp_path: Path
) -> None:
    first = upload(house, [("a.csv", capture)], by="Ida")
    (taken,) = first.taken
    assert (taken.capture_file, taken.known, taken.refused) == ("uploads/a.csv", False, None)
    assert state(house, "uploads/a.csv")["status"] == "waiting"
    entered = label(house, [{"capture_file": "uploads/a.csv", **LABEL}], by="Ida")
    assert state(house, "uploads/a.csv")["status"] == "read"
    assert house.frame("elements").height == 4
    log = house.frame("intake_log", {"rows": 50})
    assert log.filter(subject="upload")["entered_by"].to_list() == ["Ida"]
    assert log.filter(subject="captures.csv", action="added")["batch"].to_list() == [entered.batch]
    # an ordinary ingest afterwards changes nothing and forgets nothing
    before = house.frame("captures")
    summary = ingest(tmp_path / "drop", house, jobs=1)
    assert summary.worked_on == 0
    assert house.frame("captures").equals(before)


def test_the_same_bytes_are_one_capture_however_they_come(
    house: Warehouse, capture: bytes, tmp_path: Path
) -> None:
    (tmp_path / "drop" / "dropped.csv").write_bytes(capture)
    ingest(tmp_path / "drop", house, jobs=1)
    once = upload(
        house, [("b.csv", capture), ("c.csv", capture + b"\n"), ("c.csv", capture + b"\n")], by="Ida"
    )
    assert [(one.capture_file, one.known) for one in once.taken] == [
        ("dropped.csv", True),
        ("uploads/c.csv", False),
        ("uploads/c.csv", True),
    ]
    # another file of the same name gets a name of its own
    (other,) = upload(house, [("c.csv", capture + b"\n\n")], by="Ida").taken
    assert other.capture_file == "uploads/c-2.csv"
    assert (uploads.place(house) / "c.csv").read_bytes() == capture + b"\n"


@pytest.mark.parametrize(
    ("name", "content", "reason"),
    [
        ("photo.jpg", b"x", "no waveform file"),
        ("empty.csv", b"", "empty"),
        ("bad\nname.csv", b"x", "control character"),
        (".csv", b"x", "no name"),
        ("../../etc/passwd", b"x", "no waveform file"),
    ],
)
def test_what_a_drop_folder_would_not_take_is_refused_with_its_reason(
    house: Warehouse, name: str, content: bytes, reason: str
) -> None:
    (taken,) = upload(house, [(name, content)], by="Ida").taken
    assert taken.refused is not None
    assert reason in taken.refused
    assert not list(uploads.place(house).glob("*"))


def test_a_name_cannot_leave_the_folder_and_limits_hold(
    house: Warehouse, capture: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (taken,) = upload(house, [("..\\..\\up/../a.csv", capture)], by="Ida").taken
    assert taken.capture_file == "uploads/a.csv"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["drop", "wh"]
    monkeypatch.setattr(uploads, "MAX_BYTES", 10)
    (taken,) = upload(house, [("big.csv", b"x" * 11)], by="Ida").taken
    assert "MiB" in str(taken.refused)


def test_a_broken_file_is_kept_and_says_why(house: Warehouse) -> None:
    (taken,) = upload(house, [("broken.csv", b"no numbers at all\n" * 5)], by="Ida").taken
    row = state(house, str(taken.capture_file))
    assert row["status"] == "refused"
    assert (uploads.place(house) / "broken.csv").exists()


def test_a_bad_label_writes_nothing_of_any(house: Warehouse, capture: bytes) -> None:
    upload(house, [("a.csv", capture), ("b.csv", capture + b"\n")], by="Ida")
    rows = [{"capture_file": f"uploads/{n}.csv", **LABEL} for n in "ab"]
    with pytest.raises(ShopspreadError, match=r"sync_cylinder|call"):
        label(house, [rows[0], rows[1] | {"call": "perhaps"}], by="Ida")
    with pytest.raises(ShopspreadError, match="cylinder 7"):
        label(house, [rows[0], rows[1] | {"call": "odd", "call_cylinders": "7"}], by="Ida")
    with pytest.raises(ShopspreadError, match="Say who"):
        label(house, rows, by="  ")
    assert set(house.frame("captures")["status"]) == {"waiting"}
    label(house, rows, by="Ida")
    assert set(house.frame("captures")["status"]) == {"read"}


def test_label_and_upload_are_taken_back_and_nothing_is_erased(house: Warehouse, capture: bytes) -> None:
    first = upload(house, [("a.csv", capture)], by="Ida")
    entered = label(house, [{"capture_file": "uploads/a.csv", **LABEL}], by="Ida")
    kept = undo(house, first.batch, by="Olaf").kept
    assert any("undo that first" in sentence for sentence in kept)
    assert state(house, "uploads/a.csv")["status"] == "read"
    undone = undo(house, entered.batch, by="Olaf")
    assert (undone.rows, undone.captures, undone.kept) == (1, 1, ())
    assert state(house, "uploads/a.csv")["status"] == "waiting"
    assert house.frame("elements").is_empty()
    undone = undo(house, first.batch, by="Olaf")
    assert undone.kept == ()
    assert house.frame("captures").is_empty()
    ingest(None, house, jobs=1)
    assert house.frame("captures").is_empty(), "what was set aside does not come back by itself"
    (aside,) = uploads.place(house).rglob("a.csv")
    assert aside.read_bytes() == capture
    log = house.frame("intake_log", {"rows": 100})
    assert set(log.filter(action="undone")["entered_by"]) == {"Olaf"}
    # and the same file may come again
    (again,) = upload(house, [("a.csv", capture)], by="Ida").taken
    assert (again.capture_file, again.known) == ("uploads/a.csv", False)


def test_defining_a_family_reads_what_waited_for_it(house: Warehouse, capture: bytes) -> None:
    upload(house, [("a.csv", capture)], by="Ida")
    label(house, [{"capture_file": "uploads/a.csv", **LABEL, "engine_family": "new-4"}], by="Ida")
    assert "Nobody has defined the engine family 'new-4'" in str(state(house, "uploads/a.csv")["reason"])
    with pytest.raises(ShopspreadError, match="exactly once"):
        define_family(
            house,
            {
                "engine_family": "new-4",
                "cylinders": "4",
                "firing_order": "1-3-4-3",
                "sync_kind": "coil_on_plug",
            },
            by="Ida",
        )
    define_family(
        house,
        {"engine_family": "new-4", "cylinders": "4", "firing_order": "1-3-4-2", "sync_kind": "coil_on_plug"},
        by="Ida",
    )
    assert state(house, "uploads/a.csv")["status"] == "read"


# -- file names --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "name", "cells"),
    [
        (
            "{technician}_{repair_order}",
            "uploads/ada_ro-7.csv",
            {"technician": "ada", "repair_order": "ro-7"},
        ),
        (
            "{captured_at} {any} {call}",
            "2026-03-02T10.15 truck odd.csv.gz",
            {"captured_at": "2026-03-02T10:15:00", "call": "odd"},
        ),
        ("{technician}-{captured_at}", "ada-20260230.csv", {"technician": "ada"}),
        ("{technician}_{repair_order}", "nothing of the sort.csv", {}),
        (
            "{engine_family}/{technician}",
            "plain-4/ada.csv",
            {"engine_family": "plain-4", "technician": "ada"},
        ),
        ("(x) {technician}.txt", "(x) ada.txt", {"technician": "ada"}),
        ("", "ada.csv", {}),
    ],
)
def test_a_pattern_fills_in_what_a_name_says(pattern: str, name: str, cells: dict[str, str]) -> None:
    assert file_names.fields(file_names.check_pattern(pattern), name) == cells


@pytest.mark.parametrize(
    ("pattern", "reason"),
    [
        ("{who}", "no field {who}"),
        ("{technician}_{technician}", "twice"),
        ("{technician}{test}", "between them"),
        ("{technician", "brace"),
        ("plain", "at least one"),
    ],
)
def test_a_pattern_that_cannot_be_read_is_refused(pattern: str, reason: str) -> None:
    with pytest.raises(ShopspreadError, match=reason):
        file_names.check_pattern(pattern)
