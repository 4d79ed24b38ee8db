"""What the lead technician's pages say of one measure's limits and of the gauge, worked out once, by the fit.

All of it is of all records, as somebody sees it who may see everything.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import polars as pl

from models.records.schemas import ELEMENTS
from models.records.shop import Shop
from models.thresholds.curves import ThresholdCurves, curves
from models.thresholds.evidence import evidence
from models.thresholds.gauge import GaugeCheck, deviation_against_gauge
from models.thresholds.proposal import Cost, costs_at
from pipelines.fit.landing import stored_scores
from pipelines.kinds import kind
from pipelines.threads import one_thread
from pipelines.warehouse.database import Warehouse
from pipelines.warehouse.shop import shop_of

CURVES, GAUGE = "curves", "gauge"
GroupCosts = Mapping[tuple[str, str, str], Cost]
"""What the limits in force do, by test, measure and group."""
LimitFigure = ThresholdCurves | GaugeCheck | None


def name_of(what: str, test: str, measure: str) -> str:
    """The name a figure of one measure is stored under; `what` is `CURVES` or `GAUGE`."""
    return f"{what} of {test} by {measure}"


def limit_figures(warehouse: Warehouse, frames: Mapping[str, pl.DataFrame]) -> dict[str, LimitFigure]:
    """Curves and gauge of every measure of every test with a group, by `name_of`.

    Args:
        frames: the queries `captures`, `outcomes`, `scores` and `comparison_groups`.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    records = shop_of({name: frames[name] for name in ("captures", "outcomes")})
    found: dict[str, LimitFigure] = {}
    for test in frames["comparison_groups"]["test"].unique(maintain_order=True):
        known = kind(test)
        if known is None:
            continue  # a test of a newer program
        own = records.of_test(test)
        for measure in (one.name for one in known.measures):
            scores = frames["scores"].filter(pl.col("measure") == measure)
            found[name_of(CURVES, test, measure)] = curves_of(scores, own)
            found[name_of(GAUGE, test, measure)] = gauge_of(warehouse, own, test, measure)
    return found


def curves_of(scores: pl.DataFrame, own: Shop) -> ThresholdCurves:
    """What every limit would find and flag for nothing.

    Args:
        scores: of one measure. own: captures and outcomes of one test.
    """
    with one_thread():
        return curves(evidence(scores, own))


def gauge_of(warehouse: Warehouse, own: Shop, test: str, measure: str) -> GaugeCheck | None:
    """A measure against the gauge; None where no outcome of the test carries a gauge reading.

    Args:
        own: captures and outcomes of the test.

    Raises:
        WarehouseError: when the warehouse cannot be read.
    """
    jobs = own.outcomes.filter(pl.col("gauge_kpa").list.len() > 0)
    if jobs.is_empty():
        return None
    # of a large shop only the rows that can be held against a gauge
    captures = own.captures.join(jobs, on="repair_order", how="semi", maintain_order="left")
    rows = warehouse.frames(
        ("test_scores", "test_element_scores", "fit_elements"),
        {"test": test, "measure": measure},
        captures=captures["capture_file"].to_list(),
    )
    scores = stored_scores(measure, rows["test_scores"], rows["test_element_scores"], captures)
    elements = rows["fit_elements"].sort("capture_file", "position").with_columns(measure=pl.lit(measure))
    with one_thread():
        return deviation_against_gauge(scores, own.with_frames(elements=ELEMENTS.of(elements)))


def costs_of(frames: Mapping[str, pl.DataFrame], end: dt.datetime) -> GroupCosts:
    """What the limits in force do in every group of every test, by captures and outcomes up to `end`.

    Args:
        frames: the queries of `figures.COST_FRAMES`.
    """
    records = shop_of(frames)
    shop = records.with_frames(
        captures=records.captures.filter(pl.col("captured_at") <= end),
        outcomes=records.outcomes.filter(pl.col("confirmed_at") <= end),
    )
    groups, limits, scores = frames["comparison_groups"], frames["thresholds_in_force"], frames["scores"]
    found: dict[tuple[str, str, str], Cost] = {}
    for test in groups["test"].unique(maintain_order=True):
        known = kind(test)
        if known is None:
            continue  # a test of a newer program: nothing is said of it
        own = shop.of_test(test)
        for measure in known.measures:
            in_force = limits.filter((pl.col("test") == test) & (pl.col("measure") == measure.name))
            at = dict(in_force.select("group", "threshold_pct").iter_rows())
            with one_thread():
                costs = costs_at(scores.filter(pl.col("measure") == measure.name), own, at)
            for group in groups.filter(pl.col("test") == test)["group"]:
                found[test, measure.name, group] = costs[group]
    return found
