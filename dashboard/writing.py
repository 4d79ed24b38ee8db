"""Everything the dashboard writes.

Each function has a rule, `needs`: the right it asks for at this very moment. It takes `by`, the name
`dashboard.shared.who` gives, and keeps it; where people sign in it is the name they signed in with, whatever was given.
What comes back, refusals too, names nobody whose name the person may not see.
"""

from __future__ import annotations

import datetime as dt
import io
import subprocess
import sys
import threading
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from dashboard import access, data, shops
from dashboard.launch import environment
from dashboard.rules import hiding_from, needs
from models.records.shops import MARK, qualified
from pipelines.access.hiding import OTHERS
from pipelines.access.roles import Right, Viewer
from pipelines.access.sight import MONEY, seen
from pipelines.errors import ShopspreadError
from pipelines.intake import entry, form, written
from pipelines.intake.entry import Uploaded
from pipelines.intake.form import Entered
from pipelines.intake.table_specs import COACHED, OF_A_SHOP
from pipelines.intake.undo import Undone, keys_of
from pipelines.intake.undo import undo as run_undo
from pipelines.warehouse import decisions, marks
from pipelines.warehouse.decisions import Place


@needs(Right.ENTER)
def start() -> None:
    """Make a warehouse where there is none yet."""
    data.warehouse(create=True)


@needs(Right.DECIDE, of=lambda place, *_, **__: [place.group])
def set_threshold(place: Place, threshold_pct: float, *, set_by: str, reason: str, seen_version: int) -> int:
    """Write a new threshold version; see `pipelines.warehouse.decisions.set_threshold`.

    Raises:
        ThresholdConflict: when somebody else saved first.
        ShopspreadError: when name, reason or value are missing or senseless.
    """
    return decisions.set_threshold(
        data.warehouse(), place, threshold_pct, set_by=set_by, reason=reason, seen_version=seen_version
    )


@needs(Right.SET, of=lambda *_, **__: [""])
def set_settings(changes: Mapping[str, Any], *, seen: Mapping[str, Any], set_by: str) -> None:
    """Change some of the shop's settings, all or none; the old values stay in the log.

    Raises:
        SettingConflict: when somebody else has changed one of them since it was looked at.
        ShopspreadError: when a value may not stand, or nobody is named.
    """
    if not set_by.strip():
        raise ShopspreadError("Say who decides this; the name is kept with the change.")
    decisions.set_settings(data.warehouse(), changes, set_by=set_by, seen=seen)


def _right(table: str) -> Right:
    return Right.COACH if table in ("drills", "coaching", "technicians") else Right.ENTER


def _unseen_cells(order: str, looks: Viewer) -> dict[str, tuple[str, str]]:
    """The cells of a job that the person who looks is not shown as they stand: how they stand, how they are shown.

    A form sends back what it was shown; without these a correction of one cell would empty the hidden ones.
    """
    stamp = data.stamp()
    found = data.Frames(stamp)["orders"].filter(pl.col("repair_order") == order)
    if found.is_empty() or looks.all_rights:
        return {}
    shown = seen(looks, "orders", found, hiding_from(looks))
    return {
        name: (written.cell(found[name][0]), written.cell(shown[name][0]))
        for name in found.columns
        if found[name][0] != shown[name][0]
    }


def _whole(table: str, row: Mapping[str, str]) -> dict[str, str]:
    """A typed row with the cells that were hidden from whoever typed it as they stand.

    Raises:
        ShopspreadError: where it names the word that stands for a hidden name.
    """
    whole, looks = dict(row), access.present()
    if table == "captures" and "capture_file" in whole:
        whole["capture_file"] = hiding_from(looks).real(whole["capture_file"])
    if table == "repair_orders" and data.exists():
        order = row.get("repair_order", "")
        order = order if MARK in order else qualified(_shop(), order)
        for name, (cell, shown) in _unseen_cells(order, looks).items():
            empty = ("", OTHERS) if name in ("technician", *MONEY) else ()
            if whole.get(name, "") in (*empty, shown):
                whole[name] = cell
    if OTHERS in whole.values():
        raise ShopspreadError(
            f"{OTHERS.capitalize()!r} stands for a name you may not see; choose yours, or leave it out."
        )
    return whole


def _shop() -> str:
    """The shop that is shown: whose a row is that does not say."""
    return data.shop_shown(data.stamp()) or "" if data.exists() else ""


def _names(*rows: Mapping[str, str]) -> list[str]:
    """What rows name, each as its shop's: for who may write for which shop."""
    shop, cells = _shop(), [(name, cell) for row in rows for name, cell in row.items() if cell]
    said = [qualified(cell, "row") for name, cell in cells if name == "shop"]
    named = [cell if MARK in cell else qualified(shop, cell) for name, cell in cells if name in OF_A_SHOP]
    return [*said, *named, qualified(shop, "row")]


@needs(_right, of=lambda _, row, **__: _names(row))
def enter(table: str, row: Mapping[str, str], *, by: str) -> Entered:
    """Bring in one row a person has typed; see `pipelines.intake.form.enter`. A fit then takes it into the figures.

    Raises:
        ShopspreadError: when nobody is named or the row may not stand.
    """
    entered = form.enter(data.warehouse(), table, _whole(table, row), by=by, shop=_shop())
    fit_soon()
    return entered


@needs(Right.ENTER, of=lambda *_, **__: _names())
def upload(files: Iterable[tuple[str, bytes]], *, by: str) -> Uploaded:
    """Take in capture files, given by name and bytes; each then waits for its label.

    Raises:
        ShopspreadError: when nobody is named or the files cannot be written.
    """
    return entry.upload(data.warehouse(create=True), files, by=by, shop=_shop())


