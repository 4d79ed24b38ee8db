"""The lead technician's first page: what is normal in each group of a test, who captures it, what was odd."""

from __future__ import annotations

import streamlit as st

from dashboard import data, fits
from dashboard.shared import chart as shared
from dashboard.shared import filters, go, notices, parts, words
from dashboard.views.spread import answer as answers
from dashboard.views.spread import chart as charts
from dashboard.views.spread import glance

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
about = filters.subject(stamp)
chosen = filters.sidebar(stamp, ("as_of", "group"), about)
nouns = about.kind.element.nouns

st.title("Normal spread")
st.caption(
    f"{about.kind.title}: what healthy {nouns} of each {about.group_noun} look like in this shop, "
    "how far off is odd, who captures it and which captures were odd."
)
if not about.groups:
    notices.too_little(about.none_yet)
    go.end()


def show_group(group: str) -> None:
    """One group's part of this page."""
    go.here(group=group, kept_group=group)


def show_person(name: str) -> None:
    """Somebody's captures of this test."""
    if glance.openable(frames, name):
        go.captures_of_test(about.test, technician=name)


fit = fits.fit_as_of(stamp, about.test, about.measure.name, chosen.as_of)
limits = fits.thresholds_as_of(stamp, chosen.as_of)
st.header(f"Every {about.group_noun}")
if fit.stats.is_empty():
    notices.too_little("Nothing is fitted yet: run `shopspread fit`.")
    go.end()
overview = answers.overview(limits, fit, about)
event = parts.table(overview, on_select="rerun", selection_mode="single-row", key="overview")
parts.open_row(event, overview[about.group_noun].to_list(), show_group, key="overview_open")
spreads, what = answers.spread_rows(fit), f"Spread of healthy {nouns} (standard deviation)"
unit = words.unit_of(about.measure)
parts.chart(
    shared.intervals(
        spreads, "spread_pct", what, unit, along=about.group_noun.capitalize(), from_zero=False, picks="group",
    ),
    key="spreads", says=words.gist(spreads, "spread_pct", what, unit), rows=spreads.drop("group"),
    opens=lambda mark: show_group(mark["group"]),
)  # fmt: skip
st.caption(
    "Bars: 95 % intervals; a group with few captures leans on the others and has a wide one. Inside one capture "
    f"none of the {nouns} can lie far out in standard deviations, so normal spread has to come from the group."
)

people = glance.who(frames, about, chosen.group, chosen.as_of)
odd_ones = glance.odd(frames, about, chosen.group, chosen.as_of)
st.header("Who captures it, and what was odd")
st.markdown(glance.sentence(people, odd_ones, about))
left, right = st.columns(2)
with left:
    st.subheader("Who captures it")
    event = parts.table(
        people, on_select="rerun", selection_mode="single-row", key="who_captures", height=250
    )
    parts.open_row(event, people["technician"].to_list(), show_person, key="who_open")
with right:
    st.subheader("Its odd ones, the newest first")
    if odd_ones.is_empty():
        notices.fine("No capture is odd by the limits in force.")
    else:
        event = parts.table(
            odd_ones, on_select="rerun", selection_mode="single-row", key="odd_ones", height=250,
            column_config={
                "gap_pct": st.column_config.NumberColumn("% off", format="%.1f", width=65), "group": about.group_noun,
                "capture_file": "capture",
            },
        )  # fmt: skip
        parts.open_selected(event, odd_ones["capture_file"].to_list(), key="odd_open")

st.header(f"One {about.group_noun}")
name = chosen.group or filters.pick(about.group_noun.capitalize(), "kept_group", list(about.groups))
row = answers.stats_of(fit, name) if name else None
if name is None or row is None:
    notices.too_little("This group has not been fitted yet.")
    go.end()
left, right = st.columns([3, 2])
with left:
    st.subheader(f"{name}: usual value of each {about.kind.element.noun}")
    usual = answers.pattern_rows(fit, name)
    parts.chart(
        charts.pattern(usual, answers.reading_points(frames, about, name, chosen.as_of), about),
        key="pattern", says=answers.pattern_sentence(usual, about, name),
        rows=usual.select("name", "pattern_pct", "low", "high", "predict_low", "predict_high"),
        opens=lambda mark: go.capture(mark["capture_file"]),
    )  # fmt: skip
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
        parts.chart(
            charts.parts(pieces), key="pieces", says=answers.parts_sentence(pieces), rows=pieces,
            opens=answers.to_captures(name),
        )  # fmt: skip
with st.container(horizontal=True):
    if st.button("Its threshold", icon=":material/tune:"):
        go.threshold(name, about.test)
    if st.button("Its known-good captures", icon=":material/verified:"):
        go.known_good(None, name, about.test)
st.subheader(f"Every capture's {words.extreme(about.measure)} {about.kind.element.noun} over time")
past = answers.history(frames, about, name, chosen.as_of)
if past.is_empty():
    notices.too_little("No capture of this group has been read yet.")
else:
    limit = answers.limit_of(limits, about, name)
    parts.chart(
        charts.history(past, limit, about), key="history", says=answers.history_sentence(past, limit, about, name),
        rows=past.drop("threshold_pct", "flagged"), opens=lambda mark: go.capture(mark["capture_file"]),
    )  # fmt: skip
    st.caption(answers.week_caption(past))
