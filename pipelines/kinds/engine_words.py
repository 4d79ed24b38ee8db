"""What a form asks about an engine, what it starts with, and how its answers are said: beside `engine`, so that a
page asks for an engine family without knowing what one is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipelines.errors import BadFamily
from pipelines.kinds.engine import EngineFamily

SYNC_WORDS: dict[str, str] = {
    "coil_on_plug": "a coil on every plug: one pulse in two turns",
    "waste_spark": "waste spark: one pulse in every turn",
    "distributor": "a distributor: one pulse for every cylinder",
}
"""What one pulse of the sync means, in words, for each of `engine.SYNC_KINDS`."""

FEWEST, MOST, USUAL = 3, 12, 4
"""How many elements an engine may have, and how many a form starts with."""

HOW_MANY = "Cylinders"
SYNC = "Ignition"
ORDER = "Firing order: clear it (×) and click the cylinders in the order they fire"
ORDER_HELP = "Makers number cylinders differently: take it from the vehicle maker's service information."
UNEVEN = "The engine fires unevenly"
INTERVALS = "Crank angle from each firing to the next, in firing order"
INTERVALS_LIKE = "150-90-150-90-150-90"
INDEX_ON = "Cylinder the sync is on"
INDEX_COLUMN = "sync_cylinder"
"""The label's column, and the standing hookup's key, that says which element the index signal is of."""

# How most engines of so many cylinders fire; makers number differently (common practice, no source).
_USUAL_ORDERS = {
    3: "1-2-3", 4: "1-3-4-2", 5: "1-2-4-5-3", 6: "1-5-3-6-2-4", 8: "1-8-4-3-6-5-7-2",
    10: "1-10-9-4-3-6-5-8-7-2", 12: "1-7-5-11-3-9-6-12-2-8-4-10",
}  # fmt: skip


def usual_order(count: int) -> list[int]:
    """The firing order a form starts with; empty where none is usual."""
    text = _USUAL_ORDERS.get(count)
    return [int(part) for part in text.split("-")] if text else []


def cells(name: str, count: int, order: Sequence[int], intervals: str, sync: str) -> dict[str, str]:
    """One row of engine_families.csv.

    Args:
        intervals: in degrees of crank angle with `-` between them; empty for even.
        sync: one of `engine.SYNC_KINDS`.
    """
    return {
        "engine_family": name.strip(),
        "cylinders": str(count),
        "firing_order": "-".join(str(number) for number in order),
        "firing_intervals_deg": intervals.strip(),
        "sync_kind": sync,
    }


def family_of(row: Mapping[str, str]) -> tuple[EngineFamily | None, str]:
    """The family that `cells` describe, or None and why not yet."""
    order = [part for part in row["firing_order"].split("-") if part]
    missing = int(row["cylinders"]) - len(order)
    if missing > 0:
        more = "more cylinder" if missing == 1 else "more cylinders"
        return None, f"Click {missing} {more}, in the order they fire."
    try:
        return EngineFamily.of_row({**row, "engine_family": row["engine_family"] or "this engine"}), ""
    except BadFamily as error:
        return None, str(error)


def places(family: EngineFamily) -> list[tuple[int, float]]:
    """Every element's number and its crank angle, in degrees from the first, in firing order."""
    return list(zip(family.firing_order, family.firing_angles_deg, strict=True))


def angles_sentence(family: EngineFamily) -> str:
    """Which cylinder fires at which crank angle."""
    said = [f"cylinder {number} at {angle_deg:g}°" for number, angle_deg in places(family)]
    return f"In two turns of the crank (720°): {', '.join(said)}."


def index_words(element: int) -> str:
    """Which element the index signal is of, as the end of a sentence about a hookup."""
    return f"sync on cylinder {element}"


def index_advice(element: int) -> str:
    """What to do where the standing hookup takes the index signal from another element."""
    return f"take the sync from cylinder {element}"


def index_of(row: Mapping[str, object]) -> int:
    """The element a label or a standing hookup takes the index signal from; 1 where it says nothing."""
    value = row.get(INDEX_COLUMN)
    return int(str(value)) if value else 1
