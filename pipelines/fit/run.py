"""Fit: the warehouse's readings go through the models, and what they say goes back into the warehouse."""

from __future__ import annotations

import datetime as dt
import json
import time
import uuid
from dataclasses import dataclass

import duckdb
import polars as pl

from models.outliers.forest import fit_forest
from models.spread.fit import fit_families, score_captures
from models.thresholds.proposal import Proposal, propose
from pipelines.fit import standing_hookup as house
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.decisions import judge, propose_thresholds, read_settings
from pipelines.warehouse.log import LogRow

FRAMES = ("captures", "cylinders", "features", "families", "outcomes", "checks")


@dataclass(frozen=True, slots=True)
class FitSummary:
    """What a fit covered and changed."""

    families: int
    captures: int
    proposals: int
    flagged: int
    seconds: float


def fit_warehouse(warehouse: Warehouse) -> FitSummary:
    """Recompute normal spread, scores, the outlier model and proposed thresholds, and judge every capture.

    The frames are read first and no connection is held while the models work, so that others can read
    and write; what the models say lands in one transaction.

    Raises:
        WarehouseError: when the warehouse cannot be read or written.
    """
    started = time.perf_counter()
    settings = read_settings(warehouse)
    frames = warehouse.frames(FRAMES)
    captures, cylinders = frames["captures"], frames["cylinders"]
    fit = fit_families(captures, cylinders, frames["families"], frames["outcomes"])
    scores = score_captures(fit, captures, cylinders, frames["families"], frames["outcomes"])
    outliers = fit_forest(frames["features"], captures, scores, fit, frames["outcomes"])
    proposals = propose(
        fit,
        scores,
        captures,
        frames["outcomes"],
        cost_miss=float(settings["cost_miss"]),
        cost_false_alarm=float(settings["cost_false_alarm"]),
    )
    with warehouse.transaction() as connection:
        house.refresh(connection, settings["house_setup"])
        _replace(connection, "family_stat", fit.stats)
        _replace(connection, "family_pattern", fit.pattern)
        _replace(connection, "score", _score_rows(scores.captures, outliers.scores))
        _replace(connection, "cylinder_score", scores.cylinders)
        proposed = propose_thresholds(connection, _proposal_rows(proposals))
        judge(connection)
        flagged = connection.execute("SELECT count(*) FROM flag WHERE in_force AND flagged").fetchone()
        seconds = time.perf_counter() - started
        connection.execute(
            "INSERT INTO fit_run SELECT coalesce(max(fit_id), 0) + 1, CAST(? AS TIMESTAMP), ?, ? FROM fit_run",
            [dt.datetime.now(), scores.captures.height, seconds],
        )
        summary = FitSummary(
            families=fit.stats.height,
            captures=scores.captures.height,
            proposals=proposed,
            flagged=int(flagged[0]) if flagged else 0,
            seconds=seconds,
        )
        after = {"captures": summary.captures, "proposals": proposed, "flagged": summary.flagged}
        intake_log.write(
            connection, uuid.uuid4().hex[:12], [LogRow("fit", None, "changed", None, None, after)]
        )
    return summary


def _replace(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Put a fit's rows in the place of the last fit's, cast to the table's columns."""
    connection.execute(f"DELETE FROM {table}")
    columns = connection.sql(f"SELECT * FROM {table} LIMIT 0").pl().schema
    shared = [pl.col(name).cast(dtype) for name, dtype in columns.items() if name in frame.columns]
    intake_log.append(connection, table, frame.select(shared))


def _score_rows(captures: pl.DataFrame, outliers: pl.DataFrame) -> pl.DataFrame:
    reasons = [json.dumps(value, default=str) for value in outliers["reasons"].to_list()]
    return captures.join(
        outliers.with_columns(pl.Series("reasons", reasons, dtype=pl.String)).rename(
            {"model": "outlier_model"}
        ),
        on="capture_file",
        how="left",
    )


def _proposal_rows(proposals: tuple[Proposal, ...]) -> pl.DataFrame:
    rows = [(p.engine_family, p.threshold_pct, p.why) for p in proposals if p.threshold_pct is not None]
    schema = {"engine_family": pl.String, "threshold_pct": pl.Float64, "why": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")
