"""The lead technician's first page: what is normal in each family, and what stands out this week."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, notices, parts, words
from dashboard.views.shop import chart as shop_charts
from dashboard.views.spread import answer as answers
from dashboard.views.spread import chart as charts
from dashboard.views.thresholds import answer as thresholds

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
chosen = filters.sidebar(frames, data.newest_day(stamp), ("as_of", "family"))

st.title("Normal spread")
st.caption("What healthy engines of each family look like in this shop, and how far off is odd.")
if frames["families"].is_empty():
    notices.too_little("No engine family is defined yet: add engine_families.csv to the drop folder.")
    st.stop()

st.header(f"Standing out in the week of {words.day(answers.newest_week(frames, chosen.as_of))}")
week, sure = answers.this_week(
    frames, chosen.as_of, chosen.family, data.settings(stamp)["discovery_rate_pct"]
)
if week.is_empty():
    notices.fine("No capture of that week stands out.")
else:
    for line in answers.week_lines(week):
        st.markdown(f"- {line}")
    event = parts.table(
        week.drop("what", "outcome"), on_select="rerun", selection_mode="single-row", key="week_table",
        column_config={
            "capture_file": "capture", "engine_family": "engine family", "why_listed": "listed for",
            "lowest_pct": st.column_config.NumberColumn("lowest below others, %", format="%.1f"),
        },
    )  # fmt: skip
    parts.open_selected(event, week["capture_file"].to_list(), key="week_open")
st.caption(sure)

fit = answers.fitted(data.fit_stamp(stamp))
st.header("All families")
parts.table(answers.overview(frames, fit))
parts.chart(
    shop_charts.intervals(
        answers.spread_rows(fit), "spread_pct", "Spread of healthy cylinders (standard deviation)",
        "% of the median cylinder", along="Engine family", from_zero=False,
    )
)  # fmt: skip
st.caption(
    "Bars: 95 % intervals; a family with few captures leans on the others and has a wide one. Inside one capture "
    "no cylinder can lie far out in standard deviations, so normal spread has to come from the family."
)

st.header("One family")
name = chosen.family or filters.pick(
    "Engine family", "kept_family", sorted(frames["families"]["engine_family"])
)
row = answers.family(fit, name) if name else None
if name is None or row is None:
    notices.too_little("This family is not defined in engine_families.csv.")
    st.stop()
left, right = st.columns([3, 2])
with left:
    st.subheader(f"{name}: usual value of each cylinder")
    parts.chart(
        charts.pattern(answers.pattern_rows(fit, name), answers.reading_points(frames, name, chosen.as_of))
    )
    st.caption(
        f"Dark tick: usual value; band: where 95 % of healthy captures lie (n = {words.number(row['captures'])} "
        "captures); points: every reading with a named cylinder, scattered sideways to be seen."
    )
with right:
    st.subheader("In words")
    for sentence in answers.family_sentences(row):
        st.markdown(f"- {sentence}")
    pieces = answers.parts_rows(row)
    if pieces.height:
        parts.chart(charts.parts(pieces))
st.subheader("Every capture's lowest cylinder over time")
past = answers.history(frames, name, chosen.as_of)
if past.is_empty():
    notices.too_little("No capture of this family has been read yet.")
else:
    limit = thresholds.in_force(frames, name)
    parts.chart(charts.history(past, limit["threshold_pct"] if limit else None))
    st.caption(answers.week_caption(past))
