"""p-values that hold without any assumption about the shape of healthy scores, and error rates over many.

Scores here are larger when odder. With n healthy calibration scores, the conformal p-value of a new
score s is (1 + #{i : s_i >= s}) / (n + 1): for a healthy capture exchangeable with the calibration set,
P(p <= t) <= t. Bates S., Candes E., Lei L., Romano Y. & Sesia M. (2023), Testing for outliers with
conformal p-values, Ann. Statist. 51(1):149-178. No p-value can be smaller than 1/(n + 1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import beta, false_discovery_control

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def conformal_p(calibration: Floats, scores: Floats) -> Floats:
    """Marginal conformal p-values, larger score = odder.

    Args:
        calibration: scores of healthy captures, shape (n,), NaN left out.
        scores: shape (m,); NaN gives NaN.

    Returns:
        shape (m,), each in [1/(n+1), 1].
    """
    ordered = np.sort(calibration[np.isfinite(calibration)])
    at_least = ordered.size - np.searchsorted(ordered, scores, side="left")
    p = (1.0 + at_least) / (ordered.size + 1.0)
    return np.where(np.isfinite(scores), p, np.nan)


def conformal_p_leave_one_out(scores: Floats, in_calibration: Bools) -> Floats:
    """`conformal_p` where the calibration captures are among the scored ones: none is compared to itself.

    Args:
        scores: shape (m,), larger = odder; in_calibration: shape (m,).
    """
    calibration = scores[in_calibration & np.isfinite(scores)]
    n = calibration.size
    p = conformal_p(calibration, scores)
    if n == 0:
        return p
    # Leaving itself out takes 1 from the count above and below the line.
    own = np.clip((p * (n + 1.0) - 1.0) / n, 1.0 / n, 1.0)
    return np.where(in_calibration & np.isfinite(scores), own, p)


def p_floor(calibration_n: int) -> float:
    """The smallest p-value a calibration set of this size can give, 1/(n + 1)."""
    return 1.0 / (calibration_n + 1.0)


@dataclass(frozen=True, slots=True)
class RateSpread:
    """How the false-alarm rate at one level varies from calibration set to calibration set.

    Attributes:
        level: nominal rate; calibration_n: captures in the set.
        mean, sd: of the rate; upper_95: the rate exceeded by one calibration set in twenty.
    """

    level: float
    calibration_n: int
    mean: float
    sd: float
    upper_95: float


def false_alarm_spread(level: float, calibration_n: int) -> RateSpread:
    """Given the calibration set, P(p <= level) follows Beta(k, n + 1 - k), k = floor(level (n + 1)).

    Vovk V. (2012), Conditional validity of inductive conformal predictors, Proc. Mach. Learn. Res.
    25:475-490.

    Raises:
        ValueError: the set is too small for the level (k = 0): no p-value can reach it.
    """
    k = math.floor(level * (calibration_n + 1) + 1e-9)
    if k < 1:
        raise ValueError(f"{calibration_n} calibration captures cannot give a p-value of {level:g} or less")
    law = beta(k, calibration_n + 1 - k)
    return RateSpread(level, calibration_n, float(law.mean()), float(law.std()), float(law.ppf(0.95)))


def benjamini_hochberg(p_values: Floats, q: float) -> Bools:
    """Which hypotheses are rejected at false discovery rate q.

    Benjamini Y. & Hochberg Y. (1995), J. R. Statist. Soc. B 57:289-300.

    Args:
        p_values: shape (m,); NaN is never rejected and does not count.
    """
    # p = q k/m exactly is rejected: the last digit of the adjusted value must not decide.
    return np.asarray(np.nan_to_num(adjusted_p(p_values), nan=np.inf) <= q + 1e-12)


def adjusted_p(p_values: Floats) -> Floats:
    """Benjamini-Hochberg adjusted p-values: the smallest q at which each would be rejected; NaN stays NaN."""
    finite = np.isfinite(p_values)
    adjusted = np.full(p_values.shape, np.nan)
    if finite.any():
        adjusted[finite] = false_discovery_control(p_values[finite], method="bh")
    return adjusted


def smallest_calibration(captures: int, q: float) -> int:
    """Calibration captures needed before one lone odd capture among `captures` can be a discovery.

    The smallest p-value, 1/(n + 1), must not exceed q/m.
    """
    return max(math.ceil(captures / q - 1e-9) - 1, 0)
