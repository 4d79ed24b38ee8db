"""What people decide: thresholds and settings. Versions are added, never edited."""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from models.thresholds.flags import FLAG_SCHEMA, flags
from pipelines.errors import SettingConflict, ShopspreadError, ThresholdConflict
from pipelines.kinds import kind, kinds
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.settings import setting, standing

_JUDGED = FLAG_SCHEMA | {"measure": pl.String(), "rank": pl.Int32()}
_SETTING: dict[str, intake_log.PolarsType] = {
    "name": pl.String,
    "value": pl.String,
    "set_at": pl.Datetime("us"),
    "set_by": pl.String,
}
_PIECE = 500_000
"""Elements judged at a time."""


@dataclass(frozen=True, slots=True)
class Place:
    """What a threshold is for: one group of one test, by one of its measures."""

    test: str
    measure: str
    group: str


def set_threshold(
    warehouse: Warehouse, place: Place, threshold_pct: float, *, set_by: str, reason: str, seen_version: int
) -> int:
    """Put a threshold in force as a new version, and judge the group's whole history by it.

    Args:
        seen_version: the newest version for this place the person was looking at (0 when there was
            none): if somebody has written another one since, nothing is written.

    Returns:
        The new version's number.

    Raises:
        ThresholdConflict: when `seen_version` is no longer the newest; the message says who and why.
        ShopspreadError: when name, reason or value are missing or senseless.
    """
    if not set_by.strip() or not reason.strip():
        raise ShopspreadError("Setting a threshold needs who sets it and why.")
    if not 0 < threshold_pct < 100:
        raise ShopspreadError(f"A threshold lies between 0 and 100 %, not at {threshold_pct:g} %.")
    known = kind(place.test)
    if known is None or place.measure not in [measure.name for measure in known.measures]:
        raise ShopspreadError(f"There is no test {place.test!r} with a measure {place.measure!r}.")
    with warehouse.transaction() as connection:
        if not _has_group(connection, place):
            raise ShopspreadError(
                f"There is no group {place.group!r} of the test {place.test!r} in the warehouse."
            )
        newest = connection.execute(
            "SELECT version, set_by, reason, threshold_pct FROM threshold "
            'WHERE test = ? AND measure = ? AND "group" = ? ORDER BY version DESC LIMIT 1',
            [place.test, place.measure, place.group],
        ).fetchone()
        version = int(newest[0]) if newest else 0
        if newest and version != seen_version:
            raise ThresholdConflict(
                f"{newest[1]} has written version {version} ({newest[3]:g} %: {newest[2]}) since you looked. "
                "Nothing was changed; look at it and decide again."
            )
        _add_threshold(connection, place, version + 1, threshold_pct, set_by.strip(), reason.strip(), "set")
        judge(connection)
    return version + 1


def _has_group(connection: duckdb.DuckDBPyConnection, place: Place) -> bool:
    found = connection.execute(
        'SELECT count(*) FROM (SELECT test, "group" FROM comparison_group '
        'UNION ALL SELECT test, "group" FROM capture_group) WHERE test = ? AND "group" = ?',
        [place.test, place.group],
    ).fetchone()
    defined = connection.execute(
        "SELECT count(*) FROM engine_family WHERE engine_family = ?", [place.group]
    ).fetchone()
    known = kind(place.test)
    return found != (0,) or (known is not None and known.layout is not None and defined != (0,))


def propose_thresholds(connection: duckdb.DuckDBPyConnection, proposals: pl.DataFrame) -> int:
    """Write a new proposed version for each place whose proposal moved; returns how many did.

    Runs inside the caller's transaction. `proposals`: test, measure, group, threshold_pct, why, and `first` where a
    row counts only for a place that has no version yet.
    """
    latest = connection.sql(
        'SELECT test, measure, "group", max(version) AS version, '
        "arg_max(threshold_pct, version) FILTER (source = 'proposed') AS threshold_pct "
        "FROM threshold GROUP BY ALL"
    ).pl()
    known = {(row["test"], row["measure"], row["group"]): row for row in latest.to_dicts()}
    written = 0
    for row in proposals.to_dicts():
        place = Place(row["test"], row["measure"], row["group"])
        before = known.get((place.test, place.measure, place.group))
        if before and row.get("first"):
            continue
        # A tenth of a percent is below anything a shop would notice; do not fill the history with it.
        if (
            before
            and before["threshold_pct"] is not None
            and abs(before["threshold_pct"] - row["threshold_pct"]) < 0.1
        ):
            continue
        version = int(before["version"]) + 1 if before else 1
        _add_threshold(
            connection, place, version, row["threshold_pct"], "shopspread fit", row["why"], "proposed"
        )
        written += 1
    return written


def judge(connection: duckdb.DuckDBPyConnection) -> None:
    """Flag every scored capture by the threshold in force; flags of earlier versions stay as history.

    Runs inside the caller's transaction.
    """
    _judge_all(connection)
    try:
        # Only what changed gets a new row, so that a fit that changes nothing adds no history.
        connection.execute(
            "CREATE OR REPLACE TEMP TABLE news AS SELECT judged.* FROM judged LEFT JOIN "
            "(SELECT * FROM flag WHERE in_force) AS old USING (capture_file, measure) WHERE old.capture_file IS NULL "
            "OR old.threshold_version <> judged.threshold_version OR old.flagged <> judged.flagged "
            "OR abs(old.odd_pct - judged.odd_pct) > 1e-6 "
            "OR old.flagged_positions IS DISTINCT FROM judged.flagged_positions "
            "OR old.flagged_elements IS DISTINCT FROM judged.flagged_elements"
        )
        connection.execute(
            "UPDATE flag SET in_force = false "
            "WHERE EXISTS (SELECT 1 FROM news "
            "WHERE news.capture_file = flag.capture_file AND news.measure = flag.measure)"
        )
        connection.execute(
            "INSERT INTO flag BY NAME SELECT news.*, CAST(? AS TIMESTAMP) AS made_at, true AS in_force FROM news",
            [dt.datetime.now()],
        )
        connection.execute("DROP TABLE news")
    finally:
        connection.execute("DROP TABLE judged")


