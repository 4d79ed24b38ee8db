"""The weekly digest: one HTML file with its pictures inside, for mailing. What changed, what needs a decision."""

from __future__ import annotations

import base64
from importlib import resources
from pathlib import Path
from typing import Any

import altair as alt
import jinja2
import polars as pl

from dashboard.shared import waits as words_of
from dashboard.shared import words
from dashboard.shared.palette import BAND, ODD, SCOPED, UNSURE, USUAL
from models.stats.results import Estimate
from pipelines.errors import ShopspreadError
from pipelines.kinds import kind, kinds
from pipelines.kinds.base import Kind
from pipelines.reports.waiting import FILE, JOB, PERSON, THRESHOLD, Item, WeekWaits
from pipelines.reports.week import BEFORE_WEEKS, Week
from pipelines.whole import whole

PICTURE_WIDTH, PICTURE_HEIGHT = 640, 190
LISTED = {
    PERSON: "People to sit down with", THRESHOLD: "Thresholds to look at again",
    FILE: "Files that wait or were refused",
}  # fmt: skip
MOST_LINES = 5
MOST_NAMED = 12


def write_digest(week: Week, waits: WeekWaits, output: Path | None = None) -> Path:
    """Write the digest of a week and return where it stands.

    Args:
        week, waits: the facts, and what of them waits for somebody.
        output: the file to write; default `digest-YEAR-Wnn.html` in the working folder.

    Raises:
        ShopspreadError: when the file cannot be written; the one that stood there still does.
    """
    path = output or Path(digest_name(week))
    text = render(week, waits)
    try:
        with whole(path) as part:
            part.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ShopspreadError(
            f"The digest {path} cannot be written ({error.strerror or error}); make room, give permission or name "
            "another place with --output."
        ) from error
    return path


def digest_name(week: Week) -> str:
    """The digest's file: `digest-2026-W09.html`."""
    year, number, _ = week.monday.isocalendar()
    return f"digest-{year}-W{number:02d}.html"


def render(week: Week, waits: WeekWaits) -> str:
    """The digest as one HTML document; nothing in it is fetched from elsewhere."""
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    environment.filters["share"] = share_text
    template = environment.from_string(
        (resources.files("dashboard.documents") / "digest.html.j2").read_text(encoding="utf-8")
    )
    return template.render(
        week=week,
        before_weeks=BEFORE_WEEKS,
        number=week.monday.isocalendar().week,
        flags=[flag_row(item) for item in waits.of(JOB)],
        settled=settled(week),
        practice=practice_sentence(week),
        beyond=beyond_sentence(week),
        lists=lists(waits),
        closed=waits.closed,
        older=words_of.older(waits),
        adoption_picture=picture(adoption_chart(week.weeks)) if week.weeks.height else None,
        odd_pictures=_odd_pictures(week.odd),
        colours={"odd": ODD, "usual": USUAL, "unsure": UNSURE},
    )


def flag_row(item: Item) -> dict[str, Any]:
    """A flagged job's row in the words of its own test."""
    row = item.facts
    known = kind(row["test"])
    named, gap_pct = words_of.which(row)
    return {
        **row,
        "title": known.title if known else row["test"].replace("_", " "),
        "named": named,
        "gap_pct": gap_pct,
        "stands": words.stands(known, known.measure(row["measure"])) if known else "",
        "given": words_of.given(item),
    }


def settled(week: Week) -> int:
    """How many flagged jobs of the week have an outcome."""
    return week.flagged.filter(pl.col("outcome").is_not_null()).select("repair_order", "test").n_unique()


def practice_sentence(week: Week) -> str:
    """How many flagged captures stand on no job, so that nothing is decided about them; empty where there is none."""
    count = week.flagged.filter(pl.col("repair_order").is_null())["capture_file"].n_unique()
    if not count:
        return ""
    return (
        f"{words.plural(count, 'flagged capture')} more {'was' if count == 1 else 'were'} taken in practice or on no "
        "job, and count in the shares below only."
    )


def beyond_sentence(week: Week) -> str:
    """Which captures of the week stand further off than chance explains, how sure that is, and on what condition."""
    found = week.beyond_chance
    if not found.height:
        return "No capture of this week stands further off than chance explains."
    rows = found.head(MOST_NAMED).iter_rows(named=True)
    names = ", ".join(row["capture_file"] + ("" if row["flagged"] else " (not flagged)") for row in rows)
    more = f" and {found.height - MOST_NAMED} more" if found.height > MOST_NAMED else ""
    stand = "stands" if found.height == 1 else "stand"
    return (
        f"{words.plural(found.height, 'capture')} of this week {stand} further off than chance explains: "
        f"{names}{more}. At most {words.number(week.rate_pct)} in 100 of the captures so called are healthy ones on "
        "average, provided that known-good captures are made as those on jobs are."
    )


