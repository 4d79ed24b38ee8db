"""What has arrived: the drop folder and what came through the browser, under the names the warehouse knows them by."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

from models.records.shops import own_name, qualified
from pipelines.intake import folder, uploads
from pipelines.intake.merge import sheet_name
from pipelines.intake.shops import NAME as SHOP_FILE
from pipelines.intake.shops import checked_shop, refuse_alike, shop_of_folder
from pipelines.intake.tables import SPECS
from pipelines.intake.text_formats import NAME as FORMATS
from pipelines.intake.text_formats import TextFormats, text_formats
from pipelines.readers import known_suffixes
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.names import Forgotten, forgotten

# Beyond so many ways to write a table a list of them stops being read.
MOST_LAYOUTS = 6


def arrivals(
    drop: Path | None, warehouse: Warehouse, batch: str, leave: Collection[str], told: str = ""
) -> tuple[folder.Contents, TextFormats, str]:
    """What lies in the drop folder, what it says about its text files, and whose it is.

    Files are named by their path and the folder's shop. What cannot be used is logged once.

    Args:
        told: whose the folder is, as far as somebody said.

    Raises:
        ShopspreadError: when the folder cannot be listed.
    """
    with warehouse.reading() as connection:
        names = forgotten(connection)
    uploaded, clashes = _without_names(uploads.held(warehouse), names)
    if drop is None:
        return folder.Contents({}, uploaded, (), 0), TextFormats(), checked_shop(told)
    ours = {warehouse.waveforms, uploads.place(warehouse), *warehouse.store.folders} | (
        {warehouse.path} if warehouse.path.is_dir() else set()
    )
    tables = [name for spec in SPECS.values() for name in (spec.file, sheet_name(spec))]
    found = folder.look(drop, [*tables, SHOP_FILE], known_suffixes(), ours, leave)
    shop = shop_of_folder(found.tables.pop(SHOP_FILE, None), told)
    refuse_alike(warehouse, shop)
    files, more = _without_names({qualified(shop, name): path for name, path in found.files.items()}, names)
    places = {own_name(names.path(qualified(shop, name))): path for name, path in found.formats.items()}
    formats = text_formats(places, files.keys())
    wrong = [
        folder.OddEntry(folder.printable(f"{place}/{FORMATS}".lstrip("/")), reason)
        for place, reason in formats.wrong.items()
    ]
    odd = [replace(entry, name=names.path(qualified(shop, entry.name))) for entry in (*found.odd, *wrong)] + [
        *clashes,
        *more,
    ]
    if odd:
        said = [LogRow("drop folder", entry.name, "refused", entry.reason) for entry in odd]
        with warehouse.transaction() as connection:
            intake_log.write(connection, batch, intake_log.unsaid(connection, said))
    return replace(found, files=uploaded | files, odd=tuple(odd)), formats, shop


def _without_names(
    files: Mapping[str, Path], names: Forgotten
) -> tuple[dict[str, Path], list[folder.OddEntry]]:
    """The files by their capture, with pseudonyms for names that were taken out; two must not become one."""
    found: dict[str, Path] = {}
    clashes = []
    for name, path in files.items():
        own = names.path(name)
        if own in found:
            reason = "Without the name that was taken out it is called what another file is called; rename one of them."
            clashes.append(folder.OddEntry(folder.printable(own), reason))
        else:
            found[own] = path
    return found, clashes


def layout_notes(layouts: Counter[str]) -> list[str]:
    """How the text files of an ingest were read, by count of files; the usual ways first."""
    known = [(words, count) for words, count in layouts.most_common() if words]
    notes = [
        f"{count} text file{'s' if count > 1 else ''} read as: {words}."
        for words, count in known[:MOST_LAYOUTS]
    ]
    if len(known) > MOST_LAYOUTS:
        notes.append(f"{len(known) - MOST_LAYOUTS} more layouts, {known[-1][0]!r} among them.")
    if known:
        notes.append(f"Where that is wrong, say what is right in a file {FORMATS} in their folder.")
    return notes
