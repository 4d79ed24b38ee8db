"""Who gets followed up: captures that looked odd, captures that did not, and what is known of each sort.

Where only what looks odd is confirmed, nothing at all is known of the rest: no weight repairs a part nobody
looked into (positivity; Begg & Greenes 1983 need every sort of capture to have some chance of being
confirmed). So captures in question are kept in two sorts. Each sort's share of odd ones is estimated from
its own confirmed captures and counts as often as the sort occurs (post-stratification; Holt D. & Smith
T.M.F. 1979, J. R. Statist. Soc. A 142:33-46), and without enough confirmed captures that looked healthy no
cost is weighed.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from models.thresholds.costs import Draw, share_odd
from models.thresholds.evidence import UNKNOWN

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

MIN_UNFLAGGED = 20
"""Confirmed captures that looked healthy which a shop needs before costs are weighed (a choice)."""

LEAST_FROM_LOWER_HALF = 5
"""So many of them among the less odd half of all that looked healthy: near misses alone say little (a choice)."""

MIN_OWN_UNFLAGGED = 3
"""Of its own a group needs so many, before its confirmed captures say anything on false alarms (a choice)."""


def looks_healthy(rows: pl.DataFrame, limits: Mapping[str, float]) -> Bools:
    """Captures in question that nobody had a reason to follow up: not flagged, and not called odd.

    Args:
        rows: from `evidence`. limits: by group, in %, where a row does not say whether it was flagged.
    """
    limit = rows["group"].replace_strict(dict(limits), default=None, return_dtype=pl.Float64)
    beyond = rows["odd_pct"] >= limit
    seen = rows.select(
        looks=pl.col("in_question")
        & ~pl.coalesce(pl.col("flagged"), pl.lit(beyond)).fill_null(False)
        & (pl.col("call").fill_null("") != "odd")
    )
    return seen["looks"].to_numpy().astype(bool)


def enough_unflagged(rows: pl.DataFrame, looks: Bools) -> tuple[bool, int]:
    """Whether enough captures that looked healthy were confirmed, and how many were."""
    odd_pct = rows["odd_pct"].to_numpy()
    confirmed = looks & (rows["confirmed"].to_numpy() != UNKNOWN)
    count = int(confirmed.sum())
    if count < MIN_UNFLAGGED:
        return False, count
    lower = int((odd_pct[confirmed] <= np.median(odd_pct[looks])).sum())
    return lower >= LEAST_FROM_LOWER_HALF, count


def shares_by_sort(
    draw: Draw, group: Ints, groups: int, looks: Bools, noise: Floats | None = None
) -> tuple[Floats, Floats]:
    """Captures in question and share of odd ones, by sort (looked odd, looked healthy) and group.

    Args:
        noise: standard normal numbers, shape (2, groups), for a draw of the shares (see `costs.share_odd`).

    Returns:
        counts and shares, each of shape (2, groups); a sort in which nothing was confirmed takes the share
        of all confirmed captures.
    """
    asked = draw.asked > 0
    own = asked & (group >= 0)
    counts, shares = np.zeros((2, groups)), np.zeros((2, groups))
    for sort, member in enumerate((~looks, looks)):
        part = own & member
        counts[sort] = np.bincount(group[part], weights=draw.asked[part], minlength=groups)
        inside = Draw(np.where(member, draw.healthy, 0.0), np.where(member, draw.odd, 0.0), draw.asked)
        own_noise = None if noise is None else noise[sort]
        shop, by_group = share_odd(inside, group, groups, own_noise)
        shares[sort] = by_group if np.isfinite(shop) else share_odd(draw, group, groups, own_noise)[1]
    return counts, shares


def prevalence_of(counts: Floats, shares: Floats) -> Floats:
    """Share of odd captures among those in question, shape (groups,); a group without any takes the shop's."""
    total = counts.sum(axis=0)
    odd = (counts * shares).sum(axis=0)
    whole = odd.sum() / total.sum() if total.sum() > 0 else np.nan
    return np.where(total > 0, odd / np.where(total > 0, total, 1.0), whole)


def calibrated(
    draw: Draw, group: Ints, looks: Bools, counts: Floats, shares: Floats, *, known_good: Bools
) -> Draw:
    """The draw's weights scaled so that confirmed captures of each sort stand for all of that sort.

    Healthy ones within each group; a group with fewer than `MIN_OWN_UNFLAGGED` confirmed healthy captures
    that looked healthy keeps only its known-good ones, for flagged ones alone would make every healthy
    capture a false alarm. Odd ones over the whole shop.
    """
    groups = counts.shape[1]
    asked, own = draw.asked > 0, group >= 0
    at = np.where(own, group, 0)
    confirmed = asked & own & ~known_good
    # known-good captures stand for themselves; a confirmed one outside the question keeps its weight too
    healthy = np.where(known_good | ~confirmed, draw.healthy, 0.0)
    quiet = np.bincount(at[confirmed & looks & (draw.healthy > 0)], minlength=groups)
    odd = np.where(asked & own, 0.0, draw.odd)
    for sort, member in enumerate((~looks, looks)):
        part = confirmed & member & (draw.healthy > 0)
        held = np.bincount(at[part], weights=draw.healthy[part], minlength=groups)
        wanted = counts[sort] * (1.0 - shares[sort])
        factor = np.where(
            (held > 0) & (quiet >= MIN_OWN_UNFLAGGED), wanted / np.where(held > 0, held, 1.0), 0.0
        )
        healthy = np.where(part, draw.healthy * factor[at], healthy)
        part = asked & own & member & (draw.odd > 0)
        total = float(draw.odd[part].sum())
        if total > 0:
            odd = np.where(part, draw.odd * float((counts[sort] * shares[sort]).sum()) / total, odd)
    return Draw(healthy, odd, draw.asked)
