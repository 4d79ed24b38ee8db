"""The page of whoever trains or runs several shops: what sets them apart, and why."""

from __future__ import annotations

import streamlit as st

from dashboard.shared import beside, filters, go, notices, parts, words
from dashboard.shared import chart as shared
from dashboard.views.group import answer as answers

st.title("Shops beside each other")
found = beside.beside()
if found.use.height < 2:
    notices.too_little("There is one shop in sight: there is nothing to set beside it.")
    go.end()
for line in answers.stands_out(found, jobs=beside.shows_jobs()):
    st.markdown(f"- {line}")
st.caption("Each shop against the others together. " + answers.JUDGED)

st.header("Which shop captures")
parts.table(answers.use_rows(found))
st.caption(answers.use_caption())
points = answers.share_points(found.readable)
what = "Captures that could be read"
parts.chart(
    shared.intervals(points, "share_pct", what, "%", along="Shop", from_zero=False),
    key="readable", says=words.gist(points, "share_pct", what, "%"), rows=points,
)  # fmt: skip
parts.table(answers.share_rows(found.readable, "captures that could be read"))
if beside.shows_jobs():
    parts.table(answers.share_rows(found.scoped, "jobs scoped where it would have served"))
st.caption("In brackets: the 95 % interval, and n.")

st.header("Which shop drifts")
st.markdown(answers.drift_sentence(found))
if found.drift.height:
    parts.table(answers.drift_rows(found))

st.header("Where a family's normal spread differs")
names = answers.families(found)
if names:
    family = filters.pick("Engine family or component", "kept_family", names) or names[0]
    parts.table(answers.spread_rows(found, family))
    st.caption(
        "Shops that have the same family borrow from each other, so their spreads are drawn together: a difference "
        "that is left is rather too small than too large. Beside it stands how each shop hooks it up:"
    )
    parts.table(answers.setup_rows(found, family))
    st.caption("Signals and scales: the most frequent ones; samples a second: the median; then the share of captures "
               "in which that setup check failed.")  # fmt: skip
else:
    notices.too_little("No engine family or component has the same name and definition in two shops.")
for sentence in answers.apart_sentences(found):
    st.markdown(f"- {sentence}")

st.header("Which thresholds differ, and why")
limits = answers.limit_rows(found)
if limits.height:
    parts.table(limits)
else:
    st.markdown("No family that several shops have is judged by different thresholds.")
st.header("What the shops learn together")
st.markdown(answers.together())
