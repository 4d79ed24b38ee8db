"""The shop's standing hookup per test, and which captures drift from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import duckdb
import polars as pl

from models.records.people_settings import HouseSetup
from pipelines.warehouse import log as intake_log

CHECK = "off_house_setup"
# Tells this module's findings from the reader's own of the same name (a scale that cannot be right).
OPENING = "The hookup differs from the house setup:"
# A finer time base or a longer record than the house's is no fault; a much coarser or shorter one is.
RATE_FACTOR = 1.5
LENGTH_SHARE = 0.7


def setups(house_setup: Mapping[str, Mapping[str, Any]]) -> tuple[HouseSetup, ...]:
    """The setting `house_setup` as the models take it."""
    return tuple(
        HouseSetup(
            test=test,
            signals=tuple(wanted["signals"]) if "signals" in wanted else None,
            scales=tuple(float(scale) for scale in wanted["scales"]) if "scales" in wanted else None,
            sync_cylinder=wanted.get("sync_cylinder"),
            min_rate_hz=wanted["rate_hz"] / RATE_FACTOR if "rate_hz" in wanted else None,
            min_duration_s=wanted["duration_s"] * LENGTH_SHARE if "duration_s" in wanted else None,
        )
        for test, wanted in house_setup.items()
    )


def drift(capture: Mapping[str, Any], wanted: Mapping[str, Any]) -> list[str]:
    """How one capture differs from the house setup of its test, in sentences; empty when it does not.

    Args:
        capture: ch_signals, ch_scales, sync_cylinder, rate_hz, duration_s of one capture.
        wanted: the house setup of its test; what it leaves out is not checked.
    """
    found = []
    signals = [signal for signal in capture["ch_signals"] or [] if signal]
    if "signals" in wanted and signals != list(wanted["signals"]):
        order = " , ".join(f"channel {n} {signal}" for n, signal in enumerate(wanted["signals"], start=1))
        found.append(f"connect {order.replace(' , ', ', ')}, as the shop always does")
    scales = [float(scale) for scale in capture["ch_scales"] or []]
    if "scales" in wanted and scales[: len(wanted["scales"])] != [float(scale) for scale in wanted["scales"]]:
        scale = ", ".join(f"{value:g}" for value in wanted["scales"])
        found.append(f"set the scales to {scale} in channel order")
    if "sync_cylinder" in wanted and (capture["sync_cylinder"] or 1) != wanted["sync_cylinder"]:
        found.append(f"take the sync from cylinder {wanted['sync_cylinder']}")
    if "rate_hz" in wanted and (capture["rate_hz"] or 0) * RATE_FACTOR < wanted["rate_hz"]:
        found.append(f"sample with {wanted['rate_hz']:g} per second")
    if "duration_s" in wanted and (capture["duration_s"] or 0) < LENGTH_SHARE * wanted["duration_s"]:
        found.append(f"record {wanted['duration_s']:g} s")
    return found


def refresh(connection: duckdb.DuckDBPyConnection, house_setup: Mapping[str, Mapping[str, Any]]) -> int:
    """Make the `off_house_setup` checks say what the setting in force says; returns how many fail.

    Runs inside the caller's transaction. Done for all captures at each fit, because changing the
    setting changes what counts as drift for captures read long before.
    """
    captures = connection.sql(
        "SELECT log.capture_file, log.test, log.ch_signals, log.ch_scales, log.sync_cylinder, state.rate_hz, "
        "state.duration_s FROM capture_log AS log JOIN capture_state AS state USING (capture_file) "
        "WHERE state.status IN ('read', 'unusable')"
    ).pl()
    rows = []
    for capture in captures.to_dicts():
        found = drift(capture, house_setup.get(capture["test"], {}))
        if found:
            detail = f"{OPENING} next time {'; '.join(found)}."
            rows.append((capture["capture_file"], CHECK, "note", detail))
    connection.execute(
        'DELETE FROM setup_check WHERE "check" = ? AND starts_with(detail, ?)', [CHECK, OPENING]
    )
    said = {
        name
        for (name,) in connection.execute(
            'SELECT capture_file FROM setup_check WHERE "check" = ?', [CHECK]
        ).fetchall()
    }
    rows = [row for row in rows if row[0] not in said]  # one finding a capture and check; the reader's stands
    schema = {"capture_file": pl.String, "check": pl.String, "severity": pl.String, "detail": pl.String}
    intake_log.append(connection, "setup_check", pl.DataFrame(rows, schema=schema, orient="row"))
    return len(rows)
