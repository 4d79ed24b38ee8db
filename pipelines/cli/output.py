"""What the command prints: results on stdout; progress, messages and troubles on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Mapping
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

from pipelines.intake.folder import printable
from pipelines.reports.text import report_text
from pipelines.warehouse.settings import SETTINGS

if TYPE_CHECKING:
    from pipelines.fit.run import FitSummary
    from pipelines.intake.ingest import IntakeSummary
    from pipelines.kinds import Reading

# Beyond this many lines of one status a list stops being read; the rest is one `report` away.
MOST_TROUBLES = 200


def _stderr() -> Console:
    return Console(stderr=True, highlight=False)


def _stdout() -> Console:
    return Console(highlight=False, soft_wrap=not sys.stdout.isatty())


def say(message: str) -> None:
    """One message to the person at the terminal; control codes in it are shown, not acted on."""
    _stderr().print(_harmless(message), markup=False, soft_wrap=True)


def result(text: str) -> None:
    """One line of result; control codes in it are shown, not acted on."""
    sys.stdout.write(_harmless(text) + "\n")


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
    console = _stdout()
    console.print(
        f"Fitted {summary.families} engine families from {summary.captures} captures in {summary.seconds:.1f} s; "
        f"{summary.proposals} thresholds proposed anew; {summary.flagged} captures flagged."
    )


def reading(file: Path, engine_family: str, value: Reading, *, as_json: bool) -> None:
    """One reading, as a table or as the JSON document with the names of the export views."""
    if as_json:
        document(reading_document(file, engine_family, value))
        return
    console = _stdout()
    facts = value.features
    known = [
        f"{facts[name]:.{digits}f} {unit}"
        for name, digits, unit in (
            ("cycles", 0, "cycles"),
            ("crank_rpm", 0, "rpm while cranking"),
            ("rest_v", 2, "V at rest"),
            ("crank_min_v", 2, "V lowest while cranking"),
        )
        if name in facts and facts[name] == facts[name]
    ]
    console.print(
        _harmless(f"{file.name}, {engine_family}: {value.status}. {value.reason}".strip()), markup=False
    )
    if known:
        console.print(", ".join(known) + ".")
    if value.cylinders:
        table = Table(show_edge=False)
        for heading in ("cylinder", "fires as", "relative compression", "± (standard error)"):
            table.add_column(heading, justify="right")
        for cylinder in value.cylinders:
            name = "?" if cylinder.cylinder is None else str(cylinder.cylinder)
            if cylinder.companion is not None:
                name += f" or {cylinder.companion}"
            table.add_row(
                name,
                f"no. {cylinder.firing_position}",
                f"{cylinder.relative_pct:.1f} %",
                f"{cylinder.se_pct:.1f} %",
            )
        console.print(table)
        console.print(
            "100 % is this capture's median cylinder. Only the odd one out counts; this is not a pressure."
        )
    for check in value.checks:
        say(f"{check.severity}: {check.check}: {check.detail}")


def reading_document(file: Path, engine_family: str, value: Reading) -> dict[str, Any]:
    """A reading as plain data; an unknown number is null."""
    facts = {name: (number if number == number else None) for name, number in value.features.items()}
    return {
        "capture_file": str(file),
        "engine_family": engine_family,
        "status": value.status,
        "reason": value.reason or None,
        **{name: facts.get(name) for name in ("cycles", "crank_rpm", "rest_v", "crank_min_v")},
        "cylinders": [
            {
                "cylinder": c.cylinder,
                "firing_position": c.firing_position,
                "relative_pct": c.relative_pct,
                "se_pct": c.se_pct,
                "identified": c.identified,
                "companion": c.companion,
            }
            for c in value.cylinders
        ],
        "checks": [{"check": c.check, "severity": c.severity, "detail": c.detail} for c in value.checks],
        "features": facts,
        "reader_version": value.reader_version,
    }


def report(value: dict[str, Any], *, as_json: bool) -> None:
    """The report, as a page or as its document."""
    if as_json:
        document(value)
        return
    _stdout().print(_harmless(report_text(value)), markup=False)


def settings(values: Mapping[str, Any], name: str | None, *, as_json: bool) -> None:
    """Settings with what each means; all, or the one named."""
    shown = {key: value for key, value in values.items() if name is None or key == name}
    if as_json:
        document(shown)
        return
    for key, value in shown.items():
        result(f"{key} = {json.dumps(value)}\n    {SETTINGS[key].help}")
