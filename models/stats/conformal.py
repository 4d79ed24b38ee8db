"""p-values that hold without any assumption about the shape of healthy scores, and error rates over many.

Scores here are larger when odder. With n healthy calibration scores, the conformal p-value of a new
score s is (1 + #{i : s_i >= s}) / (n + 1): for a healthy capture exchangeable with the calibration set,
P(p <= t) <= t. Bates S., Candes E., Lei L., Romano Y. & Sesia M. (2023), Testing for outliers with
conformal p-values, Ann. Statist. 51(1):149-178. No p-value can be smaller than 1/(n + 1).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import false_discovery_control

from models.stats.arrays import Bools, Floats


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


def weighted_conformal_p(scores: Floats, weight: Floats, in_calibration: Bools) -> Floats:
    """Conformal p-values with a weight for each calibration capture, none compared with itself.

    p = (w + sum of w_i over s_i >= s) / (w + sum of w_i), where w is the scored capture's own weight
    (Tibshirani, Barber, Candes & Ramdas 2019, Conformal prediction under covariate shift, NeurIPS 32). With
    equal weights this is `conformal_p_leave_one_out`.

    Args:
        scores: shape (m,), larger = odder, NaN gives NaN. weight: shape (m,), positive: how much more common such
            a capture is where p-values are asked for than in the calibration set.
        in_calibration: shape (m,).
    """
    use = in_calibration & np.isfinite(scores)
    order = np.argsort(scores[use], kind="stable")
    ordered, held = scores[use][order], weight[use][order]
    above = np.concatenate([np.cumsum(held[::-1])[::-1], [0.0]])
    at_least = above[np.searchsorted(ordered, np.nan_to_num(scores), side="left")]
    # a calibration capture stands among the others already: once is enough
    own = np.where(use, 0.0, weight)
    p = (own + at_least) / (own + float(held.sum())) if held.size else np.ones(scores.shape)
    return np.where(np.isfinite(scores), np.minimum(p, 1.0), np.nan)


def p_floor(calibration_n: int) -> float:
    """The smallest p-value a calibration set of this size can give, 1/(n + 1)."""
    return 1.0 / (calibration_n + 1.0)


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
