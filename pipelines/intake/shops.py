"""Whose a drop folder and its files are, where several shops share a warehouse.

A folder is one shop's own (`--shop`, or the file `shop.json` in it), and any row of its tables may be another's. What
lies in it is known inside by its path and its shop (`models.records.shops`), so that two shops' `week1/a.csv` are two
captures.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path

from models.records.shops import own_name, qualified, shop_of
from pipelines.errors import ShopspreadError, UnreadableFile
from pipelines.intake.cross_checks import skeleton
from pipelines.intake.merge import TableIntake
from pipelines.intake.table_cells import CellProblem, Form, shop_name
from pipelines.source import read_all
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.log import LogRow

NAME = "shop.json"
_SHAPE = f'{NAME} says whose the drop folder is, as {{"shop": "North"}}'
_MOVED = "The row of this file says that it is another shop's; it goes on there."


def checked_shop(name: str) -> str:
    """A shop's name as it is kept; empty is the shop without a name.

    Raises:
        ShopspreadError: it may not be called so.
    """
    name = name.strip()
    try:
        return shop_name(name, Form()) if name else ""
    except CellProblem as problem:
        raise ShopspreadError(f"{problem}.") from problem


def shop_of_folder(says: Path | None, told: str) -> str:
    """Whose a drop folder is: what was told with the command, else what its own file says, else nobody's by name.

    Args:
        says: the file `shop.json` at its top, None where there is none.

    Raises:
        ShopspreadError: the file says something else than the command, or cannot be read.
    """
    told = checked_shop(told)
    if says is None:
        return told
    try:
        found = json.loads(read_all(says).decode("utf-8"))
        name = found["shop"]
        if not isinstance(name, str) or set(found) != {"shop"}:
            raise TypeError
    except (OSError, UnreadableFile, ValueError, TypeError, KeyError) as error:
        raise ShopspreadError(f"{says} cannot be read: {_SHAPE}. Nothing was changed.") from error
    name = checked_shop(name)
    if told and told != name:
        raise ShopspreadError(
            f"{says} says that the folder is the shop {name!r}'s, and the command {told!r}; correct one of them."
        )
    return name


def refuse_alike(warehouse: Warehouse, shop: str) -> None:
    """Refuse a new shop whose name reads the same as a known one's: it would be two by a slip.

    Raises:
        ShopspreadError: naming the shop there is.
    """
    known = warehouse.frame("shops")["shop"].to_list()
    alike = [name for name in known if name != shop and skeleton(name) == skeleton(shop)]
    if shop not in known and alike:
        raise ShopspreadError(
            f"There is a shop {alike[0]!r} already; write {shop!r} alike if it is that one."
        )


def claimed(
    files: Mapping[str, Path], tables: Iterable[TableIntake], folder_shop: str
) -> tuple[dict[str, Path], dict[str, str]]:
    """The files by the captures their rows say they are.

    Args:
        files: by path and the folder's own shop. tables: what the folder's tables brought.

    Returns:
        The files, each by its capture, and what those of other shops' rows were called before. A path that rows of
        several shops name, none of them the folder's own, stays the folder's: nobody can say whose it is.
    """
    owners: dict[str, set[str]] = {}
    for table in tables:
        if table.name == "captures":
            for key in table.keys:
                owners.setdefault(own_name(key), set()).add(shop_of(key))
    found: dict[str, Path] = {}
    moved: dict[str, str] = {}
    for name, path in files.items():
        says = owners.get(own_name(name), set())
        if shop_of(name) == folder_shop and folder_shop not in says and len(says) == 1:
            (shop,) = says
            moved[name] = qualified(shop, own_name(name))
        found[moved.get(name, name)] = path
    return found, moved


def settle_moved(warehouse: Warehouse, batch: str, moved: Mapping[str, str]) -> None:
    """Let what waited for a row as the folder's own go on as what its row says it is."""
    if not moved:
        return
    with warehouse.reading() as connection:
        states = connection.execute(
            "SELECT state.capture_file FROM capture_state AS state ANTI JOIN capture_log USING (capture_file) "
            "WHERE list_contains($names, capture_file)",
            {"names": list(moved)},
        ).fetchall()
    if not states:
        return
    with warehouse.transaction() as connection:
        for (old,) in states:
            new = moved[old]
            for table in ("capture_state", "capture_trouble"):
                there = connection.execute(f"SELECT 1 FROM {table} WHERE capture_file = ?", [new]).fetchall()
                if there:
                    connection.execute(f"DELETE FROM {table} WHERE capture_file = ?", [old])
                else:
                    connection.execute(
                        f"UPDATE {table} SET capture_file = ? WHERE capture_file = ?", [new, old]
                    )
        said = [
            LogRow("waveform", old, "noted", _MOVED, None, {"capture_file": moved[old]}) for (old,) in states
        ]
        intake_log.write(connection, batch, said)
