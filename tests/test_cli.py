"""The command as its users call it: what stands on stdout, what on stderr, and the exit status."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.cli.app import app, main
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.settings import SETTINGS
from tests.small_shop import FAMILIES, log_row, small_drop, write_capture

ROOT = Path(__file__).parents[1]


def shopspread(*words: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", "from pipelines.cli import main; main()", *map(str, words)],
        cwd=cwd,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "HOME": str(cwd), "COLUMNS": "100"},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a drop folder and the warehouse ingested from it."""
    folder = tmp_path_factory.mktemp("cli")
    small_drop(folder / "drop")
    done = shopspread("ingest", "drop", "--jobs", "1", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "4 read, 0 unusable, 0 waiting, 0 refused" in done.stdout
    return folder


def test_help_names_every_sub_command_and_each_has_its_own(tmp_path: Path) -> None:
    helped = shopspread("--help", cwd=tmp_path)
    assert helped.returncode == 0
    names = [
        command.name or command.callback.__name__ for command in app.registered_commands if command.callback
    ]
    assert {"ingest", "read", "fit", "report", "dashboard", "demo"} <= set(names)
    for name in names:
        assert name in helped.stdout
        own = shopspread(name, "--help", cwd=tmp_path)
        assert own.returncode == 0
        assert "--help" in own.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("nonsense",),
        ("ingest",),
        ("ingest", "no-such-folder"),
        ("report", "--warehouse", "no-such-warehouse"),
        ("report", "--as-of", "yesterday"),
        ("fit", "--warehouse", "no-such-warehouse"),
        ("read", "no-such-file.csv", "--family-file", "f.csv", "--engine-family", "x"),
        ("settings", "no_such_setting", "--warehouse", "no-such-warehouse"),
        ("dashboard", "--port", "0"),
    ],
)
def test_a_wrong_call_ends_with_status_2_and_says_why(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = shopspread(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.strip()
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_what_waits_is_named_on_stderr_with_status_1(tmp_path: Path) -> None:
    drop = tmp_path / "drop"
    small_drop(drop)
    write_capture(drop / "early.csv", (1, 1, 1, 1))
    (drop / "broken.csv").write_text("")
    with (drop / "captures.csv").open("a") as file:
        file.write(log_row("broken.csv") + "\n")
    done = shopspread("ingest", drop, "--warehouse", tmp_path / "w", "--no-fit", "--jobs", "1", cwd=tmp_path)
    assert done.returncode == 1
    assert "waiting: early.csv: " in done.stderr
    assert "refused: broken.csv: " in done.stderr
    assert "4 read, 0 unusable, 1 waiting, 1 refused" in done.stdout


def test_read_gives_each_cylinder_with_its_standard_error(shop: Path) -> None:
    words = (
        "read",
        "drop/week1/weak.csv",
        "--family-file",
        "drop/engine_families.csv",
        "--engine-family",
        "plain-4",
    )
    text = shopspread(*words, cwd=shop)
    assert text.returncode == 0, text.stderr
    assert "not a pressure" in text.stdout
    done = shopspread(*words, "--json", cwd=shop)
    assert done.returncode == 0
    value = json.loads(done.stdout)
    assert value["status"] == "read"
    assert [c["cylinder"] for c in value["cylinders"]] == [1, 3, 4, 2]
    lowest = min(value["cylinders"], key=lambda c: c["relative_pct"])
    assert lowest["cylinder"] == 4
    assert all(c["se_pct"] > 0 for c in value["cylinders"])


def test_read_names_the_families_there_are(shop: Path) -> None:
    done = shopspread(
        "read",
        "drop/week1/weak.csv",
        "--family-file",
        "drop/engine_families.csv",
        "--engine-family",
        "x",
        cwd=shop,
    )
    assert done.returncode == 2
    assert "plain-4" in done.stderr


def test_read_refuses_an_unreadable_file_with_status_1(tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_bytes(b"\x00\xff" * 100)
    (tmp_path / "f.csv").write_text(FAMILIES)
    done = shopspread("read", "bad.csv", "--family-file", "f.csv", "--engine-family", "plain-4", cwd=tmp_path)
    assert done.returncode == 1
    assert "refused" in done.stderr


def test_the_report_document_keeps_its_promises(shop: Path) -> None:
    done = shopspread("report", "--json", cwd=shop)
    assert done.returncode == 0, done.stderr
    value = json.loads(done.stdout)
    assert value["captures"] == {"read": 4, "unusable": 0, "waiting": 0, "refused": 0}
    assert {"eligible_orders", "scoped_orders", "share"} <= set(value["adoption"])
    assert {"scoped", "not_scoped", "risk_difference"} <= set(value["comebacks"]["crude"])
    assert {"risk_difference", "method", "adjusted_for", "caution"} <= set(value["comebacks"]["adjusted"])
    technician = value["technicians"][0]
    assert technician["technician"] == "ada"
    assert technician["captures"] == 4
    assert {"usable", "calls", "drills", "adoption", "trend", "coaching"} <= set(technician)
    families = {family["engine_family"]: family for family in value["families"]}
    assert families["plain-4"]["captures"] == 4
    assert set(families["plain-4"]["pattern_pct"]) == {"1", "2", "3", "4"}
    # A family without a single capture borrows from all others, and says so.
    assert families["plain-6"]["captures"] == 0
    assert families["plain-6"]["threshold_pct"] > 0


def _estimates(value: object) -> list[dict[str, object]]:
    found = []
    if isinstance(value, dict):
        if "estimate" in value and "limit" not in value:
            found.append(value)
        for part in value.values():
            found += _estimates(part)
    elif isinstance(value, list):
        for part in value:
            found += _estimates(part)
    return found


def test_every_estimate_stands_with_n_and_interval_or_says_why_not(shop: Path) -> None:
    estimates = _estimates(json.loads(shopspread("report", "--json", cwd=shop).stdout))
    assert len(estimates) > 10
    for estimate in estimates:
        assert {"n", "estimate", "low", "high"} <= set(estimate)
        if estimate["estimate"] is None:
            assert estimate["why"]
        else:
            assert estimate["low"] <= estimate["estimate"] <= estimate["high"]  # type: ignore[operator]


def test_the_report_fits_a_page(shop: Path) -> None:
    done = shopspread("report", cwd=shop)
    assert done.returncode == 0
    assert len(done.stdout.splitlines()) < 60
    assert "Do scoped jobs come back less?" in done.stdout
    assert "causes" not in done.stdout


def test_settings_are_shown_changed_and_logged(shop: Path) -> None:
    shown = shopspread("settings", cwd=shop)
    assert shown.returncode == 0
    assert all(name in shown.stdout for name in SETTINGS)
    changed = shopspread("settings", "comeback_window_days", "45", "--by", "mira", cwd=shop)
    assert changed.returncode == 0
    value = json.loads(shopspread("report", "--json", cwd=shop).stdout)
    assert value["comebacks"]["window_days"] == 45
    wrong = shopspread("settings", "comeback_window_day", "45", cwd=shop)
    assert wrong.returncode == 2
    assert "comeback_window_days" in wrong.stderr
    assert shopspread("settings", "comeback_window_days", "-3", cwd=shop).returncode == 2


def test_the_digest_is_one_file_with_its_pictures_inside(shop: Path) -> None:
    done = shopspread("digest", "--week", "2026-03-04", "--output", "digest.html", cwd=shop)
    assert done.returncode == 0, done.stderr
    page = (shop / "digest.html").read_text()
    assert "What needs a decision" in page
    assert "data:image/png;base64," in page
    assert "http" not in page.replace("http-equiv", "")
    # the odd one is practice, for which nobody waits; it is counted all the same
    assert "captures flagged as odd" in page


def test_the_version_of_the_data_survives_a_second_fit(shop: Path) -> None:
    first = shopspread("fit", cwd=shop)
    assert first.returncode == 0
    assert "0 thresholds proposed anew" in shopspread("fit", cwd=shop).stdout


def test_each_slip_at_the_terminal_gets_its_own_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In this process: nine programs would have to start otherwise."""
    monkeypatch.chdir(tmp_path)
    Warehouse(tmp_path / "house", create=True)

    def called(*words: str) -> tuple[object, str, str]:
        monkeypatch.setattr(sys, "argv", ["shopspread", *words])
        with pytest.raises(SystemExit) as left:
            main()
        said = capsys.readouterr()
        return left.value.code, said.out, " ".join(said.err.split())

    slips = {
        ("settings", "cost_miss", "-700", "--by", "mira"): "-700 is outside 0 to",
        ("settings", "cost_miss", "700"): "--by NAME",
        ("digest", "--week", "2099-03-02"): "has not begun yet",
        ("report", "--as-of", "2099-03-02"): "has not begun yet",
    }
    for words, sentence in slips.items():
        status, out, err = called(*words, "--warehouse", "house")
        assert (status, out) == (2, ""), words
        assert sentence in err, err
    status, _, err = called("dashboard", "--warehouse", "hause")
    assert status == 2
    assert "did you mean house?" in err
    assert not (tmp_path / "hause").exists(), "no empty warehouse is made of a slip"


def test_the_report_fits_the_terminal() -> None:
    from pipelines.reports.text import _fitted

    line = "  ridge-3.0-v6         47          3    1.3 %     5.5 %  0 % [0 to 36]    - (n 4)"
    for width in (40, 60, 80):
        lines = _fitted(line, width)
        assert max(map(len, lines)) <= width
        assert " ".join(lines).split() == line.split(), "every figure is kept"
    assert _fitted(line, 92) == [line]
    assert _fitted("x" * 50, 40) == ["x" * 40, "  " + "x" * 10], "a word that is too long is cut, not lost"
