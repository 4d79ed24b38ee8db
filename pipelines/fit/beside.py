"""The shops of a group beside each other, from the warehouse's rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import polars as pl

from models.shops.beside import ShopsBeside, shops_beside
from pipelines.threads import one_thread

BESIDE = "shops beside"
"""The name it is stored under."""
BESIDE_FRAMES: tuple[str, ...] = (
    "captures", "checks", "comparison_groups", "all_group_stats", "thresholds_in_force", "all_proposals",
)  # fmt: skip


def beside_of(
    frames: Mapping[str, pl.DataFrame], used: Mapping[str, tuple[int, int]], day: dt.date
) -> ShopsBeside:
    """See `models.shops.beside.shops_beside`; `frames` are the queries of `BESIDE_FRAMES`."""
    with one_thread():
        return shops_beside(frames, used, day)
