"""Charts of what a threshold finds, flags for nothing and costs."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboard.shared import chart as base
from dashboard.shared import palette, words
from dashboard.shared.drawn import kept
from dashboard.shared.filters import Subject

HOW = {"corrected": "corrected for who gets followed up", "naive": "as counted"}
POINT = alt.OverlayMarkDef(size=90, opacity=0.01)  # a line is thin to hit: what is clicked are its points
LINES = {"faulty ones found": palette.USUAL, "healthy ones flagged": palette.ODD}


@kept
def detection(rows: pl.DataFrame, in_force: float | None, tried: float, about: Subject) -> Any:
    """Detection and false alarms against X: threshold_pct, line, how, share_pct, low, high, n."""
    across = base.x("threshold_pct:Q", f"Odd from X {words.stands(about.kind, about.measure)}", "%")
    title = base.axis_title("Share of captures", "%")
    scale = alt.Scale(domain=[0, 100])
    rows = rows.with_columns(pl.col("how").replace(HOW))
    corrected = rows.filter(pl.col("how") == HOW["corrected"])
    layers: list[Any] = [
        alt.Chart(corrected)
        .mark_area(opacity=0.18)
        .encode(
            x=across,
            y=alt.Y("low:Q", title=title, scale=scale),
            y2="high:Q",
            color=base.colours("line", LINES),
        ),
        base.pickable(alt.Chart(rows).mark_line(strokeWidth=2, point=POINT), "threshold_pct").encode(
            x=across,
            y=alt.Y("share_pct:Q", title=title, scale=scale),
            color=base.colours("line", LINES),
            strokeDash=alt.StrokeDash(
                "how:N",
                scale=alt.Scale(domain=list(HOW.values()), range=[[1, 0], [4, 4]]),
                legend=None,  # its strokes would be as faint as the points that are clicked; the caption says it
            ),
            tooltip=[
                alt.Tooltip("line:N", title="share of"),
                alt.Tooltip("how:N", title="how"),
                alt.Tooltip("threshold_pct:Q", title="X (%)", format=".1f"),
                alt.Tooltip("share_pct:Q", title="share (%)", format=".0f"),
                alt.Tooltip("low:Q", title="95 % from", format=".0f"),
                alt.Tooltip("high:Q", title="to", format=".0f"),
                alt.Tooltip("n:Q", title="n"),
            ],
        ),
    ]
    return base.finish(alt.layer(*layers, *_marks(in_force, tried)), height=320)


@kept
def cost(
    rows: pl.DataFrame,
    in_force: float | None,
    tried: float,
    interval: tuple[float, float],
    about: Subject,
    currency: str,
) -> Any:
    """Expected cost of one capture against X, with the proposal's interval as a band."""
    across = base.x("threshold_pct:Q", f"Odd from X {words.stands(about.kind, about.measure)}", "%")
    band = (
        alt.Chart(pl.DataFrame({"low": [interval[0]], "high": [interval[1]]}))
        .mark_rect(opacity=0.3, color=palette.BAND)
        .encode(x=alt.X("low:Q"), x2="high:Q")
    )
    line = base.pickable(
        alt.Chart(rows).mark_line(strokeWidth=2.2, color=palette.INK, point=POINT), "threshold_pct"
    ).encode(
        x=across,
        y=base.y("expected_cost:Q", "Cost of one capture", words.money_unit(currency)),
        tooltip=[
            alt.Tooltip("threshold_pct:Q", title="X (%)", format=".1f"),
            alt.Tooltip("expected_cost:Q", title="cost", format=".1f"),
        ],
    )
    return base.finish(alt.layer(band, line, *_marks(in_force, tried)), height=260)


def _marks(in_force: float | None, tried: float) -> list[Any]:
    marks = [base.rule_at(tried, vertical=True, colour=palette.MARK, dash=False)]
    if in_force is not None:
        marks.append(base.rule_at(in_force, vertical=True))
    return marks
