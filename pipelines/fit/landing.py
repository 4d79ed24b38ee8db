"""Everything a fit says, written into the warehouse and read back: nothing is left for a page to work out again."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import duckdb
import numpy as np
import polars as pl

from models.records.matrix import layouts_of
from models.spread.fit import GroupFit, Scores, SpreadSettings
from models.spread.null import Null
from models.spread.result import HEALTHY_SCHEMA, PATTERN_SCHEMA, STATS_SCHEMA
from models.spread.scoring import CAPTURE_SCHEMA, ELEMENT_SCHEMA
from models.stats.results import Estimate
from models.thresholds.proposal import COST_SCHEMA, Proposal
from pipelines.kinds import Kind
from pipelines.warehouse import log as intake_log

if TYPE_CHECKING:
    from pipelines.fit.run import MeasureFit, TestFit

Frames = Mapping[str, pl.DataFrame]

_PIECE = 250_000


def land(connection: duckdb.DuckDBPyConnection, groups: pl.DataFrame, fits: Sequence[TestFit]) -> None:
    """Put a fit's rows in the place of the last fit's, inside the caller's transaction.

    Raises:
        ValueError: a frame has a column the warehouse has no place for, so that it would be lost.
    """
    _empty(connection, "comparison_group")
    _add(connection, "comparison_group", groups)
    for table, rows in (
        ("group_stat", lambda one: one.fit.stats),
        ("group_pattern", lambda one: one.fit.pattern),
        ("group_null", lambda one: _null_rows(one.fit)),
        ("capture_health", lambda one: one.fit.healthy.drop("group")),
        ("measure_score", lambda one: one.scores.captures.drop("group")),
        ("element_score", lambda one: one.scores.elements),
        ("proposal", lambda one: _proposal_rows(one.proposals)),
    ):
        _land_measures(connection, table, fits, rows)
    _empty(connection, "outlier")
    for one in fits:
        _add(connection, "outlier", _outlier_rows(one))


def _land_measures(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    fits: Sequence[TestFit],
    rows: Callable[[MeasureFit], pl.DataFrame],
) -> None:
    """One table's rows of all tests and measures, with the columns that say which they are of."""
    columns = _empty(connection, table)
    for fit in fits:
        for rank, (measure, one) in enumerate(fit.measures.items()):
            names = {"test": fit.kind.name, "measure": measure, "rank": rank}
            added = [pl.lit(value).alias(name) for name, value in names.items() if name in columns]
            _add(connection, table, rows(one).with_columns(added))


def _empty(connection: duckdb.DuckDBPyConnection, table: str) -> pl.Schema:
    connection.execute(f"DELETE FROM {table}")
    return _schema(connection, table)


def _schema(connection: duckdb.DuckDBPyConnection, table: str) -> pl.Schema:
    frame: pl.DataFrame = connection.sql(f"SELECT * FROM {table} LIMIT 0").pl()
    return frame.schema


def _add(connection: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    columns = _schema(connection, table)
    unknown = set(frame.columns) - set(columns)
    if unknown:
        raise ValueError(f"the table {table} has no column {', '.join(sorted(unknown))}")
    cast = [pl.col(name).cast(dtype) for name, dtype in columns.items() if name in frame.columns]
    # In pieces: a column of names is copied on its way into the database.
    for start in range(0, frame.height, _PIECE):
        intake_log.append(connection, table, frame.slice(start, _PIECE).select(cast))


def _null_rows(fit: GroupFit) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "group": list(fit.nulls),
            "odd_pct": [null.odd_pct.tolist() for null in fit.nulls.values()],
            "tail_from": [null.tail_from for null in fit.nulls.values()],
            "tail_sd_pct": [null.tail_sd_pct for null in fit.nulls.values()],
        },
        schema={
            "group": pl.String,
            "odd_pct": pl.List(pl.Float64),
            "tail_from": pl.Float64,
            "tail_sd_pct": pl.Float64,
        },
    )


def _outlier_rows(fit: TestFit) -> pl.DataFrame:
    scores = fit.outliers.scores
    told = scores["reasons"].list.len() > 0
    words = [json.dumps(value, default=str) for value in scores["reasons"].filter(told).to_list()]
    reasons = pl.Series(["[]", *words], dtype=pl.String).gather(told.cast(pl.Int64).cum_sum() * told)
    return scores.with_columns(reasons.alias("reasons")).rename({"model": "outlier_model"})


def _estimate_cells(name: str, value: Estimate) -> dict[str, Any]:
    return {
        f"{name}_n": value.n,
        name: value.estimate,
        f"{name}_low": value.low,
        f"{name}_high": value.high,
        f"{name}_why": value.why,
    }


_PROPOSAL_SCHEMA: dict[str, Any] = {
    "group": pl.String,
    "threshold_pct": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "basis": pl.String,
    "why": pl.String,
    "flags_per_week": pl.Float64,
    **{
        f"{name}{suffix}": dtype
        for name in ("false_alarm", "detection")
        for suffix, dtype in (
            ("_n", pl.Int64),
            ("", pl.Float64),
            ("_low", pl.Float64),
            ("_high", pl.Float64),
            ("_why", pl.String),
        )
    },
    "prevalence": pl.Float64,
    "cost_miss": pl.Float64,
    "cost_false_alarm": pl.Float64,
    "cost": pl.List(pl.Struct(COST_SCHEMA)),
    "believed_healthy_flagged": pl.Float64,
    "needs_look": pl.String,
}


