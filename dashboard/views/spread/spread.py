"""The lead technician's first page: what is normal in each group of a test, and what stands out this week."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import chart as shared
from dashboard.shared import filters, notices, parts, words
from dashboard.views.spread import answer as answers
from dashboard.views.spread import chart as charts

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
about = filters.subject(stamp)
chosen = filters.sidebar(stamp, ("as_of", "group"), about)
nouns = about.kind.element.nouns

st.title("Normal spread")
st.caption(
    f"{about.kind.title}: what healthy {nouns} of each {about.group_noun} look like in this shop, "
    "and how far off is odd."
)
if not about.groups:
    notices.too_little(about.none_yet)
    st.stop()

st.header(f"Standing out in the week of {words.day(answers.newest_week(frames, about, chosen.as_of))}")
week, sure = answers.this_week(
    frames, data.shop(stamp).outcomes, about, chosen.as_of, chosen.group,
    data.settings(stamp)["discovery_rate_pct"],
)  # fmt: skip
if week.is_empty():
    notices.fine("No capture of that week stands out.")
else:
    for line in answers.week_lines(week):
        st.markdown(f"- {line}")
    event = parts.table(
        week.drop("what", "outcome"), on_select="rerun", selection_mode="single-row", key="week_table",
        column_config={
            "capture_file": "capture", "group": about.group_noun, "why_listed": "why it is listed",
            "gap_pct": st.column_config.NumberColumn(
                f"{words.gap_title(about.kind, about.measure).lower()}, %", format="%.1f"
            ),
        },
    )  # fmt: skip
    parts.open_selected(event, week["capture_file"].to_list(), key="week_open")
st.caption(sure)

fit = data.fit(stamp, about.test, about.measure.name)
st.header(f"Every {about.group_noun}")
if fit.stats.is_empty():
    notices.too_little("Nothing is fitted yet: run `shopspread fit`.")
    st.stop()
parts.table(answers.overview(frames, fit, about))
parts.chart(
    shared.intervals(
        answers.spread_rows(fit), "spread_pct", f"Spread of healthy {nouns} (standard deviation)",
        words.unit_of(about.measure), along=about.group_noun.capitalize(), from_zero=False,
    )
)  # fmt: skip
st.caption(
    "Bars: 95 % intervals; a group with few captures leans on the others and has a wide one. Inside one capture "
    f"none of the {nouns} can lie far out in standard deviations, so normal spread has to come from the group."
)

st.header(f"One {about.group_noun}")
name = chosen.group or filters.pick(about.group_noun.capitalize(), "kept_group", list(about.groups))
row = answers.stats_of(fit, name) if name else None
if name is None or row is None:
    notices.too_little("This group has not been fitted yet.")
    st.stop()
left, right = st.columns([3, 2])
with left:
    st.subheader(f"{name}: usual value of each {about.kind.element.noun}")
    parts.chart(
        charts.pattern(
            answers.pattern_rows(fit, name), answers.reading_points(frames, about, name, chosen.as_of), about
        )
    )
    st.caption(
        f"Dark tick: usual value; band: where 95 % of healthy captures lie (n = {words.number(row['captures'])} "
        f"captures); points: every reading with its {about.kind.element.noun} named, scattered sideways to be seen."
    )
with right:
    st.subheader("In words")
    for sentence in answers.sentences(row, about):
        st.markdown(f"- {sentence}")
    pieces = answers.parts_rows(row)
    if pieces.height:
        parts.chart(charts.parts(pieces))
st.subheader(f"Every capture's {words.extreme(about.measure)} {about.kind.element.noun} over time")
past = answers.history(frames, about, name, chosen.as_of)
if past.is_empty():
    notices.too_little("No capture of this group has been read yet.")
else:
    parts.chart(charts.history(past, answers.limit_of(frames, about, name), about))
    st.caption(answers.week_caption(past))
