"""Known-good captures of a group over one turn of the sequence, and past captures most like one."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, go, notices, parts, words
from dashboard.views.known_good import answer as answers
from dashboard.views.known_good import chart as charts

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
answers.follow_over(frames, st.session_state)
about = filters.subject(stamp)
filters.sidebar(stamp, ())

st.title("Known-good captures")
st.caption(
    f"{about.kind.title}: what healthy captures look like on top of each other, and which past ones are most alike."
)
if not about.groups:
    notices.too_little(about.none_yet)
    go.end()
left, right = st.columns(2)
with left:
    name = filters.pick_group(about)
captures = answers.captures_of(frames, about, name)
with right:
    over = filters.pick("Lay a capture over it", "kept_over", ["none", *captures])
over = None if over == "none" else over

drawn = answers.overlay(stamp, frames, about, name, over)
verdict, sentence = answers.laid_over(frames, about, over) if over else ("", "")
if drawn.good.is_empty() and drawn.chosen.is_empty():
    notices.too_little(f"No capture of {name} with a shape to draw has been read yet.")
else:
    parts.chart(
        charts.overlay(drawn, about, odd=verdict == "odd"), key="overlay",
        says=answers.overlay_sentence(drawn, name, over, sentence), rows=answers.overlay_rows(drawn),
        opens=lambda mark: go.capture(mark["capture_file"]),
    )  # fmt: skip
    st.caption(answers.overlay_caption(drawn))
    open_point = answers.naming_caption(frames, about, name)
    if open_point:
        st.caption(open_point)
if over is not None:
    st.markdown(f"**{over}**: {sentence}")
    if st.button("Back to this capture", icon=":material/show_chart:"):
        go.capture(over)
    st.header("Past captures most like it")
    near = answers.neighbours(stamp, about, name, over)
    if near.is_empty():
        notices.too_little("There is no other capture of this group to compare with.")
    else:
        event = parts.table(
            near, on_select="rerun", selection_mode="single-row", key="near_table",
            row_height=parts.TWO_LINES,
            column_config={
                "capture_file": st.column_config.TextColumn("capture", width=230),
                "distance": st.column_config.NumberColumn(
                    "distance", format="%.2f", width=75, help="1 is the median capture."
                ),
                "confirmed": st.column_config.TextColumn(width=330),
            },
        )  # fmt: skip
        parts.open_selected(event, near["capture_file"].to_list(), key="near_open")
        st.caption(
            f"n = {words.plural(len(captures), 'capture')} of this group searched, by shape and by deviation of each "
            f"{about.kind.element.noun}. What was confirmed there is a hint, not a finding here."
        )

check = answers.gauge(stamp, about.test, about.measure.name)
if check is None:
    go.end()
st.header(f"Against {about.kind.wording.reference}")
agreement = check.agreement.get(name)
if agreement is None:
    notices.too_little(
        f"No outcome of {name} carries gauge readings for every {about.kind.element.noun}; "
        "add gauge_kpa in outcomes.csv."
    )
else:
    points = answers.gauge_points(check, name)
    parts.chart(
        charts.gauge(points, about), key="gauge", rows=points, says=answers.gauge_sentence(points, agreement),
        opens=lambda mark: go.capture(mark["capture_file"]),
    )  # fmt: skip
    st.markdown(
        f"Rank correlation between the two: {words.figure(agreement, '', digits=2)}, where n counts engines and 1 "
        "means the same order. The two are never converted into each other."
    )