def _proposal_rows(proposals: Sequence[Proposal]) -> pl.DataFrame:
    rows = [
        {
            "group": one.group,
            "threshold_pct": one.threshold_pct,
            "low": one.low,
            "high": one.high,
            "basis": one.basis,
            "why": one.why,
            "flags_per_week": one.flags_per_week,
            **_estimate_cells("false_alarm", one.false_alarm),
            **_estimate_cells("detection", one.detection),
            "prevalence": one.prevalence,
            "cost_miss": one.cost_miss,
            "cost_false_alarm": one.cost_false_alarm,
            "cost": one.cost.to_dicts(),
            "believed_healthy_flagged": one.believed_healthy_flagged,
            "needs_look": one.needs_look,
        }
        for one in proposals
    ]
    return pl.DataFrame(rows, schema=_PROPOSAL_SCHEMA)


def proposal_rows(fits: Sequence[TestFit]) -> pl.DataFrame:
    """Every proposal as a version to be written: test, measure, group, threshold_pct, why, first.

    A proposal that needs a look never comes into force by itself. Where nothing is in force yet, the limit of the
    normal spread stands in for it (`first` = only where there is no version of that group).
    """
    rows = []
    for fit in fits:
        for measure, part in fit.measures.items():
            limits = dict(part.fit.stats.select("group", "odd_limit_pct").iter_rows())
            for one in part.proposals:
                if one.needs_look is None:
                    rows.append((fit.kind.name, measure, one.group, one.threshold_pct, one.why, False))
                    continue
                limit = round(limits[one.group], 1)
                why = f"{one.needs_look} Until then {limit:.1f} % stands, what about 1 in 100 healthy captures reach."
                rows.append((fit.kind.name, measure, one.group, limit, why, True))
    schema = {
        "test": pl.String, "measure": pl.String, "group": pl.String, "threshold_pct": pl.Float64, "why": pl.String,
        "first": pl.Boolean,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


# -- and back --------------------------------------------------------------------------------------------------------

STORED: tuple[str, ...] = ("group_stats", "group_patterns", "group_nulls", "health", "proposals")
"""Named queries, by test and measure, that `stored_fit` and `stored_proposals` take."""


def stored_fit(known: Kind, measure: str, frames: Frames) -> GroupFit:
    """The last fit of one measure, as it was made.

    Args:
        frames: the queries of `STORED`, and `comparison_groups`.
    """
    stats = frames["group_stats"].select(pl.col(name).cast(dtype) for name, dtype in STATS_SCHEMA.items())
    groups = frames["comparison_groups"].filter(pl.col("test") == known.name)
    return GroupFit(
        measure=known.measure(measure),
        stats=stats,
        pattern=frames["group_patterns"].select(pl.col(n).cast(d) for n, d in PATTERN_SCHEMA.items()),
        healthy=frames["health"].select(pl.col(n).cast(d) for n, d in HEALTHY_SCHEMA.items()),
        nulls={
            row["group"]: Null(
                np.asarray(row["odd_pct"], dtype=np.float64), row["tail_from"], row["tail_sd_pct"]
            )
            for row in frames["group_nulls"].iter_rows(named=True)
        },
        layouts=layouts_of(groups.filter(pl.col("group").is_in(stats["group"].implode()))),
        settings=SpreadSettings(),
    )


def stored_scores(
    measure: str, scores: pl.DataFrame, elements: pl.DataFrame, captures: pl.DataFrame
) -> Scores:
    """The last fit's scores of one measure.

    Args:
        scores, elements: the queries `scores` and `element_scores`; captures: the frame, of one test.
    """
    groups = captures.select("capture_file", "group")
    own = scores.filter(pl.col("measure") == measure).join(
        groups, on="capture_file", how="inner", maintain_order="left"
    )
    cells = elements.filter((pl.col("measure") == measure) & pl.col("deviation_pct").is_not_null())
    cells = cells.join(groups.select("capture_file"), on="capture_file", how="semi", maintain_order="left")
    return Scores(
        own.select(pl.col(name).cast(dtype) for name, dtype in CAPTURE_SCHEMA.items()),
        cells.select(pl.col(name).cast(dtype) for name, dtype in ELEMENT_SCHEMA.items()),
    )


def stored_proposals(proposals: pl.DataFrame) -> tuple[Proposal, ...]:
    """The last fit's proposals of one measure, from the query `proposals`."""
    return tuple(
        Proposal(
            group=row["group"],
            threshold_pct=row["threshold_pct"],
            low=row["low"],
            high=row["high"],
            basis=row["basis"],
            why=row["why"],
            flags_per_week=row["flags_per_week"],
            false_alarm=_estimate(row, "false_alarm"),
            detection=_estimate(row, "detection"),
            prevalence=row["prevalence"],
            cost=pl.DataFrame(row["cost"] or [], schema=COST_SCHEMA),
            cost_miss=row["cost_miss"],
            cost_false_alarm=row["cost_false_alarm"],
            believed_healthy_flagged=row["believed_healthy_flagged"],
            needs_look=row["needs_look"],
        )
        for row in proposals.iter_rows(named=True)
    )


def _estimate(row: Mapping[str, Any], name: str) -> Estimate:
    return Estimate(row[f"{name}_n"], row[name], row[f"{name}_low"], row[f"{name}_high"], row[f"{name}_why"])
