"""What the figures are worth: they and their doubt, weighed by how well the model explains the ripple.

A standard error tells how well a figure repeats on the same engine and hookup. A motor or an engine that is not quite
the grey box's shifts every cycle alike, so no scatter shows it. Around the least-squares solution the whole is
solved once more as a straight line, all unknowns together (strengths, losses, the motor's parameters):

- what of the mean cycle's ripple no cylinder explains counts as noise: the errors are scaled by the cost over its
  degrees of freedom (Birge R. T. (1932), *Physical Review* 40:207-227, from memory); a clean capture leaves less than
  `MODEL_ERROR` allows for, and narrows them;
- a torque the engine has by itself once or twice a turn (a tight spot, uneven friction) is an unknown too: it fits
  cylinders that fire a turn apart as well as their compression does;
- most cylinders of an engine are alike and few are not: deviations have a heavy-tailed (Cauchy) prior, solved by
  weights taken from the last round, its width narrowed step by step so that no round decides too early. Where the
  ripple is well explained that changes little; where it is not, nobody is called odd by what the model cannot do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.kinds.relative_compression.grey_box import LOSS_SPREAD, MODEL_ERROR, Fit, State
from pipelines.kinds.relative_compression.values import Array, middle_of

Flags = npt.NDArray[np.bool_]

# size of a torque once or twice a turn, in parts of a compression's (common practice, no source)
BY_ITSELF = 0.04
# what so many unknowns explain well may be explained wrongly: no narrower (tried on drawn captures, no source)
LEAST_BIRGE = 0.2
TURN_ORDERS = (2, 4)  # of the cycle of two turns
# half width of the prior on a cylinder's deviation, in parts of the median, round by round; sound cylinders lie within
# some 10 % (common practice, no source)
ALIKE = (0.4, 0.2, 0.1, 0.1)
LOOKS_ODD_PCT = 15.0  # off the median (tried on drawn captures, no source)
MAY_BE_ODD_PCT, CLEAR = 7.0, 3.0  # off the median; times its doubt (tried on drawn captures, no source)
# a ripple explained to within three times what the model is known to leave out is explained: a weak figure of which
# weighing, which then has nothing to blame on noise, keeps this share is weak
EXPLAINED, KEEPS = 3.0 * MODEL_ERROR, 0.75
# times its doubt, for a figure that looks weak or strong to be believed, and the share of it that must be left when
# weighed: a weak cylinder is what one looks for, a strong one is mostly what the model leaves out (tried on drawn
# captures, no source)
SURE_WEAK, SURE_STRONG = 2.5, 3.0
LEFT_WEAK, LEFT_STRONG = 0.5, 0.7
# no fault lifts a cylinder's compression: one far above the others is believed only where so many look weak that the
# usual one is weak too, and of three cylinders, of which two weak ones make it (common practice, no source)
MANY_WEAK, WEAK_PCT, FEW_CYLINDERS = 0.3, 10.0, 3
STRONGEST_PCT = 30.0  # no cylinder compresses so much more than the usual one (common practice, no source)
TOO_DOUBTFUL_PCT = 20.0  # of the usual cylinder


@dataclass(frozen=True, slots=True)
class Weighed:
    """Strengths and their doubt.

    Attributes:
        strength: by position, shape (cylinders,).
        doubt_pct: standard deviation of each figure for what the model leaves, in per cent of the median, shape
            (cylinders,).
    """

    strength: Array
    doubt_pct: Array


def weighed(fit: Fit, state: State) -> Weighed:
    """The strengths solved again around the solution, see above."""
    n, width = fit.count, 2 * fit.orders.size
    free = np.flatnonzero(~fit.at_bound(state.x))
    slopes = fit.plain_slopes(state)[free, :width]
    own = _by_itself(fit, state)
    columns = np.concatenate((state.predicted[:, :width], -slopes, own))
    rest = state.left[:width]
    degrees = max(width - n - free.size, 2)
    birge = max(float(rest @ rest) / degrees, LEAST_BIRGE)
    strength, losses = state.linear[:n], state.linear[n:]
    size = max(middle_of(strength), 1e-9)
    # the prior's precision and where it pulls to, in steps from the solution
    losses_at, x_at, own_at = slice(n, 2 * n), slice(2 * n, 2 * n + free.size), slice(2 * n + free.size, None)
    held, pull = np.zeros(columns.shape[0]), np.zeros(columns.shape[0])
    held[losses_at], pull[losses_at] = (LOSS_SPREAD * size) ** -2, -losses
    held[x_at], pull[x_at] = fit.spread[free] ** -2, (fit.usual - state.x)[free]
    held[own_at] = (BY_ITSELF * size) ** -2
    data = columns @ columns.T / birge
    towards = columns @ rest / birge + held * pull
    now, normal = strength, data
    for wide in ALIKE:
        precision = 1.0 / (0.5 * ((wide * size) ** 2 + (now - middle_of(now)) ** 2))
        share = precision / precision.sum()
        apart = np.diag(precision) - precision[:, None] * share[None, :]
        normal = data + np.diag(held)
        normal[:n, :n] += apart
        normal.flat[:: normal.shape[0] + 1] += 1e-9 * normal[:n, :n].trace()
        right = towards.copy()
        right[:n] -= apart @ strength
        now = strength + np.linalg.solve(normal, right)[:n]
    cov = np.linalg.inv(normal)
    return Weighed(np.asarray(now), _relative(np.asarray(cov[:n, :n], dtype=np.float64), now))


def _by_itself(fit: Fit, state: State) -> Array:
    """Columns of a torque the engine has by itself once or twice a turn."""
    rows = np.zeros((2 * len(TURN_ORDERS), fit.orders.size), dtype=np.complex128)
    lag = fit.lag(state.x)
    for k, order in enumerate(TURN_ORDERS):
        at = order - int(fit.orders[0])
        for j, turn in enumerate((1.0, 1j)):
            rows[2 * k + j, at] = turn * fit.amplitude * fit.weight[at] * lag[at]
    return rows.view(np.float64)


def _relative(cov: Array, strength: Array) -> Array:
    """Of each strength in per cent of the median one, whose own doubt is that of the cylinders around it."""
    middle = middle_of(strength)
    if middle <= 0:
        return np.full(strength.size, np.inf)
    relative = strength / middle
    near = np.exp(-0.5 * ((relative - 1.0) / 0.03) ** 2) + 1e-9
    near /= near.sum()
    turn = np.eye(strength.size) - relative[:, None] * near[None, :]
    return np.asarray(100.0 / middle * np.sqrt(np.maximum(np.diag(turn @ cov @ turn.T), 0.0)))


def borne_out(relative_pct: Array, weighed_pct: Array, error_pct: Array, doubt_pct: Array) -> Flags:
    """Which cylinders may be named: those that look even, and those whose oddness weighing bears out.

    None where nothing is known well, or where the weakest one looks odd and may as well be even: who is the odd one out
    is then open for all of them.

    Returns:
        Shape (cylinders,).
    """
    off, left = relative_pct - 100.0, weighed_pct - 100.0
    weak = off < 0
    same = np.where(weak, -left, left)  # what weighing leaves of it, in the same direction
    sure = same > np.where(weak, SURE_WEAK, SURE_STRONG) * doubt_pct
    lifted = off.size <= FEW_CYLINDERS or float(np.mean(off < -WEAK_PCT)) >= MANY_WEAK
    sure &= weak | ((off < STRONGEST_PCT) & lifted)
    sure &= same > np.where(weak, LEFT_WEAK, LEFT_STRONG) * np.abs(off)
    kept = np.asarray((np.abs(off) <= LOOKS_ODD_PCT) | sure)
    lowest = int(np.argmin(relative_pct))
    if middle_of(np.hypot(error_pct, doubt_pct)) > TOO_DOUBTFUL_PCT or (weak[lowest] and not kept[lowest]):
        return np.zeros_like(kept)
    return kept


def stated_error(
    relative_pct: Array,
    weighed_pct: Array,
    error_pct: Array,
    doubt_pct: Array,
    kept: Flags,
    misfit: float,
) -> Array:
    """Standard errors in per cent, shape (cylinders,): what repeats well must not pass for a fault by that alone.

    A figure that looks odd and that is not believed (`kept`), and one that may be weak and is not clearly so, get their
    doubt and what weighing takes back of them; not one that weighing leaves odd, nor a small leak on a clean capture:
    one whose ripple is explained (`misfit`, in parts of it) and of which weighing keeps most.
    """
    off, left = relative_pct - 100.0, weighed_pct - 100.0
    same = np.where(off < 0, -left, left)
    clean = (misfit < EXPLAINED) & (same > KEEPS * np.abs(off))
    maybe = (off < -MAY_BE_ODD_PCT) & (same <= CLEAR * doubt_pct) & ~clean
    unsure = np.where(np.abs(off) > LOOKS_ODD_PCT, ~kept, maybe) & (np.abs(left) <= LOOKS_ODD_PCT)
    return np.where(unsure, np.hypot(np.hypot(error_pct, doubt_pct), off - left), error_pct)
