"""Names with marks of Markdown, HTML, formulas or terminals in them are shown as written, everywhere.

Outside sources: CommonMark 0.31 (which marks act, and that a backslash takes their force), the CSV injection
page of OWASP (which leading characters a spreadsheet takes for a formula), ECMA-48 (control sequences).
"""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from dashboard.documents import sheet
from dashboard.documents.digest import render
from dashboard.shared import inert
from pipelines.cli import output
from pipelines.fit.run import fit_warehouse
from pipelines.formulas import no_formulas
from pipelines.intake.ingest import ingest
from pipelines.reports.week import waits_of, week_of
from pipelines.warehouse import people
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import CHROMIUM, chromium, served, visit
from tests.small_shop import FAMILIES, log_row, write_capture, write_log

ROOT = Path(__file__).parents[1]
PEOPLE = (
    "![x](http://evil.example/a.png)",
    "[click](http://evil.example)",
    "**Boss**",
    "<img src=http://evil.example/b.png onerror=alert(1)>",
    "=HYPERLINK(http://evil.example)",
    "$x^2$",
    ":red[Ann]",
    "http://evil.example/c",
    ":material/delete:",
    "`code`",
)
FAMILY = "![f](http://evil.example/f.png)"
FILE = "week1/![x](b.png) **one** [l](l).csv"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("inert")
    drop = folder / "drop"
    drop.mkdir()
    (drop / "engine_families.csv").write_text(f"{FAMILIES}{FAMILY},4,1-3-4-2,,coil_on_plug\n")
    rows = []
    write_capture(drop / FILE, (1, 1, 0.6, 1), seed=1)
    first = drop / FILE
    for number, person in enumerate(PEOPLE):
        name = FILE if number == 0 else f"week1/c{number}.csv"
        if number:
            shutil.copy(first, drop / name)
        rows.append(log_row(name, technician=person, engine_family=FAMILY, repair_order=f"**R{number}**"))
    write_log(drop, *rows)
    (drop / "week1/waits ![x](http-evil).csv").write_bytes(first.read_bytes())
    house = Warehouse(folder / "w", create=True)
    assert ingest(drop, house, jobs=1).statuses == {"read": len(PEOPLE), "waiting": 1}
    fit_warehouse(house)
    return folder / "w"


def test_every_mark_of_a_name_is_escaped_and_plain_names_are_not_touched() -> None:
    frame = pl.DataFrame(
        {"technician": [*PEOPLE, "Ann", "week_1/even_0.csv", "O'Brien", "M\u00fcller-2", "3-4"]}
    )
    names = inert.active_names([frame])
    assert set(names) == set(PEOPLE)
    text = inert.shown("**Figures** of `**Boss**` and $x^2$, n = 3", names)
    assert text == "**Figures** of \\*\\*Boss\\*\\* and \\$x\\^2\\$, n = 3"
    assert inert.shown("no names here: `code`", ("zz",)) == "no names here: `code`"


def test_a_name_inside_another_is_escaped_once() -> None:
    assert inert.shown("a *b* and *b*!", inert.active_names([pl.DataFrame({"n": ["*b*", "a *b*"]})])) == (
        "a \\*b\\* and \\*b\\*!"
    )


def test_saved_tables_hold_no_formulas_and_their_numbers_stay_numbers() -> None:
    frame = pl.DataFrame(
        {
            "name": [
                "=1+1",
                "+cmd|x",
                "-2+3*4",
                "@SUM(A1)",
                "\tx",
                "Ann",
                "a=b",
                "-1.2 % (-3 to 0.4)",
                "+0.5",
                None,
            ],
            "value": [-1.5] * 10,
        }
    )
    safe = no_formulas(frame)
    assert safe["name"].to_list() == [
        "'=1+1", "'+cmd|x", "'-2+3*4", "'@SUM(A1)", "'\tx", "Ann", "a=b", "-1.2 % (-3 to 0.4)", "+0.5", None,
    ]  # fmt: skip
    assert safe["value"].equals(frame["value"])


def test_a_persons_files_hold_no_formulas(shop: Path, tmp_path: Path) -> None:
    written = people.person(Warehouse(shop), "=HYPERLINK(http://evil.example)", tmp_path / "theirs")
    files = [tmp_path / "theirs" / name for name in written if name.endswith(".csv")]
    cells = [cell for file in files for row in csv.reader(file.read_text().splitlines()) for cell in row]
    assert "'=HYPERLINK(http://evil.example)" in cells
    assert not [cell for cell in cells if cell.startswith("=")]


@pytest.fixture(scope="module")
def address(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(shop, tmp_path_factory.mktemp("elsewhere")) as url:
        yield url


@pytest.mark.xdist_group("browser")
@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; .ci/run installs it")
def test_no_page_acts_on_a_name(address: str) -> None:
    asked: list[str] = []
    with chromium() as browser:
        page = browser.new_page()
        page.on("request", lambda request: asked.append(request.url))
        texts = {}
        for name in ("", "spread", "thresholds", "known_good", "capture", "technicians", "intake"):
            visit(page, f"{address}/{name}")
            assert (
                page.locator(
                    "a[href^='http'][href*='evil'], img[src*='evil'], a[href='l'], img[src='b.png']"
                ).count()
                == 0
            ), name
            assert page.locator("strong", has_text="Boss").count() == 0
            assert page.locator(".katex").count() == 0
            texts[name] = page.locator("[data-testid='stMain']").inner_text().replace(inert.JOINER, "")
    assert not [url for url in asked if "evil" in url]
    # Shown as written: the family on a page about families, a waiting file on the intake page.
    assert FAMILY in texts["thresholds"]
    assert "waits ![x](http-evil).csv" in texts["intake"]


def test_the_digest_and_the_sheet_act_on_no_name(shop: Path) -> None:
    house = Warehouse(shop)
    day = house.frame("last_day")["last_day"][0]
    week = week_of(house, day)
    text = render(week, waits_of(house, week))
    assert "<img src=http" not in text
    assert "&lt;img" in text or "evil.example/b.png" not in text
    page = sheet.Sheet(
        PEOPLE[3], day, PEOPLE[3], (PEOPLE[3],), (PEOPLE[3],), ((PEOPLE[3], PEOPLE[3]),), (), None
    )
    assert "<img" not in sheet.html(page)


def test_control_codes_in_names_do_not_reach_a_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output.say("refused: \x1b]0;owned\x07evil\x1b[2J.csv\nsecond\u202e line")
    output.result("\x1b[31mred\x9b")
    said = capsys.readouterr()
    assert "\x1b" not in said.err + said.out
    assert "\x07" not in said.err
    assert "\u202e" not in said.err
    assert "second" in said.err
    assert "\x9b" not in said.out
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "engine_families.csv").write_text(FAMILIES)
    (drop / "technicians.csv").write_text("technician,started_on\n\x1b[2Jbo,soon\n" + "ada,2025-01-06\n" * 90)
    done = subprocess.run(
        [sys.executable, "-c", "from pipelines.cli import main; main()", "ingest", "drop", "--no-fit"],
        cwd=tmp_path, env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"}, capture_output=True, text=True,
        check=False, timeout=120,
    )  # fmt: skip
    assert "\x1b" not in done.stdout + done.stderr
    assert "x1b" in done.stderr