def lists(waits: WeekWaits) -> list[tuple[str, list[str]]]:
    """What came up in the week beside flagged jobs: a title and a line a thing, as many as one can read."""
    found = []
    for sort, title in LISTED.items():
        items = waits.of(sort)
        lines = [
            f"{words_of.name(item)}{words_of.given(item)}: {words_of.says(item)}"
            for item in items[:MOST_LINES]
        ]
        if len(items) > MOST_LINES:
            lines.append(f"and {len(items) - MOST_LINES} more, {words_of.WHERE}.")
        if lines:
            found.append((title, lines))
    return found


def _odd_pictures(odd: pl.DataFrame) -> list[tuple[str, str]]:
    """One picture a test with captures in the weeks shown: what it shows, and the picture."""
    made = kinds()
    return [
        (
            f"{known.title}: {words.gap_title(known, known.measures[0]).lower()}, by capture",
            picture(odd_chart(odd, known)),
        )
        for name, known in made.items()
        if odd.filter(pl.col("test") == name).height
    ]


def share_text(value: Estimate) -> str:
    """A share with its interval and n, or that there is too little to say."""
    if value.estimate is None:
        return f"too little to say (n = {value.n})"
    text = f"{value.estimate:.0%}"
    if value.low is not None and value.high is not None:
        text += f" [{value.low:.0%} to {value.high:.0%}]"
    return f"{text}, n\N{NO-BREAK SPACE}=\N{NO-BREAK SPACE}{value.n}"


def picture(chart: alt.LayerChart) -> str:
    """A chart as a PNG data URI."""
    import vl_convert  # large, and only pictures need it

    png = vl_convert.vegalite_to_png(chart.to_json(), scale=2)
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def adoption_chart(weeks: pl.DataFrame) -> alt.LayerChart:
    """Share of eligible jobs scoped, by week, with its 95 % interval."""
    base = alt.Chart(weeks).encode(x=alt.X("week:T", title="week beginning", axis=alt.Axis(format="%d %b")))
    scale = alt.Scale(domain=[0, 1])
    interval = base.mark_rule(color=BAND, strokeWidth=6, opacity=0.6).encode(
        y=alt.Y("low:Q", scale=scale, axis=alt.Axis(format="%"), title="jobs scoped (% of eligible)"),
        y2="high:Q",
    )
    points = base.mark_line(color=SCOPED, point=alt.OverlayMarkDef(color=SCOPED, size=45)).encode(
        y=alt.Y("share:Q", scale=scale)
    )
    return alt.layer(interval, points).properties(width=PICTURE_WIDTH, height=PICTURE_HEIGHT)


def odd_chart(odd: pl.DataFrame, known: Kind) -> alt.LayerChart:
    """How odd every capture of one test was by its first measure, flagged ones marked."""
    top = 100.0 if known.measures[0].direction == "low" else None
    marked = odd.filter(
        (pl.col("test") == known.name) & (pl.col("measure") == known.measures[0].name)
    ).with_columns(
        pl.col("odd_pct").clip(upper_bound=top),
        verdict=pl.when(pl.col("flagged")).then(pl.lit("flagged")).otherwise(pl.lit("not flagged")),
    )
    points = (
        alt.Chart(marked)
        .mark_point(filled=True, size=45, opacity=0.75)
        .encode(
            x=alt.X("captured_at:T", title="day of the capture", axis=alt.Axis(format="%d %b")),
            y=alt.Y("odd_pct:Q", title=f"{words.gap_title(known, known.measures[0]).lower()} (%)"),
            color=alt.Color(
                "verdict:N",
                title=None,
                scale=alt.Scale(domain=["flagged", "not flagged"], range=[ODD, USUAL]),
            ),
            shape=alt.Shape(
                "verdict:N",
                title=None,
                scale=alt.Scale(domain=["flagged", "not flagged"], range=["triangle-down", "circle"]),
            ),
        )
    )
    return alt.layer(points).properties(width=PICTURE_WIDTH, height=PICTURE_HEIGHT)
