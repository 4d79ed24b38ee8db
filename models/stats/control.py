"""Control charts that say how often they are wrong, and funnels in place of rankings.

EWMA (S.W. Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4), tabular CUSUM (E.S. Page 1954; e-Handbook
6.3.2.3), the risk-adjusted CUSUM of Steiner, Cook, Farewell and Treasure (Biostatistics 1:441-452, 2000; its weights
from memory, they are the log likelihood ratio of the two odds) and the exact binomial funnel of Spiegelhalter (Stat.
Med. 24:1185-1202, 2005; the wording of its appendix from memory).

Every chart of one person's work is set by its false-alarm rate, computed and not assumed: the run of
the chart is a Markov chain over its statistic (Brook & Evans, Biometrika 59:539-549, 1972).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from models.stats.arrays import Bools, Floats

_STATES = 100  # cells of the chart's statistic in the Markov chain
_PAYOFF_BINS = 8  # different expected shares kept apart when a chart's limit is computed


@dataclass(frozen=True, slots=True)
class Ewma:
    """EWMA of a series: `statistic`, `low` and `high` of shape (n,), `signal` where it is outside."""

    statistic: Floats
    low: Floats
    high: Floats
    signal: Bools


def ewma(
    values: npt.ArrayLike, *, target: float, sd: float, weight: float, limit: float, steady: bool = True
) -> Ewma:
    """Exponentially weighted moving average chart.

    z_i = weight * x_i + (1 - weight) * z_(i-1), z_0 = target; limits target +- limit * sd *
    sqrt(weight / (2 - weight)), and with `steady` false the narrower early ones.

    Raises:
        ValueError: for a weight outside (0, 1] or an SD that is not positive.
    """
    x = np.asarray(values, dtype=float)
    if not 0 < weight <= 1 or not sd > 0:
        raise ValueError("an EWMA needs a weight in (0, 1] and a positive sd")
    z = np.empty(x.size)
    level = target
    for i, value in enumerate(x):
        level = weight * value + (1 - weight) * level
        z[i] = level
    shape = np.full(x.size, weight / (2 - weight))
    if not steady:
        shape *= 1 - (1 - weight) ** (2 * np.arange(1, x.size + 1))
    half = limit * sd * np.sqrt(shape)
    return Ewma(z, target - half, target + half, np.abs(z - target) > half)


@dataclass(frozen=True, slots=True)
class Cusum:
    """Tabular CUSUM: both sums and their run counters, shape (n,); `signal` where a sum passes the limit."""

    high: Floats
    low: Floats
    high_run: npt.NDArray[np.int64]
    low_run: npt.NDArray[np.int64]
    signal: Bools


def cusum(values: npt.ArrayLike, *, target: float, allowance: float, limit: float) -> Cusum:
    """Tabular CUSUM: S+_i = max(0, x_i - target - allowance + S+_(i-1)) and its mirror image.

    All in the unit of `values`. The run counters say for how many points a sum has stood above zero,
    which dates the change.
    """
    x = np.asarray(values, dtype=float)
    high, low = np.zeros(x.size), np.zeros(x.size)
    high_run, low_run = np.zeros(x.size, dtype=np.int64), np.zeros(x.size, dtype=np.int64)
    up = down = 0.0
    up_run = down_run = 0
    for i, value in enumerate(x):
        up = max(0.0, value - target - allowance + up)
        down = max(0.0, target - allowance - value + down)
        up_run = up_run + 1 if up > 0 else 0
        down_run = down_run + 1 if down > 0 else 0
        high[i], low[i], high_run[i], low_run[i] = up, down, up_run, down_run
    return Cusum(high, low, high_run, low_run, (high > limit) | (low > limit))


def ewma_run_length(*, weight: float, limit: float, shift: float = 0.0, nodes: int = 160) -> float:
    """Average run length of the EWMA chart of unit normal values with steady limits, started on target.

    Integral equation by Gauss-Legendre quadrature (Lucas & Saccucci, Technometrics 32:1-29, 1990).
    """
    half = limit * np.sqrt(weight / (2 - weight))
    t, w = np.polynomial.legendre.leggauss(nodes)
    t, w = t * half, w * half

    def kernel(start: Floats) -> Floats:
        return np.asarray(
            stats.norm.pdf((t[None, :] - (1 - weight) * start[:, None]) / weight - shift) * w / weight
        )

    inside = np.linalg.solve(np.eye(nodes) - kernel(t), np.ones(nodes))
    return float(1 + (kernel(np.zeros(1)) @ inside)[0])


def cusum_weights(
    expected: npt.ArrayLike, *, odds_to_find: float, odds_in_control: float = 1.0
) -> tuple[Floats, Floats]:
    """Weights of the risk-adjusted CUSUM: log likelihood ratio of an event and of none.

    Args:
        expected: chance of the event by the usual standard, in (0, 1), shape (n,).
        odds_to_find: odds multiplied by this is what the chart looks for.
        odds_in_control: odds multiplied by this is still ordinary.

    Returns:
        (weight of an event, weight of none), shape (n,). For 1 -> 2: log(2/(1+p)), log(1/(1+p)) (the paper's formula,
        from memory; the ratio of the two likelihoods gives the same).
    """
    p = np.asarray(expected, dtype=float)
    if not ((p > 0) & (p < 1)).all() or not 0 < odds_in_control < odds_to_find:
        raise ValueError("expected chances must lie inside (0, 1), and odds_in_control below odds_to_find")
    base = 1 - p + odds_in_control * p
    other = 1 - p + odds_to_find * p
    return np.log(odds_to_find * base / (odds_in_control * other)), np.log(base / other)


def false_alarm_chance(
    expected: npt.ArrayLike,
    *,
    limit: float,
    observations: int,
    odds_to_find: float,
    odds_in_control: float = 1.0,
    start: float = 0.0,
    odds_true: float | None = None,
) -> float:
    """Chance that the risk-adjusted CUSUM signals within so many observations of ordinary work.

    The chart's statistic is a Markov chain on `_STATES` cells of [0, limit]; each step draws an
    expected chance from `expected` (as they come, any order). With `odds_true` above
    `odds_in_control` the same chain gives the chance of finding what is looked for.
    """
    p, share = _expected_mix(expected)
    up, down = cusum_weights(p, odds_to_find=odds_to_find, odds_in_control=odds_in_control)
    odds = odds_in_control if odds_true is None else odds_true
    event = odds * p / (1 - p + odds * p)
    cell = limit / _STATES
    middle = np.concatenate([[0.0], (np.arange(_STATES) + 0.5) * cell])  # zero is a state of its own
    size = _STATES + 1
    matrix = np.zeros((size, size + 1))  # the last column is the alarm, which is not left again
    origin = np.broadcast_to(np.arange(size)[:, None], (size, p.size))
    for weights, chance in ((up, share * event), (down, share * (1 - event))):
        target = middle[:, None] + weights[None, :]
        # a step that lands inside a cell is split between its two neighbours, so that its mean is kept
        position = np.clip(target / cell - 0.5, -0.5, None)
        lower = np.floor(position).astype(np.int64)
        upper_share = position - lower
        for offset, part in ((0, 1 - upper_share), (1, upper_share)):
            state = np.clip(lower + offset + 1, 0, _STATES)
            state = np.where(target <= 0, 0, np.where(target >= limit, size, state))
            flat = (origin * (size + 1) + state).ravel()
            matrix += np.bincount(
                flat, weights=(part * chance[None, :]).ravel(), minlength=matrix.size
            ).reshape(matrix.shape)
    at = np.zeros(size)
    at[0 if start <= 0 else min(int(start / cell) + 1, _STATES)] = 1.0
    step, alarm, passed = matrix[:, :size], matrix[:, size], 0.0
    hazard = 0.0
    for done in range(observations):
        staying = float(at.sum())
        if staying <= 0.0:
            break
        before, hazard = hazard, float(at @ alarm) / staying
        if done > 40 and abs(hazard - before) < 1e-4 * hazard:
            # the chart has settled: from here on each piece of work alarms with the same chance
            return 1.0 - staying * (1.0 - hazard) ** (observations - done)
        passed += float(at @ alarm)
        at = at @ step
    return min(1.0, passed)


def _expected_mix(expected: npt.ArrayLike) -> tuple[Floats, Floats]:
    """The different expected chances and how often each comes, at most `_PAYOFF_BINS` of them."""
    p = np.sort(np.asarray(expected, dtype=float))
    if p.size == 0:
        raise ValueError("a chart needs expected chances")
    value, count = np.unique(np.round(p, 4), return_counts=True)
    if value.size > _PAYOFF_BINS:
        groups = np.array_split(p, _PAYOFF_BINS)
        value = np.array([group.mean() for group in groups])
        count = np.array([group.size for group in groups])
    return value, count / count.sum()


def limit_for_false_alarms(
    expected: npt.ArrayLike,
    *,
    chance: float,
    observations: int,
    odds_to_find: float,
    odds_in_control: float = 1.0,
    start_share: float = 0.0,
) -> float:
    """The limit at which ordinary work signals with `chance` within `observations`, by root finding.

    `start_share` is the head start as a share of the limit (0.5 after an action, as Lucas & Crosier,
    Technometrics 24:199-205, 1982, propose for a process that may not have been put right).
    """
    lowest, highest = 0.2, 14.0

    def excess(limit: float) -> float:
        rate = false_alarm_chance(
            expected,
            limit=limit,
            observations=observations,
            odds_to_find=odds_to_find,
            odds_in_control=odds_in_control,
            start=start_share * limit,
        )
        return math.log(max(rate, 1e-300) / chance)  # nearly straight in the limit

    # most charts lie in the middle; look wider only where they do not
    for low, high in ((2.0, 8.0), (lowest, highest)):
        at_low, at_high = excess(low), excess(high)
        if at_low > 0 > at_high:
            return float(optimize.brentq(excess, low, high, xtol=0.01))
    return lowest if at_low <= 0 else highest


@dataclass(frozen=True, slots=True)
class RiskAdjustedCusum:
    """A risk-adjusted CUSUM run.

    Attributes:
        statistic: shape (n,), held at the limit while it would be above, so that good work brings
            it down again.
        signal: the first point of each alarm, as indices.
        since: for each of `signal`, the index at which that rise began (last zero, plus one).
        alarmed: whether the alarm stands after the last point (it ends below half of the limit).
    """

    statistic: Floats
    signal: tuple[int, ...]
    since: tuple[int, ...]
    alarmed: bool


def risk_adjusted_cusum(
    events: npt.ArrayLike,
    expected: npt.ArrayLike,
    *,
    limit: float,
    odds_to_find: float,
    odds_in_control: float = 1.0,
    restart: npt.ArrayLike | None = None,
    restart_at: float = 0.0,
) -> RiskAdjustedCusum:
    """Run the risk-adjusted CUSUM for trouble over a person's work in order of time.

    Args:
        events: 1 where there was trouble, shape (n,).
        expected: its chance by the usual standard for that piece of work, shape (n,).
        restart: True where the chart starts anew *before* that point (an action was taken).
        restart_at: the statistic after a restart (a head start), in the chart's unit.
    """
    y = np.asarray(events, dtype=bool)
    up, down = cusum_weights(expected, odds_to_find=odds_to_find, odds_in_control=odds_in_control)
    anew = np.zeros(y.size, dtype=bool) if restart is None else np.asarray(restart, dtype=bool)
    statistic = np.zeros(y.size)
    level, begin, alarmed = 0.0, 0, False
    signals: list[int] = []
    since: list[int] = []
    for i in range(y.size):
        if anew[i]:
            level, begin, alarmed = restart_at, i, False
        level = max(0.0, level + (up[i] if y[i] else down[i]))
        if level >= limit:
            level = limit
            if not alarmed:
                alarmed = True
                signals.append(i)
                since.append(begin)
        elif level < limit / 2:
            alarmed = False
        if level == 0.0:
            begin = i + 1
        statistic[i] = level
    return RiskAdjustedCusum(statistic, tuple(signals), tuple(since), alarmed)


def funnel_limit(theta: float, trials: npt.ArrayLike, level: float) -> Floats:
    """Exact binomial funnel limit with interpolation, in parts of one, shape of `trials`.

    With r the smallest count whose cumulative chance F(r) reaches `level`, the limit is (r - a)/n with
    a = (F(r) - level) / (F(r) - F(r-1)) (Spiegelhalter 2005, appendix). `level` 0.975 is the upper and
    0.025 the lower 95 % limit.

    Raises:
        ValueError: for a share outside (0, 1) or a level outside (0, 1).
    """
    if not 0 < theta < 1 or not 0 < level < 1:
        raise ValueError("a funnel needs a share and a level inside (0, 1)")
    n = np.asarray(trials, dtype=float)
    r = stats.binom.ppf(level, n, theta)
    f = stats.binom.cdf(r, n, theta)
    before = np.where(r > 0, stats.binom.cdf(r - 1, n, theta), 0.0)
    a = (f - level) / (f - before)
    return np.asarray(np.clip((r - a) / n, 0.0, 1.0))


def over_dispersion(events: npt.ArrayLike, trials: npt.ArrayLike, theta: float) -> float:
    """How much wider than pure chance the funnel's points scatter: phi >= 1.

    z scores on the arcsine scale, where the spread is about 1/(4n) whatever the share; phi is their variance
    after leaving out the tenth of the points (at least one) furthest from the middle, divided by what that
    leaves of pure chance. Spiegelhalter (2005, section 4) draws the outer tenth in instead (winsorising);
    with the eight or ten people of a shop that keeps the one who stands apart in the measure that is to
    show him. 1 where there are fewer than five points, since nothing can be said.
    """
    k, n = np.asarray(events, dtype=float), np.asarray(trials, dtype=float)
    k, n = k[n > 0], n[n > 0]
    if k.size < 5:
        return 1.0
    # Anscombe (Biometrika 35:246-254, 1948): the added counts keep all of n from looking far out at small n
    angle = np.arcsin(np.sqrt((k + 0.375) / (n + 0.75)))
    z = 2 * np.sqrt(n + 0.5) * (angle - np.arcsin(np.sqrt(theta)))
    return max(1.0, float(_trimmed_variance(z[None, :])[0]) / _trimmed_chance(z.size))


def _trimmed_variance(z: Floats) -> Floats:
    """Variance of each row without the tenth (at least one) furthest from its median; z of shape (rows, n)."""
    keep = z.shape[1] - max(1, round(0.1 * z.shape[1]))
    order = np.argsort(np.abs(z - np.median(z, axis=1, keepdims=True)), axis=1)[:, :keep]
    return np.asarray(np.take_along_axis(z, order, axis=1).var(axis=1, ddof=1))


@lru_cache(maxsize=256)
def _trimmed_chance(points: int) -> float:
    """Mean of the trimmed variance of so many unit normals, by simulation with a fixed seed."""
    rows = max(50, 200_000 // points)
    return float(_trimmed_variance(np.random.default_rng(0).standard_normal((rows, points))).mean())
