"""What the command prints: results on stdout; progress, messages and troubles on stderr."""

from __future__ import annotations

import json
import math
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeElapsedColumn,
)
from rich.table import Table

from pipelines.cli import journal
from pipelines.errors import ShopspreadError
from pipelines.intake.folder import printable
from pipelines.reports.text import WIDTH, report_text
from pipelines.warehouse.settings import SETTINGS

if TYPE_CHECKING:
    from models.records.measure import Measure
    from pipelines.fit.run import FitSummary
    from pipelines.intake.summary import IntakeSummary
    from pipelines.kinds import ElementReading, Kind, Reading
    from pipelines.waveform import Waveform

# Beyond this many lines of one status a list stops being read; the rest is one `report` away.
MOST_TROUBLES = 200
# A person at the terminal reads so many facts of one capture.
MOST_FACTS = 5


def _stderr() -> Console:
    return Console(stderr=True, highlight=False)


def _stdout() -> Console:
    return Console(highlight=False, soft_wrap=not sys.stdout.isatty())


def say(message: str) -> None:
    """One message to the person at the terminal; control codes in it are shown, not acted on."""
    if journal.on():
        journal.said(_harmless(message))
        return
    _stderr().print(_harmless(message), markup=False, soft_wrap=True)


def result(text: str) -> None:
    """One line of result; control codes in it are shown, not acted on."""
    sys.stdout.write(_harmless(text) + "\n")


def confirmed(name: str, what: str) -> None:
    """Ask the person at the terminal to type a name once more before something is done for good.

    Raises:
        ShopspreadError: when nobody is there to be asked, or something else was typed; nothing was done.
    """
    if not sys.stdin.isatty():
        raise ShopspreadError(
            f"{what} Nobody can be asked here: say --yes if that is meant. Nothing was done."
        )
    sys.stderr.write(f"{_harmless(what)} Type the name once more to go on: ")
    sys.stderr.flush()
    if sys.stdin.readline().strip() != name.strip():
        raise ShopspreadError("That was not the name; nothing was done.")


def _harmless(text: str) -> str:
    return "\n".join(map(printable, text.split("\n")))


def document(value: Any) -> None:
    """A JSON document, alone on stdout."""
    sys.stdout.write(json.dumps(value, indent=2, default=str, ensure_ascii=False, allow_nan=False) + "\n")


