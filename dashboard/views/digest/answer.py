"""One week for reading on Monday: what needs a decision first, then what changed."""

from __future__ import annotations

import datetime as dt

import polars as pl

from dashboard import data
from dashboard.documents.digest import digest_name, flag_row, share_text
from dashboard.shared import skills, words
from pipelines.reports.week import BEFORE_WEEKS, Week, last_over

WEEK = dt.timedelta(days=7)
MOST_LINES = 12


def default_week(newest: dt.date) -> dt.date:
    """The Monday of the last week that was over on the newest day on record."""
    return last_over(newest)


def week_before(monday: dt.date) -> dt.date:
    """The Monday before."""
    return monday - WEEK


def week_after(monday: dt.date) -> dt.date:
    """The Monday after."""
    return monday + WEEK


def open_flags(week: Week) -> pl.DataFrame:
    """The week's flagged captures nobody has settled, ready to show."""
    rows = [flag_row(row) for row in week.flagged.filter(pl.col("outcome").is_null()).to_dicts()]
    schema = dict.fromkeys(
        ("capture", "test", "group", "which", "how far off", "odd from", "technician", "vehicle", "job"),
        pl.String,
    )
    return pl.DataFrame(
        [
            (
                row["capture_file"],
                row["title"],
                row["group"],
                f"{row['noun']} {row['named']}",
                f"{words.number(row['gap_pct'], 1)} % {row['stands']}",
                f"{words.number(row['threshold_pct'], 1)} %",
                row["technician"],
                row["vehicle"],
                row["repair_order"],
            )
            for row in rows
        ],
        schema=schema,
        orient="row",
    )


def flags_sentence(week: Week, shown: pl.DataFrame) -> str:
    """How many of the week's flagged captures wait, and how many are settled."""
    settled = week.flagged.height - shown.height
    if not week.flagged.height:
        return "No capture of this week was flagged."
    return (
        f"{words.plural(shown.height, 'flagged capture')} of this week not confirmed or ruled out yet; "
        f"{words.number(settled)} settled."
    )


def coaching_lines(week: Week) -> list[str]:
    """Who to sit down with, and whether that is new."""
    return [
        f"{item.technician}: {skills.TOPIC_WORDS.get(item.topic, item.topic)}"
        f"{' (new this week)' if (item.technician, item.topic) in week.new else ''}. {skills.item_evidence(item)}"
        for item in week.coaching
    ]


def drill_line(week: Week) -> str:
    """Whose drills of the week fell short."""
    return "; ".join(f"{name} {done} of {target}" for name, done, target in week.drills_short)


def threshold_lines(week: Week) -> list[str]:
    """Thresholds the captures so far do not bear out."""
    return [
        f"{row['group']} ({data.title(row['test'])}): {row['set_by']} set {words.number(row['set_pct'], 1)} %; the "
        f"captures so far propose {words.number(row['proposed_pct'], 1)} %."
        for row in week.thresholds.iter_rows(named=True)
    ]


def file_lines(week: Week) -> list[str]:
    """Files that wait or were refused, as many as one can read."""
    return [
        f"{row['capture_file']} ({row['status']}): {row['reason']}"
        for row in week.troubles.head(MOST_LINES).iter_rows(named=True)
    ]


def changes(week: Week) -> pl.DataFrame:
    """The week beside the weeks before it, ready to show."""
    return pl.DataFrame(
        [(one.what, share_text(one.now), share_text(one.before)) for one in week.changes],
        schema=dict.fromkeys(("what", "this week", f"the {BEFORE_WEEKS} weeks before"), pl.String),
        orient="row",
    )


def file_name(week: Week) -> str:
    """What the digest's file is called."""
    return digest_name(week)
