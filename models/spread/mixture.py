"""Which captures of a group look healthy, while pattern and spread are being learned from them.

A folder may hold as many odd captures as healthy ones, and nobody may have said which is which. So each
capture is either healthy (its elements scatter about the group's pattern with one standard deviation),
or one or two of its elements stand apart by an unknown amount, or the capture as a whole is wild:

    healthy      e ~ N(0, sigma^2) on every contrast of the elements
    one apart    the others scatter the same; the odd one's gap is spread evenly over what can happen
    two apart    the same with two gaps
    wild         e ~ N(0, WILD_SD_PCT^2)

Fitted by expectation and maximisation (Dempster, Laird & Rubin 1977, JRSS-B 39:1-38) with weak priors.
Captures somebody has confirmed keep their label. Because outcomes exist mostly for captures that looked
odd, labelled captures alone would give too wide a spread; with the unlabelled ones in the likelihood the
selection can be ignored (Little & Rubin, Statistical Analysis with Missing Data, ch. 6).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.stats.arrays import Floats, Ints
from models.stats.robust import mad_scale, nanmedian, shorth_middle

GAP_RANGE_PCT = 80.0
"""A weak element can read anything from level with the others down to this far below them."""

HIGH_SHARE = 0.1
"""Of the elements that stand apart, the share taken to stand high (a choice, no source)."""

TWO_SHARE = 0.1
"""Of the odd captures, the share taken to have two such elements (a choice, no source)."""

WILD_SHARE = 0.02
WILD_SD_PCT = 12.0

PATTERN_PRIOR_PCT = 2.5
"""Prior standard deviation of a healthy element's pattern about even, in %, while classifying captures."""

ODD_PRIOR = (1.5, 4.0)
"""Beta prior of the share of odd captures: weak, with its middle near a quarter."""

BLOCK_CELLS = 60_000

LEAST_UNSURE, MOST_UNSURE = 1.5, 400.0
"""Healthy captures between which being unsure of the classification shows in the spread and can be worked out."""

DOUBT_REACH = 0.5
"""How far about the fitted spread, on the log scale, the classification is looked at anew."""

ENOUGH_TO_START = 1500
"""Captures of a group from which the starting points are weighed: of more, so many drawn at random."""

SPREAD_DOF = 6.0
"""Weight of the spread one starts from, in degrees of freedom."""


@dataclass(frozen=True, slots=True)
class Classified:
    """How one group's captures were classified.

    Attributes:
        pattern_pct: shape (elements,), contrast to the capture's mean element (sums to 0).
        spread_pct: standard deviation of one healthy element's reading about the pattern.
        odd_share: share of odd captures.
        healthy: shape (captures,), probability that the capture is healthy.
        log_posterior: for choosing between starting points.
        doubt_log_likelihood: what being unsure of the classification says about the spread beyond the weighted
            healthy captures, shape (k,) over the grid asked for; None where it makes no difference.
    """

    pattern_pct: Floats
    spread_pct: float
    odd_share: float
    healthy: Floats
    log_posterior: float
    doubt_log_likelihood: Floats | None


def gap_log_density(gap_pct: Floats, spread_pct: float, high_share: float = HIGH_SHARE) -> Floats:
    """Log density of how far an odd element stands below the others, in log(1/%).

    Even over 0 to `GAP_RANGE_PCT`, after a soft start around three standard deviations: a gap that any
    healthy capture shows is no sign of a weak element.
    """
    away = np.abs(gap_pct)
    far = away > GAP_RANGE_PCT
    # In place where it can be: of all that a fit does, this is done most often.
    start = np.divide(away, spread_pct, out=away)
    start -= 3.0
    start *= 3.0
    np.clip(start, -30.0, 30.0, out=start)
    np.exp(np.negative(start, out=start), out=start)
    start += 1.0
    np.divide(1.0, start, out=start)
    start *= np.where(gap_pct > 0, 1.0 - high_share, high_share)
    np.multiply(start, 1e-6, out=start, where=far)
    start /= GAP_RANGE_PCT
    return np.asarray(np.log(start, out=start))


