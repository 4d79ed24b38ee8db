"""The standing hookups a shop has set: what one before would say of past captures, and what stood before."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboard import data
from pipelines.fit import standing_hookup


def would_differ(stamp: str, test: str, hookup: Mapping[str, Any]) -> tuple[int, int]:
    """How many captures of a test would differ from a standing hookup, and of how many."""
    own = data.frames(stamp)["captures"].filter(
        (pl.col("test") == test) & pl.col("status").is_in(["read", "unusable"])
    )
    return len(standing_hookup.drift(own, {test: hookup})), own.height


def hookup_before(stamp: str, test: str) -> dict[str, Any] | None:
    """The standing hookup of a test before its last change, or None where it was never changed."""
    log = data.frame(stamp, "intake_log", rows=data.LOG_ROWS).filter(
        (pl.col("subject") == "setting") & (pl.col("key") == "house_setup")
    )
    for row in log.iter_rows(named=True):
        before, after = (json.loads(row[side] or "{}").get(test) for side in ("before", "after"))
        if before != after:
            return before or {}
    return None
