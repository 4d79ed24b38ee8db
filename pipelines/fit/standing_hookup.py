"""The shop's standing hookup per test, and which captures drift from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import duckdb
import polars as pl

from models.people.standing_hookup import ASPECTS, compare, decided_hookups
from models.records.people_settings import StandingHookup
from pipelines.kinds import engine_words
from pipelines.warehouse import log as intake_log

CHECK = "off_house_setup"
# Tells this module's findings from the reader's own of the same name (a scale that cannot be right).
OPENING = "The hookup differs from the standing one:"
_OPENINGS = (OPENING, "The hookup differs from the house setup:")  # the second as older versions wrote it
# A finer time base or a longer record than the shop asks for is no fault; a much coarser or shorter one is.
RATE_FACTOR = 1.5
LENGTH_SHARE = 0.7


def setups(house_setup: Mapping[str, Mapping[str, Any]]) -> tuple[StandingHookup, ...]:
    """The setting `house_setup` as the models take it."""
    return tuple(
        StandingHookup(
            test=test,
            signals=tuple(wanted["signals"]) if "signals" in wanted else None,
            scales=tuple(float(scale) for scale in wanted["scales"]) if "scales" in wanted else None,
            index_element=wanted.get(engine_words.INDEX_COLUMN),
            min_rate_hz=wanted["rate_hz"] / RATE_FACTOR if "rate_hz" in wanted else None,
            min_duration_s=wanted["duration_s"] * LENGTH_SHARE if "duration_s" in wanted else None,
        )
        for test, wanted in house_setup.items()
    )


def _what_to_do(aspect: str, wanted: Mapping[str, Any]) -> str:
    if aspect == ASPECTS[0]:
        order = ", ".join(f"channel {n} {signal}" for n, signal in enumerate(wanted["signals"], start=1))
        return f"connect {order}, as the shop always does"
    if aspect == ASPECTS[1]:
        return f"set the scales to {', '.join(f'{value:g}' for value in wanted['scales'])} in channel order"
    if aspect == ASPECTS[2]:
        return engine_words.index_advice(wanted[engine_words.INDEX_COLUMN])
    if aspect == ASPECTS[3]:
        return f"sample with {wanted['rate_hz']:g} per second"
    return f"record {wanted['duration_s']:g} s"


def drift(
    captures: pl.DataFrame, house_setup: Mapping[str, Mapping[str, Any]]
) -> list[tuple[str, Sequence[str]]]:
    """Captures that differ from the standing hookup of their test, each with what to do about it.

    Args:
        captures: capture_file, test, ch_signals and ch_scales (`;` between them), sync_cylinder, rate_hz,
            duration_s.
        house_setup: the setting; what it leaves out for a test is not checked.
    """
    compared = compare(captures, decided_hookups(setups(house_setup))).filter(~pl.col("consistent"))
    return [
        (
            str(row["capture_file"]),
            [_what_to_do(aspect, house_setup[row["test"]]) for aspect in ASPECTS if row[aspect] is False],
        )
        for row in compared.iter_rows(named=True)
    ]


def refresh(connection: duckdb.DuckDBPyConnection, house_setup: Mapping[str, Mapping[str, Any]]) -> int:
    """Make the `off_house_setup` checks say what the setting in force says; returns how many fail.

    Runs inside the caller's transaction. Done for all captures at each fit, because changing the
    setting changes what counts as drift for captures read long before.
    """
    captures = connection.sql(
        "SELECT log.capture_file, log.test, array_to_string(log.ch_signals, ';') AS ch_signals, "
        "array_to_string(log.ch_scales, ';') AS ch_scales, log.sync_cylinder, state.rate_hz, "
        "state.duration_s FROM capture_log AS log JOIN capture_state AS state USING (capture_file) "
        "WHERE state.status IN ('read', 'unusable')"
    ).pl()
    rows = [
        (name, CHECK, "note", f"{OPENING} next time {'; '.join(found)}.")
        for name, found in drift(captures, house_setup)
    ]
    for opening in _OPENINGS:
        connection.execute(
            'DELETE FROM setup_check WHERE "check" = ? AND starts_with(detail, ?)', [CHECK, opening]
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