def component_log_density(
    residual_pct: Floats, spread_pct: float, high_share: float = HIGH_SHARE
) -> tuple[Floats, Floats, Floats, Floats]:
    """Log densities of the contrasts under each sort of capture.

    Args:
        residual_pct: shape (captures, elements), reading minus pattern.
        spread_pct: standard deviation of a healthy element.

    Returns:
        healthy (captures,), one apart (captures, elements), two apart (captures, pairs), wild (captures,).
    """
    n = residual_pct.shape[1]
    centred = residual_pct - residual_pct.mean(axis=1, keepdims=True)
    total = np.sum(centred**2, axis=1)

    def normal(square: Floats, dof: int, sd: float) -> Floats:
        return np.asarray(-0.5 * dof * np.log(2 * np.pi * sd**2) - square / (2 * sd**2))

    healthy = normal(total, n - 1, spread_pct)
    gap = -centred * n / (n - 1)
    rest = total[:, None] - centred**2 * n / (n - 1)
    # sqrt(n/(n-1)) and its twin below turn the density of a gap into that of a unit contrast.
    one = (
        normal(rest, n - 2, spread_pct)
        + gap_log_density(gap, spread_pct, high_share)
        + 0.5 * np.log(n / (n - 1))
    )
    a, b = np.triu_indices(n, 1) if n >= 4 else (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    first, second = centred[:, a], centred[:, b]
    others_mean = -(first + second) / (n - 2)
    two = (
        normal(total[:, None] - first**2 - second**2 - (n - 2) * others_mean**2, n - 3, spread_pct)
        + gap_log_density(others_mean - first, spread_pct, high_share)
        + gap_log_density(others_mean - second, spread_pct, high_share)
        + 0.5 * np.log(n / (n - 2))
    )
    return healthy, one, two, normal(total, n - 1, WILD_SD_PCT)


def _log_sum(columns: Floats) -> Floats:
    top = columns.max(axis=1, keepdims=True)
    return np.asarray(top[:, 0] + np.log(np.sum(np.exp(columns - top), axis=1)))


def healthy_probability(
    residual_pct: Floats,
    spread_pct: float,
    odd_share: float,
    label: Ints,
    *,
    odd_spread_pct: float | None = None,
    high_share: float = HIGH_SHARE,
) -> tuple[Floats, Floats]:
    """Probability that each capture is healthy, and its log likelihood.

    Args:
        residual_pct: shape (captures, elements), reading minus pattern, elements >= 3.
        label: shape (captures,), 1 known healthy, -1 known odd, 0 unknown.
        odd_spread_pct: scatter of the sound elements of odd captures; default the healthy spread.
        high_share: of the elements that stand apart, the share that stands high.
    """
    count, n = residual_pct.shape
    healthy, odd = np.empty(count), np.empty(count)
    # So few rows at a time that all their pairs of elements stay in the processor's cache.
    step = max(1, BLOCK_CELLS // (n * (n - 1) // 2))
    for start in range(0, count, step):
        rows = slice(start, start + step)
        healthy[rows], odd[rows] = _log_densities(residual_pct[rows], spread_pct, odd_spread_pct, high_share)
    odd = odd + np.log(odd_share)
    good = healthy + np.log(1.0 - odd_share)
    both = np.logaddexp(odd, good)
    probability = np.exp(good - both)
    probability = np.where(label > 0, 1.0, np.where(label < 0, 0.0, probability))
    return probability, np.where(label > 0, good, np.where(label < 0, odd, both))


def _log_densities(
    residual_pct: Floats, spread_pct: float, odd_spread_pct: float | None, high_share: float
) -> tuple[Floats, Floats]:
    """Log density of each capture where it is healthy, and where it is odd in any of the ways there are."""
    n = residual_pct.shape[1]
    healthy, one, two, wild = component_log_density(residual_pct, spread_pct, high_share)
    if odd_spread_pct is not None:
        _, one, two, wild = component_log_density(residual_pct, odd_spread_pct, high_share)
    pairs = two.shape[1]
    single = 1.0 - WILD_SHARE - (TWO_SHARE if pairs else 0.0)
    columns = [one + np.log(single / n), (wild + np.log(WILD_SHARE))[:, None]]
    if pairs:
        columns.append(two + np.log(TWO_SHARE / pairs))
    return healthy, _log_sum(np.concatenate(columns, axis=1))


def starting_patterns(reading_pct: Floats, label: Ints) -> list[Floats]:
    """Patterns to start from: even, the medians, the shortest halves, and the known-good mean if any."""
    level = reading_pct - nanmedian(reading_pct, axis=1, keepdims=True)
    starts = [np.zeros(reading_pct.shape[1])]
    if reading_pct.shape[0] >= 3:
        starts += [nanmedian(level, axis=0), shorth_middle(level)]
    known = level[label > 0]
    if known.shape[0] >= 3:
        starts.append(nanmedian(known, axis=0))
    return [start - start.mean() for start in starts]


def rough_spread(reading_pct: Floats, pattern_pct: Floats) -> float:
    """Spread from the MAD of all cells about the pattern, in %; NaN for no capture.

    At most two cells of a capture are odd, so the cells are far cleaner than the captures.
    """
    if reading_pct.shape[0] == 0:
        return float("nan")
    residual = reading_pct - pattern_pct
    residual = residual - nanmedian(residual, axis=1, keepdims=True)
    return float(mad_scale(residual.ravel()))


def classify_captures(
    reading_pct: Floats,
    label: Ints,
    *,
    spread_start_pct: float,
    grid_pct: Floats | None = None,
    contrasts: float | None = None,
    iterations: int = 40,
    either: bool = False,
) -> Classified:
    """Classify one group's captures into healthy and odd while fitting pattern and spread.

    Args:
        reading_pct: shape (captures, elements), by element number, finite, at least one capture.
        label: shape (captures,), 1 known healthy, -1 known odd, 0 unknown.
        spread_start_pct: the spread usual in the shop, the weak prior's centre.
        grid_pct: spreads for which `doubt_log_likelihood` is wanted.
        contrasts: independent contrasts a capture's readings hold, default elements - 1.
        either: a fault may stand on either side of the others, not mostly below them.
    """
    high_share = 0.5 if either else HIGH_SHARE

    def best_of(rows: Ints | slice, starts: list[_Start]) -> Classified:
        found = [
            _from_start(
                reading_pct[rows], label[rows], one, spread_start_pct, contrasts, iterations, high_share
            )
            for one in starts
        ]
        return max(found, key=lambda one: one.log_posterior)

    count = reading_pct.shape[0]
    if count <= ENOUGH_TO_START:
        best = best_of(slice(None), _starts(reading_pct, label, spread_start_pct))
    else:
        # Where one begins decides which end is reached, not where it lies: a part of a large group tells the end,
        # and all its captures take the few steps left.
        drawn = np.random.default_rng(0).choice(count, ENOUGH_TO_START, replace=False)
        near = best_of(drawn, _starts(reading_pct[drawn], label[drawn], spread_start_pct))
        best = best_of(slice(None), [_Start(near.pattern_pct, near.spread_pct, near.odd_share)])
    weight = float(best.healthy.sum())
    if grid_pct is None or not LEAST_UNSURE <= weight <= MOST_UNSURE:
        return best
    return replace(best, doubt_log_likelihood=_doubt(reading_pct, label, best, grid_pct, high_share))


def _doubt(
    reading_pct: Floats, label: Ints, found: Classified, grid_pct: Floats, high_share: float
) -> Floats:
    """Log likelihood of the mixture minus that of the captures weighted by their healthy probability.

    The weighted likelihood takes the classification as certain; were the spread wider, more captures would count
    as healthy. Added to the weighted likelihood, the difference gives the mixture's own. The sound elements
    of odd captures are left out of it: a weak element disturbs the reading of its neighbours, so they
    scatter more than healthy ones do.
    """
    residual = reading_pct - reading_pct.mean(axis=1, keepdims=True) - found.pattern_pct
    n = residual.shape[1]
    square = float(found.healthy @ np.sum(residual**2, axis=1))
    weight = float(found.healthy.sum())
    at = found.spread_pct * np.exp(np.linspace(-DOUBT_REACH, DOUBT_REACH, 21))
    difference = np.empty(at.size)
    for place, spread in enumerate(at):
        _, mixed = healthy_probability(
            residual,
            float(spread),
            found.odd_share,
            label,
            odd_spread_pct=found.spread_pct,
            high_share=high_share,
        )
        weighted = -0.5 * (n - 1) * weight * np.log(2 * np.pi * spread**2) - square / (2 * spread**2)
        difference[place] = float(mixed.sum()) - weighted
    return np.asarray(np.interp(np.log(grid_pct), np.log(at), difference - difference.max()))


@dataclass(frozen=True, slots=True)
class _Start:
    """Where the steps begin: a pattern in %, a spread in %, a share of odd captures."""

    pattern_pct: Floats
    spread_pct: float
    odd_share: float = 0.3


def _starts(reading_pct: Floats, label: Ints, spread_start_pct: float) -> list[_Start]:
    """A beginning from every starting pattern, with the spread between the shop's and what the cells say."""
    found = []
    for pattern in starting_patterns(reading_pct, label):
        rough, spread = rough_spread(reading_pct, pattern), spread_start_pct
        if reading_pct.shape[0] >= 5 and rough > 0:
            spread = float(np.sqrt(spread * rough))
        found.append(_Start(pattern, spread))
    return found


def _from_start(
    reading_pct: Floats,
    label: Ints,
    start: _Start,
    spread_start_pct: float,
    contrasts: float | None,
    iterations: int,
    high_share: float,
) -> Classified:
    count, n = reading_pct.shape
    level = reading_pct - reading_pct.mean(axis=1, keepdims=True)
    pattern, spread, odd_share = start.pattern_pct, start.spread_pct, start.odd_share
    a, b = ODD_PRIOR
    healthy = np.zeros(count)
    likelihood = np.zeros(count)
    for _ in range(iterations):
        healthy, likelihood = healthy_probability(
            level - pattern, spread, odd_share, label, high_share=high_share
        )
        weight = float(healthy.sum())
        unknown = label == 0
        share = float((1.0 - healthy[unknown]).sum())
        odd_share = float(np.clip((share + a - 1.0) / (unknown.sum() + a + b - 2.0), 0.01, 0.9))
        shrink = weight / (weight + spread**2 / PATTERN_PRIOR_PCT**2)
        mean = (healthy @ level) / max(weight, 1e-9)
        new_pattern = shrink * mean
        centred = level - new_pattern
        square = float(healthy @ np.sum(centred**2, axis=1))
        dof = max(weight - shrink, 0.0) * (n - 1 if contrasts is None else contrasts)
        new_spread = float(np.sqrt((square + SPREAD_DOF * spread_start_pct**2) / (dof + SPREAD_DOF)))
        done = abs(new_spread - spread) < 1e-4 * spread and np.all(np.abs(new_pattern - pattern) < 1e-4)
        pattern, spread = new_pattern, new_spread
        if done:
            break
    log_prior = -0.5 * float(np.sum(pattern**2)) / PATTERN_PRIOR_PCT**2
    log_prior += -0.5 * SPREAD_DOF * (2 * np.log(spread) + spread_start_pct**2 / spread**2)
    log_prior += (a - 1) * np.log(odd_share) + (b - 1) * np.log(1 - odd_share)
    return Classified(pattern, spread, odd_share, healthy, float(likelihood.sum()) + float(log_prior), None)
