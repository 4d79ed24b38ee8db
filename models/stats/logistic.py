"""Ridge-penalised logistic regression on counts: the one regression all case-mix allowances use.

Maximises  sum_i [k_i log p_i + (n_i - k_i) log(1 - p_i)] - 1/2 sum_j penalty_j beta_j^2  with
logit p = offset + X beta, by Newton's method (iteratively reweighted least squares). The penalty is
the reason for not calling a library fit: it differs by column (none for the intercept, some for
rare categories, so that a category that never came back does not send its coefficient to infinity).
With penalty 0 the answer is the maximum-likelihood fit of any statistics package.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit

Floats = npt.NDArray[np.float64]


class NotConverged(ArithmeticError):
    """A fit found no optimum; nothing computed from it may be shown."""


@dataclass(frozen=True, slots=True)
class LogisticFit:
    """Coefficients on the logit scale (shape (p,)) and their penalised covariance (shape (p, p))."""

    coefficients: Floats
    covariance: Floats
    log_likelihood: float

    def chance(self, x: Floats, offset: Floats | float = 0.0) -> Floats:
        """Chance of the event for rows `x`, shape (rows, p) -> (rows,)."""
        return np.asarray(expit(x @ self.coefficients + offset))


def _log_likelihood(eta: Floats, events: Floats, trials: Floats) -> float:
    # k * eta - n * log(1 + e^eta), written so that neither end overflows
    return float(np.sum(events * eta - trials * np.logaddexp(0.0, eta)))


def fit_logistic(
    x: Floats,
    events: Floats,
    *,
    trials: Floats | None = None,
    penalty: Floats | float = 0.0,
    offset: Floats | float = 0.0,
    iterations: int = 60,
) -> LogisticFit:
    """Fit the penalised logistic regression described above.

    Args:
        x: design, shape (rows, p), intercept column included by the caller.
        events: events per row, shape (rows,); with weights, weighted events.
        trials: trials per row, shape (rows,), default one each; weights where `events` are weighted.
        penalty: ridge penalty per column, shape (p,) or one for all.
        offset: added to the linear predictor, shape (rows,).

    Raises:
        NotConverged: where Newton's method does not settle (complete separation without a penalty).
    """
    rows, columns = x.shape
    n = np.ones(rows) if trials is None else np.asarray(trials, dtype=float)
    k = np.asarray(events, dtype=float)
    ridge = np.broadcast_to(np.asarray(penalty, dtype=float), (columns,))
    beta = np.zeros(columns)
    eta = x @ beta + offset
    objective = _log_likelihood(eta, k, n)
    for _ in range(iterations):
        p = expit(eta)
        gradient = x.T @ (k - n * p) - ridge * beta
        information = (x.T * (n * p * (1 - p))) @ x + np.diag(ridge)
        try:
            step = np.linalg.solve(information, gradient)
        except np.linalg.LinAlgError as error:
            raise NotConverged("the design of a logistic fit is singular; drop a column") from error
        length, improved = 1.0, False
        while length > 1e-4:
            trial = beta + length * step
            trial_eta = x @ trial + offset
            value = _log_likelihood(trial_eta, k, n) - 0.5 * float(ridge @ trial**2)
            if np.isfinite(value) and value >= objective - 1e-10:
                beta, eta, improved = trial, trial_eta, True
                gain, objective = value - objective, value
                break
            length /= 2
        if not improved or not np.isfinite(beta).all():
            break
        if abs(gain) < 1e-10 and float(np.abs(step).max(initial=0.0)) < 1e-7:
            p = expit(eta)
            information = (x.T * (n * p * (1 - p))) @ x + np.diag(ridge)
            return LogisticFit(
                beta, np.asarray(np.linalg.inv(information), dtype=np.float64), _log_likelihood(eta, k, n)
            )
    raise NotConverged(
        "a logistic fit did not settle: a category may hold no event at all, or nothing but events"
    )


def dummies(codes: npt.NDArray[np.int64], levels: int, *, drop_first: bool = True) -> Floats:
    """Indicator columns of category codes 0..levels-1: shape (rows, levels or levels - 1)."""
    columns = np.eye(levels)[codes] if levels else np.zeros((codes.size, 0))
    return columns[:, 1:] if drop_first else columns
