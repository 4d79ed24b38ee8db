"""A few gauge tests of captures that looked healthy, drawn by lot: the list the lead technician works off.

Confirming only what was flagged leaves everything below the limit unknown (see `follow_up`); one capture in
ten drawn by lot tells more than all the flagged ones. Whether a capture is drawn hangs on its name alone and
neither on its reading nor on what else is in the list, so that the list of yesterday still stands today.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from hashlib import blake2b

import polars as pl

from models.records.people_settings import as_moment
from models.records.shop import Shop
from models.spread.scoring import Scores
from models.thresholds.evidence import UNKNOWN, evidence
from models.thresholds.follow_up import MIN_UNFLAGGED, enough_unflagged, looks_healthy

SHARE = 0.1
"""Captures drawn of those that looked healthy (a choice)."""

DAYS = 14
"""How long a drawn capture stays on the list: a test much later says little of the capture (a choice)."""

SCHEMA: dict[str, pl.DataType] = {
    "capture_file": pl.String(),
    "repair_order": pl.String(),
    "vehicle": pl.String(),
    "group": pl.String(),
    "technician": pl.String(),
    "captured_at": pl.Datetime("us"),
    "still_open": pl.Boolean(),
}


@dataclass(frozen=True, slots=True)
class Verification:
    """What to test although nothing looked odd.

    Attributes:
        captures: `SCHEMA`, newest first; `still_open`: the repair order is not closed yet, so that the
            vehicle may still be here.
        confirmed: captures that looked healthy and were confirmed so far. needed: until costs are weighed.
        sentence: for the page.
    """

    captures: pl.DataFrame
    confirmed: int
    needed: int
    sentence: str


def drawn_by_lot(capture_file: str, *, share: float, seed: int) -> bool:
    """Whether the lot falls on a capture: by a hash of its name, the same in every run."""
    digest = blake2b(f"{seed}:{capture_file}".encode(), digest_size=8).digest()
    return int.from_bytes(digest, "big") < share * 2.0**64


def verification_list(
    scores: Scores | pl.DataFrame,
    shop: Shop,
    limits: Mapping[str, float],
    *,
    as_of: date | datetime,
    share: float = SHARE,
    days: int = DAYS,
    seed: int = 20251125,
) -> Verification:
    """Captures of the last `days` days that looked healthy, were not confirmed, and were drawn by lot.

    Args:
        scores: capture scores of one test and measure, as `evidence` takes them. shop: of that test.
        limits: by group, in %, for scores that do not say what was flagged.

    Raises:
        ValueError: `share` is no share.
    """
    if not 0.0 < share <= 1.0:
        raise ValueError(f"share lies above 0 and not above 1, not {share!r}")
    moment = as_moment(as_of)
    rows = evidence(scores, shop)
    looks = looks_healthy(rows, limits)
    enough, confirmed = enough_unflagged(rows, looks)
    recent = rows.filter(
        pl.Series(looks)
        & (pl.col("confirmed") == UNKNOWN)
        & pl.col("captured_at").is_between(moment - timedelta(days=days), moment)
    )
    lucky = [drawn_by_lot(name, share=share, seed=seed) for name in recent["capture_file"]]
    closed = shop.orders.select("repair_order", "closed_at")
    found = (
        recent.filter(pl.Series(lucky, dtype=pl.Boolean))
        .select("capture_file")
        .join(shop.captures, on="capture_file", how="inner")
        .join(closed, on="repair_order", how="left")
        .with_columns(still_open=pl.col("closed_at").is_null() | (pl.col("closed_at") > moment))
        .sort(["captured_at", "capture_file"], descending=[True, False])
    )
    needed = 0 if enough else max(MIN_UNFLAGGED - confirmed, 1)
    why = (
        f"{confirmed} captures that looked healthy were confirmed so far; about {needed} more are needed before "
        "costs can be weighed."
        if needed
        else f"{confirmed} captures that looked healthy were confirmed so far, enough to weigh costs; more make the "
        "limits surer."
    )
    return Verification(
        captures=found.select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items()),
        confirmed=confirmed,
        needed=needed,
        sentence=(
            f"Test these although nothing looked odd: drawn by lot, {share:.0%} of such captures, so that it is known "
            f"what the limit misses. {why}"
        ),
    )
