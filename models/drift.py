"""Does what is usual in a family move with time?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from models.results import Estimate

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MIN_VEHICLES = 8
MIN_MONTHS = 1.0


def drift_of(odd_pct: Floats, month: Floats, healthy: Floats, vehicle: Ints) -> Estimate:
    """Change of `odd_pct` of healthy captures per month, in % per month.

    Weighted least squares (weights = probability of being healthy) with a cluster-robust standard error,
    a vehicle being a cluster (Liang K.-Y. & Zeger S.L. 1986, Biometrika 73:13-22; small-sample factor
    G/(G-1)), and a t interval with G - 2 degrees of freedom.

    Args:
        odd_pct, month, healthy, vehicle: shape (captures,).
    """
    use = np.isfinite(odd_pct) & np.isfinite(month) & (healthy > 0.5)
    n = int(use.sum())
    y, x, w = odd_pct[use], month[use], healthy[use]
    _, cluster = np.unique(vehicle[use], return_inverse=True)
    clusters = int(cluster.max(initial=-1)) + 1
    if clusters < MIN_VEHICLES:
        return Estimate.nothing(n, f"{clusters} healthy vehicles; at least {MIN_VEHICLES} are needed.")
    span = float(np.ptp(x))
    if span < MIN_MONTHS:
        return Estimate.nothing(n, f"the healthy captures span {span:.1f} months; at least one is needed.")
    centre = float(np.average(x, weights=w))
    moment = float(np.sum(w * (x - centre) ** 2))
    if moment <= 0:
        return Estimate.nothing(n, "all healthy captures were made at the same time.")
    slope = float(np.sum(w * (x - centre) * y) / moment)
    residual = y - np.average(y, weights=w) - slope * (x - centre)
    score = np.bincount(cluster, weights=w * (x - centre) * residual, minlength=clusters)
    se = float(np.sqrt(np.sum(score**2) * clusters / (clusters - 1))) / moment
    reach = float(student.ppf(0.975, clusters - 2)) * se
    return Estimate(n=n, estimate=slope, low=slope - reach, high=slope + reach)
