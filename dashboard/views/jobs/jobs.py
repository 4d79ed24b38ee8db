"""Jobs behind the figures, one job with its captures, and its vehicle before and after the repair."""

from __future__ import annotations

import polars as pl
import streamlit as st

from dashboard import data
from dashboard.shared import filters, go, notices, parts, people, words
from dashboard.shared.job_lists import JOB_LISTS
from dashboard.views.jobs import answer as answers
from dashboard.views.jobs import chart as charts

stamp: str = st.session_state["stamp"]
frames = data.frames(stamp)
chosen = filters.sidebar(stamp, ("as_of", "technician"))
state = st.session_state
outcomes = data.outcomes(stamp)
window = people.settings_of(stamp).window_days
jobs = people.jobs(data.work_stamp(stamp), chosen.as_of)

st.title("Jobs and vehicles")
job = answers.job_of(jobs, state["kept_order"]) if state.get("kept_order") else None
vehicle = job["vehicle"] if job else state.get("kept_vehicle")
week = state.get("kept_week")
if job or vehicle:
    if st.button("Back to the list", icon=":material/list:"):
        go.here(kept_order=None, kept_vehicle=None)
else:
    which = filters.pick("Which jobs", "kept_jobs", list(JOB_LISTS), title=lambda name: JOB_LISTS[name].title)
    rows = answers.listed(jobs, which or "all", chosen.technician, week)
    st.markdown(answers.list_sentence(rows, which or "all", week, window))
    if week is not None and st.button("Every week", icon=":material/close:"):
        go.here(kept_week=None)
    if rows.is_empty():
        notices.too_little("There is no such job up to this day.")
    else:
        shown = answers.table(rows)
        event = parts.table(
            shown, on_select="rerun", selection_mode="single-row", key="jobs_table", height="content"
            if shown.height < 12 else 460, column_config=answers.COLUMNS,
        )  # fmt: skip
        parts.open_row(event, shown["job"].to_list(), go.job, key="jobs_open")

if job is not None:
    name = job["repair_order"]
    st.header(f"Job {name}")
    st.caption(answers.facts(job, data.settings(stamp)["currency"]))
    for sentence in [*answers.return_sentences(jobs, job, window), *answers.found_on(outcomes, name)]:
        st.markdown(f"- {sentence}")
    with st.container(horizontal=True):
        for other in answers.related(job):
            if st.button(f"Job {other}", key=f"related_{other}", icon=":material/sync:"):
                go.job(other)
        if job["technician"] and st.button(job["technician"], key="job_technician", icon=":material/person:"):
            go.technician(job["technician"])
    own = answers.captures(frames, outcomes, pl.col("repair_order") == name, chosen.as_of)
    st.subheader("Captures of this job")
    if own.is_empty():
        notices.too_little("No capture was logged on this job.")
    else:
        event = parts.table(
            own.drop("odd_pct", "job"), on_select="rerun", selection_mode="single-row", key="job_captures",
            column_order=["when", "what", "verdict", "day", "technician", "test", "capture", "purpose"],
            column_config={"what": "furthest off", "when": "taken"},
        )  # fmt: skip
        parts.open_selected(event, own["capture"].to_list(), key="job_capture_open")

if vehicle:
    st.header(f"Vehicle {vehicle}")
    rows = answers.captures(frames, outcomes, pl.col("vehicle") == vehicle, chosen.as_of)
    own = answers.vehicle_jobs(jobs, vehicle)
    st.markdown(answers.history_sentence(own, rows, vehicle))
    for sentence in answers.before_after(rows):
        st.markdown(f"- {sentence}")
    drawn = answers.drawn(rows)
    if drawn.height:
        parts.chart(
            charts.history(drawn, answers.confirmed_days(outcomes, own)), key="vehicle",
            says=answers.chart_sentence(drawn, vehicle), rows=drawn,
            opens=lambda mark: go.capture(mark["capture_file"]),
        )  # fmt: skip
        st.caption("Upright lines: a fault was confirmed. Click a mark to open its capture.")
    else:
        notices.too_little("No capture of this vehicle has been compared with its group yet.")
    if own.height:
        event = parts.table(
            answers.table(own), on_select="rerun", selection_mode="single-row", key="vehicle_jobs",
            column_config=answers.COLUMNS,
        )  # fmt: skip
        parts.open_row(event, own["repair_order"].to_list(), go.job, key="vehicle_job_open")
st.caption(f"All records up to {words.day(chosen.as_of)}.")
