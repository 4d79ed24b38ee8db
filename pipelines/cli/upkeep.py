"""The sub-commands that keep a warehouse in order over the years."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from models.records.shops import own_name, qualified
from pipelines.cli import output as out
from pipelines.cli.options import Shop, WarehousePath
from pipelines.warehouse.database import DEFAULT_WAREHOUSE, Warehouse

if TYPE_CHECKING:
    from pipelines.warehouse.backups import Copied


def check(warehouse: WarehousePath = DEFAULT_WAREHOUSE) -> None:
    """Verify everything the warehouse holds.

    Every table is read whole and every stored waveform compared with its checksum. A damaged copy is
    named; dropping or uploading the same capture file again mends it.
    """
    from pipelines.intake.check import check as run_check

    with out.progress("Checking the stored waveforms") as step:
        found = run_check(Warehouse(warehouse), progress=step)
    for capture_file, reason in (*found.damaged.items(), *found.uploads.items()):
        out.say(f"damaged: {capture_file}: {reason}")
    if found.unsealed:
        out.say(f"note: {found.unsealed} copies are of an earlier version and carry no checksum.")
    if found.strays:
        out.say(f"note: {found.strays} copies belong to no capture; they were left alone.")
    out.result(
        f"{found.tables} tables and {found.copies} stored waveforms checked, {len(found.damaged)} damaged."
        + (f" {len(found.uploads)} uploaded files are damaged or missing." if found.uploads else "")
    )
    raise typer.Exit(1 if found.damaged or found.uploads else 0)


def export(
    folder: Annotated[Path, typer.Argument(help="Folder for the files.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
) -> None:
    """Write the export views as Parquet files.

    For other programs, which then never hold the warehouse up. Every file is replaced whole.
    """
    from pipelines.warehouse.exporting import export as run_export

    rows = run_export(Warehouse(warehouse), folder)
    out.result("\n".join(f"{folder / view}.parquet: {count} rows" for view, count in rows.items()))


def tables(
    folder: Annotated[Path, typer.Argument(help="Folder for the tables.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
) -> None:
    """Write the shop's tables as a drop folder takes them.

    With everything that was entered in the browser; dropping them again changes nothing.
    """
    from pipelines.intake.written import write_tables

    rows = write_tables(Warehouse(warehouse), folder)
    out.result("\n".join(f"{folder / file}: {count} rows" for file, count in rows.items()))


def backup(
    folder: Annotated[Path, typer.Argument(help="A new folder for the backup.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
) -> None:
    """Copy the whole warehouse into a new folder.

    The database, every stored waveform and every uploaded file; others may go on working meanwhile.
    """
    from pipelines.warehouse.backups import backup as run_backup

    with out.progress("Copying the stored waveforms") as step:
        copied = run_backup(Warehouse(warehouse), folder, progress=step)
    _said(copied, f"Backed up to {folder}")


def restore(
    folder: Annotated[Path, typer.Argument(help="The backup's folder.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
) -> None:
    """Make a warehouse of a backup, in a new folder.

    Every table is compared with what it held when the backup was made.
    """
    from pipelines.warehouse.backups import restore as run_restore

    with out.progress("Copying the stored waveforms") as step:
        copied = run_restore(folder, warehouse, progress=step)
    _said(copied, f"Restored to {warehouse}, every table equal")


def _said(copied: Copied, what: str) -> None:
    for name in copied.damaged:
        kind = "uploaded file" if name.startswith("uploads/") else "stored waveform"
        out.say(f"damaged: the {kind} {name} is missing or damaged.")
    sound = copied.copies - sum(not name.startswith("uploads/") for name in copied.damaged)
    out.result(
        f"{what}: {copied.tables} tables, {sound} stored waveforms, {copied.uploads} uploaded files, version "
        f"{copied.version}."
    )
    raise typer.Exit(1 if copied.damaged else 0)


def forget(
    technician: Annotated[str, typer.Argument(help="The technician's name as the tables have it.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    look_in: Annotated[
        list[Path] | None,
        typer.Option(
            "--look-in", help="Name the files in this folder that still hold the name; may be repeated."
        ),
    ] = None,
    shop: Shop = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not ask for the name once more (for scripts).")
    ] = False,
) -> None:
    """Put a pseudonym in the place of a technician's name.

    For good: in the tables, the log, remarks, uploaded files, and in later ingests; all figures stay. Backups, exports
    and digests made before still hold the name: name their folders with --look-in, and the files are named. Asks
    for the name once more before it does so.
    """
    from pipelines.intake.leaver import take_out
    from pipelines.warehouse.people import UnknownPerson, refuse_unknown

    house, asked = Warehouse(warehouse), technician
    technician = qualified(shop, technician)
    try:
        refuse_unknown(house, technician)
        if not yes:
            out.confirmed(
                asked,
                f"The name {asked} is taken out for good, in every table and in the log; only a backup brings it back.",
            )
        left = take_out(house, technician)
    except UnknownPerson:
        if not look_in:
            raise
        out.say(
            f"note: {technician} is not in the warehouse (any more); the folders alone are looked through."
        )
        _still_held(house, (own_name(technician),), look_in)
        return
    gone = left.gone
    out.result(f"From now on: {gone.pseudonym}.")
    if left.signs_in:
        out.say(f"note: {technician} can still sign in: {left.signs_in}")
    _still_held(house, left.names, look_in or [])
    for name in left.hold:
        out.say(
            f"note: the uploaded file {name} holds the name inside and was left whole; delete or replace it."
        )
    for cell, count in gone.left.items():
        out.say(
            f"note: {count} cells of {cell} hold the name or a word of it; see whether they mean this person."
        )
    if gone.renamed:
        out.say(
            f"note: {len(gone.renamed)} captures have it out of their path; files in the drop folder may keep theirs."
        )
    for path in gone.stay:
        out.say(
            f"note: the path {path} itself holds the name; rename the file and its row, and ingest again."
        )


def _still_held(house: Warehouse, names: tuple[str, ...], folders: list[Path]) -> None:
    """Name the copies made before that still hold a name; our own from before an upgrade are always looked through."""
    from pipelines.warehouse.keeping import FOLDER
    from pipelines.warehouse.traces import holding

    for folder in (house.database.parent / FOLDER, *folders):
        for path, where in holding(folder, names).items():
            out.say(f"note: {path} still holds the name ({where}); delete it when it is not needed any more.")
    if not folders:
        out.say(
            "note: backups, exports and digests made before still hold the name; delete them, keep them locked away, "
            "or have the files named: --look-in FOLDER."
        )


def person(
    technician: Annotated[str, typer.Argument(help="The technician's name as the tables have it.")],
    folder: Annotated[Path, typer.Argument(help="Folder for the files.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    shop: Shop = "",
) -> None:
    """Write everything on record about a technician as files."""
    from pipelines.warehouse.people import person as run_person

    written = run_person(Warehouse(warehouse), qualified(shop, technician), folder)
    out.result("\n".join(f"{folder / file}: {rows} rows" for file, rows in written.items()))


def undo(
    batch: Annotated[str, typer.Argument(help="The ingest's batch, as its last line names it.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
) -> None:
    """Take back what one ingest brought.

    Rows and captures are as they were before it; what changed since is left alone and named.
    """
    from pipelines.fit.run import fit_warehouse
    from pipelines.intake.undo import undo as run_undo

    house = Warehouse(warehouse)
    undone = run_undo(house, batch)
    with out.waiting("Learning what spread is normal"):
        fit_warehouse(house)
    for sentence in undone.kept:
        out.say(f"kept: {sentence}")
    out.say("note: the drop folder is as it was; correct it, or the next ingest brings the same again.")
    out.result(f"Taken back: {undone.rows} rows and {undone.captures} captures.")
    raise typer.Exit(1 if undone.kept else 0)


def watch(
    drop: Annotated[Path, typer.Argument(help="The drop folder; it may be on a network.")],
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    every: Annotated[float, typer.Option("--every", min=0.5, help="Look so often, in seconds.")] = 5.0,
    still: Annotated[
        float,
        typer.Option("--still", min=0.5, help="A file is whole when it stood still so long, in seconds."),
    ] = 10.0,
    shop: Shop = "",
) -> None:
    """Ingest a drop folder whenever it changes, until stopped (Ctrl-C).

    Files that still grow are left until they stand still. One watch a warehouse.
    """
    from pipelines.fit.run import fit_warehouse
    from pipelines.intake.summary import IntakeSummary
    from pipelines.intake.watch import watch as run_watch

    house = Warehouse(warehouse, create=True)

    def landed(summary: IntakeSummary) -> None:
        out.intake(summary, fit_warehouse(house) if summary.worked_on else None, warehouse)

    out.say(f"Watching {drop} for {warehouse}; stop with Ctrl-C.")
    with suppress(KeyboardInterrupt):
        run_watch(drop, house, landed=landed, say=out.say, every_s=every, still_s=still, shop=shop)


def health(
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    port: Annotated[
        int | None,
        typer.Option("--port", min=1, max=65535, help="Answer http://127.0.0.1:PORT/health until stopped."),
    ] = None,
) -> None:
    """Say whether the warehouse is well, for a monitor.

    JSON without anybody's name; exit status 1, or 503 from the address, where something is wrong.
    """
    from pipelines.intake.watch import status
    from pipelines.warehouse.health import health as look
    from pipelines.warehouse.health import serve

    def facts() -> dict[str, Any]:
        house = Warehouse(warehouse)
        return look(house, status(house.database))

    if port is None:
        found = facts()
        out.document(found)
        raise typer.Exit(0 if found["ok"] else 1)
    with serve(facts, port) as server, suppress(KeyboardInterrupt):
        out.say(f"The warehouse's health is at http://127.0.0.1:{port}/health (stop with Ctrl-C).")
        server.serve_forever()


def register(app: typer.Typer) -> None:
    """Add the sub-commands of this module to the command."""
    for command in (watch, check, health, export, tables, backup, restore, forget, person, undo):
        app.command()(command)