def _judge_all(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary table `judged`: flags of every capture, some hundred thousand elements at a time."""
    connection.register("no_flags", pl.DataFrame(schema=_JUDGED).to_arrow())
    connection.execute("CREATE OR REPLACE TEMP TABLE judged AS SELECT * FROM no_flags")
    connection.unregister("no_flags")
    thresholds = query(connection, "thresholds_in_force")
    pieces = 1 + int(connection.sql("SELECT count(*) AS rows FROM element_score").pl()["rows"][0]) // _PIECE
    for piece in range(pieces):
        elements = query(connection, "judged_elements", {"pieces": pieces, "piece": piece})
        intake_log.append(connection, "judged", _judged(elements, thresholds))


def _judged(elements: pl.DataFrame, thresholds: pl.DataFrame) -> pl.DataFrame:
    """Flags of captures by every measure of their test, each by its own thresholds and nothing else."""
    parts = []
    for (test, measure), own in elements.group_by("test", "measure", maintain_order=True):
        known = kind(str(test))
        if known is None:
            continue  # a test of a newer program: its flags stay as they are
        limits = thresholds.filter((pl.col("test") == test) & (pl.col("measure") == measure))
        found = flags(own, limits, known.measure(str(measure)))
        parts.append(found.with_columns(measure=pl.lit(measure), rank=pl.lit(own["rank"][0], dtype=pl.Int32)))
    return pl.concat(parts) if parts else pl.DataFrame(schema=_JUDGED)


def set_setting(warehouse: Warehouse, name: str, value: Any, *, set_by: str) -> None:
    """Change one of the shop's settings; the old value stays in the intake log.

    Raises:
        ShopspreadError: when there is no such setting or the value may not stand.
    """
    set_settings(warehouse, {name: value}, set_by=set_by)


def set_settings(
    warehouse: Warehouse, changes: Mapping[str, Any], *, set_by: str, seen: Mapping[str, Any] | None = None
) -> None:
    """Change some of the shop's settings, all or none; the old values stay in the intake log.

    Args:
        seen: the values the person was looking at; where one of those to be changed is another by now,
            nothing is written.

    Raises:
        SettingConflict: somebody has changed one of them since; the message says who and to what.
        ShopspreadError: when there is no such setting or a value may not stand.
    """
    checked = {name: setting(name).check(value) for name, value in changes.items()}
    _know_signals(checked.get("house_setup", {}))
    who = set_by.strip() or "unnamed"
    with warehouse.transaction() as connection:
        stored = query(connection, "settings")
        before = settings_in(stored)
        by = dict(stored.select("name", "set_by").iter_rows())
        moved = [name for name in checked if seen is not None and name in seen and before[name] != seen[name]]
        if moved:
            said = "; ".join(
                f"{name} is {before[name]} now, set by {by.get(name, 'nobody')}" for name in moved
            )
            raise SettingConflict(f"{said}. Nothing was changed; look at it and decide again.")
        now = dt.datetime.now()
        rows = [(name, json.dumps(value), now, who) for name, value in checked.items()]
        intake_log.append(
            connection, "setting", pl.DataFrame(rows, schema=_SETTING, orient="row"), replace=True
        )
        logged = [
            LogRow("setting", name, "changed", f"set by {who}", before[name], value)
            for name, value in checked.items()
        ]
        intake_log.write(connection, uuid.uuid4().hex[:12], logged)


def _know_signals(house_setup: Mapping[str, Mapping[str, Any]]) -> None:
    """A standing hookup that no capture could ever match is a slip of whoever writes it.

    Raises:
        ShopspreadError: when there is no such test, or the test has no such signal.
    """
    for test, wanted in house_setup.items():
        known = kind(test)
        if known is None:
            raise ShopspreadError(
                f"Setting house_setup: there is no test {test!r}; there are: {', '.join(kinds())}."
            )
        signals = [signal.name for signal in known.signals]
        unknown = [name for name in wanted.get("signals") or () if name not in signals]
        if unknown:
            raise ShopspreadError(
                f"Setting house_setup, test {test}: it knows no signal {', '.join(unknown)}; "
                f"there are: {', '.join(signals)}."
            )


def read_settings(warehouse: Warehouse) -> dict[str, Any]:
    """Every setting by name, with its default where the shop has decided nothing."""
    return settings_in(warehouse.frame("settings"))


def settings_in(rows: pl.DataFrame) -> dict[str, Any]:
    """The same from the query `settings`."""
    return standing(dict(rows.select("name", "value").iter_rows()))


def _add_threshold(
    connection: duckdb.DuckDBPyConnection,
    place: Place,
    version: int,
    threshold_pct: float,
    set_by: str,
    reason: str,
    source: str,
) -> None:
    connection.execute(
        "INSERT INTO threshold VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            place.test,
            place.measure,
            place.group,
            version,
            threshold_pct,
            dt.datetime.now(),
            set_by,
            reason,
            source,
        ],
    )
