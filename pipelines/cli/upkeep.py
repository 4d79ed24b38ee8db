"""The sub-commands that keep a warehouse in order over the years."""

from __future__ import annotations

import typer

from pipelines.cli import output as out
from pipelines.cli.options import WarehousePath
from pipelines.warehouse.database import DEFAULT_WAREHOUSE, Warehouse


def check(warehouse: WarehousePath = DEFAULT_WAREHOUSE) -> None:
    """Verify everything the warehouse holds.

    Every table is read whole and every stored waveform compared with its checksum. A damaged copy is
    named; dropping the same capture file again mends it.
    """
    from pipelines.warehouse.check import check as run_check

    with out.progress("Checking the stored waveforms") as step:
        found = run_check(Warehouse(warehouse), progress=step)
    for capture_file, reason in found.damaged.items():
        out.say(f"damaged: {capture_file}: {reason}")
    if found.unsealed:
        out.say(f"note: {found.unsealed} copies are of an earlier version and carry no checksum.")
    if found.strays:
        out.say(f"note: {found.strays} copies belong to no capture; they were left alone.")
    out.result(
        f"{found.tables} tables and {found.copies} stored waveforms checked, {len(found.damaged)} damaged."
    )
    raise typer.Exit(1 if found.damaged else 0)


def register(app: typer.Typer) -> None:
    """Add the sub-commands of this module to the command."""
    app.command()(check)
