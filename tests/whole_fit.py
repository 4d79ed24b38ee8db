"""One test fitted from a whole shop's frames in memory: the peer of the fit that reads piece by piece."""

from __future__ import annotations

import polars as pl

from models.outliers.features import wide_features
from models.records.shop import Shop
from models.thresholds.proposal import Costs
from pipelines.fit.run import TestFit, _fit_own
from pipelines.kinds import Kind


def fit_test(known: Kind, shop: Shop, costs: Costs) -> TestFit:
    """Fit one test.

    Args:
        shop: any bundle; only what belongs to the test is looked at.
    """
    own = shop.of_test(known.name)
    by_measure = {
        measure.name: own.elements.filter(pl.col("measure") == measure.name) for measure in known.measures
    }
    wide = wide_features(own.features)
    return _fit_own(known, own.with_frames(elements=own.elements.clear()), by_measure, wide, costs)
