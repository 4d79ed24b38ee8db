"""One capture: its verdict, its elements against the group, its waveform with the elements named."""

from __future__ import annotations

import streamlit as st

from dashboard import data, fits
from dashboard.shared import beside, drawing, filters, findings, go, kinds_told, notices, parts, who
from dashboard.views.capture import answer as answers
from dashboard.views.capture import chart as charts
from dashboard.views.capture import choosing
from pipelines.errors import UnreadableFile
from pipelines.kinds import kind

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
chosen = filters.sidebar(stamp, ("as_of", "group", "technician", "test"))

st.title("One capture")
listed = choosing.chooser(frames["captures"], frames, chosen)
asked = st.session_state.get("capture")
if asked and asked not in listed["capture_file"] and answers.known_row(frames, asked) is not None:
    listed = choosing.with_one_more(listed, frames, asked)
if listed.is_empty():
    notices.too_little("No capture passes the filters on the left; set them to all.")
    go.end()
if st.session_state.pop("kept_chooser", False):
    st.session_state["chooser"] = True  # a click on a figure asked for the list behind it
chooser = st.expander(choosing.chooser_title(listed), key="chooser", on_change="rerun")
if chooser.open:
    with chooser:
        picked = parts.table(
            listed, on_select="rerun", selection_mode="single-row", height=260, key="capture_table",
            column_config={
                "capture_file": "capture", "captured_at": "captured", "repair_order": "job",
                "odd_pct": st.column_config.NumberColumn("furthest off, %", format="%.1f"),
                "call": "called",
            },
        )  # fmt: skip
        choosing.remember_choice(picked, listed, st.session_state)
name = choosing.pick(listed["capture_file"].to_list(), st.session_state)
if name is None:
    notices.too_little("Choose a capture.")
    go.end()
row = answers.known_row(frames, name)
if row is None:
    notices.too_little("This capture is no longer in the warehouse.")
    go.end()
known = kind(row["test"] or "")
made = (
    {measure.name: fits.fit(stamp, known.name, measure.name) for measure in known.measures} if known else {}
)
alone = data.frames_of(stamp, row["capture_file"])
view = answers.view(alone, data.outcomes(stamp), row, made)

notices.verdict(view.verdict, view.sentence)
notes = view.measures[0].notes if view.measures else ()
st.markdown(" ".join([*notes, view.called, view.outcome or "No outcome is confirmed yet."]))
for said in answers.reading_notes(data.frame(stamp, "reading_notes", capture_file=row["capture_file"])):
    notices.note(said)
st.caption(answers.headline(row, known, kinds_told.title(row["test"]), alone["features"]))

with st.container(horizontal=True):
    if known is not None and row["group"]:
        if st.button("Over the known-good ones", icon=":material/verified:"):
            go.known_good(name, row["group"], known.name)
        if st.button("The threshold", icon=":material/tune:"):
            go.threshold(row["group"], known.name)
    if row["repair_order"] and st.button(f"Job {row['repair_order']}", icon=":material/receipt_long:"):
        go.job(row["repair_order"])
    if row["vehicle"] and st.button(f"Vehicle {row['vehicle']}", icon=":material/directions_car:"):
        go.vehicle(row["vehicle"])
    if row["technician"] and st.button(row["technician"], icon=":material/person:"):
        go.technician(row["technician"])

if known is not None and row["repair_order"] and who.may(who.ENTER):
    with st.expander("Enter what was found on this job", expanded=view.verdict == "odd" and not view.outcome):
        findings.form(row, known, answers.elements_of(frames, view))

left, right = st.columns([3, 2])
with left:
    st.header(f"Each {known.element.noun} against the group" if known else "The reading")
    if not any(one.elements.height for one in view.measures):
        notices.too_little("There is no reading to draw.")
    for one in view.measures:
        if one.elements.height and known:
            if len(view.measures) > 1:
                st.markdown(f"**{one.measure.title}.** {one.sentence}")
            parts.chart(
                charts.elements(one.elements, known, one.measure), key=f"elements_{one.measure.name}",
                says=answers.elements_sentence(one, known), rows=answers.element_rows(one),
                opens=answers.to_known_good(row),
            )  # fmt: skip
            st.caption(one.caption)
with right:
    st.header("Setup checks")
    if view.checks.is_empty():
        st.markdown(
            "Every setup check passed." if row["status"] == "read" else "No setup check was recorded."
        )
    for check in view.checks.iter_rows(named=True):
        notices.check(check["check"], check["severity"], check["detail"])
if view.reasons:
    st.header("What else is unusual")
    left, right = st.columns([2, 3])
    with left:
        for reason in view.reasons:
            st.markdown(f"- {reason}")
        st.caption("Compared with captures of the same group; unusual is not the same as faulty.")
        if data.shop_shown(stamp) is not None:
            st.caption(beside.FOREST_POOLED)
    with right:
        if view.reason_rows.height:
            parts.chart(
                charts.reasons(view.reason_rows), key="reasons", says=" ".join(view.reasons), rows=view.reason_rows,
                opens=answers.to_spread(row),
            )  # fmt: skip

st.header("Hookup and waveform")
st.markdown(answers.hookup_words(row, known))
notices.cautions(kinds_told.cautions(row["test"] or ""))
try:
    waveform = data.waveform(stamp, row["capture_file"])
except UnreadableFile as error:
    notices.trouble(str(error))
    go.end()
if waveform is None:
    notices.too_little("No waveform of this capture was ever read; its file is missing or was refused.")
    go.end()
events = drawing.events_of(data.frame(stamp, "capture_drawing", capture_file=row["capture_file"]))
first, last = drawing.span(waveform)
window = st.slider(
    "Stretch shown, s",
    min_value=first,
    max_value=last,
    value=drawing.first_look(events, waveform, known),
    step=drawing.slider_step(waveform),
    key=f"window_{row['capture_file']}",
    help="Drag both ends. Up to 60 events in view are named; beyond that they are only marked.",
)
trace = drawing.trace(waveform, row, window, known)
elements = view.measures[0].elements if view.measures else None
named, index = drawing.named_events(events, elements, window)
for channel, drawn in charts.waveform(trace, named, index, known).items():
    own = answers.channel_rows(trace, channel)
    parts.chart(drawn, key=f"wave_{channel}", says=answers.waveform_sentence(own, channel, named), rows=own)
st.caption(drawing.waveform_caption(row, waveform, named, index, known))
