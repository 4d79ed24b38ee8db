"""Fit: the warehouse's readings go through the models, and what they say goes back into the warehouse.

Each test is fitted by itself, from a bundle that holds nothing of any other test: captures of one can never move a
figure of another.
"""

from __future__ import annotations

import datetime as dt
import time
import uuid
from dataclasses import dataclass

import polars as pl

from models.outliers.exchangeable import reweighted
from models.outliers.forest import ForestFit, fit_forest
from models.records import schemas
from models.records.shop import Shop
from models.spread.fit import GroupFit, Scores, fit_groups, score_captures
from models.thresholds.proposal import Costs, Proposal, propose
from pipelines.fit import landing, standing_hookup
from pipelines.fit.figures import store_figures
from pipelines.kinds import Kind, kind
from pipelines.threads import one_thread
from pipelines.warehouse import log as intake_log
from pipelines.warehouse.database import Warehouse, query
from pipelines.warehouse.decisions import judge, propose_thresholds, read_settings
from pipelines.warehouse.log import LogRow
from pipelines.warehouse.shop import by_test, comparison_groups


@dataclass(frozen=True, slots=True)
class FitSummary:
    """What a fit covered and changed."""

    tests: int
    groups: int
    captures: int
    proposals: int
    flagged: int
    seconds: float


@dataclass(frozen=True, slots=True)
class MeasureFit:
    """What the models say of one measure of one test."""

    fit: GroupFit
    scores: Scores
    proposals: tuple[Proposal, ...]


@dataclass(frozen=True, slots=True)
class TestFit:
    """What the models say of one test: by measure (the first one first), and over all features."""

    __test__ = False

    kind: Kind
    measures: dict[str, MeasureFit]
    outliers: ForestFit


def _fit_own(
    known: Kind, own: Shop, elements: dict[str, pl.DataFrame], wide: pl.DataFrame, costs: Costs
) -> TestFit:
    """Fit one test from what belongs to it alone.

    Args:
        own: without elements and features. elements: by measure; emptied on the way, since they are most of a
            large shop. wide: its features, one row a capture.
    """
    measures = {}
    made = wide.select("capture_file", *(name for name in known.made_features if name in wide.columns))
    for measure in known.measures:
        part = own.with_frames(elements=elements.pop(measure.name))
        fit = fit_groups(part, measure)
        scores = reweighted(score_captures(fit, part), own, wide=made)
        del part
        measures[measure.name] = MeasureFit(fit, scores, propose(fit, scores, own, costs))
    outliers = fit_forest(
        own,
        {name: one.scores for name, one in measures.items()},
        {name: one.fit for name, one in measures.items()},
        known.feature_words,
        wide=wide,
    )
    return TestFit(known, measures, outliers)


def _read_and_fit(warehouse: Warehouse, known: Kind, groups: pl.DataFrame, costs: Costs) -> TestFit:
    """Read one test's frames, of one warehouse version, and fit it with no connection held."""
    test = {"test": known.name}
    with warehouse.reading() as connection:
        captures = query(connection, "fit_captures", test)
        outcomes = by_test(query(connection, "outcomes")).filter(pl.col("test") == known.name)
        elements = {
            measure.name: schemas.ELEMENTS.of(
                query(connection, "fit_elements", test | {"measure": measure.name}).with_columns(
                    measure=pl.lit(measure.name)
                )
            )
            for measure in known.measures
        }
        wide = captures.select("capture_file")
        for name in query(connection, "fit_features", test)["feature"]:
            column = query(connection, "fit_feature", test | {"feature": name}).rename({"value": name})
            wide = wide.join(column, on="capture_file", how="left", maintain_order="left")
    own = Shop(
        captures=schemas.CAPTURES.of(captures),
        outcomes=outcomes,
        groups=groups.filter(pl.col("test") == known.name).select(list(schemas.GROUPS.types)),
    )
    return _fit_own(known, own, elements, wide, costs)


def fit_warehouse(warehouse: Warehouse) -> FitSummary:
    """Recompute normal spread, scores, the outlier model and proposed thresholds, and judge every capture.

    One test's frames are read at a time and no connection is held while the models work, so that others can
    read and write; what the models say lands in one transaction.

    Raises:
        WarehouseError: when the warehouse cannot be read or written.
    """
    started = time.perf_counter()
    settings = read_settings(warehouse)
    frames = warehouse.frames(("families", "logged_groups", "element_counts"))
    groups = comparison_groups(frames["families"], frames["logged_groups"], frames["element_counts"])
    costs = Costs(float(settings["cost_miss"]), float(settings["cost_false_alarm"]))
    with one_thread():
        fits = [
            _read_and_fit(warehouse, known, groups, costs)
            for name in groups["test"].unique(maintain_order=True)
            if (known := kind(name)) is not None
        ]
    with warehouse.transaction() as connection:
        standing_hookup.refresh(connection, settings["house_setup"])
        landing.land(connection, groups, fits)
        proposed = propose_thresholds(connection, landing.proposal_rows(fits))
        judge(connection)
        flagged = connection.execute(
            "SELECT count(DISTINCT capture_file) FROM flag WHERE in_force AND flagged"
        ).fetchone()
        captures = sum(next(iter(one.measures.values())).scores.captures.height for one in fits)
        seconds = time.perf_counter() - started
        connection.execute(
            "INSERT INTO fit_run SELECT coalesce(max(fit_id), 0) + 1, CAST(? AS TIMESTAMP), ?, ? FROM fit_run",
            [dt.datetime.now(), captures, seconds],
        )
        summary = FitSummary(
            tests=len(fits),
            groups=groups.height,
            captures=captures,
            proposals=proposed,
            flagged=int(flagged[0]) if flagged else 0,
            seconds=seconds,
        )
        after = {"captures": summary.captures, "proposals": proposed, "flagged": summary.flagged}
        intake_log.write(
            connection, uuid.uuid4().hex[:12], [LogRow("fit", None, "changed", None, None, after)]
        )
    del fits
    store_figures(warehouse)
    return summary