@contextmanager
def progress(title: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar on stderr, silent where stderr is no terminal; yields step(done, total)."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=_stderr(), disable=not sys.stderr.isatty(), transient=True) as bar:
        task = bar.add_task(title, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


@contextmanager
def waiting(title: str) -> Iterator[None]:
    """A spinner on stderr for work whose length is not known, silent where stderr is no terminal."""
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=_stderr(), disable=not sys.stderr.isatty(), transient=True) as bar:
        bar.add_task(title, total=None)
        yield


def intake(summary: IntakeSummary, fit: FitSummary | None, warehouse: Path) -> None:
    """What an ingest did: counts on stdout, each trouble with its reason on stderr."""
    refused = sum(len(item.problems) for item in summary.tables)
    journal.event(
        "ingest", batch=summary.batch, worked_on=summary.worked_on, unchanged=summary.unchanged,
        captures=summary.statuses, refused_rows=refused, troubles=len(summary.troubles),
    )  # fmt: skip
    console = _stdout()
    table = Table(title="Shop tables", title_justify="left", show_edge=False)
    for heading in ("table", "rows", "new", "changed", "refused rows"):
        table.add_column(heading, justify="left" if heading == "table" else "right")
    for item in summary.tables:
        table.add_row(item.name, str(item.rows), str(item.added), str(item.changed), str(len(item.problems)))
    if summary.tables:
        console.print(table)
    counts = ", ".join(
        f"{summary.statuses.get(status, 0)} {status}" for status in ("read", "unusable", "waiting", "refused")
    )
    console.print(f"Captures in {warehouse}: {counts}.")
    console.print(f"This time: {summary.worked_on} worked on, {summary.unchanged} as they were.")
    if summary.worked_on or any(item.added or item.changed for item in summary.tables):
        console.print(f"Batch {summary.batch} (shopspread undo {summary.batch} takes it back).")
    for note in summary.notes:
        say(f"note: {note}")
    for trouble in summary.troubles[:MOST_TROUBLES]:
        say(f"{trouble.status}: {trouble.what}: {trouble.reason}")
    if len(summary.troubles) > MOST_TROUBLES:
        say(
            f"... and {len(summary.troubles) - MOST_TROUBLES} more; the dashboard's intake page lists them all."
        )
    if fit is not None:
        fitted(fit)


def fitted(summary: FitSummary) -> None:
    """What a fit found, in two lines."""
    journal.event("fit", groups=summary.groups, captures=summary.captures, seconds=round(summary.seconds, 3))
    console = _stdout()
    console.print(
        f"Fitted {summary.groups} groups of {summary.tests} tests from {summary.captures} captures in "
        f"{summary.seconds:.1f} s; "
        f"{summary.proposals} thresholds proposed anew; {summary.flagged} captures flagged."
    )


def reading(file: Path, group: str, kind: Kind, value: Reading, waveform: Waveform, *, as_json: bool) -> None:
    """One reading, as a table or as the JSON document with the names of the export views."""
    if as_json:
        document(reading_document(file, group, kind, value, waveform))
        return
    console = _stdout()
    of = f", {group}" if group else ""
    console.print(_harmless(f"{file.name}{of}: {value.status}. {value.reason}".strip()), markup=False)
    known = [
        f"{feature.title.lower()} {value.features[feature.name]:.4g}{f' {feature.unit}' if feature.unit else ''}"
        for feature in kind.features[:MOST_FACTS]
        if math.isfinite(value.features.get(feature.name, math.nan))
    ]
    if known:
        console.print("; ".join(known) + ".", markup=False)
    for measure in kind.measures:
        rows = [one for one in value.elements if (one.measure or kind.measures[0].name) == measure.name]
        if rows:
            console.print(_element_table(kind, measure, rows))
            reminder = f"100 % is {measure.against}. Only the odd one out counts. {kind.wording.reminder}"
            console.print(reminder.strip())
    if waveform.read_as:
        say(f"read as: {waveform.read_as}. Where that is wrong, say so in a file text_format.json beside it.")
    for note in waveform.notes:
        say(f"note: {note}")
    for check in value.checks:
        say(f"{check.severity}: {check.check}: {check.detail}")


def _element_table(kind: Kind, measure: Measure, rows: Sequence[ElementReading]) -> Table:
    table = Table(show_edge=False)
    for heading in (kind.element.noun, "position", measure.title.lower(), "± (standard error)"):
        table.add_column(heading, justify="right")
    for one in rows:
        name = "?" if one.element is None else str(one.element)
        if one.companion is not None:
            name += f" or {one.companion}"
        table.add_row(name, f"no. {one.position}", f"{one.relative_pct:.1f} %", f"{one.se_pct:.1f} %")
    return table


def reading_document(
    file: Path, group: str, kind: Kind, value: Reading, waveform: Waveform
) -> dict[str, Any]:
    """A reading as plain data; an unknown number is null."""
    facts = {name: (number if number == number else None) for name, number in value.features.items()}
    cells = [
        {
            "element": one.element,
            "position": one.position,
            "measure": one.measure or kind.measures[0].name,
            "relative_pct": one.relative_pct,
            "se_pct": one.se_pct,
            "identified": one.identified,
            "companion": one.companion,
        }
        for one in value.elements
    ]
    found: dict[str, Any] = {
        "capture_file": str(file),
        "test": kind.name,
        "engine_family": group or None,
        "status": value.status,
        "reason": value.reason or None,
        "elements": cells,
        "checks": [{"check": c.check, "severity": c.severity, "detail": c.detail} for c in value.checks],
        "features": facts,
        "notes": [*waveform.notes, *value.notes],
        "read_as": waveform.read_as or None,
        "reader_version": value.reader_version,
    }
    if kind.also_as is not None:
        found |= kind.also_as(facts, cells)
    return found


def report(value: dict[str, Any], *, as_json: bool) -> None:
    """The report, as a page or as its document."""
    if as_json:
        document(value)
        return
    columns = shutil.get_terminal_size((WIDTH, 24)).columns
    _stdout().print(_harmless(report_text(value, columns)), markup=False)


def settings(values: Mapping[str, Any], name: str | None, *, as_json: bool) -> None:
    """Settings with what each means; all, or the one named."""
    shown = {key: value for key, value in values.items() if name is None or key == name}
    if as_json:
        document(shown)
        return
    for key, value in shown.items():
        result(f"{key} = {json.dumps(value)}\n    {SETTINGS[key].help}")