@needs(Right.ENTER, of=lambda rows, **_: _names(*rows))
def label(rows: Sequence[Mapping[str, str]], *, by: str) -> Entered:
    """Say what captures are (rows of captures.csv), all or none, and read those that waited for it.

    Raises:
        ShopspreadError: when nobody is named or a row may not stand.
    """
    entered = entry.label(data.warehouse(), [_whole("captures", row) for row in rows], by=by)
    fit_soon()
    return entered


@needs(Right.ENTER, of=lambda row, **_: _names(row))
def define_family(row: Mapping[str, str], *, by: str) -> Entered:
    """Define an engine family, and read the captures that waited for it.

    Raises:
        ShopspreadError: when nobody is named or the definition contradicts itself.
    """
    entered = entry.define_family(data.warehouse(create=True), row, by=by, shop=_shop())
    fit_soon()
    return entered


@needs(_right, of=lambda _, row, **__: _names(row))
def add(table: str, row: Mapping[str, str], *, by: str) -> Entered:
    """The same as `enter`, where there may be no warehouse yet.

    Raises:
        ShopspreadError: when nobody is named or the row may not stand.
    """
    entered = form.enter(data.warehouse(create=True), table, _whole(table, row), by=by, shop=_shop())
    fit_soon()
    return entered


@needs(Right.COACH, of=lambda technician, *_, **__: _names({"technician": technician}))
def log_coaching(
    technician: str, held_on: dt.date, topic: str, test: str | None, note: str, *, by: str
) -> Entered:
    """Note that a coaching session was held.

    Raises:
        ShopspreadError: when nobody is named, or the technician or the topic is not known.
    """
    entered = entry.log_coaching(
        data.warehouse(), technician=technician, held_on=held_on, topic=topic, test=test, note=note, by=by
    )
    fit_soon()
    return entered


@needs(Right.COACH, of=lambda technician, *_, **__: _names({"technician": technician}))
def set_drill(technician: str, test: str, week_of: dt.date, target: int, *, by: str) -> Entered:
    """Set a drill; an empty technician means everybody.

    Raises:
        ShopspreadError: when nobody is named or the row may not stand.
    """
    entered = entry.set_drill(
        data.warehouse(),
        technician=technician,
        test=test,
        week_of=week_of,
        target=target,
        by=by,
        shop=_shop(),
    )
    fit_soon()
    return entered


@needs(Right.UNDO, of=lambda batch, **_: keys_of(data.warehouse(), batch))
def undo(batch: str, *, by: str) -> Undone:
    """Take back one piece of work as a new version; the log keeps both.

    Raises:
        ShopspreadError: when nobody is named or there is nothing to take back.
    """
    undone = run_undo(data.warehouse(), batch, by=form.named(by))
    if undone.captures or undone.rows:
        fit_soon()
    return undone


@needs(Right.DECIDE, of=lambda item, **_: [item])
def mark(item: str, *, by: str, state: str, assigned_to: str | None, reason: str, seen_version: int) -> None:
    """Decide about a thing that waits: done, dismissed with a reason, open again, or assigned to a name.

    Raises:
        WaitingConflict: when somebody else has decided since.
        ShopspreadError: when nobody is named, or it is dismissed without a reason.
    """
    marks.mark(
        data.warehouse(),
        item,
        by=by,
        state=state,
        assigned_to=assigned_to,
        reason=reason,
        seen_version=seen_version,
    )


@needs(Right.SET, of=lambda *_, **__: [""])
def fit_again() -> None:
    """Recompute spread and proposals, after a setting that they depend on has changed."""
    from pipelines.fit.run import fit_warehouse

    fit_warehouse(data.warehouse())


class _Fits:
    """One fit at a time in a process of its own; asked for again meanwhile, there is one more afterwards."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._at_work: set[Path] = set()
        self._again: set[Path] = set()

    def ask(self, warehouse: Path) -> None:
        """Fit that warehouse soon."""
        with self._lock:
            if warehouse in self._at_work:
                self._again.add(warehouse)
                return
            self._at_work.add(warehouse)
        threading.Thread(target=self._run, args=(warehouse,), daemon=True).start()

    def _run(self, warehouse: Path) -> None:
        while True:
            subprocess.run(
                [sys.executable, "-P", "-c", FIT, "fit", "--warehouse", str(warehouse)],
                env=environment(warehouse),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                check=False,
            )
            with self._lock:
                if warehouse not in self._again:
                    self._at_work.discard(warehouse)
                    return
                self._again.discard(warehouse)


FIT = "from pipelines.cli import main; main()"
_FITS = _Fits()


def fit_soon() -> None:
    """The same in a process of its own, so that nobody waits; open pages follow when it has landed."""
    _FITS.ask(data.path().resolve())


TAKEN_IN = "The figures take it in within a minute or so; the page follows by itself."


def coaching_topics() -> tuple[str, ...]:
    """What a coaching session can be about."""
    return tuple(COACHED)


ALL_ROWS = (Right.SEE_LOG, Right.SEE_JOBS, Right.SEE_NAMES, Right.SEE_PEOPLE)
"""What whoever takes all tables away must be allowed to see."""


@needs(Right.SEE_PEOPLE)
def tables_zip() -> bytes:
    """The shop's tables as the drop folder takes them, in one zip file; it holds all there is."""
    for right in ALL_ROWS:
        access.allow(right)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as parts:
        for file, text in written.tables(data.warehouse(), shops.shown(data.stamp())).items():
            parts.writestr(file, text)
    return out.getvalue()
