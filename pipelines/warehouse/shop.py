"""The warehouse's rows as the one bundle the models take."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from models.records import schemas, shops
from models.records.shop import Shop
from pipelines import kinds
from pipelines.kinds import GENERAL_NOUN, Kind
from pipelines.kinds.base import Layout
from pipelines.kinds.engine import EngineFamily
from pipelines.warehouse.database import Warehouse

NAMES: tuple[str, ...] = (
    "captures", "elements", "features", "checks", "outcomes", "orders", "technicians", "drills", "coaching",
    "families", "logged_groups", "element_counts",
)  # fmt: skip

GROUP_SCHEMA: dict[str, pl.DataType] = {
    "test": pl.String(),
    "group": pl.String(),
    "engine_family": pl.String(),
    "component": pl.String(),
    "elements": pl.Int32(),
    "sequence": pl.List(pl.Int32()),
    "places": pl.List(pl.Float64()),
    "uneven": pl.Boolean(),
    "family": pl.String(),
    "apart": pl.String(),
}


def read_shop(warehouse: Warehouse) -> Shop:
    """Everything on record, of one warehouse version.

    Raises:
        WarehouseError: when the warehouse cannot be read.
        WrongFrame: when a frame is not what its schema says (a defect of ours).
    """
    return shop_of(warehouse.frames(NAMES))


def shop_of(frames: Mapping[str, pl.DataFrame]) -> Shop:
    """The bundle from the named queries' rows; what was not queried is empty in it."""
    own = {name: frames[name] for name in NAMES[:9] if name in frames}
    if "checks" in own:
        own["checks"] = with_habits(own["checks"], own["captures"])
    if "outcomes" in own:
        own["outcomes"] = by_test(own["outcomes"])
    if "element_counts" in frames:
        groups = comparison_groups(frames["families"], frames["logged_groups"], frames["element_counts"])
        own["groups"] = groups.select(list(schemas.GROUPS.types))
    return Shop(**own)


def with_habits(checks: pl.DataFrame, captures: pl.DataFrame) -> pl.DataFrame:
    """The failed checks, each with whether it is about how the scope was hooked up (`habit`)."""
    habits = pl.DataFrame(
        sorted(kinds.habits()), schema={"test": pl.String, "check": pl.String}, orient="row"
    ).with_columns(habit=pl.lit(True))
    return (
        checks.join(
            captures.select("capture_file", "test"), on="capture_file", how="left", maintain_order="left"
        )
        .join(habits, on=["test", "check"], how="left", maintain_order="left")
        .with_columns(pl.col("habit").fill_null(False))
        .drop("test")
    )


def by_test(outcomes: pl.DataFrame) -> pl.DataFrame:
    """Outcomes one row a test they speak of: one that names no test speaks of every test it can.

    An outcome that names its test counts before one of the same order that names none.
    """
    general = [known.name for known in kinds.kinds().values() if known.element.noun == GENERAL_NOUN]
    spoken = outcomes.with_columns(
        tests=pl.when(pl.col("test") == "").then(pl.lit(general)).otherwise(pl.concat_list("test")),
        named=pl.col("test") != "",
    )
    return (
        spoken.drop("test")
        .explode("tests", empty_as_null=False)
        .rename({"tests": "test"})
        .sort("repair_order", "test", "named", maintain_order=True)
        .unique(["repair_order", "test"], keep="last", maintain_order=True)
        .select(list(schemas.OUTCOMES.types))
    )


def comparison_groups(families: pl.DataFrame, logged: pl.DataFrame, counts: pl.DataFrame) -> pl.DataFrame:
    """Every group of every test: what names it, its elements and their order.

    A test on engines compares within every defined family as soon as it was logged once (the first lesson of the
    course from the start). Where no family says how many elements there are, most readings of the group do.
    """
    engines = {str(row["engine_family"]): EngineFamily.of_row(row) for row in families.iter_rows(named=True)}
    rows: list[dict[str, object]] = []
    for known in kinds.kinds().values():
        own = logged.filter(pl.col("test") == known.name)
        if own.is_empty() and known.lesson > 1:
            continue
        laid = _layouts(known, engines, own, counts.filter(pl.col("test") == known.name))
        named = {row["group"]: row for row in own.iter_rows(named=True)}
        for group, layout in sorted(laid.items()):
            component = named[group]["component"] if group in named else None
            rows.append(_group_row(known.name, group, component, layout))
    _shared(rows, {str(row["engine_family"]): row for row in families.iter_rows(named=True)})
    return pl.DataFrame(rows, schema=GROUP_SCHEMA, orient="row")


def _shared(rows: list[dict[str, object]], families: Mapping[str, Mapping[str, object]]) -> None:
    """Say in the rows which groups are the same in several shops, and which bear one name and are not.

    The same: of one name, with the same order, intervals and sync of an engine, else with as many elements.
    """
    definitions = ("cylinders", "firing_order", "firing_intervals_deg", "sync_kind")
    named: dict[tuple[object, str, bool], list[tuple[str, tuple[object, ...], dict[str, object]]]] = {}
    for row in rows:
        group, engine = str(row["group"]), families.get(str(row["engine_family"] or ""))
        said = tuple(engine[name] for name in definitions) if engine else (row["elements"],)
        kind = (row["test"], shops.own_name(group), row["component"] is None)
        named.setdefault(kind, []).append((shops.shop_of(group), said, row))
    for (_, name, _), found in named.items():
        for _, said, row in found:
            alike = sum(other == said for _, other, _ in found) > 1
            others = [shop or shops.NO_NAME for shop, other, _ in found if other != said]
            row["family"] = f"{name} ({' '.join(str(part) for part in said if part)})" if alike else None
            row["apart"] = f"in {', '.join(others)}" if others else None


def _layouts(
    known: Kind, engines: Mapping[str, EngineFamily], logged: pl.DataFrame, counts: pl.DataFrame
) -> dict[str, Layout]:
    found: dict[str, Layout] = {}
    if known.layout is not None:
        found = {name: known.layout(family) for name, family in engines.items()}
    seen: dict[str, int] = {}
    for group, elements in counts.select("group", "elements").iter_rows():
        seen.setdefault(group, elements)  # most frequent first
    for group in logged["group"]:
        if group not in found and group in seen:
            found[group] = Layout.even(seen[group])
    return found


def _group_row(test: str, group: str, component: str | None, layout: Layout) -> dict[str, object]:
    steps = [b - a for a, b in zip(layout.places, (*layout.places[1:], 1.0), strict=True)]
    return {
        "test": test,
        "group": group,
        "engine_family": group if component is None else None,
        "component": component,
        "elements": layout.elements,
        "sequence": list(layout.sequence),
        "places": list(layout.places),
        # more than half a degree of a four-stroke cycle
        "uneven": max(steps) - min(steps) > 0.5 / 720.0,
    }
