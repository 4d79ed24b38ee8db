"""What people decide: thresholds, settings, coaching sessions. Versions are added, never edited."""

from __future__ import annotations

import datetime as dt
import json
import uuid
from typing import Any

import duckdb
import polars as pl

from models.records.people_settings import TOPICS
from models.thresholds.flags import flags
from pipelines.errors import ShopspreadError, ThresholdConflict
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.settings import setting, standing

COACHING_TOPICS = TOPICS


def set_threshold(
    warehouse: Warehouse,
    engine_family: str,
    threshold_pct: float,
    *,
    set_by: str,
    reason: str,
    seen_version: int,
) -> int:
    """Put a threshold in force for a family as a new version, and judge its whole history by it.

    Args:
        seen_version: the newest version of this family the person was looking at (0 when there was
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
    with warehouse.transaction() as connection:
        if connection.execute(
            "SELECT count(*) FROM engine_family WHERE engine_family = ?", [engine_family]
        ).fetchone() == (0,):
            raise ShopspreadError(f"There is no engine family {engine_family!r} in the warehouse.")
        newest = connection.execute(
            "SELECT version, set_by, reason, threshold_pct FROM threshold WHERE engine_family = ? "
            "ORDER BY version DESC LIMIT 1",
            [engine_family],
        ).fetchone()
        version = int(newest[0]) if newest else 0
        if newest and version != seen_version:
            raise ThresholdConflict(
                f"{newest[1]} has written version {version} ({newest[3]:g} %: {newest[2]}) since you looked. "
                "Nothing was changed; look at it and decide again."
            )
        _add_threshold(
            connection, engine_family, version + 1, threshold_pct, set_by.strip(), reason.strip(), "set"
        )
        judge(connection)
    return version + 1


def propose_thresholds(connection: duckdb.DuckDBPyConnection, proposals: pl.DataFrame) -> int:
    """Write a new proposed version for each family whose proposal moved; returns how many did.

    Runs inside the caller's transaction. `proposals`: engine_family, threshold_pct, why.
    """
    latest = connection.sql(
        "SELECT engine_family, max(version) AS version, "
        "arg_max(threshold_pct, version) FILTER (source = 'proposed') AS threshold_pct "
        "FROM threshold GROUP BY engine_family"
    ).pl()
    known = {row["engine_family"]: row for row in latest.to_dicts()}
    written = 0
    for row in proposals.to_dicts():
        before = known.get(row["engine_family"])
        # A tenth of a percent is below anything a shop would notice; do not fill the history with it.
        if (
            before
            and before["threshold_pct"] is not None
            and abs(before["threshold_pct"] - row["threshold_pct"]) < 0.1
        ):
            continue
        version = int(before["version"]) + 1 if before else 1
        _add_threshold(
            connection,
            row["engine_family"],
            version,
            row["threshold_pct"],
            "shopspread fit",
            row["why"],
            "proposed",
        )
        written += 1
    return written


def judge(connection: duckdb.DuckDBPyConnection) -> None:
    """Flag every scored capture by the threshold in force; flags of earlier versions stay as history.

    Runs inside the caller's transaction.
    """
    thresholds = query(connection, "thresholds_in_force")
    judged = flags(query(connection, "judged_cylinders"), thresholds)
    now = dt.datetime.now()
    connection.register("judged", judged.to_arrow())
    try:
        # Only what changed gets a new row, so that a fit that changes nothing adds no history.
        connection.execute(
            "CREATE OR REPLACE TEMP TABLE news AS SELECT judged.* FROM judged LEFT JOIN "
            "(SELECT * FROM flag WHERE in_force) AS old USING (capture_file) WHERE old.capture_file IS NULL "
            "OR old.threshold_version <> judged.threshold_version OR old.flagged <> judged.flagged "
            "OR abs(old.odd_pct - judged.odd_pct) > 1e-6 "
            "OR old.flagged_positions IS DISTINCT FROM judged.flagged_positions "
            "OR old.flagged_cylinders IS DISTINCT FROM judged.flagged_cylinders"
        )
        connection.execute(
            "UPDATE flag SET in_force = false WHERE capture_file IN (SELECT capture_file FROM news)"
        )
        connection.execute(
            "INSERT INTO flag BY NAME SELECT news.*, CAST(? AS TIMESTAMP) AS made_at, true AS in_force FROM news",
            [now],
        )
        connection.execute("DROP TABLE news")
    finally:
        connection.unregister("judged")


def set_setting(warehouse: Warehouse, name: str, value: Any, *, set_by: str) -> None:
    """Change one of the shop's settings; the old value stays in the intake log.

    Raises:
        ShopspreadError: when there is no such setting or the value may not stand.
    """
    checked = setting(name).check(value)
    before = read_settings(warehouse)[name]
    with warehouse.transaction() as connection:
        connection.execute(
            "INSERT OR REPLACE INTO setting VALUES (?, ?, ?, ?)",
            [name, json.dumps(checked), dt.datetime.now(), set_by.strip() or "unnamed"],
        )
        log = LogRow("setting", name, "changed", f"set by {set_by.strip() or 'unnamed'}", before, checked)
        intake_log.write(connection, uuid.uuid4().hex[:12], [log])


def read_settings(warehouse: Warehouse) -> dict[str, Any]:
    """Every setting by name, with its default where the shop has decided nothing."""
    return standing({row["name"]: row["value"] for row in warehouse.frame("settings").to_dicts()})


def log_coaching(
    warehouse: Warehouse, *, technician: str, held_on: dt.date, topic: str, test: str | None = None
) -> str:
    """Note that a coaching session was held; returns its key.

    Raises:
        ShopspreadError: when the technician is unknown or the topic is none of `COACHING_TOPICS`.
    """
    if topic not in COACHING_TOPICS:
        raise ShopspreadError(f"A coaching topic is one of: {', '.join(COACHING_TOPICS)}; not {topic!r}.")
    session = f"{held_on.isoformat()}-{technician}-{uuid.uuid4().hex[:6]}"
    with warehouse.transaction() as connection:
        known = connection.execute(
            "SELECT count(*) FROM (SELECT technician FROM technician UNION SELECT technician FROM capture_log) "
            "WHERE technician = ?",
            [technician],
        ).fetchone()
        if known == (0,):
            raise ShopspreadError(f"There is no technician {technician!r} in the warehouse.")
        connection.execute(
            "INSERT INTO coaching VALUES (?, ?, ?, ?, ?)", [session, technician, held_on, topic, test]
        )
        after = {"technician": technician, "held_on": held_on, "topic": topic, "test": test}
        intake_log.write(
            connection, uuid.uuid4().hex[:12], [LogRow("coaching", session, "added", None, None, after)]
        )
    return session


def _add_threshold(
    connection: duckdb.DuckDBPyConnection,
    engine_family: str,
    version: int,
    threshold_pct: float,
    set_by: str,
    reason: str,
    source: str,
) -> None:
    connection.execute(
        "INSERT INTO threshold VALUES (?, ?, ?, ?, ?, ?, ?)",
        [engine_family, version, threshold_pct, dt.datetime.now(), set_by, reason, source],
    )
