"""Does what is usual in a group move with time?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from models.stats.results import Estimate

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MIN_VEHICLES = 8
MIN_MONTHS = 1.0


@dataclass(frozen=True, slots=True)
class Drift:
    """The element that moves most clearly against the others.

    Attributes:
        slope: its change in % per month, negative = falling; `n` counts captures.
        element: its number, None where there is no slope.
    """

    slope: Estimate
    element: int | None

    @classmethod
    def nothing(cls, n: int, why: str) -> Drift:
        """Too little to say."""
        return cls(Estimate.nothing(n, why), None)


def drift_of(deviation_pct: Floats, month: Floats, healthy: Floats, vehicle: Ints) -> Drift:
    """Change of each element's deviation over the months; the clearest one is reported.

    Each element is measured against the mean of the others; the value of one thing by itself. Weighted least
    squares (weights = probability of being healthy) with a cluster-robust standard error, a vehicle being a
    cluster, each cluster's residuals divided by one minus its leverage (the jackknife form: Bell R.M. &
    McCaffrey D.F. 2002, Survey Methodology 28:169-181), and a t interval with G - 2 degrees of freedom. Because
    the clearest of N elements is picked, the level is divided by N (Bonferroni).

    Args:
        deviation_pct: shape (captures, elements), reading minus usual; month, healthy, vehicle: (captures,).
    """
    use = np.isfinite(deviation_pct).all(axis=1) & np.isfinite(month) & (healthy > 0.5)
    count = int(use.sum())
    _, cluster = np.unique(vehicle[use], return_inverse=True)
    clusters = int(cluster.max(initial=-1)) + 1
    if clusters < MIN_VEHICLES:
        return Drift.nothing(count, f"{clusters} healthy vehicles; at least {MIN_VEHICLES} are needed.")
    x, w = month[use], healthy[use]
    span = float(np.ptp(x))
    if span < MIN_MONTHS:
        return Drift.nothing(count, f"the healthy captures span {span:.1f} months; at least one is needed.")
    n = deviation_pct.shape[1]
    y = deviation_pct[use]
    if n > 1:
        y = (y - y.mean(axis=1, keepdims=True)) * n / (n - 1)
    x = x - np.average(x, weights=w)
    moment = float(np.sum(w * x**2))
    slope = (w * x) @ y / moment
    residual = y - np.average(y, axis=0, weights=w) - x[:, None] * slope
    score = np.zeros((clusters, n))
    np.add.at(score, cluster, (w * x)[:, None] * residual)
    leverage = np.bincount(cluster, weights=w * x**2) / moment + np.bincount(cluster, weights=w) / w.sum()
    score = score / np.clip(1.0 - leverage, 0.05, None)[:, None]
    error = np.sqrt(np.sum(score**2, axis=0) * (clusters - 1) / clusters) / moment
    clearest = int(np.argmax(np.abs(slope) / np.maximum(error, 1e-12)))
    reach = float(student.ppf(1.0 - 0.025 / n, clusters - 2) * error[clearest])
    estimate = float(slope[clearest])
    return Drift(Estimate(count, estimate, estimate - reach, estimate + reach), clearest + 1)
