"""One technician's sheet on one A4 page: friendly, with n and interval, as HTML and as PDF."""

from __future__ import annotations

import datetime as dt
import html as escape
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from string import Template
from typing import Any

import polars as pl
import vl_convert
from fpdf import FPDF

from dashboard.shared import chart as charts
from dashboard.shared import palette, skills, words
from models.people.coaching import CoachingList
from models.people.skill import TechnicianSkill

MOST_LINES = 9
DRILL_WEEKS = 4  # a drill of a week longer past is history, not something to do
CHART_PX = (620, 170)
MARGIN_MM = 14
SIZES = (1.0, 0.92, 0.84, 0.76, 0.68)
CHART_NOTE = (
    "Dots: the share of usable captures each week, larger where there were more; line and band: the trend with its "
    "95 % interval; upright line: a coaching session."
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the page says.

    Attributes:
        going_well, to_work_on: friendly sentences, each with its n.
        figures: what, sentence; together: file, day, why of captures to look at together.
        chart: Vega-Lite document of the usable share over time, or None where there is nothing to draw.
    """

    technician: str
    as_of: dt.date
    opening: str
    going_well: tuple[str, ...]
    to_work_on: tuple[str, ...]
    figures: tuple[tuple[str, str], ...]
    together: tuple[dict[str, Any], ...]
    chart: str | None


def gather(
    skill: TechnicianSkill,
    found: CoachingList,
    frames: Mapping[str, pl.DataFrame],
    as_of: dt.date,
    coached: list[dt.date],
) -> Sheet:
    """Gather a technician's sheet."""
    items = [item for item in found.items if item.technician == skill.technician]
    together = [skills.capture_words(frames, name) for item in items for name in item.captures]
    rows = skills.curve_rows(skill.usable_by_week)
    chart = None
    if rows.height > 1:
        drawn = charts.trend.build(rows, "Usable captures", coached).properties(
            width=CHART_PX[0], height=CHART_PX[1]
        )
        chart = drawn.to_json()
    return Sheet(
        technician=skill.technician,
        as_of=as_of,
        opening=(
            f"{words.plural(skill.captures, 'capture')} so far, {skill.practice} of them practice. "
            f"{skills.drills_sentence(skill)} Thank you for every one of them: each makes the shop's picture of a "
            "healthy engine sharper."
        ),
        going_well=_going_well(skill),
        to_work_on=_to_work_on(skill, found, as_of),
        figures=tuple((line.what, line.sentence) for line in skills.lines(skill))[:MOST_LINES],
        together=tuple(one for one in together if one is not None)[:3],
        chart=chart,
    )


def _going_well(skill: TechnicianSkill) -> tuple[str, ...]:
    good = []
    for measure, estimate, text in (
        ("usable", skill.usable, "Your captures can be read"),
        ("right", skill.corrected.right, "Your calls are right"),
        ("hookup", skill.hookup, "Your hookup is the shop's, time after time"),
    ):
        usual = skill.usual.get(measure)
        if usual is not None and estimate.estimate is not None and estimate.estimate >= usual:
            good.append(f"{text}: {words.share(estimate)}.")
    for change, text in (
        (skill.usable_per_month, "More of your captures can be read every month"),
        (skill.calls_per_month, "More of your confirmed calls are right every month"),
    ):
        if words.clear_sign(change) > 0:
            good.append(f"{text}: {words.points(change)}.")
    if skill.drills.target and skill.drills.done == skill.drills.target:
        good.append(f"You did every drill that was asked for ({skill.drills.done}).")
    return tuple(good[:3]) or ("It is early days; every capture from here on helps to see what goes well.",)


def _to_work_on(skill: TechnicianSkill, found: CoachingList, as_of: dt.date) -> tuple[str, ...]:
    items = [item for item in found.items if item.technician == skill.technician]
    work = [
        f"Let us look together at {skills.TOPIC_WORDS.get(item.topic, item.topic)}: {skills.item_evidence(item)}"
        for item in items
    ]
    worst = skill.failing_checks.filter(pl.col("evident"))
    if not work and worst.height:
        row = worst.row(0, named=True)
        name = skills.check_words(row["check"])
        work.append(f"One thing to watch next time: {name} ({row['captures']} of {row['of']} captures).")
    lately = skill.drills.by_week.filter(pl.col("week") > as_of - dt.timedelta(weeks=DRILL_WEEKS, days=6))
    asked, done = int(lately["target"].sum()), int(lately["done"].sum())
    if done < asked:
        drills = words.plural(asked, "drill capture")
        work.append(f"Of the {drills} asked for in the last {DRILL_WEEKS} weeks, {done} were done.")
    return tuple(work[:3]) or ("Nothing stands out. Carry on, and show somebody else how you do it.",)


def file_name(page: Sheet, suffix: str) -> str:
    """A file name without anything a file system minds."""
    safe = re.sub(r"[^A-Za-z0-9_-]+", "-", page.technician).strip("-") or "technician"
    return f"sheet-{safe}-{page.as_of.isoformat()}.{suffix}"


def html(page: Sheet) -> str:
    """The sheet as one HTML file that prints to one A4 page; nothing in it is loaded from elsewhere."""

    def items(sentences: tuple[str, ...]) -> str:
        return "".join(f"<li>{escape.escape(sentence)}</li>" for sentence in sentences)

    figures = "".join(
        f"<tr><th>{escape.escape(what)}</th><td>{escape.escape(sentence)}</td></tr>"
        for what, sentence in page.figures
    )
    together = "".join(
        f"<li><b>{escape.escape(one['capture_file'])}</b> ({one['day']}): {escape.escape(one['why'])}</li>"
        for one in page.together
    )
    return _template().substitute(
        technician=escape.escape(page.technician),
        as_of=page.as_of.isoformat(),
        opening=escape.escape(page.opening),
        going_well=items(page.going_well),
        to_work_on=items(page.to_work_on),
        figures=figures,
        together=f"<h2>Captures to look at together</h2><ul>{together}</ul>" if together else "",
        chart=_chart_html(page.chart),
        ink=palette.INK,
        usual=palette.USUAL,
    )


@cache
def _template() -> Template:
    return Template((resources.files("dashboard.documents") / "sheet.html").read_text(encoding="utf-8"))


def _chart_html(chart: str | None) -> str:
    if chart is None:
        return ""
    drawing = vl_convert.vegalite_to_svg(chart)
    return f"<h2>How it has gone</h2>{drawing}<p class='small'>{escape.escape(CHART_NOTE)}</p>"


def pdf(page: Sheet) -> bytes:
    """The sheet as a PDF of one A4 page; a long text is set smaller so that it stays one."""
    for size in SIZES:
        paper = _paper(page, size)
        if paper.get_y() <= paper.h - MARGIN_MM:
            break
    return bytes(paper.output())


def _paper(page: Sheet, size: float) -> FPDF:
    paper = FPDF(format="A4")
    paper.set_auto_page_break(auto=False)
    paper.set_margins(18, MARGIN_MM, 18)
    family = _font(paper)
    paper.add_page()
    paper.set_title(f"Sheet of {page.technician}")

    def write(text: str, *, points: float, bold: bool = False, gap: float = 1.0, grey: bool = False) -> None:
        paper.set_font(family, "B" if bold else "", size * points)
        paper.set_text_color(110 if grey else 35)
        paper.multi_cell(0, size * points * 0.46, _known(text, family), new_x="LMARGIN", new_y="NEXT")
        paper.ln(size * gap)

    write(page.technician, points=20, bold=True)
    write(f"Scope work up to {page.as_of.isoformat()}. For a talk, not a mark.", points=9, grey=True)
    write(page.opening, points=10, gap=2)
    for heading, sentences in (
        ("What goes well", page.going_well),
        ("What to work on next", page.to_work_on),
    ):
        write(heading, points=12.5, bold=True)
        for sentence in sentences:
            write(f"- {sentence}", points=10)
        paper.ln(size)
    if page.together:
        write("Captures to look at together", points=12.5, bold=True)
        for one in page.together:
            write(f"- {one['capture_file']} ({one['day']}): {one['why']}", points=9)
        paper.ln(size)
    write("The figures", points=12.5, bold=True)
    for what, sentence in page.figures:
        write(f"{what}: {sentence}", points=9, gap=0.4)
    if page.chart is not None:
        write("How it has gone", points=12.5, bold=True)
        image = io.BytesIO(vl_convert.vegalite_to_png(page.chart, scale=2))
        paper.image(image, w=paper.epw * (size - 0.05))
        write(CHART_NOTE, points=8, grey=True)
    return paper


def _font(paper: FPDF) -> str:
    """A font that knows more than Latin letters where this machine has one, else the built-in one."""
    folder = Path("/usr/share/fonts/truetype/dejavu")
    plain, bold = folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"
    if plain.exists() and bold.exists():
        paper.add_font("sheet", "", plain)
        paper.add_font("sheet", "B", bold)
        return "sheet"
    return "helvetica"


def _known(text: str, family: str) -> str:
    """Text the built-in font can set; a letter it does not know becomes a question mark."""
    plain = text.replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ")
    return plain if family != "helvetica" else plain.encode("latin-1", "replace").decode("latin-1")
