"""The lists of jobs behind the figures, by name: which rows of `models.jobs.listing.listed_jobs` each holds."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

QUALITIES = ("right call", "wrong call", "call not confirmed", "unusable capture", "no capture")
"""As `models.jobs.comebacks.QUALITIES`, which is not imported: it brings the statistics with it."""


@dataclass(frozen=True, slots=True)
class JobList:
    """One list of jobs: what it holds, in words, and which rows of `listed_jobs` those are."""

    title: str
    rows: pl.Expr


_CAME = pl.col("came_back")
_PARTS_BACK = pl.col("counted") & (pl.col("parts_returned") > 0)
JOB_LISTS: dict[str, JobList] = {
    "all": JobList("Every job", pl.lit(True)),
    "counted": JobList("Closed jobs where the scope could help", pl.col("counted")),
    "scoped": JobList("Closed jobs that were scoped", pl.col("scoped")),
    "not scoped": JobList("Closed jobs that could have been scoped and were not", ~pl.col("scoped")),
    "came back": JobList("Jobs that came back", _CAME),
    "came back scoped": JobList("Scoped jobs that came back", _CAME & pl.col("scoped")),
    "came back not scoped": JobList("Jobs that came back and had not been scoped", _CAME & ~pl.col("scoped")),
    **{
        f"came back {quality}": JobList(
            f"Jobs that came back after: {quality}", _CAME & (pl.col("quality") == quality)
        )
        for quality in QUALITIES
    },
    "parts back scoped": JobList("Scoped jobs with parts returned", _PARTS_BACK & pl.col("scoped")),
    "parts back not scoped": JobList("Jobs with parts returned, not scoped", _PARTS_BACK & ~pl.col("scoped")),
}
