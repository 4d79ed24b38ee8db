"""The printed sheet: one A4 page, the same said in every form, nothing loaded."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import pytest

from dashboard.documents import sheet
from tests.browser_dashboard import CHROMIUM, chromium


def page(name: str = "Ada <b>", sentences: int = 3, length: int = 1) -> sheet.Sheet:
    long = "Your hookup is the shop's, time after time: 91 % (95 % interval 80 to 97 %, n = 44). " * length
    return sheet.Sheet(
        technician=name,
        as_of=dt.date(2026, 10, 30),
        opening="44 captures so far, 30 of them practice.",
        going_well=(long,) * sentences,
        to_work_on=(long,) * sentences,
        figures=tuple((f"Figure {i}", "72 % (95 % interval 55 to 87 %, n = 25)") for i in range(9)),
        together=({"capture_file": "w/1.csv", "day": "2026-10-01", "why": long},) * 3,
        chart=None,
    )


@pytest.mark.parametrize("length", [1, 4])
def test_the_pdf_is_one_a4_page(length: int) -> None:
    content = sheet.pdf(page(length=length))
    assert content.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b(?!s)", content)) == 1
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert box is not None
    # A4 after ISO 216: 210 mm by 297 mm, in points of 1/72 inch
    assert [float(v) for v in box.groups()] == pytest.approx([210 / 25.4 * 72, 297 / 25.4 * 72], abs=0.1)


def test_the_html_says_the_same_and_loads_nothing() -> None:
    text = sheet.html(page())
    assert "Ada &lt;b&gt;" in text
    assert "<b>, " not in text
    assert "n = 25" in text
    assert not re.search(r'(src|href)="?http', text)
    assert "@page { size: A4" in text


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; .ci/run installs it")
@pytest.mark.xdist_group("pages")
def test_the_html_prints_to_one_a4_page(tmp_path: Path) -> None:
    target = tmp_path / "sheet.html"
    target.write_text(sheet.html(page(length=2)), encoding="utf-8")
    with chromium() as browser:
        tab = browser.new_page()
        tab.goto(target.as_uri())
        content = tab.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", content)) == 1


def test_a_file_name_is_safe() -> None:
    assert sheet.file_name(page("a/../b c"), "pdf") == "sheet-a-b-c-2026-10-30.pdf"
