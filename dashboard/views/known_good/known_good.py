"""Known-good captures of a family over the crank angle, and past captures most like one."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from dashboard.shared import filters, notices, parts, words
from dashboard.views.capture import answer as capture_answers
from dashboard.views.known_good import answer as answers
from dashboard.views.spread import chart as charts

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
filters.sidebar(frames, data.newest_day(stamp), ())

st.title("Known-good captures")
families = sorted(frames["families"]["engine_family"])
if not families:
    notices.too_little("No engine family is defined yet: add engine_families.csv to the drop folder.")
    st.stop()
left, right = st.columns(2)
with left:
    name = filters.pick_family(families)
captures = answers.family_captures(frames, name)
with right:
    over = filters.pick("Lay a capture over it", "kept_over", ["none", *captures])
over = None if over == "none" else over

drawn = answers.overlay(stamp, frames, name, over)
view = capture_answers.view(frames, over) if over else None
if drawn.good.is_empty() and drawn.chosen.is_empty():
    notices.too_little(f"No capture of {name} has been read yet, so there is nothing to overlay.")
else:
    parts.chart(
        charts.overlay(
            drawn.good, drawn.band, drawn.firings, drawn.chosen, view is not None and view.verdict == "odd"
        )
    )
    st.caption(answers.overlay_caption(drawn))
    open_point = answers.sync_caption(frames, name)
    if open_point:
        st.caption(open_point)
if view is not None and over is not None:
    st.markdown(f"**{over}**: {view.sentence}")
    st.subheader("Past captures most like it")
    near = answers.neighbours(stamp, name, over)
    if near.is_empty():
        notices.too_little("There is no other capture of this family to compare with.")
    else:
        event = parts.table(
            near, on_select="rerun", selection_mode="single-row", key="near_table",
            column_config={
                "capture_file": "capture",
                "distance": st.column_config.NumberColumn("distance (1 = the median capture)", format="%.2f"),
            },
        )  # fmt: skip
        parts.open_selected(event, near["capture_file"].to_list(), key="near_open")
        st.caption(
            f"n = {words.plural(len(captures), 'capture')} of this family searched, by shape over the crank angle and "
            "by deviation of each cylinder. What was confirmed there is a hint, not a finding here."
        )

st.header("Against the compression gauge")
check = answers.gauge(stamp)
agreement = check.agreement.get(name)
if agreement is None:
    notices.too_little(
        f"No outcome of {name} carries gauge readings for every cylinder; add gauge_kpa in outcomes.csv."
    )
else:
    parts.chart(charts.gauge(answers.gauge_points(check, name)))
    st.markdown(
        f"Rank correlation between the two: {words.figure(agreement, '', digits=2)}, where n counts engines and 1 "
        "means the same order. The two are never converted into each other."
    )
